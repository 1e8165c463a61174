"""A hand-held coil over planted targets: what the tests of this room share."""

import numpy as np

from detect.lanes import response_ratio
from detect.survey.settings import Detector

DETECTOR = Detector(
    coil_diameter_m=0.28,
    coil_height_m=0.12,
    air_range_m=0.75,
    burial_depth_m=0.35,
    line_error_m=0.12,
    threshold_snr=3.5,
    required_pod=0.8,
)
NOISE = 1.0
THRESHOLD = DETECTOR.threshold_snr * NOISE


def signal_over(targets, e, n):
    """Signal (N,) without noise of the coil at places, over targets ``e, n, depth, strength``."""
    e, n = np.broadcast_arrays(np.asarray(e, float), np.asarray(n, float))
    east, north, depth, strength = np.reshape(targets, (-1, 4)).T
    rho = np.hypot(e[..., None] - east, n[..., None] - north)
    ratio = response_ratio(rho, DETECTOR.coil_height_m + depth, DETECTOR)
    return THRESHOLD * ratio @ strength
