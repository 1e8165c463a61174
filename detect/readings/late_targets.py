"""The lag once more, finer: an unknown of one fit of all targets and all lanes.

The fit is only as good as the targets it holds, and those are told apart at some lag. So it is made
once more at the lag it came to, with targets picked anew.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from detect.readings.matched_filter import MatchedFilter
from detect.readings.site_fit import SiteFit, Swum
from detect.readings.sources import LOUD_SNR, sources_near

Floats = NDArray[np.float64]

#: targets are looked for down to this many sigmas
LEAST_SNR = 4.0
#: in each round those are picked that stand out by this share of the loudest, so far apart, m
SHARE, APART_M = 0.25, 0.8
ROUNDS = 12
#: steps of the fit in each round, and of the last
STEPS, LAST_STEPS = 5, 15
#: times that targets are picked and fitted, each at the lag that the time before came to
TIMES = 2
#: error of what is picked, m (from sites of `tests/benchmarks/buried_sites.py`, seeds 100 to 139)
PICKED_SD_M = 0.03
FEWEST_TARGETS = 4


def lag_by_targets(swum: Swum, first_guess_m: float) -> tuple[float, float, int]:
    """Return the lag that a fit of all targets comes to, its standard deviation, and how many.

    Parameters
    ----------
    swum : Swum
    first_guess_m : float

    Returns
    -------
    lag_m, sd_m : float
        The first guess and NaN where fewer than `FEWEST_TARGETS` are found.
    targets : int

    Notes
    -----
    The variance is that of the fit's slopes and `PICKED_SD_M` squared. Limit: at a wrong lag a
    target may be taken for two, one a lane, which holds on to that lag.
    """
    lag, count = first_guess_m, 0
    for _ in range(TIMES):
        fit = fitted_from(swum, lag)
        lag, count = fit.lag_m, len(fit.targets)
        if count < FEWEST_TARGETS:
            return first_guess_m, float("nan"), count
    return lag, float(np.hypot(fit.lag_sd_m(), PICKED_SD_M)), count


def fitted_from(swum: Swum, lag_m: float) -> SiteFit:
    """Fit targets and lag together, the targets picked from what is left, a few rounds."""
    points = swum.moved_back(lag_m)
    fit = SiteFit(swum, lag_m)
    sources = sources_near(points[is_loud(swum)], swum.detector)
    listen = MatchedFilter(points, sources, swum.detector, swum.noise_sd)
    for _ in range(ROUNDS):
        listen.hear(*fit.left_over())
        picks = _picks(listen)
        if len(picks) == 0:
            break
        fit.fit(picks, STEPS)
    if len(fit.targets):
        fit.fit(np.empty((0, 4)), LAST_STEPS)
    return fit


def is_loud(swum: Swum) -> NDArray[np.bool_]:
    """Tell which readings (N,) stand out of the noise."""
    return np.asarray(swum.signal > LOUD_SNR * swum.noise_sd)


def _picks(listen: MatchedFilter) -> Floats:
    """Return targets (M, 4) that stand out of what is left, each the best of its surrounds."""
    z = listen.z
    order = np.argsort(-z, kind="stable")
    order = order[z[order] >= max(LEAST_SNR, SHARE * float(z[order[0]]))]
    found: list[Floats] = []
    while len(order):
        found.append(listen.target(int(order[0])))
        apart = np.hypot(*(listen.places[order, :2] - listen.places[order[0], :2]).T)
        order = order[apart > APART_M]
    return np.array(found).reshape(-1, 4)
