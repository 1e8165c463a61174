"""Where the metal is: peaks of the signal map that noise does not explain."""

from __future__ import annotations

import numpy as np
import pandas as pd
import xarray as xr
from scipy import ndimage, stats
from scipy.spatial import cKDTree

from detect.readings.inversion import fit_target
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
]
#: share of false finds accepted among the anomalies listed
FALSE_DISCOVERY_RATE = 0.05
#: a target is fitted to the readings this near, m
FIT_RADIUS_M = 1.0
#: fits closer together than this are one target, m
SAME_TARGET_M = 0.3


def peak_q_values(snr: np.ndarray, looks: int = 1) -> np.ndarray:
    """Return the false discovery rate at which each peak would just be listed.

    A peak is the highest of ``looks`` cells, so with noise alone it reaches ``snr`` with
    probability ``p = 1 - Phi(snr)^looks`` or less (Šidák 1967, J. Am. Stat. Assoc. 62; from
    memory). Adjusted over all peaks by Benjamini & Hochberg 1995, J. R. Stat. Soc. B 57, through
    scipy.

    Parameters
    ----------
    snr : (K,) array
        Peak over noise.
    looks : int
        Cells each peak tops.

    Returns
    -------
    (K,) array
    """
    if snr.size == 0:
        return np.empty(0)
    p = -np.expm1(looks * stats.norm.logcdf(snr))
    return np.asarray(stats.false_discovery_control(p, method="bh"))


def _disc(radius_cells: int) -> np.ndarray:
    """Return the cells within a radius of the middle one."""
    return np.asarray(
        np.hypot(*np.ogrid[-radius_cells : radius_cells + 1, -radius_cells : radius_cells + 1])
        <= radius_cells
    )


def _peaks(signal: np.ndarray, surveyed: np.ndarray, disc: np.ndarray) -> np.ndarray:
    """Return (row, column) of cells that are the highest of the disc around them."""
    filled = np.where(surveyed & np.isfinite(signal), signal, -np.inf)
    highest = ndimage.maximum_filter(filled, footprint=disc, mode="constant", cval=-np.inf)
    return np.argwhere((filled == highest) & np.isfinite(filled))


def _half_height_area(signal: np.ndarray, peaks: np.ndarray, number: int, cell_m2: float) -> float:
    """Return the area around a peak where the map stays above half of it, m².

    Cells nearer to another peak are that one's.
    """
    at = peaks[number]
    labels, _ = ndimage.label(signal >= 0.5 * signal[tuple(at)])
    cells = np.argwhere(labels == labels[tuple(at)])
    _, owner = cKDTree(peaks).query(cells)
    return float(np.sum(owner == number)) * cell_m2


def _crowded(found: pd.DataFrame) -> pd.DataFrame:
    """Drop picks that are one target twice; take the depth from those with a close neighbour.

    Two fits within a coil's width of each other are the same metal: the stronger peak stays. One
    target was fitted to the readings within a metre, so where another anomaly lies there, depth
    and strength are a mixture of both and are not given.
    """
    if len(found) < 2:
        return found
    places = found[["e", "n"]].to_numpy(float)
    apart = np.hypot(*(places[:, None, :] - places[None, :, :]).transpose(2, 0, 1))
    earlier = np.tri(len(found), k=-1, dtype=bool)
    twice = (earlier & (apart < SAME_TARGET_M)).any(axis=1)
    np.fill_diagonal(apart, np.inf)
    close = (apart[:, ~twice] < FIT_RADIUS_M).any(axis=1)
    out = found.copy()
    told = ["depth_m", "depth_sd_m", "strength", "strength_sd"]
    out.loc[close, told] = np.nan
    out.loc[close & (out["note"] == ""), "note"] = "another anomaly within a metre: depth unknown"
    out = out[~twice].reset_index(drop=True)
    return out.assign(anomaly=[f"An{number + 1}" for number in range(len(out))])


def find_anomalies(
    signal: xr.DataArray,
    surveyed: np.ndarray,
    readings: pd.DataFrame,
    detector: Detector,
    noise_sd: float,
    false_discovery_rate: float = FALSE_DISCOVERY_RATE,
) -> pd.DataFrame:
    """List the anomalies of a signal map, strongest first.

    A peak is a cell that tops its surroundings within one coil diameter. It is listed when it
    stands ``threshold_snr`` sigmas or more above zero and its q-value holds the false discovery
    rate. Depth and strength come from the readings within a metre
    (:func:`detect.readings.inversion.fit_target`).

    Parameters
    ----------
    signal : DataArray (n, e)
        Kriged conditioned signal.
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
        Columns of ``anomalies.csv``; ``square`` is left empty here.

    Notes
    -----
    The map averages noise down, so ``snr`` (map peak over the noise of one reading) errs on the
    side of listing too few.
    """
    if not np.isfinite(noise_sd) or noise_sd <= 0:
        return pd.DataFrame(columns=COLUMNS)
    values = signal.to_numpy()
    e, n = signal["e"].to_numpy(), signal["n"].to_numpy()
    node_m = float(e[1] - e[0]) if e.size > 1 else 1.0
    disc = _disc(max(1, round(detector.coil_diameter_m / node_m)))
    peaks = _peaks(values, surveyed, disc)
    height = values[tuple(peaks.T)]
    snr = height / noise_sd
    q = peak_q_values(snr, int(disc.sum()))
    listed = (snr >= detector.threshold_snr) & (q <= false_discovery_rate)
    order = np.argsort(-snr[listed], kind="stable")
    peaks, snr, q, height = (x[listed][order] for x in (peaks, snr, q, height))
    used = readings[readings["used"] & ~readings["at_full_scale"]]
    points = used[["e", "n"]].to_numpy(float)
    tree = cKDTree(points)
    rows = []
    for number, at in enumerate(peaks):
        start = (float(e[at[1]]), float(n[at[0]]))
        near = tree.query_ball_point(start, r=FIT_RADIUS_M)
        fit = fit_target(
            points[near], used["signal"].to_numpy(float)[near], start, detector, noise_sd
        )
        rows.append(
            {
                "anomaly": f"An{number + 1}",
                "e": fit.e if fit.note == "" else start[0],
                "n": fit.n if fit.note == "" else start[1],
                "peak": float(height[number]),
                "snr": float(snr[number]),
                "q_value": float(q[number]),
                "area_m2": _half_height_area(values, peaks, number, node_m**2),
                "depth_m": fit.depth_m,
                "depth_sd_m": fit.depth_sd_m,
                "strength": fit.strength,
                "square": "",
                "strength_sd": fit.strength_sd,
                "note": fit.note,
            }
        )
    return _crowded(pd.DataFrame(rows, columns=COLUMNS))
