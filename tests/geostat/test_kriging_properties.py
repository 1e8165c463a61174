"""What must hold for any layout: invariants, by property-based tests."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detect.geostat import Kriging, Variogram
from detect.geostat.blocks import Support
from detect.geostat.data import Data
from detect.geostat.local import LocalSystem
from detect.geostat.system import GlobalSystem

MODELS = st.sampled_from(
    [
        Variogram("spherical", 0.0, 1.0, 7.0),
        Variogram("spherical", 0.3, 1.0, 4.0, anisotropy_ratio=0.5, azimuth_deg=20.0),
        Variogram("exponential", 0.1, 2.0, 3.0),
        Variogram("matern", 0.05, 1.0, 2.0, smoothness=1.5),
        Variogram.nested([Variogram("spherical", 0.1, 1.0, 3.0), Variogram("gaussian", 0, 1, 2)]),
    ]
)
SEEDS = st.integers(0, 10_000)
NEIGHBOURS = st.sampled_from([None, 8])
quick = settings(max_examples=15, deadline=None)


def layout(seed: int, count: int = 25) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    return rng.uniform(0, 15, (count, 2)), rng.normal(3, 2, count), rng.uniform(-3, 18, (9, 2))


@quick
@given(SEEDS, MODELS, NEIGHBOURS, st.sampled_from([None, 0.5]))
def test_weights_sum_to_one(seed, model, neighbours, sd) -> None:
    points, values, nodes = layout(seed)
    kriging = Kriging(points, values, model, measurement_sd=sd, neighbours=neighbours)
    for size in (None, 2.0):
        weights = kriging.weights(nodes, size)
        np.testing.assert_allclose(weights.sum(axis=1), 1.0, atol=1e-10)
        got = kriging.at(nodes) if size is None else kriging.blocks(nodes, size)
        np.testing.assert_allclose(weights @ values, got[0], atol=1e-9)


@quick
@given(SEEDS, MODELS, NEIGHBOURS)
def test_exact_at_exact_readings(seed, model, neighbours) -> None:
    points, values, _ = layout(seed)
    estimate, variance = Kriging(points, values, model, neighbours=neighbours).at(points)
    np.testing.assert_allclose(estimate, values, atol=1e-8)
    np.testing.assert_allclose(variance, 0.0, atol=1e-9)
    # a step beside the reading, the whole nugget stands in the variance
    beside = Kriging(points, values, model, neighbours=neighbours).at(points + 1e-6)[1]
    assert (beside >= model.nugget * (1 - 1e-6)).all()


@quick
@given(SEEDS, MODELS)
def test_measurement_error_is_filtered(seed, model) -> None:
    points, values, _ = layout(seed)
    estimate, variance = Kriging(points, values, model, measurement_sd=0.7).at(points)
    assert np.abs(estimate - values).max() > 1e-3
    # better known than a single reading, and than the field without readings
    assert (variance < min(0.7**2, model.sill) + 1e-12).all()


@quick
@given(SEEDS, MODELS)
def test_block_is_the_weighted_mean_of_points(seed, model) -> None:
    points, values, nodes = layout(seed)
    kriging = Kriging(points, values, model)
    square = Support.square(3.0)
    estimate, variance = kriging.blocks(nodes, 3.0)
    inside = nodes[:, None] + square.offsets
    each, each_variance = kriging.at(inside.reshape(-1, 2))
    np.testing.assert_allclose(each.reshape(9, 16) @ square.weights, estimate, atol=1e-9)
    # a mean is known no worse than its points are on average
    assert (variance <= each_variance.reshape(9, 16) @ square.weights + 1e-9).all()


@quick
@given(SEEDS, MODELS, NEIGHBOURS, st.floats(0, 360), st.floats(-1e6, 1e6))
def test_shift_and_rotation(seed, model, neighbours, turn, shift) -> None:
    points, values, nodes = layout(seed)
    angle = np.radians(turn)
    clockwise = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])

    def move(p: np.ndarray) -> np.ndarray:
        return p @ clockwise + [shift, -2 * shift]

    def turned(v: Variogram) -> Variogram:
        if v.structures:
            return v  # isotropic above
        return Variogram(
            v.model,
            v.nugget,
            v.partial_sill,
            v.range_m,
            v.anisotropy_ratio,
            v.azimuth_deg + turn,
            v.smoothness,
        )

    # tiles lie along the axes of the survey: with them, only a shift leaves everything as it is
    own = {"neighbours": neighbours, "neighbourhood": "own"}
    first = Kriging(points, values, model, **own).at(nodes)
    second = Kriging(move(points), values, turned(model), **own).at(move(nodes))
    np.testing.assert_allclose(second, first, atol=1e-6)


@quick
@given(SEEDS, NEIGHBOURS, st.floats(1e-4, 1e4), st.floats(1e-3, 1e3))
def test_change_of_units(seed, neighbours, unit, metre) -> None:
    points, values, nodes = layout(seed)
    v = Variogram("spherical", 0.2, 1.0, 6.0)
    scaled = Variogram("spherical", 0.2 * unit**2, unit**2, 6.0 * metre)
    first = Kriging(points, values, v, 0.1, neighbours).blocks(nodes, 2.0)
    second = Kriging(points * metre, values * unit, scaled, 0.1 * unit, neighbours).blocks(
        nodes * metre, 2.0 * metre
    )
    np.testing.assert_allclose(second[0] / unit, first[0], atol=1e-8)
    np.testing.assert_allclose(second[1] / unit**2, first[1], atol=1e-8)


@quick
@given(SEEDS, MODELS)
def test_order_of_readings_does_not_matter(seed, model) -> None:
    points, values, nodes = layout(seed)
    order = np.random.default_rng(seed).permutation(len(values))
    first = Kriging(points, values, model, neighbours=8).at(nodes)
    second = Kriging(points[order], values[order], model, neighbours=8).at(nodes)
    np.testing.assert_allclose(second, first, atol=1e-9)


@quick
@given(SEEDS, MODELS, NEIGHBOURS)
def test_repeats_equal_their_mean_with_less_error(seed, model, neighbours) -> None:
    # readings taken twice, error sd each = their mean with sd / sqrt(2)
    points, values, nodes = layout(seed)
    other = values + np.random.default_rng(seed).normal(0, 0.5, len(values))
    both = Kriging(np.r_[points, points], np.r_[values, other], model, measurement_sd=0.5).at(nodes)
    merged = Kriging(points, (values + other) / 2, model, measurement_sd=0.5 / np.sqrt(2)).at(nodes)
    np.testing.assert_allclose(both, merged, atol=1e-8)
    # in a neighbourhood too, when it holds twice as many readings
    if neighbours:
        own = {"neighbourhood": "own"}
        pairs = np.r_[points, points], np.r_[values, other]
        twice = Kriging(*pairs, model, 0.5, 2 * neighbours, **own).at(nodes)
        merged = points, (values + other) / 2
        once = Kriging(*merged, model, 0.5 / np.sqrt(2), neighbours, **own).at(nodes)
        np.testing.assert_allclose(twice, once, atol=1e-8)


@quick
@given(SEEDS, MODELS, st.sampled_from(["constant", "linear"]), st.sampled_from([None, 0.4]))
def test_both_solvers_agree_where_they_use_the_same_readings(seed, model, drift, sd) -> None:
    points, values, nodes = layout(seed)
    nodes[:2] = points[:2]
    data = Data.checked(points, values, sd, drift, None)
    one, other = GlobalSystem(data, model), LocalSystem(data, model, 25)
    local = nodes - data.origin
    for support in (Support.point(), Support.square(2.0)):
        first, second = one.estimate(local, support), other.estimate(local, support)
        np.testing.assert_allclose(first, second, atol=1e-8)
        np.testing.assert_allclose(
            one.weights(local, support), other.weights(local, support).toarray(), atol=1e-8
        )
        first = one.posterior(local, support, np.zeros((9, 9)))
        second = other.posterior(local, support, np.zeros((9, 9)))
        np.testing.assert_allclose(first[0], second[0], atol=1e-8)
        np.testing.assert_allclose(first[1], second[1], atol=1e-8)
    np.testing.assert_allclose(one.leave_one_out(), other.leave_one_out(), atol=1e-7)


def test_all_neighbours_equal_all_points() -> None:
    points, values, nodes = layout(1)
    v = Variogram("exponential", 0.1, 1.0, 3.0)
    every = Kriging(points, values, v).at(nodes)
    np.testing.assert_allclose(Kriging(points, values, v, neighbours=0).at(nodes), every)
    np.testing.assert_allclose(Kriging(points, values, v, neighbours=25).at(nodes), every)
    # leaving one far reading out moves the estimate by less than a tenth of its sd
    nearly = Kriging(points, values, v, neighbours=24).at(nodes)
    assert (np.abs(nearly[0] - every[0]) < 0.1 * np.sqrt(every[1])).all()


@pytest.mark.parametrize("neighbours", [None, 16])
def test_memory_is_bounded_and_progress_told(neighbours) -> None:
    rng = np.random.default_rng(0)
    points, values = rng.uniform(0, 50, (400, 2)), rng.normal(size=400)
    nodes = rng.uniform(0, 50, (30_000, 2))
    kriging = Kriging(points, values, Variogram("spherical", 0.1, 1, 6), neighbours=neighbours)
    kriging.at(nodes[:1])
    seen: list[tuple[int, int]] = []
    tracemalloc.start()
    kriging.at(nodes, progress=lambda done, total: seen.append((done, total)))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 95e6  # readings x nodes alone would be 96 MB, and a few of them are needed
    assert seen[-1] == (30_000, 30_000)
    assert len(seen) > 2
