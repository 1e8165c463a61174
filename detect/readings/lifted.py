"""How far metal lifts the level of a track: faint metal looks like a level that stands high."""

from __future__ import annotations

import numpy as np
import pandas as pd

from detect.readings.matched_filter import LEFTOVER
from detect.readings.robust import huber_weights
from detect.readings.site_inversion import System, fit_sources
from detect.readings.sources import LOUD_SNR, sources_near
from detect.survey.settings import Detector

#: penalty of the sources (see `detect.readings.site_inversion`), and steps of the fit
PENALTY, STEPS = 2.5, 40
#: what the sources leave over counts less from this many standard deviations on (Huber)
HUBER = 2.0
ROUNDS = 5
#: a track that is worth fewer readings than this is left alone
FEWEST_READINGS = 8.0


def lifted_by_metal(readings: pd.DataFrame, detector: Detector, noise_sd: float) -> pd.Series:
    r"""Return what levels are too high by, by track, once metal is explained.

    Sources that cannot be negative explain the loud places
    (:func:`detect.readings.site_inversion.fit_sources`); what they leave over of a track's readings
    has its mean where the level should be,

    .. math:: \delta_t = \sum_i h_i w_i (y_i - m_i) / \sum_i h_i w_i, \quad
              w_i = 1 / (\sigma^2 + (m_i / 4)^2)

    with m what the sources add and h Huber's weights (1964, Ann. Math. Stat. 35; from memory).

    Parameters
    ----------
    readings : DataFrame
        Levelled; ``e, n, signal, track, used, at_full_scale``.
    detector : Detector
    noise_sd : float
        Of one reading, signal units.

    Returns
    -------
    Series
        By track, signal units; 0 where too few readings tell.

    Notes
    -----
    Limit: sources are laid near loud readings only, or they would explain the noise as well; metal
    that stands out on no reading still lifts a level a little.
    """
    used = readings[readings["used"]]
    track, names = pd.factorize(used["track"])
    level = np.zeros(len(names))
    points, signal = used[["e", "n"]].to_numpy(float), used["signal"].to_numpy(float)
    loud = signal > LOUD_SNR * noise_sd
    if not (np.isfinite(noise_sd) and noise_sd > 0 and loud.any()):
        return pd.Series(level, names)
    full = used["at_full_scale"].to_numpy(bool)
    sources = sources_near(points[loud], detector)
    system = System.of(points, signal, full, sources, detector, noise_sd)
    metal = system.operator @ fit_sources(system, PENALTY, steps=STEPS)
    left, error = signal - metal, np.hypot(noise_sd, LEFTOVER * metal)
    weight = np.where(full, 0.0, error**-2)
    told = np.bincount(track, weight, len(names)) * noise_sd**2 >= FEWEST_READINGS
    for _ in range(ROUNDS):
        off = np.abs(left - level[track]) / error
        counted = weight * huber_weights(off, HUBER)
        total = np.maximum(np.bincount(track, counted, len(names)), 1e-300)
        mean = np.bincount(track, counted * left, len(names)) / total
        level = np.where(told, mean, 0.0)
    return pd.Series(level, names)
