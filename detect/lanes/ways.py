"""The way from lane to lane: straight where that is free, else the shortest round keep-outs."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

Point = tuple[float, float]
_Points = NDArray[np.float64]

# A way may run along a keep-out's edge, and lane ends lie on it to a tenth of a millimetre.
_TOUCH_M = 1e-3
# A wall that no way crosses: so far out, and thicker than what counts as touching.
_FAR_M = 1e4
_WALL_M = 5 * _TOUCH_M
# Keep-outs traced with more corners than this are rounded off outwards first, ever more coarsely.
_MOST_CORNERS = 240
_FIRST_ROUNDING_M = 0.05


@dataclass(frozen=True)
class Way:
    """How a diver comes from one place to another.

    Attributes
    ----------
    length_m : float
        Along the way, m.
    via : tuple of (e, n)
        Places at which it turns, in order, m; empty where it is straight.
    clear : bool
        False where keep-outs leave no way: it is then straight through them.
    """

    length_m: float
    via: tuple[Point, ...] = ()
    clear: bool = True


def written_via(places: Iterable[Point]) -> str:
    """Write the places at which a way turns as a table's cell: ``e n; e n``, m."""
    return "; ".join(f"{e:.2f} {n:.2f}" for e, n in places)


def read_via(text: str) -> list[Point]:
    """Return the places that `written_via` wrote."""
    numbers = [float(part) for part in text.replace(";", " ").split()]
    return list(zip(numbers[::2], numbers[1::2], strict=True))


