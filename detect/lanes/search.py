"""Search theory: parallel lanes, sweep width, coverage factor, and the classical bounds."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike
from scipy.integrate import quad
from scipy.special import erf

from detect.lanes.field import FloatArray

LateralRange = Callable[[FloatArray], FloatArray]

# A pass that is certain would make the logarithm infinite; this certain is certain enough.
_CERTAIN = 1.0 - 1e-15


def pod_hazard(pod: ArrayLike) -> FloatArray:
    """Return ``-log(1 - p)``: hazards of looks that do not depend on each other add up."""
    return -np.log1p(-np.minimum(pod, _CERTAIN))


def lane_pod(
    lateral_curve: LateralRange,
    spacing_m: float,
    offsets: ArrayLike,
    *,
    lanes_each_side: int = 200,
) -> FloatArray:
    r"""Return the probability of detection by all of an endless set of parallel lanes.

    .. math:: P(y) = 1 - \prod_{j=-\infty}^{\infty} \left[1 - p(y - jS)\right]

    Parameters
    ----------
    lateral_curve : callable
        Lateral range curve ``p(offset)``: takes and returns an array, even, falling outwards.
    spacing_m : float
        Distance between lanes ``S``, m.
    offsets : array_like
        Offsets from any one lane, m.
    lanes_each_side : int
        Lanes taken singly to each side; the rest are added by their integral, with the power law
        that the curve follows at that distance.

    Returns
    -------
    ndarray
        Probability, of the shape of ``offsets``.

    Raises
    ------
    ValueError
        If the spacing is not positive, or the curve falls off as 1/offset or slower, so that no
        sweep width exists.

    Notes
    -----
    Passes are independent: each is swum at another time with its own line error and noise. A
    target too faint for the coil in *every* pass (lying on edge, in soil that answers) breaks
    that, and the product is then too hopeful. Averaged over offsets, the inverse-cube law gives
    Koopman's ``erf(sqrt(pi)/2 W/S)`` (tested).
    """
    if not spacing_m > 0:
        raise ValueError(f"the lane spacing must be positive, not {spacing_m}")
    y = np.asarray(offsets, dtype=float)
    # Offsets repeat with the lanes: bring each to its own nearest lane, so both tails are far.
    y = y - spacing_m * np.round(y / spacing_m)
    lanes = spacing_m * np.arange(-lanes_each_side, lanes_each_side + 1)
    hazard = _hazard(lateral_curve, y[..., None] - lanes).sum(axis=-1)
    far = (lanes_each_side + 0.5) * spacing_m
    for side in (-1.0, 1.0):
        hazard = hazard + _tail(lateral_curve, far + side * y, spacing_m)
    return -np.expm1(-hazard)


def sweep_width(lateral_curve: LateralRange) -> float:
    r"""Return the sweep width :math:`W = \int_{-\infty}^{\infty} p(y)\,dy`, m.

    A coil that found everything within ``W/2`` to each side and nothing beyond would find as much.
    Source: Cooper & Colwell, *Selected Inland Search Theory Definitions*.
    """

    def at(offset: float) -> float:
        return float(lateral_curve(np.array([offset]))[0])

    # The scale of the curve, so that the quadrature does not step over it.
    scale = 1.0
    while at(scale) > 0.5 * at(0.0) and scale < 1e6:
        scale *= 2.0
    while at(scale) < 0.5 * at(0.0) and scale > 1e-6:
        scale /= 2.0
    near, _ = quad(at, 0.0, 4.0 * scale, points=[scale, 2.0 * scale], limit=500)
    beyond, _ = quad(at, 4.0 * scale, np.inf, limit=500)
    return 2.0 * (near + beyond)


def coverage_factor(sweep_width_m: float, spacing_m: float) -> float:
    """Return the coverage factor ``C = W / S``, sweep width over lane spacing."""
    return sweep_width_m / spacing_m


def definite_range_pod(coverage: ArrayLike) -> FloatArray:
    """Return the upper bound ``min(1, C)``: every metre of swath looks at fresh ground."""
    return np.minimum(1.0, np.asarray(coverage, dtype=float))


def inverse_cube_pod(coverage: ArrayLike) -> FloatArray:
    """Return Koopman's inverse-cube law ``erf(sqrt(pi)/2 C)``, mean over parallel lanes."""
    return erf(0.5 * np.sqrt(np.pi) * np.asarray(coverage, dtype=float))


def random_pod(coverage: ArrayLike) -> FloatArray:
    """Return the random-search value ``1 - exp(-C)``: the same length swum without lanes."""
    return -np.expm1(-np.asarray(coverage, dtype=float))


def _hazard(lateral_curve: LateralRange, offset: FloatArray) -> FloatArray:
    return pod_hazard(lateral_curve(offset))


def _tail(lateral_curve: LateralRange, far: FloatArray, spacing: float) -> FloatArray:
    """Return the hazard of all lanes from half a spacing past ``far - S/2`` outwards.

    The sum over lanes at ``far + S/2, far + 3S/2, ...`` is the integral from ``far`` by the
    midpoint rule, of a power law through the hazards at ``far`` and twice as far.
    """
    here = _hazard(lateral_curve, far)
    there = _hazard(lateral_curve, 2.0 * far)
    both = (here > 0.0) & (there > 0.0)
    if not both.any():
        return np.zeros_like(here)
    power = np.log2(np.where(both, here, 4.0) / np.where(both, there, 1.0))
    if np.any(power[both] <= 1.0):
        raise ValueError("the lateral range curve falls off too slowly: its sweep width is endless")
    return np.where(both, here * far / ((power - 1.0) * spacing), 0.0)
