"""Levels of all tracks at once: each one's own baseline, held together where tracks meet."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.sparse import csr_matrix, diags, identity, vstack
from scipy.sparse.linalg import lsmr
from scipy.spatial import cKDTree

from detect.readings.baseline import quiet_readings
from detect.readings.quality import crossing_pairs, turn_deg
from detect.readings.robust import huber_weights

Floats = NDArray[np.float64]

#: a reading this many sigmas off its track's baseline is metal, and says nothing of levels
QUIET_SNR = 2.0
#: doubt of a baseline of which all readings are quiet, noise sigmas: faint metal lifts it. It grows
#: as quiet readings get fewer (chosen on sites of `tests/benchmarks/buried_sites.py`)
BASELINE_SD = 0.1
#: tracks that run alongside: apart by no more than this, m, and this parallel, degrees
ALONGSIDE_M, PARALLEL_DEG = 2.5, 10.0
#: doubt of a difference between tracks that run alongside, noise sigmas: other metal under each
ALONGSIDE_SD = 0.4
#: a difference this many standard deviations off counts less (Huber)
HUBER = 1.5
ROUNDS = 8


@dataclass(frozen=True, eq=False)
class Differences:
    """Level of track ``a`` over that of track ``b``, by place in a list of tracks.

    Attributes
    ----------
    a, b : (Q,) int arrays
    difference, sd : (Q,) arrays
        Signal units.
    """

    a: NDArray[np.int64]
    b: NDArray[np.int64]
    difference: Floats
    sd: Floats


def baselines(used: pd.DataFrame, noise_sd: float) -> tuple[pd.DataFrame, NDArray[np.bool_]]:
    """Return ``level, sd`` by track, and which readings (N,) lie at their track's level."""
    rows = {}
    quiet = pd.Series(False, index=used.index)
    for track, signal in used.groupby("track")["signal"]:
        values = signal.to_numpy(float)
        _, level = quiet_readings(values, noise_sd)
        mine = np.abs(values - level) <= QUIET_SNR * noise_sd
        quiet[signal.index] = mine
        share = max(float(mine.mean()), 0.05)
        doubt = np.hypot(1.0 / np.sqrt(max(int(mine.sum()), 1)), BASELINE_SD / share)
        rows[track] = {"level": level, "sd": noise_sd * float(doubt)}
    return pd.DataFrame.from_dict(rows, orient="index", dtype=float), quiet.to_numpy()


def at_crossings(
    used: pd.DataFrame, quiet: NDArray[np.bool_], tracks: pd.Index, noise_sd: float
) -> Differences:
    """Return the differences where tracks cross: of the means of their quiet readings there."""
    pairs = crossing_pairs(used)
    pairs = pairs[quiet[pairs].all(axis=1)]
    number = tracks.get_indexer(pd.Index(used["track"]))
    a, b = number[pairs[:, 0]], number[pairs[:, 1]]
    swap = a > b
    pairs[swap] = pairs[swap][:, ::-1]
    signal = used["signal"].to_numpy(float)
    table = pd.DataFrame(
        {
            "a": np.minimum(a, b),
            "b": np.maximum(a, b),
            "i": pairs[:, 0],
            "j": pairs[:, 1],
            "difference": signal[pairs[:, 0]] - signal[pairs[:, 1]],
        }
    )
    by = table.groupby(["a", "b"], as_index=False).agg(
        difference=("difference", "mean"), i=("i", "nunique"), j=("j", "nunique")
    )
    sd = noise_sd * np.sqrt(1.0 / by["i"] + 1.0 / by["j"])
    return Differences(
        by["a"].to_numpy(np.int64),
        by["b"].to_numpy(np.int64),
        by["difference"].to_numpy(float),
        np.asarray(sd, float),
    )


