"""What a coil hears of a small target, from one table: quick enough for fits of a whole site."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from detect.lanes import response_ratio
from detect.survey.settings import Detector

Floats = NDArray[np.float64]

#: deepest burial looked for, m: beyond it the response no longer changes shape
DEEPEST_M = 1.5
#: a target is heard out to this many air ranges: its response there is under a hundredth of the
#: threshold a reference target reaches at its air range
REACH_SHARE = 2.0
#: columns of the table stand apart by this share of their distance off the axis and `AXIS_M`: by
#: 1.5 mm on the axis, 2 mm under the winding of a hand-held coil, 4 mm a metre out
STEP, AXIS_M = 0.003, 0.5
#: rows of the table stand apart by this share of their distance to the coil's plane
HEIGHT_STEP = 0.01
#: nearest to the coil's plane that is told apart, m
NEAREST_M = 0.02
#: the table goes this far, or as far as the coil hears, m
FARTHEST_M = 3.0


@dataclass(frozen=True, eq=False)
class ResponseTable:
    r"""Response of one coil by distance off its axis and from its plane.

    What is kept is :math:`r (\rho^2 + z^2 + a^2)^3` (:func:`detect.lanes.response_ratio`, a the
    coil's radius) at even steps of :math:`\ln(\rho + b)` and :math:`\ln z`: with the fall of a
    dipole taken out little is left to interpolate, so linear steps hold to 1e-4 of the response
    from 0.12 m off the plane, to 2e-5 from 0.25 m and to 4e-4 from 0.06 m.

    Attributes
    ----------
    smooth : (Z, R) array
    radius2 : float
        The coil's radius squared, m².

    Notes
    -----
    Limits: nearer to the plane than `NEAREST_M` the response is that at `NEAREST_M`; within a few
    centimetres of the winding it changes faster than the steps follow.
    """

    smooth: Floats
    radius2: float

    def __call__(self, rho_m: Floats, height_m: Floats | float) -> Floats:
        """Return the response of the reference target; distances broadcast."""
        height = np.maximum(height_m, NEAREST_M)
        at, u, v = self._corner(rho_m, height)
        flat, up = self.smooth.ravel(), at + self.smooth.shape[1]
        low, high = flat[at], flat[up]
        low += u * (flat[at + 1] - low)
        high += u * (flat[up + 1] - high)
        low += v * (high - low)
        return np.asarray(low / (rho_m**2 + height**2 + self.radius2) ** 3)

    def with_slopes(self, rho_m: Floats, height_m: Floats) -> tuple[Floats, Floats, Floats]:
        """Return the response (P,) of the reference target, and its slopes by both distances."""
        height = np.maximum(height_m, NEAREST_M)
        at, u, v = self._corner(rho_m, height)
        flat, up = self.smooth.ravel(), at + self.smooth.shape[1]
        here, out, over, both = flat[at], flat[at + 1], flat[up], flat[up + 1]
        low, high = here + u * (out - here), over + u * (both - over)
        smooth = low + v * (high - low)
        by_rho = ((out - here) + v * (both - over - out + here)) / (STEP * (rho_m + AXIS_M))
        by_height = (high - low) / (HEIGHT_STEP * height)
        near = 1.0 / (rho_m**2 + height**2 + self.radius2)
        fall = near**3
        return (
            smooth * fall,
            (by_rho - 6.0 * rho_m * near * smooth) * fall,
            (by_height - 6.0 * height * near * smooth) * fall,
        )

    def _corner(self, rho: Floats, height: Floats) -> tuple[NDArray[np.int64], Floats, Floats]:
        """Return the flat number of the entry before each place, and how far past it that lies."""
        x = np.log(rho / AXIS_M + 1.0) / STEP
        y = np.log(height / NEAREST_M) / HEIGHT_STEP
        rows, columns = self.smooth.shape
        i = np.minimum(x.astype(np.int64), columns - 2)
        k = np.minimum(y.astype(np.int64), rows - 2)
        return k * columns + i, x - i, y - k


@lru_cache(maxsize=4)
def response_table(detector: Detector) -> ResponseTable:
    """Return the table of a coil; kept, since fits ask for the same coil's."""
    farthest = max(
        FARTHEST_M,
        REACH_SHARE * detector.air_range_m,
        detector.coil_height_m + DEEPEST_M,
    )
    rho = AXIS_M * np.expm1(np.arange(0.0, np.log(farthest / AXIS_M + 1.0) + 2.0 * STEP, STEP))
    rows = np.arange(0.0, np.log(farthest / NEAREST_M) + 2.0 * HEIGHT_STEP, HEIGHT_STEP)
    height = NEAREST_M * np.exp(rows)[:, None]
    radius2 = (detector.coil_diameter_m / 2.0) ** 2
    return ResponseTable(
        response_ratio(rho, height, detector) * (rho**2 + height**2 + radius2) ** 3, radius2
    )
