"""How deep and how strong: one small target under the coil, fitted to the readings around it."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from scipy.optimize import least_squares

from detect.lanes import response_ratio
from detect.survey.settings import Detector

#: share of a reading that height, tilt and line errors put into it (common practice, no source)
RELATIVE_ERROR = 0.10
#: deepest burial looked for, m: beyond it the response no longer changes shape
DEEPEST_M = 1.5
FEWEST_READINGS = 6
#: differences in position and depth are taken over this, m
STEP_M = 1e-5
STEP = STEP_M * np.eye(3, 4)
#: a target is looked for this far from the peak of the map, along each axis, m
REACH_M = 0.75
#: places about the peak and depths that a fit may start from, ``(81, 3)``, m
LATTICE = np.array(
    list(
        product((-0.2, 0.0, 0.2), (-0.2, 0.0, 0.2), (0.0, 0.1, 0.2, 0.3, 0.45, 0.6, 0.8, 1.0, 1.3))
    )
)


@dataclass(frozen=True)
class TargetFit:
    """A small target fitted to readings.

    Attributes
    ----------
    e, n : float
        Position, m.
    depth_m, depth_sd_m : float
        Burial depth below the bed and its standard deviation; NaN when the readings cannot tell.
    strength, strength_sd : float
        In reference targets: 1 is the target that ``air_range_m`` was measured with.
    position_sd_m : float
        Standard deviation of position (root mean of both axes), m.
    note : str
        Empty, or why there is no depth.
    """

    e: float
    n: float
    depth_m: float
    depth_sd_m: float
    strength: float
    strength_sd: float
    position_sd_m: float
    note: str


def _no_fit(e: float, n: float, note: str) -> TargetFit:
    nan = float("nan")
    return TargetFit(e, n, nan, nan, nan, nan, nan, note)


def fit_target(
    points: np.ndarray,
    signal: np.ndarray,
    start: tuple[float, float],
    detector: Detector,
    noise_sd: float,
) -> TargetFit:
    """Fit position, depth and strength of one small target.

    Model: ``signal_i = q T r(rho_i, h + z)``, with ``r`` the response relative to the reference
    target at the edge of detection (:func:`detect.lanes.response_ratio`), ``T`` the threshold
    (``threshold_snr`` noise sigmas), ``h`` the coil's height, ``z`` the burial depth and ``q`` the
    strength. Bounded least squares from the best of a lattice of places and depths, each with the
    strength that suits it, each residual weighted by noise and a tenth of the reading itself;
    covariance from the Jacobian, scaled up by the misfit where that exceeds one (Nocedal & Wright
    2006, ch. 10, from memory).

    Parameters
    ----------
    points : (N, 2) array
        Readings near the pick, m.
    signal : (N,) array
        Conditioned signal.
    start : (e, n)
        Where the map peaks.
    detector : Detector
        Coil and threshold.
    noise_sd : float
        Noise of one reading, signal units.

    Returns
    -------
    TargetFit

    Notes
    -----
    Limit: one target, small against its distance; depth and strength trade against each other,
    so no depth is given when its standard deviation exceeds half of the distance to the coil or
    the strength is not known to within a factor of ``exp(1)`` (1 sigma).
    """
    if len(points) < FEWEST_READINGS:
        return _no_fit(*start, "too few readings around it")
    threshold = detector.threshold_snr * noise_sd
    weight = 1.0 / np.hypot(noise_sd, RELATIVE_ERROR * np.abs(signal))
    height = detector.coil_height_m

    def predicted(parameters: np.ndarray) -> np.ndarray:
        """Return the signal of several targets at once, ``(P, 4)`` to ``(P, N)``."""
        e, n, depth, log_strength = parameters.T[:, :, None]
        rho = np.hypot(points[:, 0] - e, points[:, 1] - n)
        return np.asarray(
            np.exp(log_strength) * threshold * response_ratio(rho, height + depth, detector)
        )

    def misfit(parameter: np.ndarray) -> np.ndarray:
        return (predicted(parameter[None])[0] - signal) * weight

    def slopes(parameter: np.ndarray) -> np.ndarray:
        """Return the Jacobian: central differences in place and depth, exact in log strength."""
        moved = parameter + np.concatenate([STEP, -STEP])
        signals = predicted(np.vstack([moved, parameter]))
        jacobian = np.empty((len(points), 4))
        jacobian[:, :3] = ((signals[:3] - signals[3:6]) / (2.0 * STEP_M)).T
        jacobian[:, 3] = signals[6]
        return np.asarray(jacobian * weight[:, None])

    low = np.array([start[0] - REACH_M, start[1] - REACH_M, 0.0, -12.0])
    high = np.array([start[0] + REACH_M, start[1] + REACH_M, DEEPEST_M, 12.0])
    lattice = np.column_stack(
        [np.add(LATTICE[:, :2], start), LATTICE[:, 2], np.zeros(len(LATTICE))]
    )
    unit = predicted(lattice) * weight
    # the strength that suits each: linear least squares, kept above a thousandth of a reference
    fitting = np.maximum(unit @ (signal * weight) / np.sum(unit**2, axis=1), 1e-3)
    lattice[:, 3] = np.log(fitting)
    cost = np.sum((fitting[:, None] * unit - signal * weight) ** 2, axis=1)
    best = least_squares(
        misfit,
        np.clip(lattice[np.argmin(cost)], low, high),
        jac=slopes,
        bounds=(low, high),
        x_scale=[0.1, 0.1, 0.1, 0.5],
    )
    e, n, depth, log_strength = (float(v) for v in best.x)
    freedom = max(len(points) - 4, 1)
    scale = max(1.0, 2.0 * best.cost / freedom)
    normal = best.jac.T @ best.jac
    if np.linalg.cond(normal) > 1e12:
        return _no_fit(e, n, "depth and strength cannot be told apart")
    covariance = np.linalg.inv(normal) * scale
    e_sd, n_sd, depth_sd, log_sd = np.sqrt(np.diag(covariance))
    strength = float(np.exp(log_strength))
    note = ""
    if depth >= DEEPEST_M - 1e-3:
        note = f"deeper than {DEEPEST_M} m or not a small target"
    elif depth_sd > 0.5 * (height + depth) or log_sd > 1.0:
        note = "depth and strength cannot be told apart"
    told = note == ""
    return TargetFit(
        e,
        n,
        depth if told else float("nan"),
        float(depth_sd) if told else float("nan"),
        strength if told else float("nan"),
        float(strength * log_sd) if told else float("nan"),
        float(np.sqrt((e_sd**2 + n_sd**2) / 2.0)),
        note,
    )
