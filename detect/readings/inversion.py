"""How deep and how strong: small targets under the coil, fitted to the readings around them."""

from __future__ import annotations

from itertools import product

import numpy as np

from detect.readings.response_table import DEEPEST_M, response_table
from detect.survey.settings import Detector

#: share of a reading that height, tilt and line errors put into it (common practice, no source)
RELATIVE_ERROR = 0.10
#: steps of a fit at most, of one target and of several; dampings tried for each step
STEPS_ALONE, STEPS_TOGETHER, TRIES = 60, 30, 8
#: a target is looked for this far from the peak of the map, along each axis, m
REACH_M = 0.75
#: places about the peak and depths that a fit may start from, ``(81, 3)``, m
LATTICE = np.array(
    list(
        product((-0.2, 0.0, 0.2), (-0.2, 0.0, 0.2), (0.0, 0.1, 0.2, 0.3, 0.45, 0.6, 0.8, 1.0, 1.3))
    )
)


class Readings:
    """Readings near some targets, and what targets would add to them.

    The model of a reading is the sum over targets of ``q T r(rho, h + z)``, with ``r`` the response
    relative to the reference target at the edge of detection
    (`detect.readings.response_table`), ``T`` the threshold (``threshold_snr`` noise sigmas),
    ``h`` the coil's height, ``z`` the burial depth and ``q`` the strength. A target is a row
    ``e, n, z, ln q``. The error of a reading is its noise and a tenth of itself.
    """

    def __init__(
        self, points: np.ndarray, signal: np.ndarray, detector: Detector, noise_sd: float
    ) -> None:
        self.points, self.signal, self.detector = points, signal, detector
        self.table = response_table(detector)
        self.threshold = detector.threshold_snr * noise_sd
        self.weight = 1.0 / np.hypot(noise_sd, RELATIVE_ERROR * np.abs(signal))

    def heard(self, targets: np.ndarray) -> np.ndarray:
        """Return the signal of each target (P, 4) at each reading, ``(P, N)``."""
        e, n, depth, log_strength = np.asarray(targets, float).T[:, :, None]
        rho = np.hypot(self.points[:, 0] - e, self.points[:, 1] - n)
        height = self.detector.coil_height_m + depth
        return np.asarray(np.exp(log_strength) * self.threshold * self.table(rho, height))

    def misfit(self, targets: np.ndarray) -> np.ndarray:
        """Return the weighted error of all targets together, ``(N,)``; takes them flat."""
        return (self.heard(targets.reshape(-1, 4)).sum(axis=0) - self.signal) * self.weight

    def slopes(self, targets: np.ndarray) -> np.ndarray:
        """Return the Jacobian ``(N, 4 P)``; takes targets flat."""
        e, n, depth, log_strength = targets.reshape(-1, 4).T[:, :, None]
        away = self.points[:, 0] - e, self.points[:, 1] - n
        rho = np.hypot(*away)
        height = self.detector.coil_height_m + depth
        each, by_rho, by_height = self.table.with_slopes(rho, height)
        inward = -by_rho / np.maximum(rho, 1e-9)
        slopes = np.stack([inward * away[0], inward * away[1], by_height, each], axis=-1)
        slopes *= (np.exp(log_strength) * self.threshold * self.weight)[..., None]
        return np.asarray(slopes.transpose(1, 0, 2).reshape(len(self.signal), -1))

    def start(self, place: tuple[float, float]) -> np.ndarray:
        """Return the best of a lattice of places and depths, with the strength that suits it."""
        lattice = np.column_stack(
            [np.add(LATTICE[:, :2], place), LATTICE[:, 2], np.zeros(len(LATTICE))]
        )
        unit, signal = self.heard(lattice) * self.weight, self.signal * self.weight
        # linear least squares, kept above a thousandth of a reference target
        strength = np.maximum(unit @ signal / np.sum(unit**2, axis=1), 1e-3)
        lattice[:, 3] = np.log(strength)
        cost = np.sum((strength[:, None] * unit - signal) ** 2, axis=1)
        return np.asarray(lattice[np.argmin(cost)])


def fit_together(readings: Readings, starts: np.ndarray, tolerance: float = 1e-8) -> np.ndarray:
    """Fit position, depth and strength of several small targets to the same readings.

    Least squares between bounds from the starts, by steps of Levenberg and Marquardt (Nocedal &
    Wright 2006, ch. 10, from memory).

    Parameters
    ----------
    readings : Readings
    starts : (P, 4) array
        ``e, n, depth, ln strength``; a target stays within `REACH_M` of its start.
    tolerance : float
        Relative change of the misfit at which the fit is done.

    Returns
    -------
    (P, 4) array

    Notes
    -----
    Limit: targets small against their distance. One answer of many: depth and strength trade
    against each other, and what is open is told by `detect.readings.weighing`.
    """
    reach = np.array([REACH_M, REACH_M, 0.0, 0.0])
    low = np.where(reach > 0, starts - reach, [0.0, 0.0, 0.0, -12.0])
    high = np.where(reach > 0, starts + reach, [0.0, 0.0, DEEPEST_M, 12.0])
    found = _least(readings, starts.ravel(), low.ravel(), high.ravel(), tolerance)
    return found.reshape(-1, 4)


def _least(
    readings: Readings, start: np.ndarray, low: np.ndarray, high: np.ndarray, tolerance: float
) -> np.ndarray:
    """Return the targets (flat) of least misfit between bounds.

    Steps of Levenberg and Marquardt on the normal equations; what stands at a bound and is pressed
    against it stays there. A few dozen unknowns and a hundred readings: scipy's solver, made for
    more, spends most of its time on its own.
    """
    x, damping = np.clip(start, low, high), 1e-2
    error = readings.misfit(x)
    cost = 0.5 * float(error @ error)
    for _ in range(STEPS_ALONE if len(x) == 4 else STEPS_TOGETHER):
        slopes = readings.slopes(x)
        down = -slopes.T @ error
        free = np.flatnonzero(((x > low) | (down > 0)) & ((x < high) | (down < 0)))
        normal = (slopes.T @ slopes)[np.ix_(free, free)]
        ridge = np.maximum(np.diag(normal), 1e-9)
        for _ in range(TRIES):
            tried = x.copy()
            tried[free] += np.linalg.solve(normal + np.diag(damping * ridge), down[free])
            tried = np.clip(tried, low, high)
            new_error = readings.misfit(tried)
            new_cost = 0.5 * float(new_error @ new_error)
            if new_cost < cost:
                break
            damping *= 5.0
        else:
            break
        gain = cost - new_cost
        x, error, cost = tried, new_error, new_cost
        damping = max(damping / 5.0, 1e-8)
        if gain < tolerance * cost:
            break
    return x
