"""Compiled search: the k nearest readings of a place, and the tiles that share a neighbourhood.

Imported when first needed: numba takes half a second to load. Everything is in reduced
coordinates, where the model's strongest structure is isotropic.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numba import njit

from detect.geostat.errors import FloatArray, IntArray

#: Readings in a cell of the search grid, on average over the cells that hold any.
PER_CELL = 3.0

#: A tile is halved while its side is above this many distances to its k-th nearest reading.
WIDEST = 1.25

#: Rows and columns of places in a tile whose nearest readings make up its neighbourhood.
PROBES = 4


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


def compiled(function: Any) -> Any:
    """Compile without the interpreter's lock, kept on disk."""
    return njit(nogil=True, cache=True, error_model="numpy")(function)


@compiled
def nearest(cells, x, y, k, index, distance):  # type: ignore[no-untyped-def]
    """Write the k nearest readings of a place, nearest first, and their squared distances.

    Rings of cells about the place, until the next ring can hold none nearer than the k-th. Equal
    distances are ordered by index, so that the answer does not depend on the grid.
    """
    column = int(np.floor((x - cells.x0) / cells.side))
    row = int(np.floor((y - cells.y0) / cells.side))
    ring = max(0, -column, column - cells.columns + 1, -row, row - cells.rows + 1)
    found = 0
    last = max(column, cells.columns - 1 - column, row, cells.rows - 1 - row)
    while ring <= last:
        if found == k and distance[k - 1] < ((ring - 1) * cells.side) ** 2 and ring > 0:
            break
        for r in range(max(row - ring, 0), min(row + ring, cells.rows - 1) + 1):
            edge = r == row - ring or r == row + ring
            step = 1 if edge or ring == 0 else 2 * ring
            for c in range(column - ring, column + ring + 1, step):
                if c < 0 or c >= cells.columns:
                    continue
                at = r * cells.columns + c
                for i in range(cells.start[at], cells.start[at + 1]):
                    d = (cells.x[i] - x) ** 2 + (cells.y[i] - y) ** 2
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
        nearest(cells, targets[t, 0], targets[t, 1], k, index[t], distance)
    return index


@compiled
def cut_into_tiles(cells, targets, k, base):  # type: ignore[no-untyped-def]
    """Cut targets into tiles: squares of side ``base / 2^m`` of a lattice through the origin.

    A tile is halved until its side is at most `WIDEST` times the distance to the k-th nearest
    reading at its centre and corners. Where a tile lies depends on the readings alone, never on
    which targets are asked for.

    Returns
    -------
    order : (T,) int array
        Targets, tile by tile.
    start : (Q + 1,) int array
        Where each tile begins.
    corner : (Q, 3) array
        x and y of its lower corner, and its side.
    """
    count = len(targets)
    order = np.arange(count)
    column = np.floor(targets[:, 0] / base)
    row = np.floor(targets[:, 1] / base)
    key = (row - row.min()) * (column.max() - column.min() + 1) + (column - column.min())
    order = np.argsort(key, kind="mergesort")
    stack = [(0, 0, 0.0, 0.0, 0.0)]
    stack.clear()
    begin = 0
    for t in range(1, count + 1):
        if t == count or key[order[t]] != key[order[begin]]:
            first = order[begin]
            stack.append((begin, t, column[first] * base, row[first] * base, base))
            begin = t
    index, distance = np.empty(k, dtype=np.int64), np.empty(k)
    starts = [0]
    starts.clear()
    corners = [(0.0, 0.0, 0.0)]
    corners.clear()
    scratch = np.empty(count, dtype=np.int64)
    while len(stack) > 0:
        begin, end, x, y, side = stack.pop()
        reach = np.inf
        for p in range(5):
            px = x + side * (0.5 if p == 4 else p % 2)
            py = y + side * (0.5 if p == 4 else p // 2)
            nearest(cells, px, py, k, index, distance)
            reach = min(reach, distance[k - 1])
        if side * side <= WIDEST**2 * reach or side < 1e-9 * base:
            starts.append(begin)
            corners.append((x, y, side))
            continue
        half = side / 2.0
        to = begin
        for quarter in range(4):
            left = to
            for t in range(begin, end):
                node = order[t]
                east = targets[node, 0] >= x + half
                north = targets[node, 1] >= y + half
                if east + 2 * north == quarter:
                    scratch[to] = node
                    to += 1
            if to > left:
                stack.append((left, to, x + half * (quarter % 2), y + half * (quarter // 2), half))
        order[begin:end] = scratch[begin:end]
    # The stack hands tiles out in any order: sort them by where they begin.
    q = len(starts)
    start, corner = np.empty(q + 1, dtype=np.int64), np.empty((q, 3))
    by_start = np.argsort(np.array(starts))
    for i in range(q):
        start[i] = starts[by_start[i]]
        corner[i, 0], corner[i, 1], corner[i, 2] = corners[by_start[i]]
    start[q] = count
    return order, start, corner


@compiled
def shared_neighbourhood(cells, x, y, side, k, seen, mark):  # type: ignore[no-untyped-def]
    """Readings that are among the k nearest of any of 4 x 4 places spread over a tile.

    ``seen`` (N,) holds the mark of the last tile that took each reading.
    """
    index, distance = np.empty(k, dtype=np.int64), np.empty(k)
    out = np.empty(PROBES * PROBES * k, dtype=np.int64)
    count = 0
    for a in range(PROBES):
        for b in range(PROBES):
            px, py = x + side * a / (PROBES - 1), y + side * b / (PROBES - 1)
            for i in range(nearest(cells, px, py, k, index, distance)):
                if seen[index[i]] != mark:
                    seen[index[i]] = mark
                    out[count] = index[i]
                    count += 1
    return np.sort(out[:count])
