"""Whole lanes left out in closed form equal leaving them out and estimating again."""

from __future__ import annotations

import numpy as np
import pytest

from detect.geostat import GeostatError, Kriging, Variogram, leave_groups_out, leave_one_out_scores
from detect.geostat.scores import interval_coverage, standardised_errors

MODEL = Variogram("spherical", 0.05, 1.0, 5.0, anisotropy_ratio=0.7, azimuth_deg=20.0)


@pytest.mark.parametrize("drift", ["constant", "linear", "quadratic"])
@pytest.mark.parametrize("neighbours", [None, 14])
@pytest.mark.parametrize("sd", ["exact", "noisy", "repeated"])
def test_equals_estimating_again(lanes, drift, neighbours, sd) -> None:
    points, values = lanes.points.copy(), lanes.values
    lane = np.round(points[:, 0] / 2).astype(int)
    shuffled = np.random.default_rng(0).permutation(90)
    points, values, lane = points[shuffled], values[shuffled], lane[shuffled]
    error = None if sd == "exact" else np.linspace(0.1, 0.4, 90)
    if sd == "repeated":  # one within a lane, one that is read on two lanes
        points[np.flatnonzero(lane == 2)[0]] = points[np.flatnonzero(lane == 2)[1]]
        points[np.flatnonzero(lane == 3)[0]] = points[np.flatnonzero(lane == 4)[0]]
    kriging = Kriging(points, values, MODEL, error, neighbours, drift)
    estimate, variance = leave_groups_out(kriging, [f"L{k}" for k in lane])
    for one in np.unique(lane):
        out = lane == one
        rest = None if error is None else error[~out]
        again = Kriging(points[~out], values[~out], MODEL, rest, neighbours, drift)
        there, there_variance = again.at(points[out])
        noise = 0.0 if error is None else error[out] ** 2
        np.testing.assert_allclose(estimate[out], there, atol=1e-9)
        np.testing.assert_allclose(variance[out], there_variance + noise, atol=1e-9)


def test_groups_of_one_are_leave_one_out(lanes) -> None:
    kriging = Kriging(*lanes, MODEL, 0.1)
    for ours, theirs in zip(
        leave_groups_out(kriging, np.arange(90)), kriging.leave_one_out(), strict=True
    ):
        np.testing.assert_allclose(ours, theirs, atol=1e-11)


def test_known_mean(lanes) -> None:
    lane = np.round(lanes.points[:, 0] / 2)
    for neighbours in (None, 10):
        kriging = Kriging(*lanes, MODEL, None, neighbours, mean=0.4)
        estimate, variance = leave_groups_out(kriging, lane)
        out = lane == 3
        again = Kriging(
            lanes.points[~out], lanes.values[~out], MODEL, None, neighbours, mean=0.4
        ).at(lanes.points[out])
        np.testing.assert_allclose(estimate[out], again[0], atol=1e-10)
        np.testing.assert_allclose(variance[out], again[1], atol=1e-10)


def test_lanes_left_out_are_the_harder_test(lanes) -> None:
    lane = np.round(lanes.points[:, 0] / 2)
    kriging = Kriging(*lanes, Variogram("gaussian", 0.01, 1.0, 3.0))
    one = leave_one_out_scores(lanes.values, *kriging.leave_one_out())
    whole = leave_one_out_scores(lanes.values, *leave_groups_out(kriging, lane))
    assert whole.rmse > 1.2 * one.rmse
    assert whole.log_score < one.log_score


def test_layouts_that_cannot_be_left_out(lanes) -> None:
    with pytest.raises(GeostatError, match="90 readings"):
        leave_groups_out(Kriging(*lanes, MODEL), [1, 2])
    with pytest.raises(GeostatError, match="two"):
        leave_groups_out(Kriging(*lanes, MODEL), ["L1"] * 90)
    # two lanes: without one, the rest is a straight line and a plane has no slope across it
    points = np.column_stack([np.repeat([0.0, 2.0], 8), np.tile(np.arange(8.0), 2)])
    kriging = Kriging(points, np.arange(16.0), MODEL, drift="linear")
    with pytest.raises(GeostatError, match="group B"):
        leave_groups_out(kriging, ["C"] * 8 + ["B"] * 8)


def test_log_score_and_coverage_by_hand() -> None:
    values, estimate, variance = [1.0, 2.0, 4.0], [1.5, 2.0, 3.0], [0.25, 1.0, 0.25]
    np.testing.assert_allclose(standardised_errors(values, estimate, variance), [-1.0, 0.0, 2.0])
    density = -0.5 * np.log(2 * np.pi * np.array(variance)) - 0.5 * np.array([1.0, 0.0, 4.0])
    scores = leave_one_out_scores(values, estimate, variance)
    assert scores.log_score == pytest.approx(density.mean())
    frame = interval_coverage(values, estimate, variance, levels=(0.5, 0.9, 0.99))
    # normal quantiles 0.674, 1.645, 2.576
    assert frame.coverage.tolist() == pytest.approx([1 / 3, 2 / 3, 1.0])
    assert frame.mean_width[1] == pytest.approx(2 * 1.6448536 * (0.5 + 1.0 + 0.5) / 3)
    with pytest.raises(GeostatError, match="levels"):
        interval_coverage(values, estimate, variance, levels=(1.0,))
