"""What passes add to cells: misses and passes, cell by cell, for every class of targets at once."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from detect.lanes.field import FloatArray
from detect.lanes.footprint import Look
from detect.lanes.lateral import PassTable, pass_table
from detect.lanes.search import pod_hazard

if TYPE_CHECKING:
    from detect.survey.grid import Grid
    from detect.survey.settings import Detector

Cells = NDArray[np.int64]

# Cells handled at a time: bounds the memory beside the grid itself to some tens of megabytes.
_BLOCK = 200_000


class Tally:
    """Misses and passes added up cell by cell, track by track, for every class at once.

    Parameters
    ----------
    detector : Detector
        The coil as in ``survey.toml``: the reference target.
    grid : Grid
        Cell centres.
    targets : mapping of str to Detector, optional
        Further classes of targets by name.
    """

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
            log_miss[cells[own]] -= pod_hazard(pod)
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
