"""The lag once more, finer: an unknown of one fit of all targets and all lanes.

The fit is only as good as the targets it holds, and those are told apart at some lag. So it is made
once more at the lag it came to, with targets picked anew.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix

from detect.readings.pursuit import LEFTOVER
from detect.readings.site_fit import SiteFit, Swum
from detect.readings.sources import LOUD_SNR, Sources, response_operator, sources_near

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
    listen = _Filter(points, sources_near(points[is_loud(swum)], swum.detector), swum)
    for _ in range(ROUNDS):
        picks = listen.picks(*fit.left_over())
        if len(picks) == 0:
            break
        fit.fit(picks, STEPS)
    if len(fit.targets):
        fit.fit(np.empty((0, 4)), LAST_STEPS)
    return fit


def is_loud(swum: Swum) -> NDArray[np.bool_]:
    """Tell which readings (N,) stand out of the noise."""
    return np.asarray(swum.signal > LOUD_SNR * swum.noise_sd)


class _Filter:
    """Matched filter over a lattice of sources (see `detect.readings.pursuit.pursue`)."""

    def __init__(self, points: Floats, sources: Sources, swum: Swum) -> None:
        threshold = swum.detector.threshold_snr * swum.noise_sd
        self.heard = csr_matrix(response_operator(points, sources, swum.detector, threshold).T)
        self.squares = self.heard.power(2)
        depth = np.repeat(sources.depths, len(sources.nodes))
        places = np.tile(sources.nodes, (len(sources.depths), 1))
        self.places = np.column_stack([places, depth])

    def picks(self, left: Floats, variance: Floats, total: Floats) -> Floats:
        """Return targets (M, 4) that stand out of what is left, each the best of its surrounds."""
        weight = 1.0 / (variance + (LEFTOVER * total) ** 2)
        match = self.heard @ (weight * left)
        power = np.maximum(self.squares @ weight, 1e-300)
        z = match / np.sqrt(power)
        order = np.argsort(-z, kind="stable")
        order = order[z[order] >= max(LEAST_SNR, SHARE * float(z[order[0]]))]
        found: list[Floats] = []
        while len(order):
            best = order[0]
            strength = np.log(max(match[best] / power[best], 1e-3))
            found.append(np.append(self.places[best], strength))
            apart = np.hypot(*(self.places[order, :2] - self.places[best, :2]).T)
            order = order[apart > APART_M]
        return np.array(found).reshape(-1, 4)
