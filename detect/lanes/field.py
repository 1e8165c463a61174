"""Magnetic field of one circular turn: the exact field that everything in this room rests on."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ellipe, ellipk, ellipkm1

FloatArray = NDArray[np.float64]

MU0 = 4e-7 * np.pi
"""Permeability of free space, T m / A (the exact value before the 2019 SI; it differs by 1e-10)."""

# Below this k^2 the closed forms lose digits by cancellation (E and K both tend to pi/2); the
# power series below are then exact to rounding.
_SERIES_BELOW = 5e-3
_TERMS = 8


def loop_field(
    radius_m: float, rho_m: ArrayLike, z_m: ArrayLike, current_a: float = 1.0
) -> tuple[FloatArray, FloatArray]:
    r"""Return the field of a circular loop, radial and axial, by complete elliptic integrals.

    With loop radius :math:`a`, axial distance :math:`z` and radial distance :math:`\rho`,
    :math:`\alpha^2 = (a-\rho)^2 + z^2`, :math:`\beta^2 = (a+\rho)^2 + z^2`,
    :math:`k^2 = 4 a \rho / \beta^2`:

    .. math::

        B_z &= \frac{\mu_0 I}{2\pi\beta}
               \left[K + \frac{a^2-\rho^2-z^2}{\alpha^2} E\right] \\
        B_\rho &= \frac{\mu_0 I z}{2\pi\beta\rho}
               \left[\frac{a^2+\rho^2+z^2}{\alpha^2} E - K\right]

    Parameters
    ----------
    radius_m : float
        Radius of the loop, m, positive.
    rho_m, z_m : array_like
        Distance from the loop's axis (its sign is ignored) and from the loop's plane (positive
        and negative sides are mirror images), m; broadcast against each other.
    current_a : float
        Current times turns, A.

    Returns
    -------
    b_rho, b_z : ndarray
        Field in tesla, of the broadcast shape. On the wire itself both are infinite in the limit:
        ``b_rho`` is returned as 0 and ``b_z`` as ``inf``.

    Raises
    ------
    ValueError
        If ``radius_m`` is not a positive finite number.

    Notes
    -----
    The wire has no thickness and the coil one turn's shape: within about a bundle's thickness
    of the winding a real coil's field is lower. The field is the static one; sea water changes
    it only where the distance is comparable with the skin depth (metres at detector frequencies).

    Sources: Smythe, *Static and Dynamic Electricity*, section 7.10 (from memory); on the axis
    the textbook :math:`B = \mu_0 I a^2 / 2(a^2+z^2)^{3/2}`. Tests hold the result against
    magpylib, the axis formula and a direct Biot-Savart sum. ``scipy.special.ellipk`` takes the
    parameter :math:`m = k^2`, not the modulus.
    """
    a = float(radius_m)
    if not np.isfinite(a) or a <= 0:
        raise ValueError(f"the loop radius must be a positive number of metres, not {radius_m!r}")
    rho, z = np.broadcast_arrays(
        np.abs(np.asarray(rho_m, dtype=float)), np.asarray(z_m, dtype=float)
    )
    near2 = (a - rho) ** 2 + z**2
    far2 = (a + rho) ** 2 + z**2
    far = np.sqrt(far2)
    on_wire = near2 == 0.0
    near2_safe = np.where(on_wire, 1.0, near2)
    m = 4.0 * a * rho / far2
    # K diverges as k^2 -> 1; asking for it by the complement keeps all its digits there.
    k_int = np.where(
        m > 0.5, ellipkm1(np.where(on_wire, 1.0, near2 / far2)), ellipk(m * (m <= 0.5))
    )
    e_int = ellipe(np.minimum(m, 1.0))
    small = m < _SERIES_BELOW
    scale = MU0 * current_a / (2.0 * np.pi * far)

    # The same as K + (a²-ρ²-z²)/α² E, ordered so that nothing cancels on the axis or far away.
    any_small = bool(small.any())  # away from the axis the series would be worked out for nothing
    k_minus_e = k_int - e_int
    if any_small:
        k_minus_e = np.where(small, _power_series(m, _K_MINUS_E), k_minus_e)
    b_z = scale * (k_minus_e + 2.0 * a * (a - rho) / near2_safe * e_int)

    # B_rho = scale z/ρ [bracket]; the series form carries 1/ρ inside, so the axis needs no case.
    rho_safe = np.where(small, 1.0, rho)
    bracket = ((a**2 + rho**2 + z**2) / near2_safe * e_int - k_int) / rho_safe
    if any_small:
        bracket = np.where(small, 4.0 * a / far2 * _power_series(m, _BRACKET_OVER_M), bracket)
    b_rho = scale * z * bracket

    b_z = np.where(on_wire, np.inf * np.sign(current_a) if current_a else 0.0, b_z)
    b_rho = np.where(on_wire, 0.0, b_rho)
    return b_rho, b_z


def _power_series(m: FloatArray, coefficients: FloatArray) -> FloatArray:
    """Return ``c[0] m + c[1] m² + ...`` by Horner's rule."""
    out = np.zeros_like(m)
    for coefficient in coefficients[::-1]:
        out = (out + coefficient) * m
    return out


def _series_coefficients() -> tuple[FloatArray, FloatArray]:
    r"""Return the power series in ``m = k²`` of ``K - E`` and of the B_rho bracket over ``m``.

    :math:`K = \frac{\pi}{2}\sum c_n^2 m^n` and :math:`E = \frac{\pi}{2}\sum c_n^2 m^n/(1-2n)`
    with :math:`c_n = (2n-1)!!/(2n)!!`. Since :math:`a^2+\rho^2+z^2 = \beta^2(1-m/2)` and
    :math:`\alpha^2 = \beta^2(1-m)`, the bracket is :math:`(1-m/2) E/(1-m) - K`, of order
    :math:`m^2`; dividing by :math:`m` once leaves nothing to divide by :math:`\rho`.
    """
    n = np.arange(_TERMS)
    c2 = np.cumprod(np.concatenate([[1.0], ((2.0 * n[1:] - 1.0) / (2.0 * n[1:])) ** 2]))
    k_series = 0.5 * np.pi * c2
    e_series = k_series / (1.0 - 2.0 * n)
    e_over = np.cumsum(e_series)  # E / (1 - m): a product of series with 1 + m + m² + ...
    bracket = e_over - 0.5 * np.concatenate([[0.0], e_over[:-1]]) - k_series
    return (k_series - e_series)[1:], bracket[2:]


_K_MINUS_E, _BRACKET_OVER_M = _series_coefficients()
