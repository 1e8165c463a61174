"""How each swim went: planted gaps, noise, levels and misclosures come back, the worst named."""

import numpy as np
import pandas as pd
import pytest

from detect.readings.quality import (
    COLUMNS,
    by_whom,
    crossing_pairs,
    lane_spacing,
    track_quality,
)

LEVELS = [0.0, 5.0, -3.0, 0.0]


def log(seed=0):
    """Two lanes north, one of them twice, and one east across them; levels as planted."""
    rng = np.random.default_rng(seed)
    way = np.arange(0.0, 20.01, 0.25)
    rows = []
    for track, (lane, number, e, n, heading) in enumerate(
        (
            ("L1", "1", np.full(way.size, 5.0), way, 0.0),
            ("L2", "1", np.full(way.size, 8.0), way, 0.0),
            ("L2", "2", np.full(way.size, 8.0), way, 180.0),
            ("X1", "1", way, np.full(way.size, 10.0), 90.0),
        )
    ):
        noise = rng.normal(0, 3.0 if lane == "X1" else 1.0, way.size)
        rows.append(
            pd.DataFrame(
                {
                    "track": track,
                    "lane": lane,
                    "pass": number,
                    "dive": f"D{track // 2}",
                    "diver": "A.K.",
                    "distance_m": way,
                    "e": e,
                    "n": n,
                    "heading_deg": heading,
                    "raw": noise + LEVELS[track],
                    "signal": noise,
                    "used": True,
                    "silent": False,
                }
            )
        )
    table = pd.concat(rows, ignore_index=True)
    return table.drop(index=table.index[(table["lane"] == "L1") & table["n"].between(4, 6)])


def test_one_row_a_swim_with_what_was_planted():
    table = track_quality(log().reset_index(drop=True))
    assert list(table.columns) == COLUMNS
    assert table["lane"].tolist() == ["L1", "L2", "L2", "X1"]
    np.testing.assert_allclose(table["level"][:3], LEVELS[:3], atol=1.0)
    np.testing.assert_allclose(table["noise_sd"], [1, 1, 1, 3], rtol=0.35)
    assert table["largest_gap_m"].tolist()[0] == pytest.approx(2.5)
    assert table["repeat_sd"].notna().tolist() == [False, True, True, False]
    assert table["repeat_sd"].iloc[1] == pytest.approx(1.0, rel=0.3)


def test_the_worst_is_named():
    table = track_quality(log().reset_index(drop=True)).set_index("lane")
    assert "largest gap" in table.loc["L1", "worst"]
    assert "noisiest" in table.loc["X1", "worst"]
    assert "level farthest off" in table["worst"].iloc[1]


def test_levelling_closes_the_crossings():
    table = track_quality(log().reset_index(drop=True))
    crossed = table.dropna(subset=["misclosure_before"])
    off = crossed["lane"] == "L2"
    assert (crossed.loc[off, "misclosure_after"] < crossed.loc[off, "misclosure_before"]).any()


def test_only_ways_that_differ_cross():
    frame = log().reset_index(drop=True)
    pairs = crossing_pairs(frame)
    lanes = frame["lane"].to_numpy()[pairs]
    assert len(pairs) > 0
    assert (lanes == "X1").any(axis=1).all()


def test_by_dive_and_by_diver():
    table = track_quality(log().reset_index(drop=True))
    whom = by_whom(table).set_index(["of", "name"])
    assert whom.loc["dive", "tracks"].tolist() == [2, 2]
    assert whom.loc[("diver", "A.K."), "readings"] == table["readings"].sum()
    # D1 swam the noisy lane: the median of its two tracks' noise
    assert whom.loc[("dive", "D1"), "noise_sd"] == pytest.approx(table["noise_sd"][2:].median())


def test_what_is_not_logged_is_not_told():
    table = track_quality(log().reset_index(drop=True)).assign(diver="")
    assert set(by_whom(table)["of"]) == {"dive"}


def test_lanes_three_metres_apart():
    assert lane_spacing(log()) == pytest.approx(3.0)
    assert np.isnan(lane_spacing(log()[lambda t: t["lane"] == "L1"]))


def test_a_lost_end_of_a_lane_is_a_gap_unless_another_pass_went_there():
    table = log().reset_index(drop=True)
    short = table[~((table["track"] == 1) & (table["distance_m"] > 3.0))]  # L2, first pass
    lengths = {"L1": 26.0, "L2": 20.0, "X1": 20.0}
    quality = track_quality(short.reset_index(drop=True), lengths)
    assert quality["largest_gap_m"].tolist() == pytest.approx([6.0, 0.25, 0.25, 0.25])
    # lanes swum in another order than that of their names
    once = short[short["track"] != 2].assign(track=lambda t: t["track"].map({0: 3, 1: 0, 3: 1}))
    once = once.sort_values("track", kind="stable").reset_index(drop=True)
    quality = track_quality(once, lengths).set_index("lane")
    assert quality["largest_gap_m"].to_dict() == pytest.approx({"L1": 6.0, "L2": 17.0, "X1": 0.25})
    assert "largest gap" in quality.loc["L2", "worst"]
