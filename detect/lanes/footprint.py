"""What one coil can see: signal of a small target below it, and how far to the side it reaches."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq
from scipy.special import ndtr, ndtri

from detect.lanes.field import FloatArray, loop_field

if TYPE_CHECKING:
    from detect.survey.settings import Detector


@dataclass(frozen=True)
class Look:
    """One pass of one coil over targets at one depth: all that its detections depend on.

    Attributes
    ----------
    radius_m : float
        Coil radius, m.
    distance_m : float
        Vertical distance from the coil's plane to the target, m.
    air_range_m : float
        On-axis distance at which the reference target is detected half of the time, m.
    sweep_half_width_m : float
        How far the coil is swung to each side of the lane, m.
    line_error_m : float
        One-sigma error of the coil's place across the lane, m.
    threshold_snr : float
        Alarm threshold over the noise's standard deviation.
    height_error_m : float
        One-sigma error of the coil's height, m.
    lowest_m : float
        Vertical distance when the coil rests on the bed, m: as near as it can come.
    tilt_deg : float
        One sigma of the coil's tilt, ahead and across alike, degrees.
    advance_m : float
        How far the diver goes on in one swing from side to side, m.
    """

    radius_m: float
    distance_m: float
    air_range_m: float
    sweep_half_width_m: float
    line_error_m: float
    threshold_snr: float
    height_error_m: float = 0.0
    lowest_m: float = 0.0
    tilt_deg: float = 0.0
    advance_m: float = 0.0

    @classmethod
    def of(cls, detector: Detector, burial_depth_m: float | None = None) -> Look:
        """Return the look of a detector at targets ``burial_depth_m`` under the bed.

        The default depth is ``detector.burial_depth_m``; the coil rides ``coil_height_m`` over it.

        Raises
        ------
        ValueError
            If the target would lie above the coil, or a length is not positive and finite.
        """
        depth = detector.burial_depth_m if burial_depth_m is None else burial_depth_m
        look = cls(
            radius_m=float(detector.coil_diameter_m) / 2,
            distance_m=float(detector.coil_height_m) + float(depth),
            air_range_m=float(detector.air_range_m),
            sweep_half_width_m=float(detector.sweep_half_width_m),
            line_error_m=float(detector.line_error_m),
            threshold_snr=float(detector.threshold_snr),
            height_error_m=float(detector.height_error_m),
            lowest_m=max(float(depth), 0.0),
            tilt_deg=float(detector.coil_tilt_deg),
            advance_m=float(detector.sweep_advance_m or 0.0),
        )
        for name in ("radius_m", "air_range_m", "threshold_snr"):
            if not 0 < getattr(look, name) < np.inf:
                raise ValueError(f"{name} must be positive, not {getattr(look, name)}")
        for name in (
            "distance_m", "sweep_half_width_m", "line_error_m", "height_error_m", "tilt_deg",
            "advance_m",
        ):  # fmt: skip
            if not 0 <= getattr(look, name) < np.inf:
                raise ValueError(f"{name} must not be negative, but it is {getattr(look, name)}")
        return look

    def ratio(self, rho_m: ArrayLike) -> FloatArray:
        """Return the mean signal over the threshold signal at distance ``rho_m`` off the axis."""
        return signal_ratio(self.radius_m, rho_m, self.distance_m, self.air_range_m)

    def best_ratio(self, rho_m: ArrayLike) -> FloatArray:
        """Return the largest signal ratio met at ``rho_m`` or farther out.

        Nearer to the coil's plane than `double_peak_distance` the signal is not largest under the
        centre but near the winding (a double peak). A coil that passes a target at a least
        distance ``rho`` has come in from far away, through every larger distance, peak
        included; what the diver hears at best is therefore the running maximum.
        """
        rho = np.abs(np.asarray(rho_m, dtype=float))
        return self.ratio(np.maximum(rho, self._peak[0]))

    @cached_property
    def _peak(self) -> tuple[float, float]:
        """Return where off the axis the signal is largest, and its ratio there."""
        if self.distance_m == 0.0:
            return self.radius_m, float("inf")
        # Past the winding the field only falls, so the peak lies within one radius; a fine scan
        # and a second one around the best node place it to 1e-7 of a radius.
        low, high = 0.0, self.radius_m
        for _ in range(3):
            nodes = np.linspace(low, high, 401)
            ratios = self.ratio(nodes)
            at = int(np.argmax(ratios))
            low, high = nodes[max(at - 1, 0)], nodes[min(at + 1, 400)]
        return float(nodes[at]), float(ratios[at])

    def reach(self, ratio: float) -> float:
        """Return the largest distance off the axis with signal ratio ``ratio`` or more, else 0."""
        peak_rho, peak = self._peak
        if peak < ratio:
            return 0.0
        high = max(self.air_range_m, self.radius_m)
        while float(self.ratio(high)) >= ratio:
            high *= 1.5
        return _root(lambda rho: float(self.ratio(rho)) - ratio, peak_rho, high)


def double_peak_distance(radius_m: float) -> float:
    r"""Return how near to the coil's plane a target sounds twice, on each side of the centre.

    Near the axis :math:`B_z = B_0 - \tfrac14 \rho^2 B_0''` and
    :math:`B_\rho = -\tfrac12 \rho B_0'` with :math:`B_0 \propto (a^2 + z^2)^{-3/2}`, so
    :math:`|B|^2` has a dip on the axis where :math:`B_0'^2 > 2 B_0 B_0''`: nearer than
    :math:`z = a \sqrt{2/5}`.

    Parameters
    ----------
    radius_m : float
        Radius of the coil, m.

    Returns
    -------
    float
        Distance from the coil's plane, m.

    Notes
    -----
    Source: the expansion of an axisymmetric field about its axis (textbook), worked out here.
    """
    return float(np.sqrt(0.4) * radius_m)


def response_ratio(rho_m: ArrayLike, distance_m: ArrayLike, detector: Detector) -> FloatArray:
    r"""Return mean signal over threshold signal of the reference target.

    One coil sends and receives. By reciprocity the voltage a small isotropic target gives back
    is proportional to the product of the sending and the receiving field at its place, here
    :math:`|B|^2`, so

    .. math:: r(\rho, z) = |B(\rho, z)|^2 / |B(0, z_{air})|^2

    Parameters
    ----------
    rho_m, distance_m : array_like
        Distance from the coil's axis and from its plane, m; broadcast against each other.
    detector : Detector
        ``coil_diameter_m`` and ``air_range_m`` are used.

    Returns
    -------
    ndarray
        Ratio; 1 on the axis at ``air_range_m``; infinite on the winding itself.

    Notes
    -----
    Limits: the target is small against its distance and gives the same response in every
    orientation (a flat plate or a long nail does not); soil and sea water neither screen nor
    answer; the coil is level. Source: reciprocity, Das et al. 1990, IEEE Trans. Geosci. Remote
    Sens. 28 (from memory); half-widths of :math:`|B|^2` in the tests.
    """
    return signal_ratio(
        float(detector.coil_diameter_m) / 2, rho_m, distance_m, float(detector.air_range_m)
    )


def look_probability(ratio: ArrayLike, threshold_snr: float) -> FloatArray:
    r"""Return the probability that one look with signal ratio ``ratio`` detects the target.

    The meter alarms when signal plus Gaussian noise passes the threshold; the threshold is
    ``k = threshold_snr`` standard deviations of the noise. The alarm rate is
    :math:`\Phi(k (c r - 1))`, of which :math:`f = \Phi(-k)` would come without any target. An
    alarm that noise alone raises finds nothing, so the false-alarm floor is taken off as in
    Abbott's formula, the target and the noise being independent causes of an alarm:

    .. math:: p(r) = \frac{\Phi(k (c r - 1)) - f}{1 - f}, \qquad
              c = 1 + \Phi^{-1}\left(\tfrac{1 + f}{2}\right) / k

    ``c`` (1.0006 at k = 3) makes :math:`p(1) = 1/2` exactly, which is what ``air_range_m`` means;
    :math:`p(0) = 0` exactly, so the sweep width is a finite integral.

    Parameters
    ----------
    ratio : array_like
        Mean signal over threshold signal, from 0 up (infinity allowed).
    threshold_snr : float
        Threshold over the noise's standard deviation, positive.

    Returns
    -------
    ndarray
        Probability, same shape.

    Notes
    -----
    Sources: threshold detection in Gaussian noise (textbook); Abbott 1925, J. Econ. Entomol. 18
    (from memory). Limit: noise is Gaussian and the diver never misses an alarm.
    """
    k = float(threshold_snr)
    false_alarm = ndtr(-k)
    c = 1.0 + ndtri(0.5 * (1.0 + false_alarm)) / k
    r = np.asarray(ratio, dtype=float)
    return np.clip((ndtr(k * (c * r - 1.0)) - false_alarm) / (1.0 - false_alarm), 0.0, 1.0)


def needed_ratio(probability: float, threshold_snr: float) -> float:
    """Return the signal ratio at which one look detects with ``probability`` (inverse of above)."""
    k = float(threshold_snr)
    false_alarm = float(ndtr(-k))
    c = 1.0 + float(ndtri(0.5 * (1.0 + false_alarm))) / k
    return float((1.0 + ndtri(probability * (1.0 - false_alarm) + false_alarm) / k) / c)


def footprint(detector: Detector, burial_depth_m: float | None = None) -> float:
    """Return the half-width of the strip in which the mean signal reaches the threshold.

    Parameters
    ----------
    detector : Detector
        The coil as in ``survey.toml``.
    burial_depth_m : float, optional
        Depth of the target in the bed, m; default the depth to search to.

    Returns
    -------
    float
        Half-width across the lane, m, the swing of the coil included; 0.0 if the reference
        target at that depth never reaches the threshold.

    Notes
    -----
    The reach is measured to the outermost place where the signal still equals the threshold,
    so a weak centre between the two peaks of a coil close to its target does not shorten it
    (see `Look.best_ratio`). At a fixed threshold the footprint shrinks with depth, although the
    *shape* of the response (its width relative to its own peak) widens for targets deeper than
    about one coil radius. It is smeared neither by line error nor by noise.
    """
    look = Look.of(detector, burial_depth_m)
    coil = look.reach(1.0)
    return coil + look.sweep_half_width_m if coil > 0.0 else 0.0


def signal_ratio(
    radius_m: float, rho_m: ArrayLike, distance_m: ArrayLike, air_range_m: float
) -> FloatArray:
    """Return |B|^2 of a loop at places over that on its axis at the air range."""
    b_rho, b_z = loop_field(radius_m, rho_m, distance_m)
    return (b_rho**2 + b_z**2) / _on_axis(radius_m, air_range_m) ** 2


@cache
def _on_axis(radius_m: float, distance_m: float) -> float:
    """Return the field on a loop's axis; kept, since fits ask for one coil's thousands of times."""
    return float(loop_field(radius_m, 0.0, distance_m)[1])


def _root(function: Callable[[float], float], low: float, high: float) -> float:
    """Return the root of ``function`` between ``low`` and ``high``, to 1e-12."""
    if function(low) == 0.0:
        return float(low)
    return float(brentq(function, low, high, xtol=1e-12, rtol=1e-14))
