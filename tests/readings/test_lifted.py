"""Levels under metal: what planted targets lift a track by is told from the planted level."""

import numpy as np
import pandas as pd
from planted import DETECTOR, signal_over

from detect.readings.levelling import tracks_levelled
from detect.readings.lifted import lifted_by_metal


def swum(levels, targets, seed=0, noise=1.0):
    """Lanes a metre apart, 20 m long, over targets ``e, n, depth, strength``."""
    rng = np.random.default_rng(seed)
    track = np.repeat(np.arange(len(levels)), 80)
    e, n = track.astype(float), np.tile(np.arange(80) * 0.25, len(levels))
    metal = signal_over(targets, e, n)
    return pd.DataFrame(
        {
            "track": track,
            "e": e,
            "n": n,
            "heading_deg": np.where(track % 2, 180.0, 0.0),
            "signal": np.asarray(levels)[track] + metal + rng.normal(0, noise, len(e)),
            "used": True,
            "at_full_scale": False,
        }
    )


def debris(count, seed=3):
    """Metal strewn along the middle lanes of six, shallow and deep, faint and loud."""
    rng = np.random.default_rng(seed)
    return np.column_stack(
        [
            rng.uniform(1.5, 3.5, count),
            rng.uniform(1.0, 19.0, count),
            rng.uniform(0.1, 0.8, count),
            rng.lognormal(0.3, 0.8, count),
        ]
    )


def levelled(readings):
    """Return the readings at their levels, and those."""
    levels, *_ = tracks_levelled(readings, 1.0)
    return readings.assign(signal=readings["signal"] - readings["track"].map(levels)), levels


def test_what_metal_lifts_levels_by_is_taken_off():
    true = np.array([2.0, -1.0, 0.5, 3.0, -2.0, 1.0])
    before, after = [], []
    for seed in range(6):
        flat, levels = levelled(swum(true, debris(14, seed), seed))
        lifted = lifted_by_metal(flat, DETECTOR, 1.0)
        before.append(levels.to_numpy() - true)
        after.append((levels + lifted).to_numpy() - true)
    assert np.mean(before) > 0.1  # metal pushes one way
    assert abs(np.mean(after)) < 0.5 * np.mean(before)
    # what noise alone leaves of the mean of 80 readings is 0.11
    assert np.sqrt(np.mean(np.square(after))) < 0.7 * np.sqrt(np.mean(np.square(before)))
    assert np.abs(after).max() < np.abs(before).max()


def test_without_metal_the_means_are_left_over():
    readings = swum(np.array([0.3, -0.2, 0.0]), np.array([[1.0, 10.0, 0.2, 3.0]]), seed=4)
    lifted = lifted_by_metal(readings, DETECTOR, 1.0)
    for track in (0, 2):
        mean = readings.loc[readings["track"] == track, "signal"].mean()
        assert abs(lifted[track] - mean) < 0.1  # Huber's weights move it a little


def test_a_track_of_few_readings_and_a_site_of_none_that_is_loud_stay():
    readings = swum(np.array([0.3, -0.2, 0.0]), np.array([[1.0, 10.0, 0.2, 3.0]]), seed=4)
    short = readings[(readings["track"] != 2) | (readings["n"] < 1.0)]
    assert lifted_by_metal(short, DETECTOR, 1.0)[2] == 0.0
    quiet = readings.assign(signal=0.4)
    assert (lifted_by_metal(quiet, DETECTOR, 1.0) == 0.0).all()


def test_readings_at_full_scale_tell_nothing_of_the_level():
    readings = swum(np.zeros(3), np.array([[1.0, 10.0, 0.1, 60.0]]), seed=5)
    full = readings["signal"] > 40.0
    cut = readings.assign(signal=readings["signal"].clip(upper=40.0), at_full_scale=full)
    assert full.sum() >= 2
    assert lifted_by_metal(cut, DETECTOR, 1.0).abs().max() < 0.35
