"""How far the needle comes behind the coil, from lanes that were swum in opposite directions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import softmax

from detect.geostat.mixtures import mixed
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
#: what is known of a lag beforehand: a needle and its diver are a second or three late at some
#: 0.1 m/s, mean and 1 sigma, m (common practice, no source)
USUAL_M, USUAL_SD_M = 0.15, 0.15
#: share of the sources' costs that is believed. Their readings and targets are no independent
#: witnesses of one lag: with 0.03 to 0.07 the standard deviation is right where lanes cross, where
#: none does and where there are few targets (sites of `tests/benchmarks/lag_doubt.py`, seeds 100
#: to 123)
BELIEVED = 0.05
#: a lag that is worth less than this share of the best is not looked at more closely
LEAST_WORTH = 0.1
#: a lag is applied when it is more than this many standard deviations from none: less is then left
#: of it, on average, than if nothing is done, and more is risked with a smaller number
LEAST_RATIO = 1.0
#: a standard deviation above this asks for lanes that cross, m
WIDE_M = 0.1
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
        ``lag_m, cost, comes_to_m``: what the readings cost the sources at each lag, and the lag
        that the targets come to from there; NaN where it was not worth looking.
    """

    lag_m: float
    sd_m: float
    told: bool
    why: str
    profile: pd.DataFrame


def _untold(why: str) -> Lag:
    nan = float("nan")
    return Lag(nan, nan, False, why, pd.DataFrame({"lag_m": [], "cost": [], "comes_to_m": []}))


def estimate_lag(readings: pd.DataFrame, detector: Detector, noise_sd: float) -> Lag:
    r"""Find the lags at which lanes of both directions agree, and how far each is to be believed.

    A reading belongs ``lag`` behind the place it was logged at, along the way swum. At the wrong
    lag the same metal seems to lie apart on the lanes out and the lanes back, which takes more
    sources, or leaves more misfit. With the cost :math:`C_k` of
    :func:`detect.readings.site_inversion.fit_sources` at the lag :math:`l_k` of `LAGS_M`, and
    what is known beforehand, a normal of `USUAL_M` and `USUAL_SD_M`, a lag is worth

    .. math:: w_k \propto \exp\big(-\beta C_k - (l_k - \mu)^2 / 2 \sigma^2\big)

    with :math:`\beta` `BELIEVED` (a tempered likelihood: Bissiri, Holmes & Walker 2016, J. R.
    Stat. Soc. B 78, from memory). From each lag that is worth enough (from the foot of the parabola
    where it costs less than its neighbours) the lag is an unknown of one fit of all targets
    (:func:`detect.readings.late_targets.lag_by_targets`), which comes to the nearest lag that they
    allow. The answer is the mean of those mixed by their worth; its variance holds what each fit
    leaves open and what they differ by.

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
    all one way show no lag. Where no lane crosses another and none was swum twice, a row of targets
    that runs askew to the lanes looks like a lag: what the lags differ by then says so.
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
    cost, u = np.empty(len(LAGS_M)), None
    for i, lag in enumerate(LAGS_M):
        moved = swum.moved_back(lag)
        system = System.of(moved, signal, swum.at_full_scale, sources, detector, noise_sd)
        u = fit_sources(system, PENALTY, steps=STEPS, start=u)
        cost[i] = 0.5 * system.weight @ system.misfit(u) ** 2 + PENALTY * u.sum()
    worth = _worth(cost, LAGS_M)
    likely = np.flatnonzero(worth >= LEAST_WORTH * worth.max())
    starts = [_foot(cost, at) for at in likely.tolist()]
    lags, sds, targets = zip(*(lag_by_targets(swum, start) for start in starts), strict=True)
    by_start = np.full(len(LAGS_M), np.nan)
    by_start[likely] = lags
    profile = pd.DataFrame({"lag_m": LAGS_M, "cost": cost, "comes_to_m": by_start})
    found = np.array(lags)
    middle, variance = mixed(found, np.array(sds) ** 2, _worth(cost[likely], found))
    return _judged(float(middle), float(np.sqrt(variance)), max(targets), profile)


def _worth(cost: Floats, lag_m: Floats) -> Floats:
    """Return what lags (L,) are worth by their cost and by what is known beforehand; sums to 1."""
    off = (lag_m - USUAL_M) / USUAL_SD_M
    return np.asarray(softmax(-BELIEVED * cost - 0.5 * off**2))


def _foot(cost: Floats, at: int) -> float:
    """Return the foot of the parabola about a least cost of (L,), elsewhere the lag itself."""
    if 0 < at < len(cost) - 1 and cost[at] < min(cost[at - 1], cost[at + 1]):
        curve = np.polyfit(LAGS_M[at - 1 : at + 2], cost[at - 1 : at + 2], 2)
        return float(-curve[1] / (2.0 * curve[0]))
    return float(LAGS_M[at])


def _judged(lag: float, sd: float, targets: int, profile: pd.DataFrame) -> Lag:
    """Return the lag with whether it stands out."""
    if not LAGS_M[0] + 0.05 < lag < LAGS_M[-1] - 0.05:
        return Lag(lag, sd, False, "no lag within the range tried explains the lanes", profile)
    by = f" by {targets} targets" if targets else ""
    words = f"{lag:.2f} ± {sd:.2f} m{by}"
    told = abs(lag) > LEAST_RATIO * sd
    words = words if told else f"{words} does not stand out"
    if sd > WIDE_M:
        words += " (a cross lane, or a lane swum both ways, would tell)"
    return Lag(lag, sd, told, words, profile)
