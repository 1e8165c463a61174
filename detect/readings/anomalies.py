"""Where the metal is: targets that stand out of the noise, with their depth and strength."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
import xarray as xr
from scipy import ndimage
from scipy.spatial import cKDTree
from scipy.special import ndtr

from detect.readings.belief import UNTOLD, Belief
from detect.readings.inversion import RELATIVE_ERROR, Readings
from detect.readings.matched_filter import LEFTOVER
from detect.readings.pursuit import merged, pursue, refine
from detect.readings.response_table import REACH_SHARE
from detect.readings.weighing import (
    COARSE,
    FINE,
    HEARD_WITHIN_M,
    WIDTH_M,
    Heard,
    Weigher,
)
from detect.survey.settings import Detector

COLUMNS = [
    "anomaly",
    "e",
    "n",
    "peak",
    "snr",
    "q_value",
    "area_m2",
    "depth_m",
    "depth_sd_m",
    "strength",
    "square",
    "strength_sd",
    "note",
    "depth_low_m",
    "depth_high_m",
    "strength_low",
    "strength_high",
    "position_sd_m",
    "neighbour_m",
]
#: share of false finds accepted among the anomalies listed
FALSE_DISCOVERY_RATE = 0.05
#: answers weighed in each round, each with what was learned of the neighbours
ROUNDS_OF_ANSWERS = (COARSE, FINE)
#: what is told of a target as it stands
TOLD = (
    *("depth_m", "depth_sd_m", "strength", "strength_sd"),
    *("depth_low_m", "depth_high_m", "strength_low", "strength_high", "position_sd_m"),
    "neighbour_m",
)
#: the peak of an anomaly is no more than the largest reading this near, m
PEAK_WITHIN_M = 0.5
#: sigmas that a target's other readings must stand out by, for more than one to tell of it; above
#: two, for the target was fitted to them as well (from planted slips, docs/measured.md)
STANDS_OUT = 2.5
ONE_READING = "one reading only tells of it: metal or a slip, swim over it again"
#: times that targets fitted onto each other are made one and all fitted again
ROUNDS = 3


def q_values(z: np.ndarray, looks: int) -> np.ndarray:
    """Return the false discovery rate at which each pick would just be listed.

    The picks are the ``len(z)`` largest of ``looks`` values that are normal where there is no
    metal, so ``q_(i) = min over j >= i of looks p_(j) / j`` with ``p = 1 - Phi(z)`` (Benjamini &
    Hochberg 1995, J. R. Stat. Soc. B 57), the values that were not picked counting as 1.

    Parameters
    ----------
    z : (K,) array
        Matched filter at each pick.
    looks : int
        Places looked at.

    Returns
    -------
    (K,) array
    """
    if z.size == 0:
        return np.empty(0)
    order = np.argsort(-z, kind="stable")
    rate = max(looks, z.size) * ndtr(-z[order]) / np.arange(1, z.size + 1)
    q = np.empty(z.size)
    q[order] = np.minimum(np.minimum.accumulate(rate[::-1])[::-1], 1.0)
    return q


def _half_height_areas(signal: np.ndarray, cells: np.ndarray, cell_m2: float) -> np.ndarray:
    """Return the area around each cell (P, 2) where the map stays above half of it, m².

    Cells nearer to another pick are that one's.
    """
    owners = cKDTree(cells)
    areas = np.empty(len(cells))
    for number, at in enumerate(cells):
        labels, _ = ndimage.label(signal >= 0.5 * signal[tuple(at)])
        around = np.argwhere(labels == labels[tuple(at)])
        areas[number] = float(np.sum(owners.query(around)[1] == number)) * cell_m2
    return areas


def told_by_one_reading(signal: np.ndarray, each: np.ndarray, noise_sd: float) -> np.ndarray:
    """Tell which targets (P,) stand on a single reading, as a slip of pen or meter does.

    The matched filter of a target over what the others leave, its best reading left out, does not
    reach `STANDS_OUT`. A quarter of what the others add is left in doubt, as in the pursuit.

    Parameters
    ----------
    signal : (N,) array
    each : (P, N) array
        What each target adds to each reading.
    noise_sd : float

    Notes
    -----
    Limit: a small target near the coil, heard on one reading because those beside it are far off,
    is told by one reading as well; nothing in the readings says which of the two it is.
    """
    others = each.sum(axis=0) - each
    rest = signal - others
    weight = 1.0 / (noise_sd**2 + (RELATIVE_ERROR * signal) ** 2 + (LEFTOVER * others) ** 2)
    match, power = each * weight * rest, each**2 * weight
    best = (np.arange(len(each)), np.argmax(match, axis=1))
    match[best] = power[best] = 0.0
    z = match.sum(axis=1) / np.sqrt(np.maximum(power.sum(axis=1), 1e-300))
    return np.asarray(z < STANDS_OUT)


def _beliefs(
    used: pd.DataFrame,
    rows: np.ndarray,
    each: np.ndarray,
    z: np.ndarray,
    detector: Detector,
    noise_sd: float,
) -> list[Belief]:
    """Weigh the answers about each target, what the others add taken off, a few times round.

    The others add at first what they were fitted with (P, N), then what is expected of them over
    their own answers; a quarter of it and the spread of those answers are left in doubt.
    """
    points = used[["e", "n"]].to_numpy(float)
    signal = used["signal"].to_numpy(float)
    # a silent reading heard anything up to the threshold
    error_sd = np.where(used["silent"], detector.threshold_snr, 1.0) * noise_sd
    track = pd.factorize(used["track"])[0]
    heading = np.nan_to_num(used["heading_deg"].to_numpy(float))
    full = used["at_full_scale"].to_numpy(bool)
    added, doubt = each.copy(), (LEFTOVER * each) ** 2
    tree = cKDTree(points)
    weighers = [Weigher(detector, noise_sd, lattice) for lattice in ROUNDS_OF_ANSWERS]
    reach = REACH_SHARE * detector.air_range_m
    out: list[Belief | None] = [None] * len(rows)
    for weigher, number in product(weighers, np.argsort(-z, kind="stable")):
        before = out[number]
        place = rows[number, :2] if before is None else np.array([before.e, before.n])
        around = tree.query_ball_point(place, HEARD_WITHIN_M) or [tree.query(place)[1]]
        near = np.array(around, dtype=int)
        others = np.delete(added[:, near], number, axis=0).sum(axis=0)
        rest = signal[near] - others
        variance = (
            error_sd[near] ** 2
            + (RELATIVE_ERROR * np.abs(rest)) ** 2
            + np.delete(doubt[:, near], number, axis=0).sum(axis=0)
        )
        heard = Heard(points[near], rest, variance, track[near], heading[near], full[near])
        far = np.array(tree.query_ball_point(place, reach), dtype=int)
        belief, mean, spread = weigher.weigh(
            place, WIDTH_M / max(float(z[number]), 1.0), heard, points[far]
        )
        out[number] = belief
        added[number], doubt[number] = 0.0, 0.0
        added[number, far], doubt[number, far] = mean, spread + (LEFTOVER * mean) ** 2
    return [belief for belief in out if belief is not None]


def find_anomalies(
    signal: xr.DataArray,
    surveyed: np.ndarray,
    readings: pd.DataFrame,
    detector: Detector,
    noise_sd: float,
    false_discovery_rate: float = FALSE_DISCOVERY_RATE,
) -> pd.DataFrame:
    """List the anomalies, strongest first.

    Targets are picked by a matched filter with the coil's own response, each taken off the
    readings before the next is looked for (:func:`detect.readings.pursuit.pursue`). A pick is
    listed when its filter stands ``threshold_snr`` sigmas or more out and its q-value holds the
    false discovery rate. Those that overlap are fitted together for position, depth and strength.

    Parameters
    ----------
    signal : DataArray (n, e)
        Map of the conditioned signal, for the extent of each anomaly.
    surveyed : (L, K) bool array
        Cells where the readings speak.
    readings : DataFrame
        Conditioned readings.
    detector : Detector
        Coil and threshold.
    noise_sd : float
        Noise of one reading.
    false_discovery_rate : float
        Share of false finds accepted.

    Returns
    -------
    DataFrame
        Columns of ``anomalies.csv``; ``square`` is left empty here. ``peak`` is the most that the
        target itself adds to any reading, ``snr`` the filter's.

    Notes
    -----
    A reading at full scale counts as that much in the filter and not at all in the fit. Every
    reading is taken as a look of its own, so too few are listed rather than too many.
    """
    used = readings[readings["used"]]
    if not np.isfinite(noise_sd) or noise_sd <= 0 or used.empty or not surveyed.any():
        return pd.DataFrame(columns=COLUMNS)
    points = used[["e", "n"]].to_numpy(float)
    heard = used["signal"].to_numpy(float)
    targets, z = pursue(points, heard, detector, noise_sd, signal, surveyed, detector.threshold_snr)
    q = q_values(z, len(used))
    targets, z, q = (x[q <= false_discovery_rate] for x in (targets, z, q))
    if len(z) == 0:
        return pd.DataFrame(columns=COLUMNS)
    targets, z, q = merged(targets, z, q)
    told = ~used["at_full_scale"].to_numpy(bool)
    rows = refine(targets, points[told], heard[told], detector, noise_sd)
    for _ in range(ROUNDS):  # what comes to lie on a stronger one was a part of it
        fewer, z, q = merged(rows, z, q)
        if len(fewer) == len(rows):
            break
        rows = refine(fewer, points[told], heard[told], detector, noise_sd)
    all_readings = Readings(points, heard, detector, noise_sd)
    each = all_readings.heard(rows)
    beliefs = _beliefs(used, rows, each, z, detector, noise_sd)
    e, n = signal["e"].to_numpy(), signal["n"].to_numpy()
    place = np.array([(b.e, b.n) for b in beliefs])
    to_next = cKDTree(place).query(place, k=[2])[0][:, 0]  # infinite where there is one alone
    beliefs = [b.beside(float(m)) for b, m in zip(beliefs, to_next, strict=True)]
    cells = np.column_stack(
        [
            np.abs(axis[:, None] - x).argmin(axis=0)
            for axis, x in ((n, place[:, 1]), (e, place[:, 0]))
        ]
    )
    node_m = float(e[1] - e[0]) if e.size > 1 else 1.0
    peak = each.max(axis=1)
    # a fit to a reading or two may claim more than anyone read there
    tree = cKDTree(points)
    near = tree.query_ball_point(place, np.maximum(tree.query(place)[0] + 1e-9, PEAK_WITHIN_M))
    peak = np.minimum(peak, [heard[index].max() for index in near])
    found = pd.DataFrame(
        {
            "anomaly": "",
            "e": place[:, 0],
            "n": place[:, 1],
            "peak": peak,
            "snr": z,
            "q_value": q,
            "area_m2": _half_height_areas(signal.to_numpy(), cells, node_m**2),
            "square": "",
            "note": [
                "; ".join(words for words in (b.note, ONE_READING if one else "") if words)
                for b, one in zip(beliefs, told_by_one_reading(heard, each, noise_sd), strict=True)
            ],
        }
        | {name: [getattr(b, name) for b in beliefs] for name in TOLD}
    )
    untold = found["note"].str.contains(UNTOLD).to_numpy()
    found.loc[untold, ["depth_m", "depth_sd_m", "strength", "strength_sd"]] = np.nan
    found = found.sort_values("peak", ascending=False, kind="stable", ignore_index=True)
    return found.assign(anomaly=[f"An{number + 1}" for number in range(len(found))])[COLUMNS]
