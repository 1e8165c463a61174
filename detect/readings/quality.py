"""How each lane, pass, dive and diver did: gaps, noise, level, repeats, crossings."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from scipy.spatial import cKDTree

from detect.readings.baseline import track_levels
from detect.readings.noise import MAD_TO_SIGMA, estimate_noise, robust_sd, second_differences

#: readings of two tracks this near each other are taken at one place, m
SAME_PLACE_M = 0.25
#: tracks whose ways differ by more than this cross, degrees
CROSSING_DEG = 30.0
FEWEST = 5
COLUMNS = [
    "track", "lane", "pass", "dive", "diver", "readings", "left_out", "largest_gap_m", "noise_sd",
    "level", "repeat_sd", "crossings", "misclosure_before", "misclosure_after", "worst",
]  # fmt: skip
#: figures of which more is worse, with the words that name the worst
WORSE = {
    "largest_gap_m": "largest gap",
    "noise_sd": "noisiest",
    "level": "level farthest off",
    "repeat_sd": "repeats agree least",
    "misclosure_after": "crossings agree least",
}


def turn_deg(heading: np.ndarray, other: np.ndarray | float) -> np.ndarray:
    """Return by how much two ways differ, out and back being one way, 0 to 90 degrees."""
    return np.abs((heading - other + 90.0) % 180.0 - 90.0)


def crossing_pairs(readings: pd.DataFrame) -> np.ndarray:
    """Return pairs of used readings (Q, 2), by position in the table, where two tracks cross."""
    used = np.flatnonzero(readings["used"].to_numpy(bool))
    if len(used) < 2:
        return np.empty((0, 2), dtype=int)
    points = readings[["e", "n"]].to_numpy(float)[used]
    pairs = cKDTree(points).query_pairs(SAME_PLACE_M, output_type="ndarray")
    heading = readings["heading_deg"].to_numpy(float)[used]
    turn = turn_deg(heading[pairs[:, 0]], heading[pairs[:, 1]])
    return used[pairs[turn > CROSSING_DEG]]


def lane_spacing(readings: pd.DataFrame) -> float:
    """Return how far lanes of one way lie apart: the median to the nearest of another lane, m.

    NaN where no lane has another alongside.
    """
    used = readings[readings["used"]]
    points, lanes = used[["e", "n"]].to_numpy(float), used["lane"].to_numpy()
    heading = used["heading_deg"].to_numpy(float)
    apart = []
    for lane in pd.unique(lanes):
        mine = lanes == lane
        beside = ~mine & (turn_deg(heading, heading[mine][0]) < CROSSING_DEG)
        if beside.any():
            apart.append(cKDTree(points[beside]).query(points[mine])[0])
    return float(np.median(np.concatenate(apart))) if apart else float("nan")


def _noise(readings: pd.DataFrame) -> float:
    """Noise along one track; NaN where there are too few differences."""
    differences = second_differences(readings)
    if differences.size < FEWEST:
        return float("nan")
    return float(np.median(np.abs(differences))) * MAD_TO_SIGMA / np.sqrt(6)


def _misclosure(track: int, tracks: np.ndarray, pairs: np.ndarray, signal: np.ndarray) -> float:
    """Robust spread about zero of differences at a track's crossings, over the root of two."""
    mine = (tracks[pairs] == track).any(axis=1)
    if mine.sum() < FEWEST:
        return float("nan")
    off = np.abs(signal[pairs[mine, 0]] - signal[pairs[mine, 1]])
    return float(np.median(off)) * MAD_TO_SIGMA / np.sqrt(2)


def _repeats(readings: pd.DataFrame, track: int) -> float:
    """Spread of a track's differences from other passes of its lane; NaN without any."""
    mine = readings["track"].to_numpy() == track
    lane = readings["lane"].to_numpy()[mine][0]
    other = (readings["lane"].to_numpy() == lane) & ~mine
    if other.sum() < FEWEST:
        return float("nan")
    distance = readings["distance_m"].to_numpy(float)
    near, index = cKDTree(distance[other][:, None]).query(
        distance[mine][:, None], distance_upper_bound=SAME_PLACE_M
    )
    told = np.isfinite(near)
    if told.sum() < FEWEST:
        return float("nan")
    signal = readings["signal"].to_numpy(float)
    return robust_sd(signal[mine][told] - signal[other][index[told]]) / np.sqrt(2)


def _lost_ends(used: pd.DataFrame, lengths: Mapping[str, float]) -> pd.Series:
    """Return by track how much of its lane's ends was lost, m: no pass came nearer to the peg."""
    ends = used.groupby(["lane", "track"])["distance_m"].agg(["min", "max"]).reset_index()
    ends["length"] = ends["lane"].map(lengths)
    by_lane = ends.groupby("lane")
    # Who came nearest to a peg is the one who left the rest.
    start = ends["min"].where(ends["min"] == by_lane["min"].transform("min"), 0.0)
    stop = (ends["length"] - ends["max"]).where(ends["max"] == by_lane["max"].transform("max"), 0.0)
    lost = pd.concat([start, stop], axis=1).max(axis=1).clip(lower=0.0)
    return lost.where(ends["length"].notna(), 0.0).set_axis(ends["track"])


