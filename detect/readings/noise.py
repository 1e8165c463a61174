"""How large the meter's noise is: from differences along the lane, and from repeats."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import ndtri

#: fewer second differences than this say little about noise
FEWEST_DIFFERENCES = 20
#: 1 / Phi^-1(3/4)
MAD_TO_SIGMA = float(1.0 / ndtri(0.75))


@dataclass(frozen=True)
class Noise:
    """Noise of one reading, in signal units (1 sigma).

    Attributes
    ----------
    sd : float
        The figure used for thresholds: from along-lane differences, or from repeats where lanes
        are too short for that; NaN when neither can tell.
    along_lane_sd, repeat_sd : float
        The two estimates; NaN where there is no data for one.
    differences, repeats : int
        How many second differences and repeated pairs stand behind them.
    """

    sd: float
    along_lane_sd: float
    repeat_sd: float
    differences: int
    repeats: int


def robust_sd(values: np.ndarray) -> float:
    """Return 1.4826 times the median absolute deviation: sigma for Gaussian values.

    Source: Hampel 1974, J. Am. Stat. Assoc. 69; the factor is ``1 / Phi^-1(3/4)``.
    """
    if values.size == 0:
        return float("nan")
    return MAD_TO_SIGMA * float(np.median(np.abs(values - np.median(values))))


def second_differences(readings: pd.DataFrame) -> np.ndarray:
    """Return ``s[i-1] - 2 s[i] + s[i+1]`` of used readings that follow each other on a track.

    Steps wider than 1.5 times the track's usual step are gaps and give no difference.

    Parameters
    ----------
    readings : DataFrame
        With ``track``, ``distance_m``, ``signal`` and ``used``.

    Returns
    -------
    (D,) array
        In signal units; its standard deviation is ``sqrt(6)`` times that of one reading.
    """
    ordered = readings[readings["used"]].sort_values(["track", "distance_m"], kind="stable")
    track = ordered["track"].to_numpy()
    place = ordered["distance_m"].to_numpy(float)
    signal = ordered["signal"].to_numpy(float)
    if track.size < 3:
        return np.empty(0)
    step = np.diff(place)
    same = np.diff(track) == 0
    usual = np.median(step[same & (step > 0)]) if np.any(same & (step > 0)) else np.inf
    close = same & (step > 0) & (step <= 1.5 * usual)
    middle = close[:-1] & close[1:]
    return (signal[:-2] - 2.0 * signal[1:-1] + signal[2:])[middle]


def repeat_differences(readings: pd.DataFrame, tolerance_m: float = 0.05) -> np.ndarray:
    """Return differences between passes of one lane at one taped distance.

    Parameters
    ----------
    readings : DataFrame
        With ``lane``, ``track``, ``distance_m``, ``signal`` and ``used``.
    tolerance_m : float
        Distances are compared after rounding to this.

    Returns
    -------
    (D,) array
        Each pass against the lane's first pass, in signal units.
    """
    used = readings[readings["used"] & readings["signal"].notna()]
    place = (used["distance_m"] / tolerance_m).round()
    table = used[["track", "signal"]].assign(lane=pd.factorize(used["lane"])[0], place=place)
    # passes in their order at each place; the first is what the others are held against
    passes = table.groupby(["lane", "place", "track"], sort=True)["signal"].mean()
    spot = passes.groupby(level=["lane", "place"], sort=False)
    later = spot.cumcount().to_numpy() > 0
    return (passes - spot.transform("first")).to_numpy(float)[later]


def estimate_noise(readings: pd.DataFrame) -> Noise:
    """Estimate the noise of one reading from the readings themselves.

    Along a lane: ``1.4826 MAD(second differences) / sqrt(6)``, blind to level, slow drift and
    broad anomalies. From repeats: ``1.4826 MAD(differences) / sqrt(2)``, which also holds what
    the diver's line adds. The median leaves out the anomalies as long as fewer than half of the
    readings stand on one: over a site full of metal the figure is too large.

    Parameters
    ----------
    readings : DataFrame
        Conditioned or raw readings.

    Returns
    -------
    Noise
    """
    along = second_differences(readings)
    again = repeat_differences(readings)
    # spread about zero, not about the median: a second difference has no level of its own
    along_sd = float(np.median(np.abs(along))) * MAD_TO_SIGMA / np.sqrt(6) if along.size else np.nan
    repeat_sd = robust_sd(again) / np.sqrt(2) if again.size else np.nan
    sd = along_sd if along.size >= FEWEST_DIFFERENCES or not np.isfinite(repeat_sd) else repeat_sd
    return Noise(float(sd), along_sd, float(repeat_sd), int(along.size), int(again.size))
