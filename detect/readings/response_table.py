"""What a coil hears of a small target, from a table: quick enough for fits of a whole site."""

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
#: steps of the table: off the axis, m; in ln of the distance to the coil's plane
STEP_M, LN_STEP = 0.005, 0.01
#: nearest to the coil's plane that is told apart, m
NEAREST_M = 0.04
#: places farther off the axis than this are not asked for, m
FARTHEST_M = 3.0


@dataclass(frozen=True, eq=False)
class ResponseTable:
    r"""Response of one coil by distance off its axis and from its plane.

    What is kept is :math:`r (\rho^2 + z^2 + a^2)^3` (:func:`detect.lanes.response_ratio`, a the
    coil's radius): with the fall of a dipole taken out little is left to interpolate, so linear
    steps hold to 5e-4 from 0.12 m off the plane and to 2e-3 from 0.06 m.

    Attributes
    ----------
    smooth : (Z, R) array
    radius2 : float
        The coil's radius squared, m².
    """

    smooth: Floats
    radius2: float

    def __call__(self, rho_m: Floats, height_m: Floats) -> tuple[Floats, Floats, Floats]:
        """Return the response (P,) of the reference target, and its slopes by both distances."""
        height = np.maximum(height_m, NEAREST_M)
        x, y = rho_m / STEP_M, np.log(height / NEAREST_M) / LN_STEP
        rows, columns = self.smooth.shape
        i = np.minimum(x.astype(np.int64), columns - 2)
        k = np.minimum(y.astype(np.int64), rows - 2)
        u, v, at, flat = x - i, y - k, k * columns + i, self.smooth.ravel()
        here, out = flat[at], flat[at + 1]
        up, both = flat[at + columns], flat[at + columns + 1]
        low, high = here + u * (out - here), up + u * (both - up)
        smooth = low + v * (high - low)
        by_rho = ((out - here) + v * (both - up - out + here)) / STEP_M
        by_height = (high - low) / (LN_STEP * height)
        near = 1.0 / (rho_m**2 + height**2 + self.radius2)
        fall = near**3
        return (
            smooth * fall,
            (by_rho - 6.0 * rho_m * near * smooth) * fall,
            (by_height - 6.0 * height * near * smooth) * fall,
        )


@lru_cache(maxsize=4)
def response_table(detector: Detector) -> ResponseTable:
    """Return the table of a coil; kept, since fits ask for the same coil's."""
    rho = np.arange(0.0, FARTHEST_M + 2.0 * STEP_M, STEP_M)
    farthest = np.log((detector.coil_height_m + DEEPEST_M + 0.2) / NEAREST_M)
    height = NEAREST_M * np.exp(np.arange(0.0, farthest, LN_STEP))[:, None]
    radius2 = (detector.coil_diameter_m / 2.0) ** 2
    return ResponseTable(
        response_ratio(rho, height, detector) * (rho**2 + height**2 + radius2) ** 3, radius2
    )