def track_quality(
    conditioned: pd.DataFrame, lengths: Mapping[str, float] | None = None
) -> pd.DataFrame:
    """Return a row a track (one swim of a lane) with how well it went.

    Parameters
    ----------
    conditioned : DataFrame
        From :func:`detect.readings.conditioning.condition`.
    lengths : mapping of str to float, optional
        Length of each lane from peg to peg, m; without, an end that was not swum is not seen.

    Returns
    -------
    DataFrame
        Columns `COLUMNS`, in the order swum: readings, those left out, the largest gap (m) between
        readings, or between a peg of the lane and the first reading of any of its passes; in
        signal units the noise along the track, the level taken out of it, how repeats of its lane
        agree, and how it agrees with the tracks that cross it, before and after conditioning
        (``1.4826 MAD / sqrt 2`` about zero, each reading's share). ``worst`` names what a track is
        the worst of.

    Notes
    -----
    Limit: crossings over metal disagree by where the coil was, not only by level.
    """
    tracks = conditioned["track"].to_numpy()
    pairs = crossing_pairs(conditioned)
    used = conditioned[conditioned["used"]]
    raw = used.assign(signal=used["raw"])
    # a meter that speaks only at metal shows neither noise nor level
    mute = bool(conditioned["silent"].any())
    levels = pd.Series(dtype=float) if mute else track_levels(raw, estimate_noise(raw).sd)
    before = conditioned["raw"].to_numpy(float)
    after = conditioned["signal"].to_numpy(float)
    lost = _lost_ends(used, lengths or {})
    rows = []
    for track in np.unique(tracks):
        group = conditioned[tracks == track]
        mine = group[group["used"]]
        step = np.diff(np.sort(mine["distance_m"].to_numpy(float)))
        gap = max(step.max(initial=0.0), lost.get(track, 0.0))
        first = group.iloc[0]
        rows.append(
            {
                "track": track,
                "lane": first["lane"],
                "pass": first["pass"],
                "dive": first["dive"],
                "diver": first["diver"],
                "readings": len(group),
                "left_out": int((~group["used"]).sum()),
                "largest_gap_m": float(gap) if gap > 0.0 else float("nan"),
                "noise_sd": float("nan") if mute else _noise(mine),
                "level": float(levels.get(track, np.nan)),
                "repeat_sd": _repeats(used, int(track)) if len(mine) else float("nan"),
                "crossings": int((tracks[pairs] == track).any(axis=1).sum()),
                "misclosure_before": _misclosure(int(track), tracks, pairs, before),
                "misclosure_after": _misclosure(int(track), tracks, pairs, after),
                "worst": "",
            }
        )
    table = pd.DataFrame(rows, columns=COLUMNS)
    return table.assign(worst=_worst(table))


def _worst(table: pd.DataFrame) -> list[str]:
    """Name what each track is the worst of, among tracks that have the figure."""
    words: list[list[str]] = [[] for _ in range(len(table))]
    for column, name in WORSE.items():
        values = table[column].to_numpy(float)
        if column == "level":
            values = np.abs(values - np.nanmedian(values)) if np.isfinite(values).any() else values
        if np.isfinite(values).sum() > 1:
            words[int(np.nanargmax(values))].append(name)
    return ["; ".join(w) for w in words]


def by_whom(table: pd.DataFrame) -> pd.DataFrame:
    """Return the figures of `track_quality` by dive and by diver: sums, medians, largest gap.

    Parameters
    ----------
    table : DataFrame
        From `track_quality`.

    Returns
    -------
    DataFrame
        ``of`` (``dive`` or ``diver``), ``name``, ``tracks, readings, left_out, largest_gap_m,
        noise_sd, level, misclosure_before, misclosure_after``; only those that are logged.
    """
    parts = []
    for column in ("dive", "diver"):
        known = table[table[column].notna() & (table[column].astype(str) != "")]
        by = known.groupby(column, as_index=False).agg(
            tracks=("track", "size"),
            readings=("readings", "sum"),
            left_out=("left_out", "sum"),
            largest_gap_m=("largest_gap_m", "max"),
            noise_sd=("noise_sd", "median"),
            level=("level", "median"),
            misclosure_before=("misclosure_before", "median"),
            misclosure_after=("misclosure_after", "median"),
        )
        parts.append(by.rename(columns={column: "name"}).assign(of=column))
    whole = pd.concat(parts, ignore_index=True)
    return whole[["of", "name", *(c for c in whole if c not in ("of", "name"))]]
