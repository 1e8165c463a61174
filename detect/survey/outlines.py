"""From typed corners to sound polygons, and whether a position is near the site."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike, NDArray
from shapely.geometry import LineString, Point, Polygon

from detect.survey.errors import Problem
from detect.survey.settings import SETTINGS_FILE, Area

# What the site's own polygon is called in a problem.
_SITE = "outline"
Corners = Sequence[tuple[float, float]]


@dataclass(frozen=True)
class KeepOutArea:
    """A place nobody swims or probes.

    Parameters
    ----------
    name, reason : str
        What it is and why it is kept out of.
    polygon : shapely.Polygon
        Local coordinates, metres.
    """

    name: str
    reason: str
    polygon: Polygon


def sound_polygon(corners: Corners, key: str, noun: str) -> tuple[Polygon | None, list[Problem]]:
    """Turn corners into a polygon, or say everything that is wrong with them.

    Parameters
    ----------
    corners : sequence of (e, n)
        In order round the polygon; the first may be repeated at the end.
    key : str
        Dotted key of ``survey.toml``, for the problem.
    noun : str
        What to call the polygon, for the problem.

    Returns
    -------
    shapely.Polygon or None
        Counter-clockwise; None where there is a problem.
    list of Problem
        Too few corners, sides that cross or touch (each pair), no area.
    """
    ring = [corner for i, corner in enumerate(corners) if i == 0 or corner != corners[i - 1]]
    if len(ring) > 1 and ring[0] == ring[-1]:
        ring.pop()
    if len(set(ring)) < 3:
        return None, [
            Problem(
                SETTINGS_FILE,
                f"the {noun} has {len(set(ring))} different points and needs at least 3",
                "give the corners in order, as [[e, n], [e, n], [e, n]]",
                column=key,
            )
        ]
    polygon = Polygon(ring)
    if polygon.is_valid and polygon.area > 0:
        return shapely.geometry.polygon.orient(polygon), []
    crossings = _crossings(ring)
    if not crossings:
        return None, [
            Problem(
                SETTINGS_FILE,
                f"the {noun} encloses no area: its points lie on one line",
                "give the corners in order round the site",
                column=key,
            )
        ]
    return None, [
        Problem(
            SETTINGS_FILE,
            f"the {noun} crosses itself: the side from point {i + 1} to {(i + 1) % len(ring) + 1} "
            f"meets that from {j + 1} to {(j + 1) % len(ring) + 1} near e {e:.2f}, n {n:.2f}",
            "put the points in order round the polygon (each is counted from 1)"
            + ("; until then no position of a table is held against it" if noun == _SITE else ""),
            column=key,
        )
        for i, j, e, n in crossings
    ]


def site_polygons(
    area: Area,
) -> tuple[Polygon | None, tuple[KeepOutArea, ...], list[Problem], list[Problem]]:
    """Build the outline and the keep-outs of a survey.

    Returns
    -------
    tuple
        The outline (None where it is unsound), the sound keep-outs, problems, notices (keep-outs
        that do not reach the site).
    """
    outline, problems = sound_polygon(area.outline, "area.outline", _SITE)
    keep_outs: list[KeepOutArea] = []
    notices: list[Problem] = []
    for i, keep_out in enumerate(area.keep_out, start=1):
        key = f"area.keep_out.{i}.polygon"
        polygon, found = sound_polygon(keep_out.polygon, key, f'keep-out "{keep_out.name}"')
        problems += found
        if polygon is None:
            continue
        keep_outs.append(KeepOutArea(keep_out.name, keep_out.reason, polygon))
        if outline is not None and polygon.distance(outline) > area.overlap_m:
            notices.append(
                Problem(
                    SETTINGS_FILE,
                    f'keep-out "{keep_out.name}" lies wholly outside the site',
                    "check its corners",
                    column=key,
                )
            )
        if outline is not None and polygon.covers(outline):
            problems.append(
                Problem(
                    SETTINGS_FILE,
                    f'keep-out "{keep_out.name}" covers the whole site',
                    "check its corners: nothing is left to survey",
                    column=key,
                )
            )
    return outline, tuple(keep_outs), problems, notices


def baseline_notices(
    baseline: tuple[tuple[float, float], tuple[float, float]] | None,
    keep_outs: Iterable[KeepOutArea],
) -> list[Problem]:
    """Say where the baseline has a peg within a keep-out, or its rope runs through one."""
    if baseline is None:
        return []
    rope = LineString(baseline)
    notices = []
    for area in keep_outs:
        pegs = [
            f"{peg} peg e {place[0]:.10g}, n {place[1]:.10g}"
            for peg, place in zip(("zero", "far"), baseline, strict=True)
            if area.polygon.intersects(Point(place))
        ]
        if pegs:
            what = f"the baseline's {' and '.join(pegs)} {'lies' if len(pegs) == 1 else 'lie'}"
            what += f' within the keep-out "{area.name}"'
            remedy = "no peg may be set there: end the baseline short of it, or check the corners"
        elif rope.crosses(area.polygon):
            what = f'the baseline runs through the keep-out "{area.name}"'
            remedy = "no rope may be laid there: move the baseline, or tape round it"
        else:
            continue
        notices.append(Problem(SETTINGS_FILE, what, remedy, column="frame.baseline"))
    return notices


def remains_polygons(area: Area | None) -> tuple[tuple[KeepOutArea, ...], list[Problem]]:
    """Build the visible remains of a survey; also return what is wrong with their corners."""
    remains: list[KeepOutArea] = []
    problems: list[Problem] = []
    for i, one in enumerate(() if area is None else area.visible_remains, start=1):
        key = f"area.visible_remains.{i}.polygon"
        polygon, found = sound_polygon(one.polygon, key, f'outline of "{one.name}"')
        problems += found
        if polygon is not None:
            remains.append(KeepOutArea(one.name, one.reason, polygon))
    return tuple(remains), problems


def far_limit_m(outline: Polygon) -> float:
    """How far from the outline a position may lie: 10 m, or half the bounds' diagonal if more."""
    e_min, n_min, e_max, n_max = outline.bounds
    return max(10.0, math.hypot(e_max - e_min, n_max - n_min) / 2)


