"""How deep the coil reaches: where a promise just holds, where a target is lost."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import brentq

from detect.lanes.carriage import straight_over
from detect.lanes.footprint import Look, double_peak_distance, needed_ratio

if TYPE_CHECKING:
    from detect.survey.settings import Detector

LOST_POD = 0.05
"""A target that one pass straight over it finds less often than this is lost."""


def deepest_detectable(detector: Detector, required_pod: float | None = None) -> float:
    """Return the burial depth at which ``required_pod`` is just met right under the coil.

    Parameters
    ----------
    detector : Detector
        The coil as in ``survey.toml``.
    required_pod : float, optional
        Between 0 and 1; default ``detector.required_pod``.

    Returns
    -------
    float
        Burial depth, m. Negative when even a target lying on the bed is too far: the coil must
        be carried lower by that much.

    Notes
    -----
    One pass straight over the target, no line error. Carried level at its height, the ratio on the
    axis is ``((a² + R²) / (a² + z²))³`` with ``R`` the air range (from the textbook axis formula),
    which is solved for ``z``; only where the answer is nearer than `double_peak_distance`, where
    the peak is off the axis, it is found numerically on the peak. With errors of height or tilt
    it is found numerically on their mean.
    """
    pod = float(detector.required_pod if required_pod is None else required_pod)
    look = Look.of(detector)
    height = float(detector.coil_height_m)
    a, air = look.radius_m, look.air_range_m
    ratio = needed_ratio(pod, look.threshold_snr)
    squared = (a**2 + air**2) * ratio ** (-1.0 / 3.0) - a**2
    level = look.height_error_m == 0.0 and look.tilt_deg == 0.0
    if level and squared >= double_peak_distance(a) ** 2:
        return float(np.sqrt(squared)) - height

    def excess(log_distance: float) -> float:
        distance = float(np.exp(log_distance))
        buried = max(distance - height, 0.0)
        near = Look(
            a, distance, air, 0.0, 0.0, look.threshold_snr, look.height_error_m, buried,
            look.tilt_deg,
        )  # fmt: skip
        # A coil carried level knows its answer to many digits by the ratio itself.
        if level:
            return float(np.log(near.best_ratio(0.0) / ratio))
        return straight_over(near) - pod

    high = np.log(max(3.0 * air + 6.0 * look.height_error_m, 2.0 * a))
    return float(np.exp(brentq(excess, np.log(1e-9 * a), high, xtol=1e-12))) - height


def lost_depth(detector: Detector) -> float:
    """Return the burial depth at which a target is lost, m: `deepest_detectable` of `LOST_POD`."""
    return deepest_detectable(detector, LOST_POD)