def alongside(
    used: pd.DataFrame, quiet: NDArray[np.bool_], tracks: pd.Index, alone: pd.Index, noise_sd: float
) -> Differences:
    """Return the differences from the nearest track alongside, for tracks that cross none.

    The median over quiet readings of the difference from the nearest quiet reading of a track that
    runs the same way or back: metal under one of them only does not move it.
    """
    some = used[quiet]
    points, signal = some[["e", "n"]].to_numpy(float), some["signal"].to_numpy(float)
    number = tracks.get_indexer(pd.Index(some["track"]))
    heading = some["heading_deg"].to_numpy(float)
    found: list[tuple[float, ...]] = []
    for track in tracks.get_indexer(alone):
        mine = number == track
        if not mine.any():
            continue
        turn = turn_deg(heading, heading[mine][0])
        other = np.flatnonzero(~mine & (turn <= PARALLEL_DEG))
        if not len(other):
            continue
        near, index = cKDTree(points[other]).query(points[mine], distance_upper_bound=ALONGSIDE_M)
        met = np.isfinite(near)
        beside = pd.DataFrame(
            {
                "b": number[other[index[met]]],
                "difference": signal[mine][met] - signal[other[index[met]]],
            }
        )
        for b, difference in beside.groupby("b")["difference"]:
            # the median of n normal differences: 1.25 sqrt(2 / n) of a reading's noise
            sd = noise_sd * np.hypot(1.25 * np.sqrt(2.0 / len(difference)), ALONGSIDE_SD)
            found.append(
                (float(track), float(np.asarray(b)), float(difference.median()), float(sd))
            )
    table = np.array(found, dtype=float).reshape(-1, 4)
    return Differences(table[:, 0].astype(int), table[:, 1].astype(int), table[:, 2], table[:, 3])


def level_together(level: Floats, sd: Floats, differences: Differences) -> Floats:
    r"""Return the levels (T,) that suit baselines and differences best.

    .. math:: \min_l \sum_t \frac{(l_t - b_t)^2}{s_t^2} +
              \sum_q h_q \frac{(l_{a_q} - l_{b_q} - d_q)^2}{s_q^2}

    by sparse least squares (scipy's LSMR), the differences weighted anew against outliers (Huber
    1964, Ann. Math. Stat. 35; from memory) for a few rounds.

    Parameters
    ----------
    level, sd : (T,) arrays
        Baselines and their doubt, signal units.
    differences : Differences

    Returns
    -------
    (T,) array
    """
    count, meets = len(level), len(differences.a)
    if not meets:
        return level
    row = np.arange(meets)
    ends = (np.tile(row, 2), np.concatenate([differences.a, differences.b]))
    matrix = csr_matrix((np.repeat([1.0, -1.0], meets), ends), (meets, count))
    out, weight = level, np.ones(meets)
    for _ in range(ROUNDS):
        root = np.sqrt(weight) / differences.sd
        system = vstack([diags(1.0 / sd) @ identity(count), diags(root) @ matrix]).tocsr()
        out = lsmr(
            system, np.concatenate([level / sd, root * differences.difference]),
            atol=1e-12, btol=1e-12, maxiter=20 * count,
        )[0]  # fmt: skip
        off = np.abs(matrix @ out - differences.difference) / differences.sd
        weight = huber_weights(off, HUBER)
    return np.asarray(out)


def tracks_levelled(readings: pd.DataFrame, noise_sd: float) -> tuple[pd.Series, int, int]:
    """Return the level of every track, and how many crossings and neighbours held them.

    Parameters
    ----------
    readings : DataFrame
        With ``track, e, n, heading_deg, signal, used``.
    noise_sd : float
        Of one reading.

    Returns
    -------
    levels : Series
        By track, signal units.
    crossings, neighbours : int

    Notes
    -----
    Limit: a crossing is a reading or two, a baseline the whole track, so crossings matter where a
    track has few quiet readings; metal under the crossing is left out, with what it would tell.
    """
    used = readings[readings["used"]]
    if used.empty:
        return pd.Series(dtype=float), 0, 0
    own, quiet = baselines(used, noise_sd)
    if noise_sd <= 0 or not np.isfinite(noise_sd):
        return own["level"], 0, 0
    met = at_crossings(used, quiet, own.index, noise_sd)
    crossed = np.unique(np.concatenate([met.a, met.b]))
    beside = alongside(used, quiet, own.index, own.index.delete(crossed), noise_sd)
    both = Differences(
        *(
            np.concatenate([getattr(met, name), getattr(beside, name)])
            for name in ("a", "b", "difference", "sd")
        )
    )
    levels = level_together(own["level"].to_numpy(), own["sd"].to_numpy(), both)
    return pd.Series(levels, own.index), len(met.a), len(beside.a)
