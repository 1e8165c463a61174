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
    assert len(cut.target) > len(nodes)  # some are in several tiles
    np.testing.assert_allclose(np.bincount(cut.target, cut.share), 1.0, rtol=1e-12)
    plain_estimate, plain_variance = np.zeros(len(nodes)), np.zeros(len(nodes))
    plain_weights = np.zeros((len(nodes), len(points)))
    for q, index in enumerate(system.neighbourhoods(cut.corner)):
        tile = slice(cut.start[q], cut.start[q + 1])
        own, share = cut.target[tile], cut.share[tile]
        plain = system.plain.shared(nodes[own], support, index, system.trend)
        plain_estimate[own] += share * plain.estimate
        plain_variance[own] += share * plain.variance
        plain_weights[np.ix_(own, index)] += share[:, None] * plain.weights
    np.testing.assert_allclose(estimate, plain_estimate, rtol=1e-10, atol=1e-10)
    np.testing.assert_allclose(variance, plain_variance, rtol=1e-10, atol=1e-10)
    np.testing.assert_allclose(simple.toarray(), plain_weights, atol=1e-9)
    np.testing.assert_allclose(weights @ data.residual + data.mean, estimate, atol=1e-9)


def test_a_tile_uses_the_readings_nearest_to_it() -> None:
    points, values = survey()
    kriging = Kriging(points, values, MODELS["turned"], neighbours=16)
    system, matrix = kriging.system, MODELS["turned"].reduction
    cut = system.cut(kriging.data.points)
    places = kriging.data.points @ matrix
    assert len(cut.corner) > 4
    for (x, y, side), index in zip(cut.corner, system.neighbourhoods(cut.corner), strict=True):
        outside = np.abs(places - [x + side / 2, y + side / 2]) - 0.625 * side
        distance = np.hypot(*np.maximum(outside, 0.0).T)
        assert len(index) == 36
        assert np.delete(distance, index).min() >= distance[index].max()


def test_squares_and_their_joint_errors_agree_in_tiles() -> None:
    points, values = survey()
    for drift in ("constant", "linear"):
        kriging = Kriging(points, values, MODELS["nested"], 0.2, 16, drift)
        centres = grid(30.0, 2.0)
        estimate, variance = kriging.blocks(centres, 2.0)
        mean, covariance = kriging.block_posterior(centres, 2.0)
        np.testing.assert_allclose(mean, estimate, rtol=1e-12, atol=1e-12)
        np.testing.assert_allclose(covariance.diagonal(), variance, rtol=1e-10)
        assert np.linalg.eigvalsh(covariance)[0] > -1e-12
        # and with the errors of all readings together
        every = Kriging(points, values, MODELS["nested"], 0.2, None, drift)
        joint = every.block_posterior(centres, 2.0)[1]
        assert np.abs(covariance - joint).max() < 0.02 * joint.diagonal().max()


@pytest.mark.parametrize("name", ["exponential", "matern 0.8"])  # compiled, and plain
@pytest.mark.parametrize("drift", ["constant", "linear"])
@pytest.mark.parametrize("side", [12.0, 54.0])  # 12: all readings fix the drift
def test_left_out_of_a_tile_equals_refitting_within_it(name, drift, side) -> None:
    # Refitting: of each tile that speaks for the reading, the same readings without it, simple
    # kriging about the survey's drift without what the reading adds to it there, variance with
    # r' S^-1 r; then the same shares. With 54 m the drift is fixed by some of the readings only.
    points, values = survey(3, side)
    v = MODELS[name]
    kriging = Kriging(points, values, v, 0.2, 30, drift)
    system, data = kriging.system, kriging.data
    trend, cut = system.trend, system.cut(data.points)
    estimate, variance = kriging.leave_one_out()
    assert (len(trend.used) < len(points)) == (side == 54.0)
    neighbourhoods = list(system.neighbourhoods(cut.corner))
    chosen = np.linspace(0, len(points) - 1, 25).astype(int)
    chosen[0] = trend.used[5]
    for i in chosen:
        again = again_variance = 0.0
        for entry in np.flatnonzero(cut.target == i):
            index = neighbourhoods[np.searchsorted(cut.start, entry, side="right") - 1]
            lag = data.points[index, None] - data.points[None, index]
            k = v.covariance(lag[..., 0], lag[..., 1]) + 0.04 * np.eye(len(index))
            f, y = data.basis[index], data.residual[index]
            beta, s = trend.beta, np.linalg.inv(trend.variance)
            own, rest = index == i, index != i
            kr = k[np.ix_(rest, rest)]
            w = np.linalg.solve(kr, k[rest][:, own])[:, 0]
            r = (f[own] - w @ f[rest])[0]
            simple = (k[own, own] - k[own][:, rest] @ w)[0]
            if i in trend.used:
                # what the reading tells of the drift beyond the others: r, with this variance
                beta = np.linalg.solve(s - np.outer(r, r) / simple, s @ beta)
                beta -= np.linalg.solve(
                    s - np.outer(r, r) / simple, r * (y[own] - w @ y[rest])[0] / simple
                )
                s = s - np.outer(r, r) / simple
            one = (f[own] @ beta)[0] + w @ (y[rest] - f[rest] @ beta)
            again += cut.share[entry] * one
            again_variance += cut.share[entry] * (simple + r @ np.linalg.solve(s, r))
        assert estimate[i] == pytest.approx(again, abs=1e-9)
        assert variance[i] == pytest.approx(again_variance, rel=1e-9)


