"""What was looked at: the probability of detection as actually swum, on the map's grid."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import ArrayLike, NDArray

from detect.lanes.field import FloatArray
from detect.lanes.footprint import Look
from detect.lanes.lateral import pass_table
from detect.lanes.nearest import nearest_reading
from detect.lanes.search import pod_hazard
from detect.lanes.tally import Cells, Tally

if TYPE_CHECKING:
    from detect.survey.grid import Grid
    from detect.survey.settings import Detector

Progress = Callable[[int, int], None]


def coverage(
    readings: pd.DataFrame,
    detector: Detector,
    grid: Grid,
    progress: Progress | None = None,
    *,
    listened_m: float = 0.0,
    targets: Mapping[str, Detector] | None = None,
) -> xr.Dataset:
    r"""Return the probability that what was swum would have found the reference target.

    .. math:: P(x) = 1 - \prod_{\text{tracks } t} \left[1 - Q(a_t(x), y_t(x))\right]

    where :math:`a_t, y_t` are the distances of cell ``x`` from its nearest reading of track
    ``t``, along and across that reading's heading, and :math:`Q` is the probability of one pass
    (`detect.lanes.lateral.pass_table`): the line error smears across only.

    Parameters
    ----------
    readings : pandas.DataFrame
        Columns ``e``, ``n`` (m), ``track`` (one number a lane and pass) and ``heading_deg`` (grid
        bearing of travel; where it is NaN the reading counts as abeam, whatever its direction).
    detector : Detector
        The coil as in ``survey.toml``; the target lies at ``burial_depth_m``.
    grid : Grid
        Cell centres.
    progress : callable, optional
        Called with tracks done and tracks in all.
    listened_m : float
        Readings of one track that follow each other within this distance, m, count as one
        unbroken look between them: right where the meter sounds all the time and the diver
        writes down every sound. 0 (the default) counts only what was written down.
    targets : mapping of str to Detector, optional
        Further classes of targets by name: the same coil with their air range and burial depth.

    Returns
    -------
    xarray.Dataset
        Dimensions (n, e): ``pod``, and ``passes``, the number of tracks with a reading within the
        footprint (mean signal over the threshold); with `targets`, ``pod_target`` on
        (target, n, e). ``attrs`` hold ``burial_depth_m`` and ``required_pod``.

    Raises
    ------
    ValueError
        If a reading has no position.

    Notes
    -----
    *Within a pass only the best look counts.* Its readings share one line error, one coil
    height, one strip of soil; multiplying their misses would let a faulty pass prove absence by
    being written down more often. So a metre between readings is a metre not listened to in the
    middle, an end not swum is a gap, and twice as many readings on the same line raise nothing
    but the nearness of the nearest. *Between passes misses multiply*: another time, another line
    error, fresh noise. Where the same cause hides the target from every pass (deeper than
    assumed, on edge, soil that answers) the product is too hopeful: a POD near 1 is never proof.

    The line error is that of the positions as recorded, one sigma across. Cells where one pass
    has less than 1e-4 are not counted. Memory is the grid's own plus some tens of megabytes.
    One thread: two that share the tracks took longer than one (measured), since most of the work
    holds the interpreter.
    """
    e = readings["e"].to_numpy(dtype=float)
    n = readings["n"].to_numpy(dtype=float)
    if not (np.isfinite(e).all() and np.isfinite(n).all()):
        raise ValueError("every reading needs a position: e or n is not a number")
    heading = np.radians(readings["heading_deg"].to_numpy(dtype=float))
    tracks = readings["track"].to_numpy()
    order = np.argsort(tracks, kind="stable")
    borders = np.flatnonzero(np.diff(tracks[order]) != 0) + 1
    groups = np.split(order, borders) if len(order) else []

    tally = Tally(detector, grid, targets)
    for done, rows in enumerate(groups):
        places = np.column_stack([e[rows], n[rows]])
        sin, cos = np.sin(heading[rows]), np.cos(heading[rows])
        ahead, astern = _unbroken(places, sin, cos, listened_m)
        nearest_to = nearest_reading(places, heading[rows], tally.reach_m)
        for cells in tally.cells_near(places):
            cell_e, cell_n = tally.positions(cells)
            nearest = nearest_to(cell_e, cell_n)
            met = nearest < len(rows)
            if not met.all():
                cells, nearest, cell_e, cell_n = cells[met], nearest[met], cell_e[met], cell_n[met]
            de, dn = cell_e - places[nearest, 0], cell_n - places[nearest, 1]
            along = de * sin[nearest] + dn * cos[nearest]
            across = de * cos[nearest] - dn * sin[nearest]
            along[np.where(along > 0.0, ahead[nearest], astern[nearest])] = 0.0
            lost = np.isnan(along)
            along[lost], across[lost] = 0.0, np.hypot(de[lost], dn[lost])
            tally.add(cells, along, across)
        if progress is not None:
            progress(done + 1, len(groups))
    return tally.dataset("as swum")


def planned_coverage(
    lanes: pd.DataFrame,
    detector: Detector,
    grid: Grid,
    progress: Progress | None = None,
) -> xr.Dataset:
    """Return the probability of detection if the lanes are swum from end to end as laid.

    Parameters
    ----------
    lanes : pandas.DataFrame
        Columns ``start_e, start_n, end_e, end_n`` (m).
    detector, grid, progress
        As for `coverage`; the line error stays in: nobody swims a lane perfectly.

    Returns
    -------
    xarray.Dataset
        As for `coverage`; each lane is one pass, listened to all along and not past its ends.
    """
    every = lanes[["start_e", "start_n", "end_e", "end_n"]].to_numpy(dtype=float)
    tally = Tally(detector, grid)
    for done, ends in enumerate(every):
        # Close enough together that the stamped discs leave no cell out between them.
        steps = np.linspace(0.0, 1.0, 2 + int(np.hypot(*(ends[2:] - ends[:2])) / tally.bead_m))
        beads = ends[:2] + steps[:, None] * (ends[2:] - ends[:2])
        for cells in tally.cells_near(beads):
            tally.add(cells, *_off_lane(ends, *tally.positions(cells)))
        if progress is not None:
            progress(done + 1, len(every))
    return tally.dataset("as planned")


def lane_hazard(
    ends: ArrayLike, cell_e: FloatArray, cell_n: FloatArray, detector: Detector
) -> tuple[Cells, FloatArray]:
    """Return what one lane swum end to end adds to cells: their indices and ``-log(1 - p)``.

    Parameters
    ----------
    ends : array_like, shape (4,)
        ``start_e, start_n, end_e, end_n``, m.
    cell_e, cell_n : ndarray, shape (N,)
        Cells, m.
    detector : Detector
        The coil as in ``survey.toml``.

    Returns
    -------
    cells : ndarray of int
        Those within reach of the lane.
    hazard : ndarray
        Added over passes; the POD is ``1 - exp(-sum)``.
    """
    table = pass_table(Look.of(detector))
    along, across = _off_lane(np.asarray(ends, dtype=float), cell_e, cell_n)
    cells = np.flatnonzero((np.abs(along) <= table.reach_m) & (np.abs(across) <= table.reach_m))
    pod = table(along[cells], across[cells])
    return cells, pod_hazard(pod)


def _off_lane(
    ends: FloatArray, cell_e: FloatArray, cell_n: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return how far cells lie past a lane's ends (0 abeam of it) and across it."""
    e0, n0 = ends[:2]
    length = float(np.hypot(*(ends[2:] - ends[:2])))
    sin, cos = (ends[2:] - ends[:2]) / length if length > 0 else (0.0, 1.0)
    along = (cell_e - e0) * sin + (cell_n - n0) * cos
    across = (cell_e - e0) * cos - (cell_n - n0) * sin
    return along - np.clip(along, 0.0, length), across


def _unbroken(
    places: FloatArray, sin: FloatArray, cos: FloatArray, listened_m: float
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return whether the coil was listened to from each reading on ahead of it, and astern."""
    ahead = np.zeros(len(places), dtype=bool)
    astern = np.zeros(len(places), dtype=bool)
    if listened_m > 0.0:
        step = np.diff(places, axis=0)
        close = np.hypot(step[:, 0], step[:, 1]) <= listened_m
        for here, there in ((slice(None, -1), step), (slice(1, None), -step)):
            forward = there[:, 0] * sin[here] + there[:, 1] * cos[here]
            ahead[here] |= close & (forward > 0.0)
            astern[here] |= close & (forward < 0.0)
    return ahead, astern
