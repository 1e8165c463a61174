"""How much of a target's signal lanes of a spacing cannot take in."""

from __future__ import annotations

import numpy as np

from detect.lanes.field import FloatArray
from detect.lanes.footprint import response_ratio
from detect.survey.settings import Detector

#: half-width and step of the profile that is transformed, in air ranges
HALF_WIDTH, STEP = 40.0, 0.005


def aliased_share(profile: FloatArray, step_m: float, spacing_m: float) -> float:
    r"""Return the share of a profile's power past the Nyquist wavenumber of a sampling.

    .. math:: \int_{1/2D}^\infty |P(f)|^2 df \; / \int_0^\infty |P(f)|^2 df

    with P the Fourier transform of the profile and D the spacing. Power past it is taken for
    power before it: a map across the lanes cannot tell the two.

    Parameters
    ----------
    profile : (N,) array
        Signal at even steps, fading at both ends.
    step_m, spacing_m : float
        Of the profile and of the lanes, m.

    Returns
    -------
    float

    Notes
    -----
    Source: Reid 1980, Geophysics 45 (from memory); his closed forms for total field,
    ``exp(-2 pi h / D)``, and gradient are in the tests.
    """
    power = np.abs(np.fft.rfft(profile)) ** 2
    f = np.fft.rfftfreq(len(profile), step_m)
    passed = np.concatenate([[0.0], np.cumsum((power[1:] + power[:-1]) / 2.0)])
    return float(1.0 - np.interp(1.0 / (2.0 * spacing_m), f, passed) / passed[-1])


def coil_aliased_share(detector: Detector, burial_depth_m: float, spacing_m: float) -> float:
    """Return `aliased_share` of a small target right under the middle of the profile.

    Parameters
    ----------
    detector : Detector
    burial_depth_m, spacing_m : float
        m; nothing is lost where there is no other lane, so no spacing (NaN).

    Returns
    -------
    float

    Notes
    -----
    Limit: the coil held on its lane. A swung coil takes in more.
    """
    if not np.isfinite(spacing_m):
        return 0.0
    step = STEP * detector.air_range_m
    across = np.arange(-HALF_WIDTH * detector.air_range_m, HALF_WIDTH * detector.air_range_m, step)
    distance = detector.coil_height_m + burial_depth_m
    return aliased_share(response_ratio(across, distance, detector), step, spacing_m)
