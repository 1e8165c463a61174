"""The compiled pair loop against plain loops and against the libraries people use."""

from __future__ import annotations

from itertools import pairwise

import gstools
import numpy as np
import pandas as pd
import pytest
import skgstat
from hypothesis import given, settings
from hypothesis import strategies as st

from detect.geostat import GeostatError, experimental_variogram
from detect.geostat.experimental import ESTIMATORS


def plain(points, values, edges, estimator, azimuth=None, tolerance=22.5, bandwidth=np.inf):
    """All pairs at once, one bin after the other: pairs, mean lag, semivariance."""
    i, j = np.triu_indices(len(points), 1)
    d = points[i] - points[j]
    h = np.hypot(*d.T)
    keep = h > 0
    if azimuth is not None:
        theta = np.radians(azimuth)
        off = np.abs((np.degrees(np.arctan2(*d.T)) - azimuth + 90) % 180 - 90)
        across = np.abs(d @ [np.cos(theta), -np.sin(theta)])
        keep &= (off <= tolerance + 1e-9) & (across <= bandwidth * (1 + 1e-12))
    rows = []
    for low, high in pairwise(edges):
        here = keep & (h > low + 1e-9) & (h <= high + 1e-9)
        z = np.abs(values[i] - values[j])[here]
        if not len(z):
            continue
        gamma = {
            "matheron": (z**2).mean() / 2,
            "cressie": np.sqrt(z).mean() ** 4 / (0.457 + 0.494 / len(z) + 0.045 / len(z) ** 2) / 2,
            "dowd": 2.198 * np.median(z) ** 2 / 2,
        }[estimator]
        rows.append((len(z), h[here].mean(), gamma))
    return pd.DataFrame(rows, columns=["pairs", "lag_m", "semivariance"])


@pytest.mark.parametrize("estimator", ESTIMATORS)
@pytest.mark.parametrize("sector", [(None, 22.5, None), (35.0, 20.0, None), (120.0, 40.0, 1.5)])
@pytest.mark.parametrize("decimals", [1, 9])
def test_against_all_pairs(estimator, sector, decimals) -> None:
    # on a 0.1 m lattice as well: lags on the edges of bins, repeated places, tied differences
    rng = np.random.default_rng(1)
    points = np.round(rng.uniform(0, 12, (150, 2)), decimals) + np.array([4000.0, -70.0])
    points[7] = points[8]
    values = np.round(rng.normal(size=150), decimals)
    azimuth, tolerance, bandwidth = sector
    frame = experimental_variogram(
        points,
        values,
        width_m=0.5,
        cutoff_m=4.0,
        azimuth_deg=azimuth,
        tolerance_deg=tolerance,
        bandwidth_m=bandwidth,
        estimator=estimator,
    )
    expected = plain(
        points, values, np.arange(0, 4.1, 0.5), estimator, azimuth, tolerance, bandwidth or np.inf
    )
    assert frame.pairs.tolist() == expected.pairs.tolist()
    np.testing.assert_allclose(frame.lag_m, expected.lag_m, rtol=1e-10)
    np.testing.assert_allclose(frame.semivariance, expected.semivariance, rtol=1e-9, atol=1e-15)


@given(
    seed=st.integers(0, 10_000),
    count=st.integers(2, 60),
    cutoff=st.floats(0.05, 40.0),
    stretch=st.sampled_from([1e-3, 1.0, 50.0]),
)
@settings(max_examples=60, deadline=None)
def test_no_pair_is_lost_or_seen_twice(seed, count, cutoff, stretch) -> None:
    rng = np.random.default_rng(seed)
    points = rng.uniform(0, 10, (count, 2)) * [stretch, 1.0]
    values = rng.normal(size=count)
    frame = experimental_variogram(points, values, width_m=cutoff / 4, cutoff_m=cutoff)
    expected = plain(points, values, cutoff / 4 * np.arange(5), "matheron")
    assert frame.pairs.tolist() == expected.pairs.tolist()


