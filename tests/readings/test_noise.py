"""Noise from the readings alone, against a known sigma."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from detect.readings.noise import (
    MAD_TO_SIGMA,
    estimate_noise,
    repeat_differences,
    robust_sd,
    second_differences,
)


def lanes_of_readings(signal_of, lanes=10, count=120, step=0.25, passes=1, seed=3, sd=1.0):
    rng = np.random.default_rng(seed)
    rows = []
    track = 0
    for lane in range(lanes):
        for swim in range(passes):
            place = np.arange(count) * step
            signal = signal_of(lane, swim, place) + rng.normal(0, sd, count)
            rows.append(
                pd.DataFrame(
                    {
                        "lane": f"L{lane:02d}",
                        "pass": str(swim + 1),
                        "track": track,
                        "distance_m": place,
                        "signal": signal,
                        "used": True,
                    }
                )
            )
            track += 1
    return pd.concat(rows, ignore_index=True)


def test_mad_constant_and_example():
    # check_values.md section 5: MAD -> sigma 1.482602218505602; MAD of 1,1,2,2,4,6,9 is 1
    assert pytest.approx(1.482602218505602, rel=1e-14) == MAD_TO_SIGMA
    assert robust_sd(np.array([1, 1, 2, 2, 4, 6, 9.0])) == pytest.approx(1.482602218505602)


def test_level_slope_and_broad_anomaly_do_not_count_as_noise():
    def signal(lane, swim, place):
        return 5.0 * lane + 0.2 * place + 40.0 * np.exp(-(((place - 15) / 3.0) ** 2))

    noise = estimate_noise(lanes_of_readings(signal, sd=1.3))
    assert noise.sd == pytest.approx(1.3, rel=0.08)
    assert noise.sd == noise.along_lane_sd


def test_second_differences_have_six_times_the_variance():
    differences = second_differences(lanes_of_readings(lambda *_: 0.0, lanes=60))
    assert np.var(differences) == pytest.approx(6.0, rel=0.08)


def test_a_gap_gives_no_difference():
    whole = lanes_of_readings(lambda *_: 0.0, lanes=1, count=50)
    holed = whole[(whole["distance_m"] < 5) | (whole["distance_m"] > 8)]
    # each side of the gap loses its last middle reading
    assert second_differences(holed).size == len(holed) - 4


def test_repeats_show_what_two_passes_disagree_by():
    readings = lanes_of_readings(lambda lane, swim, place: 10.0 * swim, passes=2, sd=0.7)
    difference = repeat_differences(readings)
    assert difference.size == len(readings) / 2
    assert np.median(difference) == pytest.approx(10.0, abs=0.1)
    assert estimate_noise(readings).repeat_sd == pytest.approx(0.7, rel=0.1)


def test_too_few_differences_fall_back_on_repeats():
    readings = lanes_of_readings(lambda *_: 0.0, lanes=1, count=10, passes=2, seed=1)
    noise = estimate_noise(readings)
    assert noise.differences < 20
    assert noise.sd == noise.repeat_sd


def test_robust_sd_agrees_with_scipy():
    values = np.random.default_rng(0).normal(size=200)
    assert robust_sd(values) == pytest.approx(stats.median_abs_deviation(values, scale="normal"))
