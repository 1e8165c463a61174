"""Levels of all tracks together: against a dense least-squares solution, and under metal."""

import numpy as np
import pandas as pd
import pytest

from detect.readings import levelling
from detect.readings.levelling import Differences, level_together, tracks_levelled


def net(seed=0, tracks=9, meets=14):
    """Baselines with doubts, and differences between random pairs of tracks."""
    rng = np.random.default_rng(seed)
    true = rng.normal(0, 3, tracks)
    a = rng.integers(0, tracks, meets)
    b = (a + rng.integers(1, tracks, meets)) % tracks
    own_sd, sd = rng.uniform(0.1, 1.0, tracks), rng.uniform(0.2, 0.8, meets)
    own = true + own_sd * rng.normal(size=tracks)
    return own, own_sd, Differences(a, b, true[a] - true[b] + sd * rng.normal(size=meets), sd), true


def test_levels_are_those_of_dense_least_squares(monkeypatch):
    # reference: numpy.linalg.lstsq on the same weighted equations, none weighted down
    monkeypatch.setattr(levelling, "HUBER", np.inf)
    own, own_sd, met, _ = net()
    across = np.zeros((len(met.a), len(own)))
    across[np.arange(len(met.a)), met.a] = 1.0
    across[np.arange(len(met.a)), met.b] = -1.0
    system = np.vstack([np.diag(1.0 / own_sd), across / met.sd[:, None]])
    right = np.concatenate([own / own_sd, met.difference / met.sd])
    dense = np.linalg.lstsq(system, right, rcond=None)[0]
    np.testing.assert_allclose(level_together(own, own_sd, met), dense, atol=1e-8)


def test_a_wrong_crossing_hardly_moves_the_levels():
    own, own_sd, met, _ = net(3)
    wild = met.difference + np.where(np.arange(len(met.a)) == 4, 40.0, 0.0)
    moved = level_together(own, own_sd, Differences(met.a, met.b, wild, met.sd))
    assert np.abs(moved - level_together(own, own_sd, met)).max() < 0.7


def swum(levels, seed=0, count=80):
    """Lanes a metre apart, swum north, and one across them, with noise of 1."""
    rng = np.random.default_rng(seed)
    parts = []
    for track, level in enumerate(levels[:-1]):
        place = np.arange(count) * 0.25
        parts.append((track, np.full(count, float(track)), place, 0.0, level))
    e = np.arange(-1.0, len(levels), 0.25)
    parts.append((len(levels) - 1, e, np.full(e.size, 5.0), 90.0, levels[-1]))
    return pd.concat(
        [
            pd.DataFrame(
                {
                    "track": track,
                    "e": e,
                    "n": n,
                    "heading_deg": heading,
                    "used": True,
                    "signal": level + rng.normal(0, 1, len(n)),
                }
            )
            for track, e, n, heading, level in parts
        ],
        ignore_index=True,
    )


def test_crossings_and_baselines_together_give_the_levels():
    true = np.array([2.0, -3.0, 0.5, 4.0, -1.0, 1.5])
    levels, crossings, neighbours = tracks_levelled(swum(true), 1.0)
    assert (crossings, neighbours) == (5, 0)
    np.testing.assert_allclose(levels, true, atol=0.5)


def test_without_cross_lanes_a_lane_full_of_metal_is_held_by_its_neighbours():
    true = np.array([2.0, -3.0, 0.5, 4.0, -1.0])
    readings = swum(np.append(true, 0.0))
    readings = readings[readings["track"] < 5].reset_index(drop=True)
    # metal over nine tenths of the middle lane, and faint: its lower edge is lifted
    metal = (readings["track"] == 2) & (readings["n"] > 2.0)
    readings.loc[metal, "signal"] += 1.8
    own, _ = levelling.baselines(readings, 1.0)
    levels, crossings, neighbours = tracks_levelled(readings, 1.0)
    assert crossings == 0
    assert neighbours >= 4
    others = [0, 1, 3, 4]
    np.testing.assert_allclose(levels[others], true[others], atol=0.6)
    assert abs(levels[2] - true[2]) < abs(own["level"][2] - true[2])


def test_tracks_alone_keep_their_baseline():
    readings = swum([3.0, 0.0])
    readings = readings[readings["track"] == 0]
    levels, crossings, neighbours = tracks_levelled(readings, 1.0)
    assert (crossings, neighbours) == (0, 0)
    assert levels[0] == pytest.approx(3.0, abs=0.4)
