"""The fit of all targets at once: planted lags and lanes."""

import numpy as np
import pytest
from planted import DETECTOR, NOISE, signal_over

from detect.readings.site_fit import KNOT_M, SiteFit, Swum, lane_knots


def test_knots_bring_a_straight_line_to_the_readings():
    n = np.concatenate([np.arange(0.0, 7.0, 0.25), np.arange(9.0, 2.0, -0.25)])
    track = np.repeat([0, 1], 28)
    ahead = np.column_stack([np.zeros(56), np.where(track == 0, 1.0, -1.0)])
    points = np.column_stack([track.astype(float), n])
    knots = lane_knots(points, ahead, track)
    np.testing.assert_allclose(knots.sum(axis=1), 1.0)
    first = knots[track == 0]
    parts = int(np.ceil(6.75 / KNOT_M))
    at_knots = np.linspace(0.0, 6.75, parts + 1)
    np.testing.assert_allclose(first[:, : parts + 1] @ at_knots, n[:28], atol=1e-12)


def swim(targets, lag, aside=0.0, seed=0, full=np.inf):
    """Lanes 0.8 m apart, out and back, each swum aside by as much, over rows of targets."""
    rng = np.random.default_rng(seed)
    lane = np.repeat(np.arange(10), 33)
    logged = np.column_stack([0.8 * lane, np.tile(np.arange(0.0, 8.01, 0.25), 10)])
    out = np.where(lane % 2 == 0, 1.0, -1.0)
    coil = logged + np.column_stack([aside * rng.standard_normal(10)[lane], -lag * out])
    strengths = np.column_stack([targets[:, :3], np.exp(targets[:, 3])])
    signal = rng.normal(0, NOISE, len(coil)) + signal_over(strengths, *coil.T)
    signal = np.minimum(signal, full)
    heading = np.where(out > 0, 0.0, 180.0)
    return Swum(logged, heading, signal, lane, signal >= full, DETECTOR, NOISE)


def planted(count=10, seed=3):
    rng = np.random.default_rng(seed)
    places = np.column_stack([rng.uniform(0.5, 6.7, count), rng.uniform(0.5, 7.5, count)])
    return np.column_stack([places, rng.uniform(0.2, 0.5, count), rng.normal(1.2, 0.4, count)])


@pytest.mark.parametrize("full", [np.inf, 30.0])
def test_lag_and_targets_are_found_from_rough_places(full):
    truth = planted()
    fit = SiteFit(swim(truth, 0.2, full=full), 0.1)
    fit.fit(truth + np.array([0.1, -0.1, 0.1, 0.2]), 30)
    assert fit.lag_m == pytest.approx(0.2, abs=0.03)
    assert len(fit.targets) == len(truth)
    off = np.hypot(*(fit.targets[:, :2] - truth[:, :2]).T)
    assert np.median(off) < 0.06


def test_the_stated_sd_of_the_lag_holds_over_wandering_lanes():
    truth, off = planted(14), []
    for seed in range(12):
        fit = SiteFit(swim(truth, 0.15, aside=0.12, seed=seed), 0.15)
        fit.fit(truth, 20)
        off.append((fit.lag_m - 0.15) / fit.lag_sd_m())
    # 12 draws: their root mean square lies within 0.6 and 1.4 nineteen times in twenty; it may be
    # less, for the lanes' place along and their height are known here, and the fit allows for both
    assert 0.3 < np.sqrt(np.mean(np.square(off))) < 1.5


def test_a_target_that_is_not_heard_is_dropped():
    truth = planted()
    fit = SiteFit(swim(truth, 0.0), 0.0)
    nothing = np.array([[0.2, 0.2, 1.2, -8.0]])
    fit.fit(np.vstack([truth, nothing]), 3)
    fit.fit(np.empty((0, 4)), 3)
    assert len(fit.targets) == len(truth)
