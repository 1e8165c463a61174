"""How far the needle comes behind the coil, from lanes that were swum in opposite directions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from detect.readings.late_targets import is_loud, lag_by_targets
from detect.readings.site_fit import Swum
from detect.readings.site_inversion import System, fit_sources
from detect.readings.sources import sources_near
from detect.survey.settings import Detector

Floats = NDArray[np.float64]

#: lags that are tried, m
LAGS_M = np.arange(-0.2, 0.6001, 0.2)
#: penalty of the sources (see `detect.readings.site_inversion`), and steps of each fit: it starts
#: where that of the lag before ended
PENALTY, STEPS = 2.5, 20
#: parts of the site that are left out in turn for the standard deviation
PARTS = 10
#: a lag is applied when it is this many standard deviations from none
LEAST_RATIO = 2.0
FEWEST_LOUD = 20


@dataclass(frozen=True)
class Lag:
    """Distance the needle lags, with its confidence.

    Attributes
    ----------
    lag_m, sd_m : float
        Estimate and its standard deviation; NaN where the data cannot tell.
    told : bool
        Whether the lag stands out and lies within the range tried.
    why : str
        In words.
    profile : DataFrame
        ``lag_m, cost``: what the readings cost the sources at each lag.
    """

    lag_m: float
    sd_m: float
    told: bool
    why: str
    profile: pd.DataFrame


def _untold(why: str) -> Lag:
    nan = float("nan")
    return Lag(nan, nan, False, why, pd.DataFrame({"lag_m": [], "cost": []}))


def estimate_lag(readings: pd.DataFrame, detector: Detector, noise_sd: float) -> Lag:
    """Find the lag at which sources explain lanes of both directions at the least cost.

    A reading belongs ``lag`` behind the place it was logged at, along the way swum. At the wrong
    lag the same metal seems to lie apart on the lanes out and the lanes back, which takes more
    sources, or leaves more misfit. The cost of
    :func:`detect.readings.site_inversion.fit_sources` is taken at `LAGS_M`; the foot of a parabola
    through the three values about the least is a first guess. Then the lag is an unknown of one fit
    of all targets (:func:`detect.readings.late_targets.lag_by_targets`); where too few are found,
    the first guess stands, with a standard deviation by the jackknife over `PARTS` parts of the
    site (Tukey 1958, from memory).

    Parameters
    ----------
    readings : DataFrame
        Conditioned; ``e, n, signal, heading_deg, track, used, at_full_scale``.
    detector : Detector
    noise_sd : float
        Of one reading.

    Returns
    -------
    Lag

    Notes
    -----
    Limit: one lag for the survey, in metres: meter and pace are taken to stay the same. Lanes swum
    all one way show no lag.
    """
    used = readings[readings["used"]]
    swum = Swum(
        used[["e", "n"]].to_numpy(float),
        used["heading_deg"].to_numpy(float),
        used["signal"].to_numpy(float),
        pd.factorize(used["track"])[0],
        used["at_full_scale"].to_numpy(bool),
        detector,
        noise_sd,
    )
    points, signal, forward = swum.points, swum.signal, swum.ahead
    loud = is_loud(swum)
    if int(loud.sum()) < FEWEST_LOUD:
        return _untold("too few readings stand out of the noise")
    axis = forward[np.argmax(np.isfinite(forward).all(axis=1))]
    along = forward @ axis
    if not (np.any(along > 0.7) and np.any(along < -0.7)):
        return _untold("no lanes swum in opposite directions")
    sources = sources_near(points[loud], detector)
    borders = np.quantile(points[:, 0], np.linspace(0, 1, PARTS + 1)[1:-1])
    part = np.searchsorted(borders, points[:, 0])
    where = np.tile(np.searchsorted(borders, sources.nodes[:, 0]), len(sources.depths))
    cost, u = np.empty((len(LAGS_M), PARTS)), None
    for i, lag in enumerate(LAGS_M):
        moved = swum.moved_back(lag)
        system = System.of(moved, signal, swum.at_full_scale, sources, detector, noise_sd)
        u = fit_sources(system, PENALTY, steps=STEPS, start=u)
        misfit = 0.5 * system.weight * system.misfit(u) ** 2
        cost[i] = np.bincount(part, misfit, PARTS) + PENALTY * np.bincount(where, u, PARTS)
    profile = pd.DataFrame({"lag_m": LAGS_M, "cost": cost.sum(axis=1)})
    lag, sd = _scanned(cost)
    finer, finer_sd, targets = lag_by_targets(swum, lag)
    if np.isfinite(finer_sd):
        return _judged(finer, finer_sd, targets, profile)
    return _judged(lag, sd, 0, profile)


def _scanned(cost: Floats) -> tuple[float, float]:
    """Return the lag of least cost (L, parts) and its jackknife standard deviation, m."""
    total = cost.sum(axis=1)
    without = np.array([top_of_parabola(LAGS_M, cost[:, part] - total) for part in range(PARTS)])
    spread = (PARTS - 1) / PARTS * np.sum((without - without.mean()) ** 2)
    return top_of_parabola(LAGS_M, -total), float(np.sqrt(spread))


def top_of_parabola(x: Floats, y: Floats) -> float:
    """Return where the parabola through the largest of y (L,) and its neighbours has its top."""
    at = int(np.clip(np.argmax(y), 1, len(x) - 2))
    curve = np.polyfit(x[at - 1 : at + 2], y[at - 1 : at + 2], 2)
    if curve[0] >= 0:
        return float(x[np.argmax(y)])
    return float(np.clip(-curve[1] / (2.0 * curve[0]), x[0], x[-1]))


def _judged(lag: float, sd: float, targets: int, profile: pd.DataFrame) -> Lag:
    """Return the lag with whether it stands out."""
    if not LAGS_M[0] + 0.05 < lag < LAGS_M[-1] - 0.05:
        return Lag(lag, sd, False, "no lag within the range tried explains the lanes", profile)
    by = f" by {targets} targets" if targets else ""
    words = f"{lag:.2f} ± {sd:.2f} m{by}"
    if abs(lag) <= LEAST_RATIO * sd:
        return Lag(lag, sd, False, f"{words} does not stand out", profile)
    return Lag(lag, sd, True, words, profile)
