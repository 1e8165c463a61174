"""What was looked at: the probability of detection as actually swum, on the map's grid."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import ArrayLike, NDArray

from detect.lanes.field import FloatArray
from detect.lanes.footprint import Look
from detect.lanes.lateral import PassTable, pass_table
from detect.lanes.nearest import nearest_reading

if TYPE_CHECKING:
    from detect.survey.grid import Grid
    from detect.survey.settings import Detector

Progress = Callable[[int, int], None]
Cells = NDArray[np.int64]

# Cells handled at a time: bounds the memory beside the grid itself to some tens of megabytes.
_BLOCK = 200_000
_CERTAIN = 1.0 - 1e-15


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

    tally = _Tally(detector, grid, targets or {})
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
    tally = _Tally(detector, grid)
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
    return cells, -np.log1p(-np.minimum(pod, _CERTAIN))


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


class _Tally:
    """Misses and passes added up cell by cell, track by track, for every class at once."""

    def __init__(
        self, detector: Detector, grid: Grid, targets: Mapping[str, Detector] | None = None
    ) -> None:
        look = Look.of(detector)
        self._grid = grid
        self._targets = dict(targets or {})
        self._tables: list[PassTable] = [
            pass_table(Look.of(one)) for one in (detector, *self._targets.values())
        ]
        self._footprint = look.reach(1.0)
        self._sweep = look.sweep_half_width_m
        self._burial_depth_m = float(detector.burial_depth_m)
        self._required_pod = float(detector.required_pod)
        rows, columns = grid.shape
        self._log_miss = np.zeros((len(self._tables), rows * columns))
        self._passes = np.zeros(rows * columns, dtype=np.int32)
        self._mark = np.zeros(rows * columns, dtype=bool)
        self.reach_m = max(table.reach_m for table in self._tables)
        self.bead_m = 0.25 * self.reach_m

    def positions(self, cells: Cells) -> tuple[FloatArray, FloatArray]:
        """Return e and n of cells given by their flat index."""
        row, column = np.divmod(cells, len(self._grid.e))
        return self._grid.e[column], self._grid.n[row]

    def cells_near(self, places: FloatArray) -> Iterator[Cells]:
        """Yield, in blocks, the cells that may lie within reach of any of the places.

        Each coarse square (a quarter of a reach) that holds a place is stamped with a disc of
        cells, large enough for any place in it. So the cost follows the length of the track and
        not the size of the grid or the number of readings.
        """
        node = self._grid.node_m
        rows, columns = self._grid.shape
        coarse = max(node, self.bead_m)
        middles = coarse * (np.unique(np.floor(places / coarse), axis=0) + 0.5)
        column = np.rint((middles[:, 0] - self._grid.e[0]) / node).astype(np.int64)
        row = np.rint((middles[:, 1] - self._grid.n[0]) / node).astype(np.int64)
        # A place is within half a diagonal of its coarse square's middle, and that of its cell's.
        span = (self.reach_m + np.sqrt(0.5) * (coarse + node)) / node
        half = int(np.floor(span))
        near = (column >= -half) & (column < columns + half) & (row >= -half) & (row < rows + half)
        step2 = np.arange(-half, half + 1) ** 2
        disc = step2[:, None] + step2[None, :] <= span**2
        mark = self._mark.reshape(rows, columns)
        first, last = rows, -1
        for c, r in zip(column[near].tolist(), row[near].tolist(), strict=True):
            top, bottom = max(r - half, 0), min(r + half + 1, rows)
            left, right = max(c - half, 0), min(c + half + 1, columns)
            mark[top:bottom, left:right] |= disc[
                top - r + half : bottom - r + half, left - c + half : right - c + half
            ]
            first, last = min(first, top), max(last, bottom - 1)
        if last < first:
            return
        band = self._mark[first * columns : (last + 1) * columns]
        cells = np.flatnonzero(band) + first * columns
        band[:] = False
        for start in range(0, len(cells), _BLOCK):
            yield cells[start : start + _BLOCK]

    def add(self, cells: Cells, along: FloatArray, across: FloatArray) -> None:
        """Add one pass: distances of the cells from it, along and across."""
        near = np.abs(along), np.abs(across)
        for log_miss, table in zip(self._log_miss, self._tables, strict=True):
            # A class heard less far than the farthest needs only its own cells.
            own = np.flatnonzero((near[0] <= table.ahead_end_m) & (near[1] <= table.across_end_m))
            pod = table(near[0][own], near[1][own])
            log_miss[cells[own]] += np.log1p(-np.minimum(pod, _CERTAIN))
        side = np.maximum(near[1] - self._sweep, 0.0)
        if self._footprint > 0.0:
            self._passes[cells[along**2 + side**2 <= self._footprint**2]] += 1

    def dataset(self, how: str) -> xr.Dataset:
        """Return the tally on the grid."""
        pods = -np.expm1(self._log_miss)
        pod = self._grid.field(pods[0], "pod", "1", f"POD {how}")
        passes = self._grid.field(self._passes, "passes", "1", f"passes {how}")
        pod.attrs["comment"] = (
            f"probability of detection of the reference target at {self._burial_depth_m:g} m burial"
        )
        fields = {"pod": pod, "passes": passes}
        if self._targets:
            layers = [
                self._grid.field(one, "pod_target", "1", f"POD of each class of targets {how}")
                for one in pods[1:]
            ]
            names = xr.DataArray(list(self._targets), dims="target", name="target")
            fields["pod_target"] = xr.concat(layers, names, combine_attrs="override")
            fields["pod_target"]["burial_depth_m"] = (
                "target",
                [float(one.burial_depth_m) for one in self._targets.values()],
                {"units": "m", "long_name": "burial depth assumed"},
            )
        return xr.Dataset(
            fields,
            attrs={"burial_depth_m": self._burial_depth_m, "required_pod": self._required_pod},
        )
