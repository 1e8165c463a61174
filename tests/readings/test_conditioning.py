"""Each conditioning step against readings whose faults are known."""

import numpy as np
import pandas as pd
import pytest
from planted import DETECTOR, signal_over

from detect.lanes import response_ratio
from detect.readings.baseline import quiet_readings, track_levels
from detect.readings.conditioning import condition, remove_drift, remove_levels
from detect.readings.spikes import least_neighbour_share, screen_spikes
from detect.readings.steps import prepare


def swum(levels, slope_per_s=0.0, count=120, step=0.25, sd=1.0, seed=5, target=None):
    """Lanes 1 m apart swum one after the other, with an optional target (e, n, depth, q)."""
    rng = np.random.default_rng(seed)
    rows = []
    clock = 0.0
    for lane, level in enumerate(levels):
        place = np.arange(count) * step
        time = clock + place * 6.0
        clock = time[-1] + 60.0
        signal = level + slope_per_s * time + rng.normal(0, sd, count)
        if target is not None:
            signal = signal + sd * signal_over(target, lane, place)
        rows.append(
            pd.DataFrame(
                {
                    "lane": f"L{lane:02d}",
                    "pass": "1",
                    "direction": "out",
                    "dive": "1",
                    "track": lane,
                    "time_s": time,
                    "distance_m": place,
                    "e": float(lane),
                    "n": place,
                    "signal": signal,
                    "at_full_scale": False,
                    "heading_deg": 0.0,
                }
            )
        )
    return pd.concat(rows, ignore_index=True)


class TestLevel:
    def test_noise_alone(self):
        signal = np.random.default_rng(2).normal(7.0, 1.0, 4000)
        quiet, level = quiet_readings(signal, 1.0)
        assert level == pytest.approx(7.0, abs=0.06)
        assert quiet.mean() > 0.95

    def test_metal_over_half_of_the_lane_does_not_lift_it(self):
        rng = np.random.default_rng(2)
        signal = rng.normal(7.0, 1.0, 200)
        signal[60:170] += rng.lognormal(2.5, 1.0, 110)
        assert quiet_readings(signal, 1.0)[1] == pytest.approx(7.0, abs=0.5)

    def test_a_dead_flat_lane(self):
        quiet, level = quiet_readings(np.full(30, 4.0), 0.0)
        assert level == pytest.approx(4.0)
        assert quiet.any()


class TestSpikes:
    def test_the_narrowest_peak_is_that_of_metal_on_the_bed(self):
        share = least_neighbour_share(np.array([0.0, 0.25]), DETECTOR)
        deeper = response_ratio(np.array([0.0, 0.25]), 0.45, DETECTOR)
        assert share[0] == pytest.approx(1.0)
        assert share[1] < deeper[1] / deeper[0]

    def test_spikes_go_and_metal_stays(self):
        readings = prepare(swum([0.0] * 8, target=(3.0, 12.0, 0.02, 30.0)))
        planted = [200, 431, 777]
        readings.loc[planted, "signal"] += [160.0, 150.0, -30.0]
        out, record = screen_spikes(readings, DETECTOR)
        assert sorted(out.index[~out["used"]]) == planted
        assert record.dropped == 3
        near_target = (out["e"] == 3.0) & (abs(out["n"] - 12.0) < 0.4)
        assert out.loc[near_target, "used"].all()
        assert out.loc[near_target, "signal"].max() > 30

    def test_a_nail_right_under_the_coil_is_never_a_spike(self):
        # 40 nails lying on the bed, at every place between two readings
        for shift in np.linspace(0, 0.25, 40, endpoint=False):
            readings = prepare(
                swum([0.0, 0.0, 0.0], sd=0.5, seed=int(1000 * shift), target=(1, 10 + shift, 0, 20))
            )
            out, _ = screen_spikes(readings, DETECTOR)
            hit = out[(out["e"] == 1) & (abs(out["n"] - 10 - shift) < 0.2)]
            assert hit["used"].all()

    def test_readings_far_apart_drop_nothing_upward_and_say_so(self):
        readings = prepare(swum([0.0] * 4, step=2.0, count=40))
        readings.loc[50, "signal"] += 100
        out, record = screen_spikes(readings, DETECTOR)
        assert out.loc[50, "used"]
        assert "too far apart" in record.said


class TestDrift:
    def test_slope_of_a_dive_is_found_under_metal(self):
        readings = prepare(swum([0.0] * 8, slope_per_s=0.004, target=(3.0, 12.0, 0.1, 60.0)))
        out, record = remove_drift(readings)
        clean = prepare(swum([0.0] * 8, target=(3.0, 12.0, 0.1, 60.0)))
        within = (out["signal"] - clean["signal"]).groupby(out["track"])
        assert within.std().max() < 0.2
        assert "0.24" in record.said  # signal units a minute

    def test_no_drift_is_left_alone(self):
        readings = prepare(swum([0.0, 3.0, -2.0], seed=8))
        out, record = remove_drift(readings)
        assert record.changed == 0
        pd.testing.assert_series_equal(out["signal"], readings["signal"])

    def test_without_times_each_track_has_its_own_slope(self):
        readings = swum([0.0] * 4, slope_per_s=0.02)
        readings["time_s"] = np.nan
        out, record = remove_drift(prepare(readings))
        assert record.parameters["group"] == "track"
        for _, track in out.groupby("track"):
            slope = np.polyfit(track["distance_m"], track["signal"], 1)[0]
            assert abs(slope) < 0.02  # was 0.12 a metre


class TestLevels:
    def test_tracks_come_to_zero_and_a_broad_anomaly_stays(self):
        readings = prepare(swum([4.0, -3.0, 9.0, 0.5], target=(1.0, 12.0, 0.7, 200.0)))
        out, record = remove_levels(readings, None)
        assert track_levels(out, 1.0).abs().max() < 0.1
        truth = prepare(swum([0.0] * 4, target=(1.0, 12.0, 0.7, 200.0)))
        assert (out["signal"] - truth["signal"]).abs().max() < 0.5
        assert record.before["level_spread"] > 4
        assert record.after["level_spread"] < 0.1


def test_steps_run_in_the_order_given_and_keep_the_raw_reading():
    readings = swum([4.0, -3.0, 9.0], slope_per_s=0.004)
    out, records, noise = condition(readings, ["levels", "drift"], DETECTOR)
    assert [record.step for record in records] == ["levels", "drift"]
    pd.testing.assert_series_equal(out["raw"], readings["signal"], check_names=False)
    assert noise.sd == pytest.approx(1.0, rel=0.2)  # three lanes only


def test_no_steps_leave_the_signal_as_typed():
    readings = swum([4.0, -3.0])
    out, records, _ = condition(readings, [], DETECTOR)
    assert records == ()
    pd.testing.assert_series_equal(out["signal"], readings["signal"])
    assert out["used"].all()
