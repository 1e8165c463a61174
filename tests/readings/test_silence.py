"""A meter that speaks only at metal, against the readings of one that sounds all the way."""

import numpy as np
import pandas as pd
import pytest

from detect.lanes import response_ratio
from detect.readings import condition, find_anomalies, signal_model, track_quality
from detect.readings.signal import SILENT_SD
from detect.readings.silence import find_silence
from detect.readings.steps import prepare
from detect.survey.grid import Grid
from detect.survey.settings import Detector

DETECTOR = Detector(
    coil_diameter_m=0.28, coil_height_m=0.12, air_range_m=0.75, threshold_snr=3.5, required_pod=0.8
)
NOISE = 2.0
THRESHOLD = DETECTOR.threshold_snr * NOISE
TARGETS = [(3.0, 3.2, 0.2, 3.0), (8.5, 4.0, 0.1, 1.0), (5.5, 9.3, 0.35, 8.0)]
STEPS = ["spikes", "trend", "drift", "levels", "lag"]


def sounding(seed=0, targets=TARGETS, silence=0.0):
    """Readings on lanes 0.5 m apart over targets, as a meter shows them that sounds all the way."""
    rng = np.random.default_rng(seed)
    e, n = (x.T.ravel() for x in np.meshgrid(np.arange(0, 12.1, 0.5), np.arange(0, 12.1, 0.25)))
    signal = silence + rng.normal(0, NOISE, e.size)
    for te, tn, depth, strength in targets:
        rho = np.hypot(e - te, n - tn)
        height = DETECTOR.coil_height_m + depth
        signal += strength * THRESHOLD * response_ratio(rho, height, DETECTOR)
    track = (e / 0.5).astype(int)
    return pd.DataFrame(
        {
            "lane": track.astype(str), "pass": "1", "direction": "out", "dive": "1", "diver": "",
            "time_s": np.nan, "track": track, "e": e, "n": n, "distance_m": n,
            "signal": signal.round(1), "heading_deg": 0.0, "at_full_scale": False,
        }
    )  # fmt: skip


def silenced(readings, silence=0.0):
    """The same readings where the meter shows nothing below its threshold."""
    signal = readings["signal"]
    return readings.assign(signal=signal.where(signal - silence >= THRESHOLD, silence))


def picked(readings, noise_sd):
    axis = np.arange(0, 12.0001, 0.25)
    grid = Grid(axis, axis, 0.25)
    flat = grid.field(np.ones(grid.shape), "signal", "mV", "")
    return find_anomalies(flat, np.ones(grid.shape, bool), readings, DETECTOR, noise_sd)


class TestRecognised:
    def test_a_meter_that_sounds_all_the_way_is_not_taken_for_silent(self):
        assert find_silence(prepare(sounding())) is None

    @pytest.mark.parametrize("silence", [0.0, 2.0])
    def test_silence_and_threshold(self, silence):
        found = find_silence(prepare(silenced(sounding(silence=silence), silence)))
        assert found.value == silence
        # the faintest of a hundred sounds lies a little above the threshold, never below
        assert THRESHOLD - 1e-9 <= found.threshold < 1.25 * THRESHOLD

    def test_a_slip_of_the_pen_does_not_make_the_threshold(self):
        readings = silenced(sounding())
        quiet = np.flatnonzero(readings["signal"] == 0.0)
        readings.loc[quiet[7], "signal"] = 0.1
        assert find_silence(prepare(readings)).threshold >= THRESHOLD - 1e-9

    def test_a_meter_that_only_cannot_show_below_zero_is_not_silent(self):
        # a level of -0.3 sigma: more than half of the readings would stand below 0
        readings = sounding(targets=[], silence=-0.3 * NOISE)
        cut = readings.assign(signal=readings["signal"].clip(lower=0.0))
        assert (cut["signal"] == 0.0).mean() > 0.5
        assert find_silence(prepare(cut)) is None

    def test_nothing_heard(self):
        readings, records, noise = condition(sounding().assign(signal=0.0), STEPS, DETECTOR)
        assert readings["silent"].all()
        assert np.isnan(noise.sd)
        assert not any(record.kept for record in records)


class TestConditioned:
    @pytest.mark.parametrize("steps", [[], STEPS])
    def test_no_reading_is_left_out_or_changed(self, steps):
        raw = silenced(sounding(silence=2.0), 2.0)
        out, records, noise = condition(raw, steps, DETECTOR)
        assert out["used"].all()
        np.testing.assert_allclose(out["signal"], raw["signal"] - 2.0)
        assert out["raw"].equals(raw["signal"])
        assert noise.sd == pytest.approx(NOISE, rel=0.25)
        assert noise.sd >= NOISE - 1e-9
        for record in records:
            assert record.said.startswith("not applied")
            assert record.before["noise_sd"] == noise.sd

    def test_lanes_tell_neither_noise_nor_level(self):
        out, *_ = condition(silenced(sounding()), [], DETECTOR)
        table = track_quality(out)
        assert table[["noise_sd", "level"]].isna().all(axis=None)
        assert not table["worst"].str.contains("noisiest|level").any()

    def test_targets_are_found_where_they_lie(self):
        raw = sounding()
        readings, _, noise = condition(silenced(raw), STEPS, DETECTOR)
        found = picked(readings, noise.sd)
        assert len(found) == len(TARGETS)
        for e, n, depth, strength in TARGETS:
            nearest = found.loc[np.hypot(found["e"] - e, found["n"] - n).idxmin()]
            assert np.hypot(nearest["e"] - e, nearest["n"] - n) < 0.2
            assert nearest["depth_low_m"] <= depth <= nearest["depth_high_m"]
            assert nearest["strength_low"] <= strength <= nearest["strength_high"]

    def test_silence_claims_no_more_than_readings_do(self):
        raw = sounding()
        full, _, noise = condition(raw, [], DETECTOR)
        heard = signal_model(full, noise.sd).loudness
        mute, _, noise = condition(silenced(raw), [], DETECTOR)
        hushed = signal_model(mute, noise.sd).loudness
        assert hushed.measurement_sd >= SILENT_SD
        nodes = np.array([(1.25, 6.1), (10.25, 10.1)])
        assert (hushed.kriging.at(nodes)[1] > 0.5 * heard.kriging.at(nodes)[1]).all()
        # depth and strength of what is told hold wider ranges
        wide, narrow = picked(mute, noise.sd), picked(full, NOISE)
        for e, n, *_ in TARGETS:
            ranges = []
            for found in (wide, narrow):
                nearest = found.loc[np.hypot(found["e"] - e, found["n"] - n).idxmin()]
                ranges.append(nearest["depth_high_m"] - nearest["depth_low_m"])
            assert ranges[0] > 0.9 * ranges[1]
