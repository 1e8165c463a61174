"""Lateral range curves: the probability that one pass detects a target off to its side."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike
from scipy import fft
from scipy.integrate import simpson
from scipy.interpolate import CubicSpline

from detect.lanes.carriage import look_end, one_look
from detect.lanes.field import FloatArray
from detect.lanes.footprint import Look
from detect.lanes.swing import path_distances, swath_look

if TYPE_CHECKING:
    from detect.survey.settings import Detector

# The curve is followed out to where one look detects with less than this.
_CURVE_ENDS = 1e-8
_CURVE_NODES = 2**14
# A Gaussian is cut here: 1e-11 of it lies beyond.
_SIGMAS = 7.0
# In the table of looks ahead and astern of a reading, what is less likely than this is left out.
_PASS_ENDS = 1e-4
_PASS_NODES = 512


@dataclass(frozen=True, eq=False)
class LateralCurve:
    """Probability of detection by one pass against offset, on even steps from 0, interpolated.

    Attributes
    ----------
    step_m : float
        Distance between nodes, m.
    values : ndarray, shape (N,)
        Probability at offsets ``0, step_m, 2 step_m, ...``; the curve is even and ends at 0.
    sweep_width_m : float
        Integral of the curve over all offsets of both signs, m.
    """

    step_m: float
    values: FloatArray
    sweep_width_m: float
    spline: CubicSpline

    @classmethod
    def through(cls, step_m: float, values: FloatArray) -> LateralCurve:
        """Return the even cubic spline through ``values``; flat at 0 offset and at its end."""
        offsets = step_m * np.arange(len(values))
        spline = CubicSpline(offsets, values, bc_type="clamped")
        return cls(step_m, values, 2.0 * float(simpson(values, dx=step_m)), spline)

    @property
    def end_m(self) -> float:
        """Offset past which the curve is 0, m."""
        return self.step_m * (len(self.values) - 1)

    def __call__(self, offset_m: ArrayLike) -> FloatArray:
        """Return the probability at each offset, either sign."""
        offset = np.abs(np.asarray(offset_m, dtype=float))
        inside = offset < self.end_m
        return np.where(inside, np.clip(self.spline(np.where(inside, offset, 0.0)), 0, 1), 0.0)


def detection_probability(
    offset_m: ArrayLike, detector: Detector, burial_depth_m: float | None = None
) -> FloatArray:
    r"""Return the probability that one straight pass detects a target off to its side.

    With :math:`p(\rho)` the probability of a coil that passes at distance :math:`\rho`
    (`detect.lanes.carriage.one_look`), :math:`d(x)` how near the swung coil comes to a place
    :math:`x` across from the lane (`detect.lanes.swing.path_distances`; :math:`|x|` for a coil held
    on the lane, :math:`\max(|x| - s, 0)` for a swing :math:`s` without holes) and the line error
    :math:`\sigma`, at offset :math:`y` from where the lane was meant to be:

    .. math::

        P(y) = \int p\bigl(d(y - \delta)\bigr)
               \frac{e^{-\delta^2/2\sigma^2}}{\sigma\sqrt{2\pi}} \, d\delta

    Parameters
    ----------
    offset_m : array_like
        Offset across the lane, m, either sign.
    detector : Detector
        The coil as in ``survey.toml``.
    burial_depth_m : float, optional
        Depth of the target in the bed, m; default the depth to search to.

    Returns
    -------
    ndarray
        Probability, of the shape of ``offset_m``; accurate to 1e-6.

    Raises
    ------
    ValueError
        If the detector's numbers are out of range.

    Notes
    -----
    The whole pass is one look, at its best place: the coil passes the target continuously, and
    readings a hand's breadth apart share the same line error, the same height and the same
    soil, so they are no independent chances. Limits: the line error is Gaussian and constant
    while the coil passes one target; where the swing leaves holes, a mean along the lane.
    Source of the notion: lateral range curve, Koopman 1946 (as cited in check values, section 2).
    """
    return lateral_curve(Look.of(detector, burial_depth_m))(offset_m)


@lru_cache(maxsize=64)
def lateral_curve(look: Look) -> LateralCurve:
    """Return the lateral range curve of a look, tabled to 1e-6 and kept for the next caller."""
    sigma, sweep = look.line_error_m, look.sweep_half_width_m
    end = look_end(look, _CURVE_ENDS) + sweep + _SIGMAS * sigma
    step = end / _CURVE_NODES
    sharp = swath_look(look, step * np.arange(_CURVE_NODES + 1))
    return LateralCurve.through(step, _smear(sharp[None, :], step, sigma)[0])


def _smear(rows: FloatArray, step: float, sigma: float) -> FloatArray:
    """Convolve even curves, given at offsets 0, step, ..., with a Gaussian, along each row.

    On even steps no longer than half a sigma the sum is spectrally accurate (the trapezoidal rule
    over a smooth function that dies out at both ends); a narrower Gaussian is summed at its own
    Gauss-Hermite places on the spline, which is smooth at that scale.
    """
    if sigma == 0.0:
        return rows
    count = rows.shape[1]
    if sigma < 2.0 * step:
        x, weights = np.polynomial.hermite_e.hermegauss(15)
        offsets = step * np.arange(count)
        spline = CubicSpline(offsets, rows, axis=1, bc_type="clamped")
        out = np.zeros_like(rows)
        for place, weight in zip(x, weights / weights.sum(), strict=True):
            out += weight * spline(np.minimum(np.abs(offsets + sigma * place), offsets[-1]))
        return np.clip(out, 0.0, 1.0)
    half = int(np.ceil(_SIGMAS * sigma / step))
    kernel = np.exp(-0.5 * (step * np.arange(-half, half + 1) / sigma) ** 2)
    kernel /= kernel.sum()
    # Both sides of the even curve, as far as the kernel reaches; past the end it is nil.
    left = rows[:, 1 : half + 1][:, ::-1]
    padded = np.concatenate(
        [np.zeros((len(rows), half - left.shape[1])), left, rows, np.zeros((len(rows), half))],
        axis=1,
    )
    size = fft.next_fast_len(padded.shape[1] + kernel.size, real=True)
    product = fft.rfft(padded, size, axis=1) * fft.rfft(kernel, size)
    smeared = fft.irfft(product, size, axis=1)[:, kernel.size - 1 : padded.shape[1]]
    return np.clip(smeared, 0.0, 1.0)


@dataclass(frozen=True, eq=False)
class PassTable:
    """Probability that one pass detects a target, by where its nearest reading was.

    Attributes
    ----------
    ahead_step_m, across_step_m : float
        Distance between nodes along and across the direction of travel, m.
    ahead_end_m, across_end_m : float
        Past these the probability is taken as 0 (it is below 1e-4).
    values : ndarray, shape (K, L)
        Probability at the nodes (ahead, across), the first at 0.
    """

    ahead_step_m: float
    across_step_m: float
    ahead_end_m: float
    across_end_m: float
    values: FloatArray

    @property
    def reach_m(self) -> float:
        """Largest distance from a reading at which the probability is not nil, m."""
        return max(self.ahead_end_m, self.across_end_m)

    def __call__(self, ahead_m: FloatArray, across_m: FloatArray) -> FloatArray:
        """Return the probability for arrays of distances along and across the track."""
        ahead, across = np.abs(ahead_m), np.abs(across_m)
        beyond = (ahead > self.ahead_end_m) | (across > self.across_end_m)
        if beyond.any():
            ahead, across = np.where(beyond, 0.0, ahead), np.where(beyond, 0.0, across)
        rows, columns = ahead / self.ahead_step_m, across / self.across_step_m
        row, column = rows.astype(np.int32), columns.astype(np.int32)
        rows -= row
        columns -= column
        # Between the four nodes around: three times as fast as a cubic spline, and the nodes lie
        # so close that it errs by some 1e-4 at most.
        width = self.values.shape[1]
        flat, first = self.values.ravel(), row * width + column
        near, far = flat[first], flat[first + width]
        near += columns * (flat[first + 1] - near)
        far += columns * (flat[first + width + 1] - far)
        near += rows * (far - near)
        near[beyond] = 0.0
        return near


@lru_cache(maxsize=16)
def pass_table(look: Look) -> PassTable:
    r"""Return the table of one pass against distance along and across from its nearest reading.

    .. math::

        Q(a, y) = E_\delta\, p\left(\sqrt{a^2 + d(y-\delta)^2}\right)

    The line error smears across only: a taped distance along the lane is good, the diver's
    wander off it is not seen. ``Q(0, y)`` is the lateral range curve, whose :math:`p` and :math:`d`
    these are.
    """
    sigma, sweep = look.line_error_m, look.sweep_half_width_m
    coil_end = look_end(look, _PASS_ENDS)
    # Two steps more than the end, so that nodes lie on all sides of what is used.
    ahead_step = coil_end / (_PASS_NODES - 3)
    # A large line error thins the curve: it ends where the smeared curve does, not at 7 sigma.
    across = coil_end + sweep + _SIGMAS * sigma
    curve = lateral_curve(look)
    offsets = np.linspace(0.0, across, 4001)
    seen = np.flatnonzero(curve(offsets) >= _PASS_ENDS)
    across_end = max(float(offsets[seen[-1]]) if len(seen) else 0.0, look.radius_m)
    across_step = across_end / (_PASS_NODES - 3)
    # Smearing by sums needs steps of half a sigma at most; every `thin`-th node is then kept.
    thin = 1 if sigma == 0.0 else int(np.ceil(2.0 * across_step / sigma))
    thin = thin if thin <= 8 else 1
    fine = across_step / thin
    far = np.arange(int(np.ceil(max(across, across_end) / fine)) + 3 * thin) * fine
    sharp_at = CubicSpline(*_sharp(look, coil_end), bc_type=("clamped", "not-a-knot"))
    sides = path_distances(look, far)
    rows = []
    # In blocks of rows: the fine grid of a wide line error would not fit in memory whole.
    for block in np.array_split(np.arange(_PASS_NODES) * ahead_step, 16):
        sharp = np.zeros((len(block), len(far)))
        for side in sides:
            rho = np.hypot(block[:, None], side[None, :])
            inside = rho < 1.05 * coil_end
            sharp += np.where(inside, sharp_at(np.minimum(rho, 1.05 * coil_end)), 0.0) / len(sides)
        rows.append(_smear(sharp, fine, sigma)[:, : thin * _PASS_NODES : thin])
    table = np.concatenate(rows)
    return PassTable(
        0.5 * ahead_step,
        0.5 * across_step,
        coil_end,
        across_end,
        _halved(_halved(table).T).T.copy(),
    )


def _halved(rows: FloatArray) -> FloatArray:
    """Return a table, even about its first row, with rows added half way: cubic through four."""
    padded = np.concatenate([rows[1:2], rows, rows[-1:]])
    out = np.empty((2 * len(rows) - 1, rows.shape[1]))
    out[::2] = rows
    out[1::2] = (9.0 * (rows[:-1] + rows[1:]) - padded[:-3] - padded[3:]) / 16.0
    return np.clip(out, 0.0, 1.0)


def _sharp(look: Look, coil_end: float) -> tuple[FloatArray, FloatArray]:
    """Return distance and probability of one unsmeared look, finely enough for a cubic spline."""
    rho = np.linspace(0.0, 1.05 * coil_end, 8193)
    return rho, one_look(look, rho)
