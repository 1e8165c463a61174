"""Parallel lanes laid over an area at one bearing: geometry only."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

# Lengths closer than this are the same length.
_SAME_M = 1e-7


@dataclass(frozen=True)
class Piece:
    """A straight stretch to swim: one lane, or what keep-outs leave of it.

    Attributes
    ----------
    lane : int
        Number of the lane line it lies on, 0 at the left of the bearing.
    across_m : float
        Place of the line across the bearing, m (positive to the right).
    start_m, end_m : float
        Places along the bearing, m, ``start_m < end_m``.
    """

    lane: int
    across_m: float
    start_m: float
    end_m: float

    @property
    def length_m(self) -> float:
        """Length, m."""
        return self.end_m - self.start_m


def turned(geometry: BaseGeometry, bearing_deg: float) -> BaseGeometry:
    """Return the geometry in (across, along) coordinates of a bearing; along is the second."""
    sin, cos = _sin_cos(bearing_deg)

    def turn(points: NDArray[np.float64]) -> NDArray[np.float64]:
        e, n = points[:, 0], points[:, 1]
        return np.column_stack([e * cos - n * sin, e * sin + n * cos])

    return shapely.transform(geometry, turn)


def turned_back(across: Any, along: Any, bearing_deg: float) -> tuple[Any, Any]:
    """Return the grid coordinates (e, n) of places given across and along a bearing."""
    sin, cos = _sin_cos(bearing_deg)
    return across * cos + along * sin, along * cos - across * sin


def lane_places(low: float, high: float, held: tuple[float, float] | None, spacing: float) -> Any:
    """Return evenly spaced places of lanes across a strip, and their distance.

    Parameters
    ----------
    low, high : float
        Edges of the strip; every point of it comes to lie between two lanes or within half a
        spacing of one.
    held : tuple of float or None
        Edges that must lie between the outermost lanes, so that lanes on both sides look at
        every point between; None asks for none.
    spacing : float
        Largest distance between lanes.

    Returns
    -------
    places : ndarray
        Ascending.
    distance : float
        Distance between neighbours, at most ``spacing``.
    """
    count = max(1, int(np.ceil((high - low) / spacing - _SAME_M)))
    if held is not None and held[1] - held[0] > _SAME_M:
        count = max(count, 1 + int(np.ceil((held[1] - held[0]) / spacing - _SAME_M)))
    distance = (high - low) / count
    places = low + distance * (np.arange(count) + 0.5)
    if held is None or count == 1:
        return places, distance
    if places[0] > held[0] + _SAME_M or places[-1] < held[1] - _SAME_M:
        first, last = min(places[0], held[0]), max(places[-1], held[1])
        count = 1 + int(np.ceil((last - first) / spacing - _SAME_M))
        distance = (last - first) / (count - 1)
        places = first + distance * np.arange(count)
    return places, distance


def lay_strips(
    area: BaseGeometry,
    spacing_m: float,
    bearing_deg: float,
    *,
    held: BaseGeometry | None = None,
    keep_out: BaseGeometry | None = None,
    swim_through_m: float = 0.0,
) -> tuple[list[Piece], float]:
    """Lay parallel lanes over an area.

    Parameters
    ----------
    area : shapely geometry
        What to cover, grid coordinates.
    spacing_m : float
        Largest distance between lanes, m.
    bearing_deg : float
        Grid bearing of the lanes.
    held : shapely geometry, optional
        Part of the area (the outline within its margin) of which every point must have a lane
        abeam on each side.
    keep_out : shapely geometry, optional
        Where no lane runs.
    swim_through_m : float
        A break in the area (not a keep-out) shorter than this is swum through.

    Returns
    -------
    pieces : list of Piece
        By lane, then along the bearing. Lanes wholly inside keep-outs leave no piece and no number.
    distance : float
        Distance between lanes, m.

    Notes
    -----
    A lane covers the whole extent of the area within its own strip, half way to its neighbours,
    so that a slanted edge is not missed between lane ends; and the extent of ``held`` as far as
    its neighbours, so that each point of it is passed on both sides.
    """
    across_area = turned(area, bearing_deg)
    low, bottom, high, top = across_area.bounds
    across_held = turned(held, bearing_deg) if held is not None else None
    held_edges = None
    if across_held is not None:
        held_low, _, held_high, _ = across_held.bounds
        held_edges = (max(low, held_low), min(high, held_high))
    places, distance = lane_places(low, high, held_edges, spacing_m)

    middles = 0.5 * (places[:-1] + places[1:])
    left = np.concatenate([[min(low, places[0])], middles])
    right = np.concatenate([middles, [max(high, places[-1])]])
    strips = [shapely.intersection(shapely.box(left, bottom, right, top), across_area)]
    if across_held is not None:
        wide = shapely.box(places - distance, bottom, places + distance, top)
        strips.append(shapely.intersection(wide, across_held))
    barred = turned(keep_out, bearing_deg) if keep_out is not None else None
    if barred is not None:
        shapely.prepare(barred)

    lines = shapely.linestrings([[(x, bottom), (x, top)] for x in places])
    # Most lines meet no keep-out at all: those are asked for in one go.
    met = [False] * len(places) if barred is None else shapely.intersects(barred, lines).tolist()
    pieces: list[Piece] = []
    lane = 0
    for row, extents in enumerate(_extents(strips)):
        across = float(places[row])
        swum = [
            Piece(lane, across, start, end)
            for run in _merged(extents, swim_through_m)
            for start, end in clear_of(barred if met[row] else None, across, *run)
        ]
        if swum:
            pieces.extend(swum)
            lane += 1
    return pieces, float(distance)


def lay_crossing(
    area: BaseGeometry,
    held: BaseGeometry,
    count: int,
    bearing_deg: float,
    keep_out: BaseGeometry | None,
    swim_through_m: float,
) -> list[Piece]:
    """Lay ``count`` lines over an area, evenly spread over the width of ``held`` across them.

    Parameters
    ----------
    area, held : shapely geometry
        The site with and without its margin, grid coordinates.
    count : int
        Number of lines.
    bearing_deg : float
        Their grid bearing.
    keep_out : shapely geometry or None
        Where none runs.
    swim_through_m : float
        A break in the area shorter than this is swum through.

    Returns
    -------
    list of Piece
        By line, then along the bearing.
    """
    across_area, across_held = turned(area, bearing_deg), turned(held, bearing_deg)
    barred = turned(keep_out, bearing_deg) if keep_out is not None else None
    _, bottom, _, top = across_area.bounds
    low, _, high, _ = across_held.bounds
    pieces = []
    for lane, place in enumerate(low + (high - low) * (np.arange(count) + 0.5) / count):
        line = shapely.LineString([(place, bottom), (place, top)])
        cut = shapely.get_parts(shapely.intersection(line, across_area))
        extents = sorted((float(part.bounds[1]), float(part.bounds[3])) for part in cut)
        for run in _merged([e for e in extents if e[1] - e[0] > _SAME_M], swim_through_m):
            pieces += [
                Piece(lane, float(place), start, end)
                for start, end in clear_of(barred, float(place), *run)
            ]
    return pieces


def _extents(strips: Sequence[NDArray[Any]]) -> list[list[tuple[float, float]]]:
    """Return, strip by strip, the extents along the lane of each connected part that has area."""
    extents: list[list[tuple[float, float]]] = [[] for _ in strips[0]]
    for strip in strips:
        parts, row = shapely.get_parts(strip, return_index=True)
        start, end = shapely.bounds(parts)[:, [1, 3]].T
        kept = (shapely.area(parts) > 0.0) & (end - start > _SAME_M)
        for r, low, high in zip(
            row[kept].tolist(), start[kept].tolist(), end[kept].tolist(), strict=True
        ):
            extents[r].append((low, high))
    return [sorted(own) for own in extents]


def _merged(extents: list[tuple[float, float]], gap: float) -> list[tuple[float, float]]:
    """Return the union of the extents, breaks up to ``gap`` closed."""
    runs: list[tuple[float, float]] = []
    for start, end in extents:
        if runs and start - runs[-1][1] <= gap + _SAME_M:
            runs[-1] = (runs[-1][0], max(runs[-1][1], end))
        else:
            runs.append((start, end))
    return runs


def clear_of(
    barred: BaseGeometry | None, across: float, start: float, end: float
) -> list[tuple[float, float]]:
    """Return what is left of a straight run when the keep-outs are cut out of it."""
    line = shapely.LineString([(across, start), (across, end)])
    if barred is None or not shapely.intersects(barred, line):
        return [(start, end)]
    crossed = shapely.get_parts(shapely.intersection(line, barred))
    cuts = sorted((float(part.bounds[1]), float(part.bounds[3])) for part in crossed)
    # A line that only touches a keep-out at a point is not cut there.
    cuts = _merged([cut for cut in cuts if cut[1] - cut[0] > _SAME_M], 0.0)
    edges = [start, *[edge for cut in cuts for edge in cut], end]
    return [(a, b) for k, (a, b) in enumerate(pairwise(edges)) if k % 2 == 0 and b - a > _SAME_M]


def _sin_cos(bearing_deg: float) -> tuple[float, float]:
    """Return sine and cosine, exact at the quarter turns (so that north-south lanes are)."""
    quarter = bearing_deg % 360.0 / 90.0
    if quarter == int(quarter):
        return [(0.0, 1.0), (1.0, 0.0), (0.0, -1.0), (-1.0, 0.0)][int(quarter) % 4]
    angle = np.radians(bearing_deg)
    return float(np.sin(angle)), float(np.cos(angle))
