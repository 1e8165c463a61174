"""Where to push the probe: grids that find a feature of given size with given probability."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.spatial import cKDTree
from shapely.geometry.base import BaseGeometry

from detect.lanes.field import FloatArray
from detect.lanes.strips import turned, turned_back

Pattern = Literal["square", "triangular"]

# Places at which the site is sampled to see what share of it the stations reach; the first few
# are enough to throw out a poor set of stations.
_SAMPLES = 20_000
_SCREEN = 1_000
_SCREEN_SLACK = 0.015
# Spacings tried, as shares of the endless grid's; and how far outside the site a grid point may
# lie, in radii, and still be brought in to the site's edge.
_SCALES = (1.08, 1.06, 1.04, 1.02, 1.0, 0.98, 0.96, 0.94)
_BROUGHT_IN = (0.0, 0.3, 0.6, 1.0)
# Stations keep this far from the site's edge and from keep-outs, where the site is wide enough.
_EDGE_M = 0.05
_MOST_STATIONS = 20_000


@dataclass(frozen=True, eq=False)
class _Layout:
    pattern: Pattern
    spacing: float
    points: FloatArray
    rows: NDArray[np.int64]


def hit_probability_square(radius: ArrayLike, spacing: ArrayLike) -> FloatArray:
    r"""Return the probability that a square grid of probes hits a disc dropped at random.

    The share of the plane within ``radius`` of a grid point. With :math:`x = r/s`: discs do not
    meet up to :math:`x = 1/2`; then each overlaps its four neighbours in lenses; from
    :math:`x = 1/\sqrt 2` the plane is covered.

    .. math:: P = \pi x^2 - 2 L(x), \qquad
              L(x) = 2x^2 \arccos\tfrac{1}{2x} - \tfrac12\sqrt{4x^2-1}

    Parameters
    ----------
    radius : array_like
        Radius of the disc, m (any unit, the same for both).
    spacing : array_like
        Side of the grid's square, m.

    Returns
    -------
    ndarray
        Probability; exact. Source: geometry of equal circles; values in check values, section 5.
    """
    x = np.asarray(radius, dtype=float) / np.asarray(spacing, dtype=float)
    return np.where(x >= np.sqrt(0.5), 1.0, np.clip(np.pi * x**2 - 2.0 * _lens(x), 0.0, 1.0))


def hit_probability_triangular(radius: ArrayLike, spacing: ArrayLike) -> FloatArray:
    r"""Return the probability that a triangular grid of probes hits a disc dropped at random.

    As for the square grid, with six neighbours and a cell of :math:`\sqrt 3/2\,s^2`:
    :math:`P = \frac{2}{\sqrt 3}(\pi x^2 - 3 L(x))`, and certain from :math:`x = 1/\sqrt 3`.

    Parameters
    ----------
    radius, spacing : array_like
        Radius of the disc and side of the grid's triangle, m.

    Returns
    -------
    ndarray
        Probability; exact.
    """
    x = np.asarray(radius, dtype=float) / np.asarray(spacing, dtype=float)
    inside = 2.0 / np.sqrt(3.0) * (np.pi * x**2 - 3.0 * _lens(x))
    return np.where(x >= 1.0 / np.sqrt(3.0), 1.0, np.clip(inside, 0.0, 1.0))


def probe_spacing(radius: float, probability: float, pattern: Pattern = "triangular") -> float:
    """Return the widest grid spacing that hits a disc with at least ``probability``.

    Parameters
    ----------
    radius : float
        Radius of the disc, m.
    probability : float
        Above 0, at most 1.
    pattern : {"square", "triangular"}
        Grid of stations.

    Returns
    -------
    float
        Spacing, m; the inverse of the two hit probabilities.

    Raises
    ------
    ValueError
        If the radius or the probability is out of range.
    """
    if not 0 < radius < np.inf:
        raise ValueError(f"the radius must be positive, not {radius}")
    if not 0 < probability <= 1:
        raise ValueError(f"the probability must be above 0 and at most 1, not {probability}")
    hit, cell, certain = {
        "square": (hit_probability_square, 1.0, np.sqrt(2.0)),
        "triangular": (hit_probability_triangular, np.sqrt(0.75), np.sqrt(3.0)),
    }[pattern]
    apart = np.sqrt(np.pi / (cell * probability))
    if apart >= 2.0:  # discs do not meet
        return float(radius * apart)
    if probability == 1.0:
        return float(radius * certain)
    return radius * float(
        brentq(lambda s: float(hit(1.0, s)) - probability, certain, 2.0, xtol=1e-13)
    )


def probe_stations(
    outline: BaseGeometry,
    feature_diameter_m: float,
    find_probability: float,
    keep_outs: Iterable[Any] = (),
    *,
    pattern: Pattern | Literal["best"] = "best",
    bearing_deg: float = 0.0,
) -> pd.DataFrame:
    """Return the fewest probe stations that find a round feature with the probability asked for.

    Parameters
    ----------
    outline : shapely.Polygon
        The site, grid coordinates.
    feature_diameter_m : float
        Diameter of the feature to be found, m.
    find_probability : float
        Probability that a feature whose centre lies anywhere in the site (keep-outs left out)
        is touched by at least one station.
    keep_outs : iterable
        Polygons, or records with a ``polygon`` attribute; no station lies in one.
    pattern : {"best", "square", "triangular"}
        Grid of stations; "best" takes the one with fewer.
    bearing_deg : float
        Grid bearing of the rows.

    Returns
    -------
    pandas.DataFrame
        Columns ``station`` (P001, ... along rows, to and fro), ``e``, ``n`` (m). ``attrs`` hold
        ``pattern``, ``spacing_m`` and ``find_probability`` as reached (over the site, edges and
        keep-outs included, from 20,000 evenly scattered places: good to a few tenths of a percent).

    Raises
    ------
    ValueError
        If the diameter or the probability is out of range, or asks for more than 20,000 stations.

    Notes
    -----
    Layouts near the endless grid's spacing (`probe_spacing`), shifted, and with grid points just
    outside the site brought in to its edge, are tried from the fewest stations up until one
    reaches the probability on this very site. (On a convex site the endless grid with all points
    within a radius brought in always does: bringing a point in moves it nearer to everything
    inside.) The probe is assumed to reach the feature's depth and to be thin. Pushing a probe can
    damage what it finds, needs a permit in many waters, and is never done on a strong anomaly
    that may be ordnance.
    """
    radius = 0.5 * float(feature_diameter_m)
    wanted: tuple[Pattern, ...] = ("triangular", "square") if pattern == "best" else (pattern,)
    spacing_of = {name: probe_spacing(radius, find_probability, name) for name in wanted}
    polygons = [getattr(item, "polygon", item) for item in keep_outs]
    site = outline.difference(shapely.union_all(polygons)) if polygons else outline
    if site.is_empty or site.area <= 0:
        nothing = _Layout(wanted[0], float("nan"), np.empty((0, 2)), np.empty(0, dtype=np.int64))
        return _as_frame(nothing, 0.0, bearing_deg)
    # No set of stations can reach more than its discs' own area.
    least = site.area * find_probability / (np.pi * radius**2)
    if least > _MOST_STATIONS:
        raise ValueError(
            f"features of {feature_diameter_m:g} m over {site.area:.0f} m² would need more than "
            f"{_MOST_STATIONS} probe stations"
        )
    area = turned(site, bearing_deg)
    samples = _scatter(area)
    scales = np.array(_SCALES)
    while True:
        layouts = [
            layout
            for name in wanted
            for scale in scales
            for layout in _layouts(area, name, scale * spacing_of[name], radius)
            if len(layout.points) >= least
        ]
        layouts.sort(key=lambda layout: len(layout.points))
        for layout in layouts:
            reached = _reached(layout.points, samples, radius, find_probability)
            if reached >= find_probability:
                return _as_frame(layout, reached, bearing_deg)
        # A ragged site: closer grids.
        scales = scales * 0.88


def _lens(x: FloatArray) -> FloatArray:
    """Return the overlap of two discs of radius ``x`` whose centres are 1 apart."""
    wide = np.maximum(x, 0.5)
    return 2.0 * wide**2 * np.arccos(0.5 / wide) - 0.5 * np.sqrt(4.0 * wide**2 - 1.0)


def _reached(points: FloatArray, samples: FloatArray, radius: float, wanted: float) -> float:
    """Return the share of the samples within a radius of a point; 0 if clearly below ``wanted``."""
    tree = cKDTree(points)
    distance, _ = tree.query(samples[:_SCREEN], distance_upper_bound=radius * (1 + 1e-9))
    if float(np.mean(np.isfinite(distance))) < wanted - _SCREEN_SLACK:
        return 0.0
    distance, _ = tree.query(samples, distance_upper_bound=radius * (1 + 1e-9))
    return float(np.mean(np.isfinite(distance)))


def _scatter(area: BaseGeometry) -> FloatArray:
    """Return evenly scattered places in the area: an additive recurrence on two irrationals."""
    low_u, low_v, high_u, high_v = area.bounds
    share = area.area / ((high_u - low_u) * (high_v - low_v))
    index = np.arange(1, int(np.ceil(_SAMPLES / share)) + 1)
    # Steps by the plastic number's powers fill the square evenly (Roberts 2018, from memory).
    plastic = 1.324717957244746
    u = low_u + (high_u - low_u) * ((0.5 + index / plastic) % 1.0)
    v = low_v + (high_v - low_v) * ((0.5 + index / plastic**2) % 1.0)
    shapely.prepare(area)
    inside = shapely.intersects_xy(area, u, v)
    return np.column_stack([u[inside], v[inside]])


def _layouts(
    area: BaseGeometry, pattern: Pattern, spacing: float, radius: float
) -> Iterator[_Layout]:
    """Yield grids over the area: shifted, and with more or fewer points brought in from outside."""
    inner = area.buffer(-_EDGE_M)
    inner = area if inner.is_empty else inner
    shapely.prepare(inner)
    low_u, low_v, high_u, high_v = area.bounds
    row_step = spacing * (1.0 if pattern == "square" else float(np.sqrt(0.75)))
    u = np.arange(-2, int((high_u - low_u) / spacing) + 3) * spacing
    row = np.arange(-2, int((high_v - low_v) / row_step) + 3)
    stagger = 0.5 * spacing * (row % 2) if pattern == "triangular" else np.zeros(len(row))
    # Shifts matter where few rows fit; a wide site averages over them.
    count = area.area / (spacing * row_step)
    shifts = 5 if count < 200 else 3 if count < 1500 else 1
    for shift_v in (np.arange(shifts) + 0.5) / shifts:
        for shift_u in (np.arange(shifts) + 0.5) / shifts:
            all_u = (low_u + u[None, :] + stagger[:, None] + shift_u * spacing).ravel()
            all_v = np.repeat(low_v + (row + shift_v) * row_step, len(u))
            rows = np.repeat(row, len(u)).astype(np.int64)
            points = shapely.points(all_u, all_v)
            outside = np.zeros(len(points))
            far = ~shapely.intersects_xy(inner, all_u, all_v)
            outside[far] = shapely.distance(inner, points[far])
            near = outside <= radius
            edge = near & (outside > 0.0)
            # The shortest line from the site to the point starts at the site's nearest place.
            foot = shapely.get_point(shapely.shortest_line(inner, points[edge]), 0)
            all_u[edge], all_v[edge] = shapely.get_x(foot), shapely.get_y(foot)
            for share in _BROUGHT_IN:
                kept = outside <= share * radius
                if kept.any():
                    places = np.column_stack([all_u[kept], all_v[kept]])
                    yield _Layout(pattern, spacing, places, rows[kept])


def _as_frame(layout: _Layout, reached: float, bearing: float) -> pd.DataFrame:
    # Row by row, every other one backwards: the way they are swum.
    rank = np.unique(layout.rows, return_inverse=True)[1]
    along = np.where(rank % 2 == 0, layout.points[:, 0], -layout.points[:, 0])
    order = np.lexsort((along, rank))
    e, n = turned_back(layout.points[order, 0], layout.points[order, 1], bearing)
    digits = max(3, len(str(len(order))))
    frame = pd.DataFrame(
        {
            "station": [f"P{k + 1:0{digits}d}" for k in range(len(order))],
            "e": np.round(e, 4) + 0.0,
            "n": np.round(n, 4) + 0.0,
        }
    )
    frame.attrs.update(
        pattern=layout.pattern, spacing_m=float(layout.spacing), find_probability=reached
    )
    return frame
