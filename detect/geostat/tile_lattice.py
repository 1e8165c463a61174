"""Compiled: tiles that overlap a little, and how much each of them says about a target.

Imported when first needed, like `detect.geostat.search`; in reduced coordinates, as it is.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from detect.geostat.errors import FloatArray, IntArray
from detect.geostat.search import compiled, holds, nearest

#: A tile is halved while its side is above this many distances to its k-th nearest reading.
WIDEST = 1.25

#: A tile speaks for targets up to this share of its side beyond its edges.
BLEND = 0.125

#: Readings that a tile uses, in numbers of neighbours asked for.
SHARED = 2.25


class Cut(NamedTuple):
    """Targets by tile; a target near an edge is in several.

    Parameters
    ----------
    target : (E,) int array
        Targets, tile by tile.
    share : (E,) array
        Weight of the tile's estimate in the target's: adds up to 1 over a target's tiles.
    start : (Q + 1,) int array
        Where each tile begins.
    corner : (Q, 3) array
        x and y of its lower corner, and its side.
    """

    target: IntArray
    share: FloatArray
    start: IntArray
    corner: FloatArray

    def parts(self, size: int) -> list[Cut]:
        """Cut into runs of whole tiles of at least ``size`` entries (the last may be smaller)."""
        tiles = np.unique(np.searchsorted(self.start, np.arange(0, self.start[-1], size)))
        ends = [*tiles[tiles > 0].tolist(), len(self.corner)]
        out = []
        first = 0
        for end in dict.fromkeys(ends):
            a, b = self.start[first], self.start[end]
            start = self.start[first : end + 1] - a
            out.append(Cut(self.target[a:b], self.share[a:b], start, self.corner[first:end]))
            first = end
        return out

    def blend(self, values: FloatArray, count: int) -> FloatArray:
        """Weighted sums (count,) of what the tiles say (E,)."""
        return np.asarray(np.bincount(self.target, self.share * values, count), np.float64)


@compiled
def within(targets, t, x, y, side, margin):  # type: ignore[no-untyped-def]
    """Whether a target is in a square or up to ``margin`` outside it."""
    e, n = targets[t, 0], targets[t, 1]
    inside_x = x - margin <= e and e < x + side + margin
    return inside_x and y - margin <= n and n < y + side + margin


@compiled
def ramp(u):  # type: ignore[no-untyped-def]
    """Rise from 0 to 1 between 0 and 1."""
    return min(max(u, 0.0), 1.0)


@compiled
def too_wide(cells, x, y, side, k):  # type: ignore[no-untyped-def]
    """Whether a tile is to be halved.

    So it is where k readings are nearer to its centre or a corner than its side / `WIDEST`, or
    where they could all lie in it and its margin.
    """
    middle_x, middle_y = x + side / 2.0, y + side / 2.0
    around = np.sqrt(2.0) * (0.5 + BLEND) * side
    if holds(cells, middle_x, middle_y, max(around, side / WIDEST), k):
        return True
    for corner in range(4):
        px, py = x + side * (corner % 2), y + side * (corner // 2)
        if holds(cells, px, py, side / WIDEST, k):
            return True
    return False


@compiled
def in_roots(targets, base):  # type: ignore[no-untyped-def]
    """Targets sorted by the coarsest tiles that they are in or near, with column and row."""
    margin = BLEND * base
    low = np.floor((targets - margin) / base).astype(np.int64)
    high = np.floor((targets + margin) / base).astype(np.int64)
    total = 0
    for t in range(len(targets)):
        total += (high[t, 0] - low[t, 0] + 1) * (high[t, 1] - low[t, 1] + 1)
    target = np.empty(total, dtype=np.int64)
    cell = np.empty((total, 2), dtype=np.int64)
    at = 0
    for t in range(len(targets)):
        for c in range(low[t, 0], high[t, 0] + 1):
            for r in range(low[t, 1], high[t, 1] + 1):
                target[at], cell[at, 0], cell[at, 1] = t, c, r
                at += 1
    columns = cell[:, 0].max() - cell[:, 0].min() + 1
    key = (cell[:, 1] - cell[:, 1].min()) * columns + (cell[:, 0] - cell[:, 0].min())
    order = np.argsort(key, kind="mergesort")
    return target[order], cell[order]


@compiled
def cut_into_tiles(cells, targets, k, base):  # type: ignore[no-untyped-def]
    """Cut targets (T, 2) into tiles: squares of side ``base / 2^m`` of a lattice.

    A tile is halved while it is `too_wide`. Where a tile lies depends on the readings alone, never
    on which targets are asked for. A tile has the weight 1 inside, which falls over its edges in a
    straight line, from `BLEND` of its side within to as much without, where it is 0. The shares
    are these weights over their sum.

    Returns
    -------
    target, share, start, corner
        See `Cut`.
    """
    roots, cell = in_roots(targets, base)
    count = len(roots)
    pool = np.empty(2 * count + 64, dtype=np.int64)
    pool[:count] = roots
    stack = [(0, 0, 0.0, 0.0, 0.0)]
    stack.clear()
    begin = 0
    for i in range(1, count + 1):
        if i == count or cell[i, 0] != cell[begin, 0] or cell[i, 1] != cell[begin, 1]:
            stack.append((begin, i, cell[begin, 0] * base, cell[begin, 1] * base, base))
            begin = i
    target = np.empty(2 * count, dtype=np.int64)
    weight = np.empty(2 * count)
    total = np.zeros(len(targets))
    starts = [0]
    corners = [(0.0, 0.0, 0.0)]
    corners.clear()
    at = 0
    while len(stack) > 0:
        begin, end, x, y, side = stack.pop()
        size = end - begin
        if side > 1e-9 * base and too_wide(cells, x, y, side, k):
            # What was pushed later is done: its room, from ``end`` on, is free again.
            if end + 4 * size > len(pool):
                pool = np.concatenate((pool, np.empty(len(pool) + 4 * size, dtype=np.int64)))
            half, margin, to = side / 2.0, BLEND * side / 2.0, end
            for quarter in range(4):
                left = to
                px, py = x + half * (quarter % 2), y + half * (quarter // 2)
                for i in range(begin, end):
                    if within(targets, pool[i], px, py, half, margin):
                        pool[to] = pool[i]
                        to += 1
                if to > left:
                    stack.append((left, to, px, py, half))
            continue
        if at + size > len(target):
            room = len(target) + size
            target = np.concatenate((target, np.empty(room, dtype=np.int64)))
            weight = np.concatenate((weight, np.empty(room)))
        margin = BLEND * side
        first = at
        for i in range(begin, end):
            t = pool[i]
            e, n = targets[t, 0] - x, targets[t, 1] - y
            w = ramp((e + margin) / (2.0 * margin)) * ramp((n + margin) / (2.0 * margin))
            w *= ramp((side + margin - e) / (2.0 * margin))
            w *= ramp((side + margin - n) / (2.0 * margin))
            if w > 0.0:
                target[at], weight[at] = t, w
                total[t] += w
                at += 1
        if at > first:
            starts.append(at)
            corners.append((x, y, side))
    share = weight[:at].copy()
    for i in range(at):
        share[i] /= total[target[i]]
    corner = np.empty((len(corners), 3))
    for q in range(len(corners)):
        corner[q, 0], corner[q, 1], corner[q, 2] = corners[q]
    return target[:at].copy(), share, np.array(starts), corner


@compiled
def shared_neighbourhood(cells, x, y, side, many):  # type: ignore[no-untyped-def]
    """Readings, ascending, that are nearest to a tile and its margin: ``many`` or all."""
    many = min(many, len(cells.reading))
    index, distance = np.empty(many, dtype=np.int64), np.empty(many)
    half = (0.5 + BLEND) * side
    nearest(cells, x + side / 2.0, y + side / 2.0, half, many, index, distance)
    return np.sort(index)
