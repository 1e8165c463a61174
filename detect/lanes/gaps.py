"""What was missed: connected areas of the site that fall short of the promise."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import pandas as pd
import shapely
import xarray as xr
from numpy.typing import NDArray
from scipy import ndimage
from shapely.geometry.base import BaseGeometry

from detect.lanes.field import FloatArray

GAP_COLUMNS = ("gap", "e", "n", "area_m2", "worst_pod", "mean_pod", "outline_wkt")
TOLERANCE = 0.005
"""A cell this little below the required POD is no gap. Lanes spaced to meet it exactly lie on it,
readings a few centimetres apart take a few thousandths off, and no POD is known that well."""


def find_gaps(
    cover: xr.Dataset,
    outline: BaseGeometry,
    keep_outs: Iterable[Any],
    required_pod: float,
    *,
    tolerance: float = TOLERANCE,
) -> pd.DataFrame:
    """Return the connected areas inside the outline where POD falls short.

    Parameters
    ----------
    cover : xarray.Dataset
        ``pod`` on (n, e), as `detect.lanes.coverage.coverage` returns.
    outline : shapely.Polygon
        The site, grid coordinates.
    keep_outs : iterable
        Polygons, or records with a ``polygon`` attribute; what lies in one is not a gap.
    required_pod : float
        Probability of detection asked for.
    tolerance : float
        How far below it a cell may lie and be no gap.

    Returns
    -------
    pandas.DataFrame
        Largest first: ``gap`` (G01, ...), ``e``, ``n`` (the cell of the gap nearest to its
        centre, m), ``area_m2`` (of its cells), ``worst_pod``, ``mean_pod`` and ``outline_wkt``
        (well-known text; the union of its cells).

    Notes
    -----
    A cell belongs where its centre lies, so areas are good to about half a cell along the edge.
    Cells that touch by a corner are one gap.
    """
    short = short_cells(cover, outline, keep_outs, required_pod, tolerance)
    labels, count = ndimage.label(short, structure=np.ones((3, 3)))
    e, n, node = _axes(cover)
    pod = cover["pod"].to_numpy()
    rows: list[dict[str, Any]] = []
    for number, window in enumerate(ndimage.find_objects(labels), start=1):
        own = labels[window] == number
        row, column = np.nonzero(own)
        values = pod[window][own]
        gap_e, gap_n = e[window[1]][column], n[window[0]][row]
        middle = int(np.argmin(np.hypot(gap_e - gap_e.mean(), gap_n - gap_n.mean())))
        shape = _cells_as_polygon(own, e[window[1]], n[window[0]], node)
        rows.append(
            {
                "e": float(gap_e[middle]),
                "n": float(gap_n[middle]),
                "area_m2": float(own.sum()) * node**2,
                "worst_pod": float(values.min()),
                "mean_pod": float(values.mean()),
                "outline_wkt": shapely.to_wkt(shape, rounding_precision=4, trim=True),
            }
        )
    rows.sort(key=lambda gap: (-gap["area_m2"], gap["n"], gap["e"]))
    digits = max(2, len(str(count)))
    for k, gap in enumerate(rows, start=1):
        gap["gap"] = f"G{k:0{digits}d}"
    return pd.DataFrame(rows, columns=list(GAP_COLUMNS))


def short_in(
    gaps: pd.DataFrame,
    pods: Mapping[str, xr.DataArray],
    outline: BaseGeometry,
    keep_outs: Iterable[Any],
    required_pod: float,
) -> list[str]:
    """Return for each gap of `find_gaps` the names of those whose POD falls short in it.

    Parameters
    ----------
    gaps : pandas.DataFrame
        Found on the lowest of the PODs.
    pods : mapping of str to xarray.DataArray
        POD on (n, e) by the name of the class.
    outline, keep_outs, required_pod
        As for `find_gaps`.

    Returns
    -------
    list of str
        Names joined by commas.
    """
    keep_outs = list(keep_outs)
    places = {}
    for name, pod in pods.items():
        row, column = np.nonzero(
            short_cells(xr.Dataset({"pod": pod}), outline, keep_outs, required_pod)
        )
        places[name] = pod["e"].to_numpy()[column], pod["n"].to_numpy()[row]
    shapes = shapely.from_wkt(gaps["outline_wkt"].to_numpy(dtype=object))
    return [
        ", ".join(
            name
            for name, (e, n) in places.items()
            if bool(shapely.intersects_xy(shape, e, n).any())
        )
        for shape in shapes
    ]


def covered_share(
    cover: xr.Dataset,
    outline: BaseGeometry,
    keep_outs: Iterable[Any],
    required_pod: float,
) -> float:
    """Return the share of the site, keep-outs left out, that meets the required POD."""
    site = site_cells(cover, outline, keep_outs)
    short = short_cells(cover, outline, keep_outs, required_pod)
    return 1.0 - float(short.sum()) / float(site.sum()) if site.any() else float("nan")


def short_cells(
    cover: xr.Dataset,
    outline: BaseGeometry,
    keep_outs: Iterable[Any],
    required_pod: float,
    tolerance: float = TOLERANCE,
) -> NDArray[np.bool_]:
    """Return which cells of the site fall short of the required POD, shape (n, e)."""
    site = site_cells(cover, outline, keep_outs)
    return np.asarray(site & (cover["pod"].to_numpy() < required_pod - tolerance))


def site_cells(
    cover: xr.Dataset, outline: BaseGeometry, keep_outs: Iterable[Any]
) -> NDArray[np.bool_]:
    """Return which cells the team set out to search, shape (n, e): the outline less keep-outs."""
    e, n, _ = _axes(cover)
    all_e, all_n = np.meshgrid(e, n)
    shapely.prepare(outline)
    site = np.asarray(shapely.intersects_xy(outline, all_e, all_n), dtype=bool)
    for item in keep_outs:
        polygon = getattr(item, "polygon", item)
        shapely.prepare(polygon)
        site &= ~shapely.intersects_xy(polygon, all_e, all_n)
    return site


def _axes(cover: xr.Dataset) -> tuple[FloatArray, FloatArray, float]:
    e, n = cover["e"].to_numpy(), cover["n"].to_numpy()
    steps = np.concatenate([np.diff(e), np.diff(n)])
    if not len(steps):
        raise ValueError("a coverage of a single cell has no cell size")
    return e, n, float(np.median(steps))


def _cells_as_polygon(
    cells: NDArray[np.bool_], e: FloatArray, n: FloatArray, node: float
) -> BaseGeometry:
    """Return the union of cells, joined row by row first: far fewer boxes than cells."""
    half = 0.5 * node
    padded = np.pad(cells.astype(np.int8), ((0, 0), (1, 1)))
    row, first = np.nonzero(np.diff(padded, axis=1) == 1)
    _, past = np.nonzero(np.diff(padded, axis=1) == -1)
    # Corners counted from the window's first cell, so that neighbours share them to the last bit.
    left, right = e[0] + (first - 0.5) * node, e[0] + (past - 0.5) * node
    low, high = n[0] - half + row * node, n[0] - half + (row + 1) * node
    return shapely.union_all(shapely.box(left, low, right, high))
