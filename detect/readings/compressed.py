"""Loudness, the compressed scale, and exact moments on the way back from it.

``y = asinh(z / scale)`` is linear within the noise and logarithmic above it. Kriging on that scale
gives a normal distribution of ``y`` at a place; the mean and variance of ``z = scale sinh(y)`` then
have closed forms. The plain ``scale sinh(mean of y)`` is the median of ``z``: as likely too high as
too low, but less than the mean of a skewed signal.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def loudness(signal: ArrayLike, scale: float) -> Floats:
    """Return ``asinh(signal / scale)``, linear near zero and logarithmic far from it.

    Source: Johnson 1949, Biometrika 36 (from memory).
    """
    return np.arcsinh(np.asarray(signal, dtype=float) / scale)


def signal_of(loud: ArrayLike, scale: float) -> Floats:
    """Return the signal of a loudness: a quantile of one is that quantile of the other."""
    return scale * np.sinh(np.asarray(loud, dtype=float))


def signal_moments(loud: ArrayLike, variance: ArrayLike, scale: float) -> tuple[Floats, Floats]:
    r"""Return mean and variance of the signal where its loudness is normal.

    With ``Y ~ N(m, v)``::

        E sinh Y   = exp(v/2) sinh m
        Var sinh Y = (exp(v) - 1) (exp(v) cosh 2m + 1) / 2

    from ``E exp(tY) = exp(tm + t^2 v/2)`` (Johnson 1949, Biometrika 36, the unbounded system; from
    memory).

    Parameters
    ----------
    loud, variance : (M,) arrays
        Kriged loudness and its kriging variance.
    scale : float
        Signal units.

    Returns
    -------
    mean, variance : (M,) arrays
        Signal units, and their square.

    Notes
    -----
    Limit: as good as the normal distribution of the loudness; far from readings, where the variance
    is the whole sill, the mean rests on the upper tail of the model.
    """
    m, v = np.asarray(loud, dtype=float), np.asarray(variance, dtype=float)
    mean = scale * np.exp(v / 2.0) * np.sinh(m)
    spread = 0.5 * np.expm1(v) * (np.exp(v) * np.cosh(2.0 * m) + 1.0)
    return mean, scale**2 * spread


def mean_signal_moments(
    loud: Floats, covariance: Floats, weights: Floats, scale: float
) -> tuple[Floats, Floats]:
    r"""Return mean and variance of the weighted mean of the signal over the points of an area.

    With ``Y`` jointly normal, means m and covariances c (Johnson 1949 for one; for two the same
    expectation of ``exp(+-Y_i +- Y_j)``)::

        Cov(sinh Y_i, sinh Y_j) = exp((v_i + v_j) / 2) (cosh(m_i + m_j) (exp(c_ij) - 1)
                                  - cosh(m_i - m_j) (exp(-c_ij) - 1)) / 2

    Parameters
    ----------
    loud : (M, G) array
        Kriged loudness at G points of each of M areas.
    covariance : (M, G, G) array
        Of its errors.
    weights : (G,) array
        Adding up to 1.
    scale : float
        Signal units.

    Returns
    -------
    mean, variance : (M,) arrays
    """
    v = np.einsum("mgg->mg", covariance)
    mean, _ = signal_moments(loud, v, scale)
    half = np.exp((v[:, :, None] + v[:, None, :]) / 2.0) / 2.0
    together = np.cosh(loud[:, :, None] + loud[:, None, :]) * np.expm1(covariance)
    against = np.cosh(loud[:, :, None] - loud[:, None, :]) * np.expm1(-covariance)
    joint = scale**2 * half * (together - against)
    return mean @ weights, np.einsum("g,mgh,h->m", weights, joint, weights)
