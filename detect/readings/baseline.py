"""Where a track's readings stand with no metal under the coil.

Metal pushes the meter one way only, so the baseline is the lower edge of the readings, not their
middle: a fit that throws out what stands above it, again and again, until nothing more goes.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.special import ndtr

#: readings further above (below) the baseline than this many sigma are metal (or faults)
CUT_ABOVE, CUT_BELOW = 2.0, 3.5
ROUNDS = 30
#: what the cut leaves of a standard normal, and the mean of that
KEPT = float(ndtr(CUT_ABOVE) - ndtr(-CUT_BELOW))
LEAN = float(
    (np.exp(-(CUT_BELOW**2) / 2.0) - np.exp(-(CUT_ABOVE**2) / 2.0)) / np.sqrt(2.0 * np.pi) / KEPT
)


def _start_level(signal: np.ndarray, noise_sd: float) -> float:
    """Return a first guess: the lower quartile, moved to where it would be the middle."""
    return float(np.quantile(signal, 0.25) + 0.6745 * noise_sd)


def quiet_readings(signal: np.ndarray, noise_sd: float) -> tuple[np.ndarray, float]:
    """Tell the readings that hold no metal, and their level.

    The level is the mean of what lies within ``-3.5`` and ``+2`` sigma of it, corrected for that
    lopsided cut (mean of a truncated normal), found by repetition from the lower quartile.

    Parameters
    ----------
    signal : (N,) array
        Readings of one track, drift taken out.
    noise_sd : float
        Noise of one reading, same units.

    Returns
    -------
    quiet : (N,) bool array
    level : float

    Notes
    -----
    Limit: a track with less than about a quarter of quiet readings gets a level that is too
    high, so a broad anomaly that fills a whole lane is taken for its level.
    """
    spread = max(noise_sd, np.finfo(float).tiny)
    lean = LEAN * spread
    level = _start_level(signal, noise_sd)
    quiet = np.ones(signal.size, dtype=bool)
    for _ in range(ROUNDS):
        off = signal - level
        chosen = (off <= CUT_ABOVE * spread) & (off >= -CUT_BELOW * spread)
        if chosen.sum() < 3:
            return np.abs(off) <= np.quantile(np.abs(off), 0.5), level
        new = float(signal[chosen].mean()) - lean
        if np.array_equal(chosen, quiet) and abs(new - level) < 1e-9 * spread:
            break
        quiet, level = chosen, new
    return quiet, level


def track_levels(readings: pd.DataFrame, noise_sd: float) -> pd.Series:
    """Return the level of every track, indexed by track (signal units).

    Parameters
    ----------
    readings : DataFrame
        With ``track``, ``signal`` and ``used``.
    noise_sd : float
        Noise of one reading.

    Returns
    -------
    Series
        Tracks without a used reading are left out.
    """
    used = readings[readings["used"]]
    return pd.Series(
        {
            track: quiet_readings(group.to_numpy(float), noise_sd)[1]
            for track, group in used.groupby("track")["signal"]
        },
        dtype=float,
    )
