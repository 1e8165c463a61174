"""Neighbourhoods: each target's own against a plain loop; tiles that share one."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from detect.geostat import GeostatError, GeostatWarning, Kriging, Variogram
from detect.geostat.blocks import Support
from detect.geostat.data import Data
from detect.geostat.elimination import model_of
from detect.geostat.tiled import TiledSystem

MODELS = {
    "spherical": Variogram("spherical", 0.1, 0.9, 6.0),
    "exponential": Variogram("exponential", 0.05, 1.3, 2.0),
    "gaussian": Variogram("gaussian", 0.1, 1.0, 2.5),
    "matern 1.5": Variogram("matern", 0.02, 1.0, 1.2, smoothness=1.5),
    "matern 2.5": Variogram("matern", 0.05, 1.0, 1.0, smoothness=2.5),
    "matern 0.8": Variogram("matern", 0.05, 1.0, 1.0, smoothness=0.8),  # not in the kernels
    "turned": Variogram("spherical", 0.1, 0.9, 8.0, anisotropy_ratio=0.4, azimuth_deg=30.0),
    "nested": Variogram.nested(
        [Variogram("spherical", 0.1, 0.4, 3.0, 0.5, 20.0), Variogram("exponential", 0, 0.6, 4.0)]
    ),
}


def survey(seed: int = 3, side: float = 30.0) -> tuple[np.ndarray, np.ndarray]:
    """Lanes 2.5 m apart, a reading about every 0.7 m."""
    rng = np.random.default_rng(seed)
    e, n = np.meshgrid(np.arange(0, side, 2.5), np.arange(0, side, 0.7))
    points = np.column_stack([e.ravel(), n.ravel()]) + rng.normal(0, 0.1, (e.size, 2))
    values = np.sin(points[:, 0] / 3) + np.cos(points[:, 1] / 4) + rng.normal(0, 0.3, len(points))
    return points, values


def grid(side: float, step: float) -> np.ndarray:
    u = np.arange(step / 2, side, step)
    return np.stack(np.meshgrid(u, u), axis=-1).reshape(-1, 2)


def test_which_models_the_kernels_know() -> None:
    known = {name for name, v in MODELS.items() if model_of(v) is not None}
    assert known == set(MODELS) - {"matern 0.8"}


@pytest.mark.parametrize("name", MODELS)
@pytest.mark.parametrize("drift", ["constant", "linear", "quadratic"])
def test_own_neighbourhoods_equal_a_plain_loop(plain_kriging, name, drift) -> None:
    points, values = survey(1, 12.0)
    v = MODELS[name]
    nodes = np.r_[np.random.default_rng(2).uniform(-1, 13, (40, 2)), points[:4]]
    kriging = Kriging(points, values, v, None, 24, drift, neighbourhood="own")
    near = kriging.system._own(nodes - kriging.data.origin, Support.point()).index
    estimate, variance = kriging.at(nodes)
    for m, node in enumerate(nodes):  # with the same readings, by the bordered system
        some = near[m]
        one = plain_kriging(points[some], values[some], v, node[None], kind=drift)
        assert estimate[m] == pytest.approx(one[0][0], rel=1e-10, abs=1e-10)
        assert variance[m] == pytest.approx(one[1][0], rel=1e-10, abs=1e-10)
    if not v.structures and v.anisotropy_ratio == 1.0:
        plain = plain_kriging(points, values, v, nodes, neighbours=24, kind=drift)
        np.testing.assert_allclose(kriging.weights(nodes), plain[2], atol=1e-9)


@pytest.mark.parametrize("name", MODELS)
@pytest.mark.parametrize("mean", [None, 0.4])
@pytest.mark.parametrize("size", [0.0, 2.0])
def test_tiles_equal_the_plain_systems(name, mean, size) -> None:
    points, values = survey()
    sd = np.linspace(0.0, 0.3, len(points))
    data = Data.checked(points, values, sd, "constant", mean)
    system = TiledSystem(data, MODELS[name], 16)
    nodes = np.r_[np.random.default_rng(2).uniform(-1, 31, (60, 2)), points[:5]] - data.origin
    support = Support.square(size) if size else Support.point()
    estimate, variance = system.estimate(nodes, support)
    weights = system.weights(nodes, support)
    simple, _ = system.simple_weights(nodes, support)
    cut = system.cut(nodes)
    for q, index in enumerate(system._neighbourhoods(corner)):
        own = order[start[q] : start[q + 1]]
        plain = system.plain.shared(nodes[own], support, index, system.trend)
        np.testing.assert_allclose(estimate[own], plain.estimate, rtol=1e-10, atol=1e-10)
        np.testing.assert_allclose(variance[own], plain.variance, rtol=1e-10, atol=1e-10)
        np.testing.assert_allclose(simple[own][:, index].toarray(), plain.weights, atol=1e-9)
    np.testing.assert_allclose(weights @ data.residual + data.mean, estimate, atol=1e-9)


@pytest.mark.parametrize("name", ["exponential", "matern 0.8"])
@pytest.mark.parametrize("drift", ["constant", "linear"])
def test_left_out_of_a_tile_equals_leaving_out(name, drift) -> None:
    # with the survey's drift known up to S^-1, each from the others: simple kriging with the
    # covariance C + F S0^-1 F' raised to the same posterior of the drift
    points, values = survey(3, 12.0)
    kriging = Kriging(points, values, MODELS[name], 0.2, 40, drift)
    estimate, variance = kriging.leave_one_out()
    every = Kriging(points, values, MODELS[name], 0.2, None, drift).leave_one_out()
    gap = np.abs(estimate - every[0]) / np.sqrt(every[1])
    assert gap.max() < 0.15
    assert gap.mean() < 0.01
    np.testing.assert_allclose(variance, every[1], rtol=0.02)
    # and where one tile's neighbourhood is the whole survey, it is the closed form of all points
    whole = TiledSystem(kriging.data, MODELS[name], len(points)).leave_one_out()
    np.testing.assert_allclose(whole, every, rtol=1e-8, atol=1e-9)


@pytest.mark.parametrize("name", ["spherical", "exponential", "turned"])
def test_tiles_are_nearer_to_all_points_than_own_neighbourhoods(name) -> None:
    points, values = survey()
    nodes = grid(30.0, 0.5)
    every, variance = Kriging(points, values, MODELS[name]).at(nodes)
    gap = {
        kind: np.abs(
            Kriging(points, values, MODELS[name], neighbours=32, neighbourhood=kind).at(nodes)[0]
            - every
        )
        / np.sqrt(variance)
        for kind in ("tiles", "own")
    }
    assert np.quantile(gap["tiles"], 0.99) < 0.6 * np.quantile(gap["own"], 0.99)
    assert gap["tiles"].mean() < 0.5 * gap["own"].mean()


@pytest.mark.parametrize(("name", "allowed"), [("spherical", 1.2), ("exponential", 1.02)])
def test_steps_at_the_edges_of_tiles_are_no_larger_than_inside(name, allowed) -> None:
    # Between neighbouring nodes 0.25 m apart. Lanes and tiles lie along the same axes, so the map
    # from all readings, which has no seams, says how large a step is at those places anyway.
    points, values = survey()
    nodes, side = grid(30.0, 0.25), 120
    kriging = Kriging(points, values, MODELS[name], neighbours=32)
    order, start, _ = kriging.system._tiles(nodes - kriging.data.origin)
    tile = np.empty(len(nodes), int)
    tile[order] = np.repeat(np.arange(len(start) - 1), np.diff(start))

    def steps(estimate: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        inside, across = [], []
        for axis in (0, 1):
            step = np.abs(np.diff(estimate.reshape(side, side), axis=axis))
            crosses = np.diff(tile.reshape(side, side), axis=axis) != 0
            inside.append(step[~crosses])
            across.append(step[crosses])
        return np.concatenate(inside), np.concatenate(across)

    inner, outer = steps(kriging.at(nodes)[0])
    _, seamless = steps(Kriging(points, values, MODELS[name]).at(nodes)[0])
    assert len(outer) > 1000
    assert outer.max() <= inner.max()
    assert outer.mean() < allowed * seamless.mean()
    assert np.quantile(outer, 0.99) < allowed * np.quantile(seamless, 0.99)


def test_an_estimate_does_not_depend_on_what_else_is_asked_for() -> None:
    points, values = survey()
    kriging = Kriging(points, values, MODELS["nested"], neighbours=16)
    nodes = np.random.default_rng(0).uniform(-5, 35, (3000, 2))
    together = np.array(kriging.at(nodes))
    shuffled = np.random.default_rng(1).permutation(3000)
    np.testing.assert_allclose(np.array(kriging.at(nodes[shuffled])), together[:, shuffled], 1e-12)
    for m in range(0, 3000, 500):
        np.testing.assert_allclose(np.array(kriging.at(nodes[m]))[:, 0], together[:, m], 1e-12)


def test_crowded_readings_get_small_tiles() -> None:
    # 1,500 of 1,600 readings in one corner: tiles there must be as fine as the readings are
    rng = np.random.default_rng(4)
    points = np.r_[rng.uniform(0, 2, (1500, 2)), rng.uniform(0, 60, (100, 2))]
    values = np.sin(points[:, 0]) + rng.normal(0, 0.1, 1600)
    v = Variogram("exponential", 0.0, 1.0, 3.0)
    nodes = np.r_[rng.uniform(0, 2, (200, 2)), rng.uniform(0, 60, (200, 2))]
    every, variance = Kriging(points, values, v, 0.1).at(nodes)
    tiles = Kriging(points, values, v, 0.1, neighbours=24)
    own = Kriging(points, values, v, 0.1, neighbours=24, neighbourhood="own")
    sides = tiles.system._tiles(nodes - tiles.data.origin)[2][:, 2]
    assert sides.max() > 8 * sides.min()
    gap, own_gap = (np.abs(k.at(nodes)[0] - every) / np.sqrt(variance) for k in (tiles, own))
    assert np.quantile(gap, 0.99) < np.quantile(own_gap, 0.99)


def test_failures_in_a_tile_are_named_and_a_smooth_model_is_said() -> None:
    points, values = survey()
    points[20] = points[4] + [1e-7, 0.0]
    kriging = Kriging(points, values, Variogram("gaussian", 0.0, 1.0, 3.0), neighbours=8)
    with pytest.raises(GeostatError, match="index 4 and 20") as caught:
        kriging.at(points[4] + 0.1)
    assert f"({points[4, 0] + 0.1:.3f}, {points[4, 1] + 0.1:.3f})" in str(caught.value)
    close = np.stack(np.meshgrid(np.arange(12) * 0.3, np.arange(12) * 0.3), -1).reshape(-1, 2)
    field = np.sin(close[:, 0])
    for kind in ("tiles", "own"):
        smooth = Variogram("gaussian", 0.0, 1.0, 4.0)
        with pytest.warns(GeostatWarning, match="added"):
            got = Kriging(close, field, smooth, neighbours=60, neighbourhood=kind).at([[1.0, 1.1]])
        assert got[0][0] == pytest.approx(np.sin(1.0), abs=1e-4)
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            Kriging(close, field, smooth, 0.01, 60, neighbourhood=kind).at([[1.0, 1.1]])
    with pytest.raises(GeostatError, match="neighbourhood"):
        Kriging(close, field, smooth, neighbours=8, neighbourhood="octants")