def distance_off(outline: Polygon, e: ArrayLike, n: ArrayLike) -> NDArray[np.float64]:
    """Distance of positions from the outline, metres; 0 inside; NaN for an unknown position."""
    shapely.prepare(outline)
    e, n = np.asarray(e, dtype=float), np.asarray(n, dtype=float)
    known = np.isfinite(e) & np.isfinite(n)
    off = np.full(e.shape, np.nan)
    off[known] = shapely.distance(outline, shapely.points(e[known], n[known]))
    return off


def far_positions(
    table: pd.DataFrame,
    outline: Polygon,
    file: str,
    e: str = "e",
    n: str = "n",
    noun: str = "position",
) -> list[Problem]:
    """Name every row of a table whose position is far off the site.

    Parameters
    ----------
    table : pandas.DataFrame
        With columns `e`, `n` and ``row``.
    outline : shapely.Polygon
        The site.
    file : str
        The table's file.
    e, n : str
        The columns that hold the position.
    noun : str
        What to call the position.

    Returns
    -------
    list of Problem
        One a row; where e and n changed over would lie near the site, the remedy says so.
    """
    limit = far_limit_m(outline)
    off = distance_off(outline, table[e], table[n])
    far = np.flatnonzero(off > limit)
    if not len(far):
        return []
    swapped = distance_off(outline, table[n].iloc[far], table[e].iloc[far]) <= limit
    problems = []
    for i, swap in zip(far, swapped, strict=True):
        row = table.iloc[i]
        remedy = "check the position and the outline"
        if swap:
            remedy = "e and n look changed over: swapped, it would lie on or near the site"
        problems.append(
            Problem(
                file,
                f"{noun} e {row[e]:.10g}, n {row[n]:.10g} is {off[i]:.0f} m off the site "
                f"(at most {limit:.0f} m is taken)",
                remedy,
                row=int(row["row"]),
                column=f"{e}, {n}",
            )
        )
    return problems


def _crossings(ring: Corners) -> list[tuple[int, int, float, float]]:
    """Pairs of sides that meet where they should not: (i, j, e, n), sides counted from 0."""
    count = len(ring)
    sides = np.array(
        [LineString([ring[i], ring[(i + 1) % count]]) for i in range(count)], dtype=object
    )
    first, second = np.triu_indices(count, k=1)
    met = shapely.intersection(sides[first], sides[second])
    neighbours = (second - first == 1) | ((first == 0) & (second == count - 1))
    # Neighbours share a corner; they meet wrongly only where one runs back along the other.
    wrong = ~shapely.is_empty(met) & ~(neighbours & (shapely.length(met) == 0))
    places = shapely.centroid(met[wrong])
    return [
        (int(i), int(j), float(place.x), float(place.y))
        for i, j, place in zip(first[wrong], second[wrong], places, strict=True)
    ]