@pytest.mark.parametrize("name", ["exponential", "matern 0.8"])
@pytest.mark.parametrize("drift", ["constant", "linear"])
def test_left_out_in_tiles_is_near_to_all_points(name, drift) -> None:
    points, values = survey(3, 12.0)
    kriging = Kriging(points, values, MODELS[name], 0.2, 40, drift)
    estimate, variance = kriging.leave_one_out()
    every = Kriging(points, values, MODELS[name], 0.2, None, drift).leave_one_out()
    gap = np.abs(estimate - every[0]) / np.sqrt(every[1])
    assert gap.max() < 0.15
    assert gap.mean() < 0.01
    np.testing.assert_allclose(variance, every[1], rtol=0.02)
    # where one tile's neighbourhood is the whole survey, it is the closed form of all points
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


def drawn(v: Variogram, turned: bool) -> tuple[np.ndarray, np.ndarray]:
    """Lanes 2.5 m apart, along the axes or not, and a field drawn from the model."""
    points, _ = survey(5, 60.0)
    if turned:
        points = (points - 30.0) @ np.array([[0.9, 0.436], [-0.436, 0.9]]) + 30.0
    points = points[((points > 15.0) & (points < 45.0)).all(axis=1)] - 15.0
    lag = points[:, None] - points[None]
    k = v.covariance(lag[..., 0], lag[..., 1]) + 1e-9 * np.eye(len(points))
    return points, np.linalg.cholesky(k) @ np.random.default_rng(7).normal(size=len(points))


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize("name", ["spherical", "exponential", "gaussian", "nested"])
def test_steps_at_the_edges_of_tiles_are_no_larger_than_inside(name, turned) -> None:
    # Between neighbouring nodes 0.25 m apart. Lanes and tiles may lie along the same axes, so each
    # kind of step is held against the steps at its places of the map from all readings, which has
    # no seams.
    v = MODELS[name]
    points, values = drawn(v, turned)
    nodes, side = grid(30.0, 0.25), 120
    kriging = Kriging(points, values, v, neighbours=32)
    cut = kriging.system.cut(nodes - kriging.data.origin)
    of_entry = np.repeat(np.arange(len(cut.corner)), np.diff(cut.start))
    by_share = np.argsort(cut.share)  # the tile that a node lies in has the largest share
    tile = np.empty(len(nodes), int)
    tile[cut.target[by_share]] = of_entry[by_share]

    def steps(estimate: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        inside, across = [], []
        for axis in (0, 1):
            step = np.abs(np.diff(estimate.reshape(side, side), axis=axis))
            crosses = np.diff(tile.reshape(side, side), axis=axis) != 0
            inside.append(step[~crosses])
            across.append(step[crosses])
        return np.concatenate(inside), np.concatenate(across)

    inner, outer = steps(kriging.at(nodes)[0])
    inner_seamless, seamless = steps(Kriging(points, values, v).at(nodes)[0])
    assert len(outer) > 1000
    assert outer.max() <= max(inner.max(), 1.01 * seamless.max())
    assert outer.mean() / seamless.mean() <= 1.01 * inner.mean() / inner_seamless.mean()
    assert np.quantile(outer, 0.99) <= 1.01 * np.quantile(seamless, 0.99)


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
    sides = tiles.system.cut(nodes - tiles.data.origin).corner[:, 2]
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
