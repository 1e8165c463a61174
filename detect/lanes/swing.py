"""A coil swung to and fro while the diver fins ahead: the path, and how fast it may go."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike
from scipy.interpolate import CubicSpline
from scipy.optimize import brentq

from detect.lanes.carriage import look_end, one_look
from detect.lanes.field import FloatArray
from detect.lanes.footprint import Look

if TYPE_CHECKING:
    from detect.survey.settings import Detector

_PHASES = 24
_NODES, _FAR, _PLACES = 1025, 129, 2049
_FALLEN = 1e-3


def path_distances(look: Look, across_m: ArrayLike) -> FloatArray:
    r"""Return how near the swung coil's centre comes to places across from the lane.

    The centre runs in straight strokes from :math:`-s` to :math:`s` and back, each stroke going on
    by the advance :math:`A`: a zigzag. A target lies anywhere along it.

    Parameters
    ----------
    look : Look
        Its swing and its advance.
    across_m : array_like, shape (N,)
        Distance across from the middle of the swing, m.

    Returns
    -------
    ndarray, shape (phases, N)
        Least distance, m; the phases are evenly spread along one full swing. Without an advance
        there is one phase, :math:`\max(|x| - s, 0)`: a swath without holes.
    """
    x = np.abs(np.asarray(across_m, dtype=float))
    half, advance = look.sweep_half_width_m, look.advance_m
    if half == 0.0 or advance == 0.0:
        return np.maximum(x - half, 0.0)[None, :]
    along = (np.arange(_PHASES) + 0.5) * 2.0 * advance / _PHASES
    nearest = np.full((_PHASES, len(x)), np.inf)
    # Strokes from three before to three after: a nearer one than these there never is.
    for stroke in range(-3, 5):
        side = 1.0 if stroke % 2 == 0 else -1.0
        across, ahead = x[None, :] + side * half, along[:, None] - stroke * advance
        step_across, step_ahead = side * 2.0 * half, advance
        share = (across * step_across + ahead * step_ahead) / (step_across**2 + step_ahead**2)
        share = np.clip(share, 0.0, 1.0)
        nearest = np.minimum(
            nearest, np.hypot(across - share * step_across, ahead - share * step_ahead)
        )
    return nearest


def swath_look(look: Look, across_m: ArrayLike) -> FloatArray:
    """Return the probability of detection by a swung coil, averaged along the lane.

    Parameters
    ----------
    look : Look
        Line error left aside.
    across_m : array_like, shape (N,)
        Distance across from the middle of the swing, m.

    Returns
    -------
    ndarray, shape (N,)
    """
    across = np.asarray(across_m, dtype=float)
    if look.sweep_half_width_m == 0.0 or look.advance_m == 0.0:
        return one_look(look, path_distances(look, across)[0])
    # A look is worked out at close distances once, and the mean over phases at every so many
    # places across: two splines instead of a field for each phase of each place.
    end = float(np.abs(across).max()) + look.sweep_half_width_m + look.advance_m
    fallen = min(look_end(look, _FALLEN), 0.9 * end)
    near = np.append(np.linspace(0.0, fallen, _NODES), np.geomspace(fallen, end, _FAR)[1:])
    sharp = CubicSpline(near, one_look(look, near), bc_type="clamped")
    places = np.linspace(0.0, float(np.abs(across).max()), _PLACES)
    mean = np.clip(sharp(path_distances(look, places)), 0.0, 1.0).mean(axis=0)
    return np.clip(CubicSpline(places, mean, bc_type="clamped")(np.abs(across)), 0.0, 1.0)


def widest_advance(detector: Detector, burial_depth_m: float | None = None) -> float:
    r"""Return how far a diver may go on in one swing and leave no hole in the swath.

    No hole: at the worst place within the swing the coil still passes near enough to detect with
    ``required_pod``. With :math:`\rho` the distance at which it just does, the worst place is at
    the edge of the swing, midway between two turns on that side,
    :math:`2 s A / \sqrt{4 s^2 + A^2}` from the stroke abeam of it, so that

    .. math:: A = \frac{2 s \rho}{\sqrt{4 s^2 - \rho^2}}

    Parameters
    ----------
    detector : Detector
        The coil as in ``survey.toml``.
    burial_depth_m : float, optional
        Depth of the target in the bed, m; default the depth to search to.

    Returns
    -------
    float
        Advance in one swing, from side to side, m; infinite for a coil that is not swung or that
        reaches across the whole swing wherever it is; 0 where it does not meet ``required_pod``
        even straight over the target.

    Notes
    -----
    Source: geometry of the zigzag. Between passes of one lane its places are anywhere, so holes of
    several lanes do not line up: wider advances are counted in the POD (`swath_look`), as a mean
    along the lane.
    """
    look = replace(Look.of(detector, burial_depth_m), line_error_m=0.0)
    half, required = look.sweep_half_width_m, float(detector.required_pod)
    if half == 0.0:
        return float("inf")
    if float(one_look(look, 0.0)) < required:
        return 0.0
    end = look_end(look, 0.5 * required)
    near = float(brentq(lambda rho: float(one_look(look, rho)) - required, 0.0, end, xtol=1e-9))
    if near >= 2.0 * half:
        return float("inf")
    return 2.0 * half * near / float(np.sqrt(4.0 * half**2 - near**2))
