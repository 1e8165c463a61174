"""How far the needle comes behind the coil, from lanes that were swum in opposite directions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from detect.readings.site_inversion import System, fit_sources
from detect.readings.sources import WIDEST_STEP_M, Sources, lattice_near, source_depths
from detect.survey.settings import Detector

Floats = NDArray[np.float64]

#: lags that are tried, m
LAGS_M = np.arange(-0.2, 0.6001, 0.1)
#: penalty of the sources (see `detect.readings.site_inversion`) and steps of each fit
PENALTY, STEPS = 2.5, 40
#: sources are laid this near to readings that stand this many sigma out
NEAR_M, LOUD_SNR = 0.8, 3.0
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
    :func:`detect.readings.site_inversion.fit_sources` is taken at `LAGS_M`, and a parabola through
    the five values about the least gives the lag. Its standard deviation is that of the jackknife
    over `PARTS` parts of the site (Tukey 1958, from memory), since the parabola's curvature takes
    the readings' errors for independent.

    Parameters
    ----------
    readings : DataFrame
        Conditioned; ``e, n, signal, heading_deg, used, at_full_scale``.
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
    heading = np.deg2rad(used["heading_deg"].to_numpy(float))
    forward = np.column_stack([np.sin(heading), np.cos(heading)])
    signal = used["signal"].to_numpy(float)
    points = used[["e", "n"]].to_numpy(float)
    loud = signal > LOUD_SNR * noise_sd
    if int(loud.sum()) < FEWEST_LOUD:
        return _untold("too few readings stand out of the noise")
    axis = forward[np.argmax(np.isfinite(forward).all(axis=1))]
    along = forward @ axis
    if not (np.any(along > 0.7) and np.any(along < -0.7)):
        return _untold("no lanes swum in opposite directions")
    sources = _sources_near(points[loud], detector)
    part = np.searchsorted(
        np.quantile(points[:, 0], np.linspace(0, 1, PARTS + 1)[1:-1]), points[:, 0]
    )
    where = np.searchsorted(
        np.quantile(points[:, 0], np.linspace(0, 1, PARTS + 1)[1:-1]), sources.nodes[:, 0]
    )
    where = np.tile(where, len(sources.depths))
    full = used["at_full_scale"].to_numpy(bool)
    cost = np.empty((len(LAGS_M), PARTS))
    for i, lag in enumerate(LAGS_M):
        system = System.of(points - lag * forward, signal, full, sources, detector, noise_sd)
        u = fit_sources(system, PENALTY, steps=STEPS)
        misfit = 0.5 * system.weight * system.misfit(u) ** 2
        cost[i] = np.bincount(part, misfit, PARTS) + PENALTY * np.bincount(where, u, PARTS)
    return _judge(cost)


def _sources_near(places: Floats, detector: Detector) -> Sources:
    """Lay sources about the loud readings."""
    origin = tuple(places.min(axis=0))
    squares = lattice_near(places, NEAR_M, WIDEST_STEP_M, (float(origin[0]), float(origin[1])))
    nodes = (squares + 0.5) * WIDEST_STEP_M + origin
    return Sources(nodes, source_depths(detector), np.arange(len(nodes)))


def _least(cost: Floats) -> float:
    """Return where the parabola about the least cost has its foot."""
    at = float(LAGS_M[int(np.argmin(cost))])
    for _ in range(3):
        near = np.abs(LAGS_M - at) <= 0.2 + 1e-9
        curve = np.polyfit(LAGS_M[near], cost[near], 2)
        if curve[0] <= 0:
            break
        at = float(np.clip(-curve[1] / (2.0 * curve[0]), LAGS_M[0], LAGS_M[-1]))
    return at


def _judge(cost: Floats) -> Lag:
    """Lag, its jackknife standard deviation, and whether it stands out."""
    total = cost.sum(axis=1)
    lag = _least(total)
    without = np.array([_least(total - cost[:, part]) for part in range(PARTS)])
    sd = float(np.sqrt((PARTS - 1) / PARTS * np.sum((without - without.mean()) ** 2)))
    profile = pd.DataFrame({"lag_m": LAGS_M, "cost": total})
    if not LAGS_M[0] + 0.05 < lag < LAGS_M[-1] - 0.05:
        return Lag(lag, sd, False, "no lag within the range tried explains the lanes", profile)
    if abs(lag) <= LEAST_RATIO * sd:
        return Lag(lag, sd, False, f"{lag:.2f} ± {sd:.2f} m does not stand out", profile)
    return Lag(lag, sd, True, f"{lag:.2f} ± {sd:.2f} m", profile)
