"""Compiled: tiles that overlap a little, and how much each of them says about a target.

Imported when first needed, like `detect.geostat.search`; in reduced coordinates, as it is.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from detect.geostat.errors import FloatArray, IntArray
from detect.geostat.search import Cells, compiled, holds, inlined, nearest

#: A tile is halved while its side is above this many distances to its k-th nearest reading.
WIDEST = 1.25

#: A tile speaks for targets up to this share of its side beyond its edges.
BLEND = 0.125

#: Readings that a tile uses, in numbers of neighbours asked for.
SHARED = 2.25

#: A tile of this share of the coarsest one's side is not halved again: its readings all but meet.
_SMALLEST = 1e-9

#: Tiles that halvings down to it add to the stack, at most: three a halving.
_DEEPEST = 128


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


@inlined
def within(targets, t, x, y, side, margin):  # type: ignore[no-untyped-def]
    """Whether a target is in a square or up to ``margin`` outside it."""
    e, n = targets[t, 0], targets[t, 1]
    inside_x = x - margin <= e and e < x + side + margin
    return inside_x and y - margin <= n and n < y + side + margin


@inlined
def ramp(u):  # type: ignore[no-untyped-def]
    """Rise from 0 to 1 between 0 and 1."""
    return min(max(u, 0.0), 1.0)


@inlined
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


def in_roots(targets: FloatArray, base: float) -> tuple[IntArray, IntArray]:
    """Targets (E,) by the coarsest tiles that they are in or near, and column and row (E, 2)."""
    margin = BLEND * base
    low = np.floor((targets - margin) / base).astype(np.int64)
    both = np.floor((targets + margin) / base).astype(np.int64) > low
    # The margin is narrower than a tile: a target is in one or two columns, and one or two rows.
    target, cell = [np.arange(len(targets))], [low]
    for e, n in (1, 0), (0, 1), (1, 1):
        also = np.flatnonzero((both[:, 0] | (e == 0)) & (both[:, 1] | (n == 0)))
        target.append(also)
        cell.append(low[also] + (e, n))
    of, at = np.concatenate(target), np.concatenate(cell)
    order = np.lexsort((of, at[:, 0], at[:, 1]))
    return of[order], at[order]


def cut_into_tiles(cells: Cells, targets: FloatArray, k: int, base: float) -> Cut:
    """Cut targets (T, 2) into tiles: squares of side ``base / 2^m`` of a lattice.

    A tile is halved while it is `too_wide`. Where a tile lies depends on the readings alone, never
    on which targets are asked for. A tile has the weight 1 inside, which falls over its edges in a
    straight line, from `BLEND` of its side within to as much without, where it is 0. The shares
    are these weights over their sum.
    """
    roots, cell = in_roots(targets, base)
    begin = np.flatnonzero(np.diff(cell, axis=0, prepend=cell[:1] - 1).any(axis=1))
    end = np.r_[begin[1:], len(roots)]
    side = np.full(len(begin), base)
    coarsest = np.column_stack((begin, end, cell[begin] * base, side)).astype(np.float64)
    room = 2 * len(roots) + 64
    while True:
        stack = np.concatenate((coarsest, np.empty((_DEEPEST, 5))))
        pool, target = np.empty(room, np.int64), np.empty(room, np.int64)
        weight = np.empty(room)
        pool[: len(roots)] = roots
        start, corner = np.zeros(room + 1, np.int64), np.empty((room, 3))
        count = halve(cells, targets, k, stack, len(begin), pool, target, weight, start, corner)
        if count >= 0:
            break
        room *= 2
    start = start[: count + 1].copy()
    target, weight = target[: start[-1]].copy(), weight[: start[-1]].copy()
    weight /= np.bincount(target, weight, len(targets))[target]
    return Cut(target, weight, start, corner[:count].copy())


@compiled
def halve(cells, targets, k, stack, depth, pool, target, weight, start, corner):  # type: ignore[no-untyped-def]
    """Halve the tiles on a stack until none is too wide; -1 if the room given does not do.

    A tile on the ``stack`` (D, 5), of which ``depth`` are used, is the first and past-the-last of
    its targets in the ``pool`` (R,), and x, y and side. Fills ``target``, ``weight`` (R,),
    ``start`` (R + 1,) and ``corner`` (R, 3), and returns the number of tiles; see `Cut`.
    """
    coarsest, room = stack[0, 4], len(pool)
    at = tiles = 0
    while depth > 0:
        depth -= 1
        begin, end = int(stack[depth, 0]), int(stack[depth, 1])
        x, y, side = stack[depth, 2], stack[depth, 3], stack[depth, 4]
        if side > coarsest * _SMALLEST and too_wide(cells, x, y, side, k):
            # What was pushed later is done: its room, from ``end`` on, is free again.
            half, margin, to = side / 2.0, BLEND * side / 2.0, end
            if end + 4 * (end - begin) > room:
                return -1
            for quarter in range(4):
                left = to
                px, py = x + half * (quarter % 2), y + half * (quarter // 2)
                for i in range(begin, end):
                    if within(targets, pool[i], px, py, half, margin):
                        pool[to] = pool[i]
                        to += 1
                if to > left:
                    stack[depth, 0], stack[depth, 1] = left, to
                    stack[depth, 2], stack[depth, 3], stack[depth, 4] = px, py, half
                    depth += 1
            continue
        if at + end - begin > room:
            return -1
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
                at += 1
        if at > first:
            corner[tiles, 0], corner[tiles, 1], corner[tiles, 2] = x, y, side
            tiles += 1
            start[tiles] = at
    return tiles


@compiled
def shared_neighbourhood(cells, x, y, side, many):  # type: ignore[no-untyped-def]
    """Readings that are nearest to a tile and its margin, nearest first: ``many`` or all."""
    many = min(many, len(cells.reading))
    index, distance = np.empty(many, dtype=np.int64), np.empty(many)
    half = (0.5 + BLEND) * side
    nearest(cells, x + side / 2.0, y + side / 2.0, half, many, index, distance)
    return index