class Ways:
    r"""Shortest ways that stay out of keep-outs.

    A shortest way among polygons is a chain of straight lines that turns only at their convex
    corners, so it is a shortest path in the *visibility graph*: corners joined where the line
    between them meets no keep-out. With :math:`D` the shortest distances between corners, and
    :math:`a_i, b_j` the straight distances from the two ends to the corners seen from them, its
    length is :math:`\min_{ij} (a_i + D_{ij} + b_j)`.

    Parameters
    ----------
    keep_outs : iterable
        Polygons, or records with a ``polygon`` attribute, grown by the margin to keep from them.

    Notes
    -----
    Sources: T. Lozano-Pérez and M. A. Wesley, *Communications of the ACM* 22 (1979) 560-570, for
    the graph (from memory); E. W. Dijkstra, *Numerische Mathematik* 1 (1959) 269-271, for the paths
    in it, by SciPy. Limit: the way is on the plan, not over the top; keep-outs traced with many
    corners are rounded off outwards, by a few centimetres as a rule, and the way is hardly longer.
    """

    def __init__(self, keep_outs: Iterable[Any] = ()) -> None:
        polygons = [getattr(item, "polygon", item) for item in keep_outs]
        self._barred: BaseGeometry = shapely.union_all(polygons)
        self._core = self._barred.buffer(-_TOUCH_M)
        shapely.prepare(self._core)
        self._known: dict[tuple[Point, Point], Way] = {}
        self._around: dict[tuple[Point, Point, bytes], Way] = {}

    def between(self, start: Point, end: Point) -> Way:
        """Return the shortest way from `start` to `end`, m."""
        if (start, end) not in self._known:
            self._known[start, end] = self._found(start, end)
        return self._known[start, end]

    @cached_property
    def parts(self) -> list[BaseGeometry]:
        """The keep-outs, those that meet as one."""
        return list(shapely.get_parts(self._barred))

    def other_side(self, start: Point, end: Point, part: BaseGeometry) -> Way | None:
        """Return the shortest way that passes one of `parts` on the other side; None without one.

        A wall is set from within the keep-out through a corner at which the shortest way turns, and
        on past everything: whoever does not cross it passes on the other side.
        """
        turns = self.between(start, end).via
        if not turns:
            return None
        inside = shapely.get_coordinates(shapely.point_on_surface(part))[0]
        corner = min(turns, key=lambda place: float(shapely.distance(part, shapely.Point(place))))
        out = np.subtract(corner, inside)
        far = inside + out / np.hypot(*out) * _FAR_M
        wall = shapely.LineString([inside, far]).buffer(_WALL_M)
        key = (start, end, shapely.to_wkb(part))
        if key not in self._around:
            self._around[key] = Ways([self._barred, wall]).between(start, end)
        other = self._around[key]
        # A way round the far end of the wall is none.
        return other if other.clear and other.length_m < _FAR_M else None

    def _found(self, start: Point, end: Point) -> Way:
        straight = float(np.hypot(end[0] - start[0], end[1] - start[1]))
        ends = np.array([start, end])
        if self._core.is_empty or self._free(ends[:1], ends[1:])[0]:
            return Way(straight)
        corners, between, before = self._graph
        from_start, to_end = self._seen_from(ends[0]), self._seen_from(ends[1])
        total = from_start[:, None] + between + to_end[None, :]
        first, last = divmod(int(np.argmin(total)), len(corners)) if len(corners) else (0, 0)
        if not len(corners) or not np.isfinite(total[first, last]):
            return Way(straight, clear=False)
        chain = [last]
        while chain[-1] != first:
            chain.append(int(before[first, chain[-1]]))
        via = tuple((float(e), float(n)) for e, n in corners[chain[::-1]])
        return Way(float(total[first, last]), via)

    def _free(self, starts: _Points, ends: _Points) -> NDArray[np.bool_]:
        """Return which of some straight lines meet no keep-out; touching one is free."""
        lines = shapely.linestrings(np.stack([starts, ends], axis=1))
        return ~np.asarray(shapely.intersects(self._core, lines), dtype=bool)

    def _seen_from(self, place: _Points) -> _Points:
        """Return the straight distance from a place to each corner, infinite where unseen."""
        corners = self._graph[0]
        away = np.hypot(*(corners - place).T)
        return np.where(self._free(np.broadcast_to(place, corners.shape), corners), away, np.inf)

    @cached_property
    def _graph(self) -> tuple[_Points, _Points, NDArray[np.int32]]:
        """Return the corners, the shortest distances between them, and where each came from."""
        from scipy.sparse.csgraph import dijkstra  # slow to load, and seldom needed

        # Corners of what is rounded off lie a little off the keep-outs; what is seen is held
        # against the keep-outs as they are, on whose edges lanes end.
        corners = _convex_corners(_rounded_off(self._barred))
        one, other = np.triu_indices(len(corners), k=1)
        free = self._free(corners[one], corners[other]) if len(one) else np.zeros(0, dtype=bool)
        apart = np.zeros((len(corners), len(corners)))
        # A zero means "not joined" to SciPy; the lower half is read as the upper.
        apart[one[free], other[free]] = np.hypot(*(corners[one] - corners[other])[free].T)
        if not len(corners):
            return corners, apart, np.zeros((0, 0), dtype=np.int32)
        between, before = dijkstra(apart, directed=False, return_predecessors=True)
        return corners, between, before


def _rounded_off(barred: BaseGeometry) -> BaseGeometry:
    """Return keep-outs with few enough corners, never smaller than they were."""
    simple, tolerance = barred, _FIRST_ROUNDING_M
    while shapely.get_num_coordinates(simple) > _MOST_CORNERS and tolerance < 100.0:
        # What simplifying cuts off is at most the tolerance deep: grown by it, all is inside again.
        simple = barred.simplify(tolerance).buffer(tolerance, join_style="mitre")
        tolerance *= 2.0
    return simple


def _convex_corners(barred: BaseGeometry) -> _Points:
    """Return the corners at which a taut rope round the polygons can turn, shape (N, 2)."""
    found = [np.zeros((0, 2))]
    for polygon in shapely.get_parts(barred):
        polygon = shapely.normalize(polygon)
        for ring in (polygon.exterior, *polygon.interiors):
            places = shapely.get_coordinates(ring)[:-1]
            into, on = places - np.roll(places, 1, axis=0), np.roll(places, -1, axis=0) - places
            # Normalised rings keep the ground that is barred on their right: outward is a turn to
            # the right, in a hole as outside.
            turn = into[:, 0] * on[:, 1] - into[:, 1] * on[:, 0]
            found.append(places[turn < 0.0])
    return np.concatenate(found)
