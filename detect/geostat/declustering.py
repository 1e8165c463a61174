"""Weights that undo crowded sampling: a mean of the site, and not of where it was read most."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from detect.geostat.errors import FloatArray, GeostatError, as_points, as_values
from detect.geostat.repeats import first_of_place


def cell_weights(points: npt.ArrayLike, size_m: float, shifts: int = 8) -> FloatArray:
    r"""Weights by cells: each occupied cell counts once, shared among its readings.

    The lattice of square cells is laid ``shifts`` times, moved each time by an equal part of a
    cell along both axes, and the weights are averaged over them: where its corner lies must not
    matter.

    Parameters
    ----------
    points : (N, 2) array
        Positions ``e, n``, metres.
    size_m : float
        Side of a cell, metres. For lanes, their spacing.
    shifts : int
        Layings of the lattice.

    Returns
    -------
    (N,) array
        Weights, of mean 1.

    Raises
    ------
    GeostatError
        NaN, or a side or number of shifts that is not positive.

    Notes
    -----
    Source: Journel, Math. Geology 15 (1983) 445-468; Deutsch, Computers & Geosciences 15 (1989)
    325-332 (both from memory). Limit: cells on the rim of the site hold less of it and yet count
    whole.
    """
    position = as_points(points)
    if not 0 < size_m < np.inf or shifts < 1:
        raise GeostatError(f"size_m = {size_m} and shifts = {shifts} must be positive")
    corner = position.min(axis=0)
    total = np.zeros(len(position))
    for shift in range(shifts):
        cell = np.floor((position - corner) / size_m + shift / shifts).astype(np.int64)
        _, inside, count = np.unique(cell, axis=0, return_inverse=True, return_counts=True)
        total += 1.0 / count[inside.ravel()] / len(count)
    return total * len(position) / total.sum()


def polygon_weights(points: npt.ArrayLike, outline: shapely.Polygon | None = None) -> FloatArray:
    r"""Weights by area of influence: the part of the site nearer to a reading than to any other.

    Parameters
    ----------
    points : (N, 2) array
        Positions ``e, n``, metres.
    outline : Polygon, optional
        The site; default the convex hull of the points. A reading whose area lies outside weighs
        nothing.

    Returns
    -------
    (N,) array
        Weights, of mean 1; readings at one place share theirs.

    Raises
    ------
    GeostatError
        NaN, fewer than three places or all on one line, or an outline that no area meets.

    Notes
    -----
    Source: Isaaks & Srivastava, Applied Geostatistics (1989), ch. 10 (polygons of influence; from
    memory). Limit: readings on the rim take what lies between them and the outline.
    """
    position = as_points(points)
    first, place = first_of_place(position)
    sites = position[first]
    whole = shapely.convex_hull(shapely.multipoints(sites)) if outline is None else outline
    if outline is not None and shapely.area(outline) == 0:
        raise GeostatError("the outline has no area")
    if len(sites) < 3 or shapely.area(whole) == 0:
        raise GeostatError("areas of influence need three places that are not on one line")
    cells = np.array(
        shapely.voronoi_polygons(shapely.multipoints(sites), extend_to=whole.buffer(1.0)).geoms
    )
    owner, cell = shapely.STRtree(cells).query(shapely.points(sites), predicate="intersects")
    area = np.zeros(len(sites))
    area[owner] = shapely.area(shapely.intersection(cells, whole))[cell]
    if area.sum() == 0:
        raise GeostatError("the outline holds no part of any reading's area")
    weights = (area / np.bincount(place))[place]
    return weights * len(position) / weights.sum()


def cell_size_table(
    points: npt.ArrayLike, values: npt.ArrayLike, sizes_m: npt.ArrayLike, shifts: int = 8
) -> pd.DataFrame:
    """Declustered mean for a choice of cell sizes.

    Where high readings were crowded the mean falls to a least and rises again as cells grow; the
    size of the least is the usual choice (Deutsch 1989, from memory), and where low ones were, of
    the greatest.

    Parameters
    ----------
    points, values : (N, 2) and (N,) arrays
        Positions, metres, and readings.
    sizes_m : (K,) array
        Sides to try, metres.
    shifts : int
        As of `cell_weights`.

    Returns
    -------
    DataFrame
        ``size_m``, ``mean``, ``sd``.
    """
    position = as_points(points)
    reading = as_values(values, len(position))
    rows = []
    for size in np.atleast_1d(np.asarray(sizes_m, dtype=float)):
        mean, sd = weighted_moments(reading, cell_weights(position, float(size), shifts))
        rows.append({"size_m": float(size), "mean": mean, "sd": sd})
    return pd.DataFrame(rows)


def weighted_moments(values: npt.ArrayLike, weights: npt.ArrayLike) -> tuple[float, float]:
    """Weighted mean and standard deviation of the readings, both in their unit."""
    reading = as_values(values, np.size(values))
    w = as_values(weights, len(reading), "weights")
    if (w < 0).any() or w.sum() == 0:
        raise GeostatError("weights must not be negative, nor all 0")
    mean = float(np.average(reading, weights=w))
    return mean, float(np.sqrt(np.average((reading - mean) ** 2, weights=w)))
