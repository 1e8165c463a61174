"""Compiled search: the k nearest readings of a place or of a square.

Imported when first needed: numba takes half a second to load. Everything is in reduced
coordinates, where the model's strongest structure is isotropic.
"""

from __future__ import annotations

from typing import Any, Literal, NamedTuple

import numpy as np
from numba import njit

from detect.geostat.errors import FloatArray, IntArray

#: Readings in a cell of the search grid, on average over the cells that hold any.
PER_CELL = 3.0


class Cells(NamedTuple):
    """Readings sorted into the cells of a grid.

    Parameters
    ----------
    x, y : (N,) arrays
        Reduced coordinates, sorted by cell.
    reading : (N,) int array
        Which reading each is.
    start : (rows * columns + 1,) int array
        Where each cell begins.
    x0, y0, side : float
        Corner and side of the grid's cells.
    columns, rows : int
        Cells along x and y.
    """

    x: FloatArray
    y: FloatArray
    reading: IntArray
    start: IntArray
    x0: float
    y0: float
    side: float
    columns: int
    rows: int


def sort_into_cells(points: FloatArray) -> Cells:
    """Sort readings (N, 2), in reduced coordinates, into cells of about `PER_CELL` each.

    The cell suits the places where readings are: half of all readings stand in cells of up to a
    few times `PER_CELL`, unless that would take more than four cells a reading.
    """
    count = len(points)
    low = points.min(axis=0)
    extent = np.maximum(np.ptp(points, axis=0), 1e-12)
    side = float(np.sqrt(extent[0] * extent[1] * PER_CELL / count))
    side = max(side, float(extent.max()) * PER_CELL / count, 1e-12)
    most = 4 * count + 64
    while True:
        columns, rows = (int(n) for n in np.floor(extent / side).astype(np.int64) + 1)
        cell = np.floor((points - low) / side).astype(np.int64)
        key = cell[:, 1] * columns + cell[:, 0]
        held = np.bincount(key, minlength=columns * rows)
        crowded = float(np.median(held[key])) > 4 * PER_CELL
        if not crowded or columns * rows * 4 > most:
            break
        side /= 2.0
    order = np.argsort(key, kind="stable")
    start = np.zeros(columns * rows + 1, dtype=np.int64)
    np.cumsum(held, out=start[1:])
    x, y = np.ascontiguousarray(points[order].T)
    return Cells(x, y, order, start, float(low[0]), float(low[1]), side, columns, rows)


def compiled(function: Any, inline: Literal["never", "always"] = "never") -> Any:
    """Compile without the interpreter's lock, kept on disk.

    Sums may be reordered and products fused, which changes the last digit and lets loops run along
    the processor's vectors; NaN and infinity keep their meaning.
    """
    fast = {"contract", "reassoc"}
    return njit(nogil=True, cache=True, error_model="numpy", fastmath=fast, inline=inline)(function)


def inlined(function: Any) -> Any:
    """As `compiled`, but as part of what calls it: compiled once, where that is one only."""
    return compiled(function, "always")


@compiled
def nearest(cells, x, y, half, k, index, distance):  # type: ignore[no-untyped-def]
    """Write the k nearest readings, nearest first, and their squared distances; return how many.

    Distance is to the square of ``half`` the side about the place (0: to the place itself), and 0
    inside it. Rings of cells about the place, until the next ring can hold none nearer than the
    k-th. Equal distances are ordered by index, so that the answer does not depend on the grid.
    """
    column = int(np.floor((x - cells.x0) / cells.side))
    row = int(np.floor((y - cells.y0) / cells.side))
    ring = max(0, -column, column - cells.columns + 1, -row, row - cells.rows + 1)
    found = 0
    last = max(column, cells.columns - 1 - column, row, cells.rows - 1 - row)
    while ring <= last:
        gap = (ring - 1) * cells.side - half
        if found == k and gap > 0.0 and distance[k - 1] < gap**2:
            break
        for r in range(max(row - ring, 0), min(row + ring, cells.rows - 1) + 1):
            edge = r == row - ring or r == row + ring
            step = 1 if edge or ring == 0 else 2 * ring
            for c in range(column - ring, column + ring + 1, step):
                if c < 0 or c >= cells.columns:
                    continue
                at = r * cells.columns + c
                for i in range(cells.start[at], cells.start[at + 1]):
                    dx = max(abs(cells.x[i] - x) - half, 0.0)
                    dy = max(abs(cells.y[i] - y) - half, 0.0)
                    d = dx * dx + dy * dy
                    own = cells.reading[i]
                    if found == k:
                        if d > distance[k - 1] or (d == distance[k - 1] and own > index[k - 1]):
                            continue
                        place = k - 1
                    else:
                        place = found
                        found += 1
                    while place > 0 and (
                        distance[place - 1] > d
                        or (distance[place - 1] == d and index[place - 1] > own)
                    ):
                        distance[place] = distance[place - 1]
                        index[place] = index[place - 1]
                        place -= 1
                    distance[place] = d
                    index[place] = own
        ring += 1
    return found


@compiled
def nearest_of_each(cells, targets, k):  # type: ignore[no-untyped-def]
    """Indices (T, k) of the nearest readings of each target (T, 2), nearest first."""
    index = np.empty((len(targets), k), dtype=np.int64)
    distance = np.empty(k)
    for t in range(len(targets)):
        nearest(cells, targets[t, 0], targets[t, 1], 0.0, k, index[t], distance)
    return index


@compiled
def holds(cells, x, y, radius, k):  # type: ignore[no-untyped-def]
    """Whether at least k readings are nearer to a place than ``radius``."""
    left = max(int(np.floor((x - radius - cells.x0) / cells.side)), 0)
    right = min(int(np.floor((x + radius - cells.x0) / cells.side)), cells.columns - 1)
    low = max(int(np.floor((y - radius - cells.y0) / cells.side)), 0)
    high = min(int(np.floor((y + radius - cells.y0) / cells.side)), cells.rows - 1)
    found = 0
    if left > right:
        return False
    for r in range(low, high + 1):
        # Cells of a row follow each other, and so do their readings.
        first = cells.start[r * cells.columns + left]
        for i in range(first, cells.start[r * cells.columns + right + 1]):
            found += (cells.x[i] - x) ** 2 + (cells.y[i] - y) ** 2 < radius**2
        if found >= k:
            return True
    return False