@given(shift=st.floats(-1e5, 1e5), turn=st.floats(0, 360), unit=st.floats(0.01, 100))
@settings(max_examples=20, deadline=None)
def test_shift_rotation_and_units(shift, turn, unit) -> None:
    rng = np.random.default_rng(2)
    points, values = rng.uniform(0, 10, (80, 2)), rng.normal(size=80)
    one = experimental_variogram(points, values, width_m=0.7, cutoff_m=5.0, azimuth_deg=20.0)
    a = np.radians(turn)
    turned = points @ np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]]) + shift
    two = experimental_variogram(
        turned, values * unit, width_m=0.7, cutoff_m=5.0, azimuth_deg=20.0 + turn
    )
    assert abs(int(two.pairs.sum()) - int(one.pairs.sum())) <= 1  # one may sit on the sector's edge
    if two.pairs.tolist() == one.pairs.tolist():
        np.testing.assert_allclose(two.semivariance, unit**2 * one.semivariance, rtol=1e-6)


def test_the_answer_does_not_depend_on_threads() -> None:
    import numba

    rng = np.random.default_rng(3)
    points, values = rng.uniform(0, 30, (500, 2)), rng.normal(size=500)
    whole = experimental_variogram(points, values)
    before = numba.get_num_threads()
    numba.set_num_threads(1)
    try:
        pd.testing.assert_frame_equal(experimental_variogram(points, values), whole, rtol=0, atol=0)
    finally:
        numba.set_num_threads(before)


@pytest.mark.parametrize("estimator", ESTIMATORS)
def test_against_scikit_gstat_and_gstools(estimator) -> None:
    rng = np.random.default_rng(4)
    points, values = rng.uniform(0, 30, (400, 2)), rng.gamma(2.0, size=400)
    frame = experimental_variogram(points, values, width_m=1.0, cutoff_m=10.0, estimator=estimator)
    edges = np.arange(0.0, 11.0)
    peer = skgstat.Variogram(points, values, bin_func=edges[1:], maxlag=10.0, estimator=estimator)
    np.testing.assert_allclose(frame.semivariance, peer.experimental, rtol=1e-9)
    if estimator != "dowd":
        _, gamma, pairs = gstools.vario_estimate(
            points.T, values, edges, estimator=estimator, return_counts=True
        )
        assert frame.pairs.tolist() == pairs.tolist()
        np.testing.assert_allclose(frame.semivariance, gamma, rtol=1e-9)


def test_robust_estimators_agree_on_normal_differences_and_shrug_off_spikes() -> None:
    rng = np.random.default_rng(5)
    points, values = rng.uniform(0, 20, (1500, 2)), rng.normal(size=1500)
    spiked = values.copy()
    spiked[:30] += 25.0
    for estimator, most in (("matheron", 100.0), ("cressie", 2.0), ("dowd", 1.25)):
        clean = experimental_variogram(points, values, cutoff_m=6, estimator=estimator)
        wild = experimental_variogram(points, spiked, cutoff_m=6, estimator=estimator)
        assert np.average(clean.semivariance, weights=clean.pairs) == pytest.approx(1.0, abs=0.07)
        assert np.average(wild.semivariance, weights=wild.pairs) < most
    assert np.average(wild.semivariance, weights=wild.pairs) < 1.25


def test_first_bin_centres_the_others_on_the_lanes() -> None:
    # lanes 2 m apart, swum with a wander of 0.1 m: bins about 2, 4, 6 m
    rng = np.random.default_rng(6)
    n, e = np.meshgrid(np.arange(0, 10, 0.25), np.arange(0, 20, 2.0))
    points = np.column_stack([e.ravel(), n.ravel()]) + rng.normal(0, 0.05, (400, 2))
    frame = experimental_variogram(
        points,
        rng.normal(size=400),
        width_m=2.0,
        first_m=1.0,
        cutoff_m=7.0,
        azimuth_deg=90.0,
        tolerance_deg=5.0,
    )
    np.testing.assert_allclose(frame.lag_m[frame.lag_m > 1.0], [2.0, 4.0, 6.0], atol=0.05)


def test_bad_parameters_are_named() -> None:
    points, values = [[0, 0], [1, 0], [0, 1]], [1.0, 2.0, 3.0]
    for wrong in (
        {"estimator": "madogram"},
        {"tolerance_deg": 91.0},
        {"bandwidth_m": 1.0},
        {"bandwidth_m": -1.0, "azimuth_deg": 0.0},
        {"azimuth_deg": np.nan},
        {"first_m": 0.0},
    ):
        with pytest.raises(GeostatError, match=next(iter(wrong))):
            experimental_variogram(points, values, **wrong)
