"""Picking and depth against planted targets, and the false discovery rate against its paper."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from planted import DETECTOR, NOISE, signal_over

from detect.readings.anomalies import ONE_READING, find_anomalies, q_values
from detect.readings.compressed import signal_of
from detect.readings.inversion import Readings, fit_together
from detect.readings.signal import signal_model, usual_heading
from detect.survey.grid import Grid

DATA = Path(__file__).parents[1] / "data"


def readings_over(targets, seed=0, width=12, length=12.0, lane_m=0.5, step=0.25):
    """Lanes over a field of targets given as rows of e, n, depth_m, strength."""
    rng = np.random.default_rng(seed)
    e, n = np.meshgrid(np.arange(0, width + 1e-9, lane_m), np.arange(0, length + 1e-9, step))
    e, n = e.T.ravel(), n.T.ravel()
    signal = rng.normal(0, NOISE, e.size) + signal_over(targets, e, n)
    return pd.DataFrame(
        {
            "e": e,
            "n": n,
            "signal": signal,
            "used": True,
            "at_full_scale": False,
            "heading_deg": 0.0,
            "track": (e / lane_m).astype(int),
            "lane": (e / lane_m).astype(int).astype(str),
            "silent": False,
        }
    )


def test_benjamini_hochberg_example():
    # Benjamini & Hochberg 1995, the 15 p-values; check_values.md section 5 (list from memory)
    from scipy.stats import norm

    p = pd.read_csv(DATA / "bh1995_p.csv")["p"].to_numpy()
    q = q_values(norm.isf(p), len(p))
    assert int((q <= 0.05).sum()) == 4
    printed = [0.0015, 0.003, 0.0095, 0.035625, 0.0603, 0.063857, 0.063857, 0.0645, 0.0765]
    np.testing.assert_allclose(np.sort(q)[:9], printed, atol=5e-7)


def fitted(readings, place):
    """Fit one target to the readings within a metre of a place."""
    near = readings[np.hypot(readings["e"] - place[0], readings["n"] - place[1]) <= 1.0]
    around = Readings(near[["e", "n"]].to_numpy(), near["signal"].to_numpy(), DETECTOR, NOISE)
    return fit_together(around, around.start(place)[None])[0]


def picked(readings):
    axis = np.arange(0, 12.0001, 0.25)
    grid = Grid(axis, axis, 0.25)
    model = signal_model(readings, NOISE)
    loud, _ = model.loudness.kriging.at(grid.nodes)
    field = grid.field(signal_of(loud, model.scale), "signal", "mV", "signal")
    return find_anomalies(field, np.ones(grid.shape, bool), readings, DETECTOR, NOISE)


def test_planted_targets_are_picked_where_they_lie():
    targets = [(3.1, 3.2, 0.3, 3.0), (8.6, 4.0, 0.1, 1.0), (5.4, 9.3, 0.45, 8.0)]
    found = picked(readings_over(targets))
    assert len(found) >= 3
    for te, tn, depth, strength in targets:
        nearest = found.loc[np.hypot(found["e"] - te, found["n"] - tn).idxmin()]
        assert np.hypot(nearest["e"] - te, nearest["n"] - tn) < 0.2
        assert nearest["depth_m"] == pytest.approx(depth, abs=max(0.1, 3 * nearest["depth_sd_m"]))
        assert nearest["strength"] == pytest.approx(
            strength, abs=max(0.3 * strength, 3 * nearest["strength_sd"])
        )
    assert found["peak"].is_monotonic_decreasing
    assert (found["q_value"] <= 0.05).all()


def test_a_log_of_a_reading_a_metre_tells_of_targets_too():
    # what a slate has cells for; within a metre of such a target lie four or five readings
    targets = [(3.1, 3.2, 0.3, 4.0), (8.6, 4.0, 0.2, 4.0), (5.4, 9.3, 0.45, 9.0)]
    found = picked(readings_over(targets, lane_m=1.0, step=1.0))
    for e, n, depth, strength in targets:
        nearest = found.loc[np.hypot(found["e"] - e, found["n"] - n).idxmin()]
        assert np.hypot(nearest["e"] - e, nearest["n"] - n) < 0.5
        assert nearest["depth_low_m"] <= depth <= nearest["depth_high_m"]
        assert nearest["strength_low"] <= strength <= nearest["strength_high"]


def test_noise_alone_gives_no_anomaly():
    grid = Grid(np.arange(0, 12, 0.25), np.arange(0, 12, 0.25), 0.25)
    for seed in range(20):
        rng = np.random.default_rng(seed)
        field = grid.field(rng.normal(0, 1, grid.shape), "signal", "mV", "noise")
        found = find_anomalies(
            field, np.ones(grid.shape, bool), readings_over([]), DETECTOR, NOISE, 0.05
        )
        assert len(found) <= 1


def test_unsurveyed_cells_are_never_picked():
    grid = Grid(np.arange(0, 12, 0.25), np.arange(0, 12, 0.25), 0.25)
    field = grid.field(np.full(grid.shape, 50.0), "signal", "mV", "loud")
    found = find_anomalies(field, np.zeros(grid.shape, bool), readings_over([]), DETECTOR, NOISE)
    assert found.empty


def test_a_lone_target_is_fitted_where_it_lies():
    # without noise the least misfit is at the truth, as near as the table of responses allows
    target = (2.1, 2.0, 0.3, 4.0)
    e, n = (x.ravel() for x in np.meshgrid(np.arange(0, 4.1, 0.5), np.arange(0, 4.1, 0.25)))
    readings = pd.DataFrame({"e": e, "n": n, "signal": signal_over(target, e, n)})
    fit = fitted(readings, (2.0, 2.1))
    np.testing.assert_allclose(fit, [*target[:3], np.log(target[3])], atol=1e-4)


def test_usual_heading_is_an_axis_not_a_direction():
    readings = pd.DataFrame({"heading_deg": [10.0, 190.0, 10.0, 190.0, 100.0]})
    assert usual_heading(readings) == pytest.approx(10.0)


def test_two_targets_within_a_metre_are_fitted_together():
    targets = [(5.0, 5.0, 0.2, 2.0), (5.75, 5.0, 0.2, 2.0)]
    found = picked(readings_over(targets))
    for e, n, depth, _ in targets:
        nearest = found.loc[np.hypot(found["e"] - e, found["n"] - n).idxmin()]
        assert np.hypot(nearest["e"] - e, nearest["n"] - n) < 0.25
        assert nearest["depth_low_m"] < depth < nearest["depth_high_m"]
    places = found[["e", "n"]].to_numpy()
    apart = np.hypot(*(places[:, None] - places).transpose(2, 0, 1))
    np.fill_diagonal(apart, np.inf)
    assert apart.min() > 0.1


def test_pieces_too_close_to_tell_apart_are_within_the_ranges_of_what_is_picked():
    # five pieces within a metre, and one alone: taken for fewer, they look deeper and stronger
    pieces = [(4.0 + 0.45 * k, 4.0 + 0.2 * (k % 2), 0.3, 2.0) for k in range(5)]
    found = picked(readings_over([*pieces, (9.0, 9.0, 0.3, 2.0)]))
    crowd = found[np.hypot(found["e"] - 4.9, found["n"] - 4.1) < 1.5]
    assert len(crowd) > 1
    assert (crowd["strength_low"] <= 2.0).all()
    assert (crowd["depth_low_m"] <= 0.3).all()
    assert crowd["note"].str.contains("several pieces").all()
    alone = found.loc[np.hypot(found["e"] - 9.0, found["n"] - 9.0).idxmin()]
    assert alone["neighbour_m"] > 3.0
    assert "pieces" not in alone["note"]
    assert alone["strength_low"] <= 2.0 <= alone["strength_high"]


def test_a_loud_target_at_full_scale_is_one_pick():
    readings = readings_over([(6.0, 6.0, 0.1, 30.0)])
    top = 60.0
    clipped = readings.assign(
        signal=readings["signal"].clip(upper=top), at_full_scale=readings["signal"] >= top
    )
    assert clipped["at_full_scale"].sum() >= 3
    found = picked(clipped)
    near = np.hypot(found["e"] - 6.0, found["n"] - 6.0)
    assert near.min() < 0.25
    assert (near < 0.5).sum() == 1


def test_the_area_of_a_peak_is_its_own():
    found = picked(readings_over([(3.0, 6.0, 0.2, 3.0), (9.0, 6.0, 0.2, 3.0)]))
    assert (found["area_m2"] < 3.0).all()


def test_what_one_reading_tells_of_says_so():
    # targets that several readings hear, and slips of forty times the noise on quiet ground
    targets = [(3.1, 3.2, 0.3, 3.0), (8.6, 4.0, 0.2, 2.0), (5.4, 9.3, 0.45, 8.0)]
    slips = [(1.0, 10.0), (10.0, 9.0), (11.0, 1.0), (6.0, 6.0)]
    readings = readings_over(targets)
    for e, n in slips:
        readings.loc[(readings["e"] == e) & (readings["n"] == n), "signal"] += 40.0
    found = picked(readings)
    for places, says in ((targets, False), (slips, True)):
        for e, n, *_ in places:
            nearest = found.loc[np.hypot(found["e"] - e, found["n"] - n).idxmin()]
            assert np.hypot(nearest["e"] - e, nearest["n"] - n) < 0.3
            assert (ONE_READING in nearest["note"]) is says
