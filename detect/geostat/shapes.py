"""Correlation functions of the variogram models, of a distance already divided by the range."""

from __future__ import annotations

import numpy as np
from scipy.optimize import brentq
from scipy.special import gammaln, kve

from detect.geostat.errors import FloatArray

MODELS = ("spherical", "exponential", "gaussian", "matern")


def correlation(model: str, x: FloatArray, smoothness: float = 1.5) -> FloatArray:
    """Correlation at reduced distance ``x = h / range``; ``x`` may be overwritten.

    =============  =====================================================
    spherical      1 - 1.5 x + 0.5 x^3 for x < 1, else 0
    exponential    exp(-x)
    gaussian       exp(-x^2)
    matern         2^(1-nu) / Gamma(nu) * x^nu * K_nu(x), nu = smoothness
    =============  =====================================================

    Sources: Chiles & Delfiner, Geostatistics, 2nd ed. (2012), section 2.5 (from memory); Matern as
    in Rasmussen & Williams (2006) eq. 4.14 without the sqrt(2 nu), so that nu = 0.5 is the
    exponential above (from memory).
    """
    if model == "spherical":
        np.minimum(x, 1.0, out=x)
        y = x * x
        y -= 3.0
        y *= x
        y *= 0.5
        y += 1.0
        return y
    if model == "exponential":
        np.negative(x, out=x)
        return np.exp(x, out=x)
    if model == "gaussian":
        np.multiply(x, x, out=x)
        np.negative(x, out=x)
        return np.exp(x, out=x)
    return matern(x, smoothness)


def matern(x: FloatArray, nu: float) -> FloatArray:
    """Matern correlation at ``x = h / range``; half-integer ``nu`` to 2.5 in closed form."""
    if nu == 0.5:
        return np.exp(-x)
    if nu == 1.5:
        return (1.0 + x) * np.exp(-x)
    if nu == 2.5:
        return (1.0 + x + x * x / 3.0) * np.exp(-x)
    out = np.ones_like(x)
    with np.errstate(over="ignore"):
        scaled = kve(nu, np.maximum(x, 1e-300))
    # K_nu overflows only where x is so small that the correlation is 1 to rounding.
    usable = np.isfinite(scaled) & (x > 0)
    far = x[usable]
    log_value = (1.0 - nu) * np.log(2.0) - gammaln(nu) + nu * np.log(far)
    out[usable] = np.exp(np.minimum(log_value + np.log(scaled[usable]) - far, 0.0))
    return out


def practical_range(model: str, smoothness: float = 1.5) -> float:
    """Reduced distance at which the model counts as uncorrelated.

    Where it reaches its sill (spherical, 1) or 1 - exp(-3) = 95.02 % of it: 3 for exponential,
    sqrt(3) for gaussian, solved for Matern.
    """
    if model == "spherical":
        return 1.0
    if model == "exponential":
        return 3.0
    if model == "gaussian":
        return float(np.sqrt(3.0))

    def excess(x: float) -> float:
        return float(matern(np.array([x]), smoothness)[0] - np.exp(-3.0))

    return float(brentq(excess, 1e-6, 10.0 + 20.0 * smoothness, xtol=1e-12))
