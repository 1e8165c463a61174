"""How the coil is really carried: higher or lower than meant, and not quite level."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike
from scipy.interpolate import CubicSpline

from detect.lanes.field import FloatArray
from detect.lanes.footprint import Look, look_probability, needed_ratio, signal_ratio

# Distances off the coil at which the mean over heights and tilts is worked out, and the places of
# the quadrature: heights, sizes of tilt, directions of tilt over a half circle.
_NODES, _FAR_NODES = 193, 48
_HEIGHTS, _TILTS, _DIRECTIONS = 31, 5, 6
# The curve falls within the first of these; less likely than the second is past the table's end.
_FALLEN, _ENDS = 1e-3, 1e-9


def one_look(look: Look, rho_m: ArrayLike) -> FloatArray:
    r"""Return the probability that a coil which passes at distance ``rho_m`` detects the target.

    With height error :math:`\epsilon \sim N(0, \sigma_h^2)` and the coil's axis off the vertical by
    :math:`\tau` towards direction :math:`\psi`, both the same for the whole of a pass:

    .. math::

        p(\rho) = E_{\epsilon, \tau, \psi}\, p\Bigl(\max_{\rho' \ge \rho}
                  r(\rho'; z + \epsilon, \tau, \psi)\Bigr)

    The two components of the tilt (ahead and across) are normal with one sigma ``coil_tilt_deg``
    each, so that :math:`\tau` follows Rayleigh's law and :math:`\psi` is anywhere. In the coil's
    own frame a target at :math:`(\rho, -z)` lies at
    :math:`z' = z\cos\tau - \rho\sin\tau\cos\psi`,
    :math:`\rho'^2 = \rho^2 + z^2 - z'^2`. The coil is never carried under the bed.

    Parameters
    ----------
    look : Look
        The coil and its target.
    rho_m : array_like
        Least distance from the target to the coil's axis during the pass, on the bed, m.

    Returns
    -------
    ndarray
        Probability, same shape. Without errors it is `look_probability` of `Look.best_ratio`;
        with errors it is worked out at some 240 distances and interpolated, good to 1e-3.

    Notes
    -----
    The running maximum over greater distances is `Look.best_ratio` again: near the coil the signal
    peaks off the centre. With a tilt it is taken in one direction from the coil, where a real pass
    sweeps through many: the difference is below 0.02 in the tests' brute force. Source: geometry
    and the total probability; that tilt and height stay the same during a pass is our assumption,
    on the safe side where the diver corrects them.
    """
    rho = np.abs(np.asarray(rho_m, dtype=float))
    if look.height_error_m == 0.0 and look.tilt_deg == 0.0:
        return look_probability(look.best_ratio(rho), look.threshold_snr)
    end, table = _carried(replace(look, sweep_half_width_m=0.0, line_error_m=0.0, advance_m=0.0))
    return np.where(rho < end, np.clip(table(np.minimum(rho, end)), 0.0, 1.0), 0.0)


def look_end(look: Look, probability: float) -> float:
    """Return a distance off the coil past which one look detects with less than ``probability``."""
    ratio = needed_ratio(probability, look.threshold_snr)
    # Six sigma of height: one look in a billion is nearer.
    nearest = max(look.lowest_m, look.distance_m - 6.0 * look.height_error_m)
    end = max(replace(look, distance_m=nearest).reach(ratio), look.radius_m)
    if look.tilt_deg == 0.0:
        return end
    # Tilted, no target hears more than one on the axis at the same distance, past the winding.
    a2, air2 = look.radius_m**2, look.air_range_m**2
    on_axis = np.sqrt(max((a2 + air2) * ratio ** (-1.0 / 3.0) - a2, 0.0))
    return float(max(end, on_axis, 2.0 * look.radius_m))


def straight_over(look: Look) -> float:
    """Return the probability that a coil which passes right over the target detects it."""
    # The peak lies under the winding, a little farther out where the coil is tilted.
    return float(_mean_look(look, np.linspace(0.0, 2.0 * look.radius_m, 41))[0])


@lru_cache(maxsize=256)
def _carried(look: Look) -> tuple[float, CubicSpline]:
    """Return the end of the mean look's curve, and the curve as an even spline."""
    end = look_end(look, _ENDS)
    fallen = min(look_end(look, _FALLEN), 0.9 * end)
    tail = np.geomspace(fallen, end, _FAR_NODES + 1)[1:]
    rho = np.concatenate([np.linspace(0.0, fallen, _NODES), tail])
    return end, CubicSpline(rho, _mean_look(look, rho), bc_type="clamped")


def _mean_look(look: Look, rho: FloatArray) -> FloatArray:
    """Return the mean over heights and tilts of one look at its best, at ascending distances."""
    # A tilt smooths as well: half the heights then do.
    count = 1 if look.height_error_m == 0.0 else _HEIGHTS if look.tilt_deg == 0.0 else _HEIGHTS // 2
    x, weight = np.polynomial.hermite_e.hermegauss(count)
    heights = np.maximum(look.distance_m + look.height_error_m * x, look.lowest_m)
    of_height = weight / weight.sum()
    tilts, of_tilt = np.zeros(1), np.ones(1)
    directions = np.zeros(1)
    if look.tilt_deg > 0.0:
        # Half the square of Rayleigh's tilt follows the exponential law: Gauss-Laguerre.
        u, of_tilt = np.polynomial.laguerre.laggauss(_TILTS)
        tilts = np.minimum(np.radians(look.tilt_deg) * np.sqrt(2.0 * u), 0.5 * np.pi)
        directions = (np.arange(_DIRECTIONS) + 0.5) * np.pi / _DIRECTIONS
    z = heights[:, None, None, None]
    tilt, toward = tilts[None, :, None, None], directions[None, None, :, None]
    along_axis = z * np.cos(tilt) - rho * np.sin(tilt) * np.cos(toward)
    off_axis = np.sqrt(np.maximum(rho**2 + z**2 - along_axis**2, 0.0))
    ratio = signal_ratio(look.radius_m, off_axis, along_axis, look.air_range_m)
    best = np.maximum.accumulate(ratio[..., ::-1], axis=-1)[..., ::-1]
    found = look_probability(best, look.threshold_snr).mean(axis=2)
    return np.einsum("h,t,htr->r", of_height, of_tilt, found)
