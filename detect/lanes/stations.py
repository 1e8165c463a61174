"""Where to push the probe: grids that find a feature of given size with given probability."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from shapely.geometry.base import BaseGeometry

from detect.lanes.features import Feature, Pattern, feature_spacing
from detect.lanes.field import FloatArray
from detect.lanes.strips import turned, turned_back

# Places at which the site is sampled to see what share of it the stations reach; the first few
# are enough to throw out a poor set of stations.
_SAMPLES = 20_000
_SCREENS = ((150, 0.04), (800, 0.015), (4_000, 0.004))
# Spacings tried, as shares of the endless grid's; and how far outside the site a grid point may
# lie, in radii, and still be brought in to the site's edge.
_SCALES = (1.08, 1.06, 1.04, 1.02, 1.0, 0.98, 0.96, 0.94)
_BROUGHT_IN = (0.0, 0.3, 0.6, 1.0)
# Stations keep this far from the site's edge and from keep-outs, where the site is wide enough.
_EDGE_M = 0.05
_MOST_STATIONS = 20_000
# Stations looked at around one ellipse; farther ones are left out, so the share errs low.
_NEAREST = 12


@dataclass(frozen=True, eq=False)
class _Layout:
    pattern: Pattern
    spacing: float
    points: FloatArray
    rows: NDArray[np.int64]


def probe_stations(
    outline: BaseGeometry,
    feature: Feature | float,
    find_probability: float,
    keep_outs: Iterable[Any] = (),
    *,
    pattern: Pattern | Literal["best"] = "best",
    bearing_deg: float = 0.0,
) -> pd.DataFrame:
    """Return the fewest probe stations that find a feature with the probability asked for.

    Parameters
    ----------
    outline : shapely.Polygon
        The site, grid coordinates.
    feature : Feature or float
        What is to be found; a number is the diameter of a round feature, m.
    find_probability : float
        Probability that a feature whose centre lies anywhere in the site (keep-outs left out)
        is touched by at least one station.
    keep_outs : iterable
        Polygons, or records with a ``polygon`` attribute; no station lies in one.
    pattern : {"best", "square", "triangular"}
        Grid of stations; "best" takes the one with fewer.
    bearing_deg : float
        Grid bearing of the rows; a feature of known bearing has rows along it.

    Returns
    -------
    pandas.DataFrame
        Columns ``station`` (P001, ... along rows, to and fro), ``e``, ``n`` (m). ``attrs`` hold
        ``pattern``, ``spacing_m`` (across the feature, where its bearing is known) and
        ``find_probability`` as reached (over the site, edges and keep-outs included, from 20,000
        evenly scattered places: good to a few tenths of a percent).

    Raises
    ------
    ValueError
        If the feature or the probability is out of range, or asks for more than 20,000 stations.

    Notes
    -----
    Layouts near the endless grid's spacing (`detect.lanes.features.feature_spacing`), shifted, and
    with grid points just outside the site brought in to its edge, are tried from the fewest
    stations up until one reaches the probability on this very site. (On a convex site the endless
    grid with all points within a radius brought in always does for a disc: bringing a point in
    moves it nearer to everything inside.) For an ellipse of known bearing the site is shrunk along
    it until the ellipse is a disc; one that may lie any way round is dropped at a random bearing
    at each place. The probe is assumed to reach the feature's depth and to be thin. Pushing a
    probe can damage what it finds, needs a permit in many waters, and is never done on a strong
    anomaly that may be ordnance.
    """
    if not isinstance(feature, Feature):
        feature = Feature(float(feature), float(feature))
    shrink = 1.0
    if feature.bearing_deg is not None and not feature.round:
        bearing_deg, shrink = feature.bearing_deg, feature.width_m / feature.length_m
        feature = Feature(feature.width_m, feature.width_m)
    wanted: tuple[Pattern, ...] = ("triangular", "square") if pattern == "best" else (pattern,)
    spacing_of = {name: feature_spacing(feature, find_probability, name) for name in wanted}
    polygons = [getattr(item, "polygon", item) for item in keep_outs]
    site = outline.difference(shapely.union_all(polygons)) if polygons else outline
    if site.is_empty or site.area <= 0:
        nothing = _Layout(wanted[0], float("nan"), np.empty((0, 2)), np.empty(0, dtype=np.int64))
        return _as_frame(nothing, 0.0, bearing_deg, shrink)
    # No set of stations can reach more than its ellipses' own area.
    area = shapely.transform(turned(site, bearing_deg), lambda p: p * np.array([1.0, shrink]))
    least = area.area * find_probability / feature.area_m2
    if least > _MOST_STATIONS:
        raise ValueError(
            f"features of {feature.length_m:g} m over {site.area:.0f} m² would need more than "
            f"{_MOST_STATIONS} probe stations"
        )
    samples = _scatter(area)
    scales = np.array(_SCALES)
    radius = 0.5 * float(np.sqrt(feature.length_m * feature.width_m))
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
            reached = _reached(layout.points, samples, feature, find_probability)
            if reached >= find_probability:
                return _as_frame(layout, reached, bearing_deg, shrink)
        # A ragged site: closer grids.
        scales = scales * 0.88


def _reached(points: FloatArray, samples: FloatArray, feature: Feature, wanted: float) -> float:
    """Return the share of features met by a point; 0 if clearly below ``wanted``."""
    tree = cKDTree(points)
    for first, slack in _SCREENS:
        if float(np.mean(_met(tree, samples[:first], feature))) < wanted - slack:
            return 0.0
    return float(np.mean(_met(tree, samples, feature)))


def _met(tree: cKDTree, samples: FloatArray, feature: Feature) -> NDArray[np.bool_]:
    """Return which features, centred at the samples, hold a point; bearings evenly scattered."""
    reach = 0.5 * feature.length_m * (1 + 1e-9)
    if feature.round:
        distance, _ = tree.query(samples, distance_upper_bound=reach)
        return np.isfinite(distance)
    # By the golden ratio, apart from the scatter's own two steps.
    bearing = np.pi * ((np.arange(len(samples)) * 0.6180339887498949) % 1.0)
    most = min(tree.n, _NEAREST)
    near = np.atleast_2d(tree.query(samples, k=most, distance_upper_bound=reach)[1].T).T
    sin, cos = np.sin(bearing)[:, None], np.cos(bearing)[:, None]
    places = np.concatenate([tree.data, np.full((1, 2), 1e12)])  # where there is none so near
    away = places[near] - samples[:, None, :]
    along = away[..., 0] * sin + away[..., 1] * cos
    across = away[..., 0] * cos - away[..., 1] * sin
    inside = (2.0 * along / feature.length_m) ** 2 + (2.0 * across / feature.width_m) ** 2 <= 1.0
    return np.asarray(inside.any(axis=1))


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


def _as_frame(layout: _Layout, reached: float, bearing: float, shrink: float) -> pd.DataFrame:
    # Row by row, every other one backwards: the way they are swum.
    rank = np.unique(layout.rows, return_inverse=True)[1]
    along = np.where(rank % 2 == 0, layout.points[:, 0], -layout.points[:, 0])
    order = np.lexsort((along, rank))
    e, n = turned_back(layout.points[order, 0], layout.points[order, 1] / shrink, bearing)
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
