"""The map's grid of nodes and the excavation's grid of named squares, on one origin.

A node is the centre of a cell of ``node_m``; cells are counted from the origin of the squares, so
that a square whose side is a whole number of cells is a union of whole cells.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import pandas as pd
import shapely
import xarray as xr
from numpy.typing import ArrayLike, NDArray
from shapely.geometry.base import BaseGeometry

FloatArray: TypeAlias = NDArray[np.float64]

# Cells and squares are counted in whole steps; a corner within this share of a step is on the line.
_SNAP = 1e-6
_MOST_SQUARES = 4_000_000
_SQUARE_NAME = re.compile(r"([A-Z]{1,4})([1-9][0-9]{0,5})")


@dataclass(frozen=True, eq=False)
class Grid:
    """A regular grid of nodes at cell centres.

    Parameters
    ----------
    e : ndarray, shape (K,)
        Grid east of the node columns, ascending, metres.
    n : ndarray, shape (L,)
        Grid north of the node rows, ascending, metres.
    node_m : float
        Side of a cell, metres.
    """

    e: FloatArray
    n: FloatArray
    node_m: float

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns: (L, K), as arrays on (n, e) have."""
        return len(self.n), len(self.e)

    @property
    def size(self) -> int:
        """Number of nodes."""
        return len(self.n) * len(self.e)

    @property
    def nodes(self) -> FloatArray:
        """Node coordinates e, n, shape (L * K, 2), in the order of an (n, e) array read by rows."""
        e, n = np.meshgrid(self.e, self.n)
        return np.column_stack([e.ravel(), n.ravel()])

    @property
    def extent(self) -> tuple[float, float, float, float]:
        """Edges of the outermost cells: e_min, e_max, n_min, n_max, metres."""
        half = self.node_m / 2
        return (
            float(self.e[0] - half),
            float(self.e[-1] + half),
            float(self.n[0] - half),
            float(self.n[-1] + half),
        )

    def inside(self, polygon: BaseGeometry) -> NDArray[np.bool_]:
        """Which nodes lie in a polygon or on its edge, shape (L, K)."""
        e, n = np.meshgrid(self.e, self.n)
        shapely.prepare(polygon)
        return np.asarray(shapely.intersects_xy(polygon, e, n), dtype=bool)

    def field(self, values: ArrayLike, name: str, units: str, long_name: str) -> xr.DataArray:
        """Lay values on the grid.

        Parameters
        ----------
        values : array_like, shape (L, K) or (L * K,)
            Values at the nodes, in the order of :attr:`nodes` where flat.
        name, units, long_name : str
            Name of the variable and its CF attributes.

        Returns
        -------
        xarray.DataArray
            On dims (n, e), with coordinate attributes.
        """
        return xr.DataArray(
            np.asarray(values).reshape(self.shape),
            dims=("n", "e"),
            coords={
                "n": ("n", self.n, {"units": "m", "long_name": "grid north", "axis": "Y"}),
                "e": ("e", self.e, {"units": "m", "long_name": "grid east", "axis": "X"}),
            },
            name=name,
            attrs={"units": units, "long_name": long_name},
        )


def default_origin(outline: BaseGeometry) -> tuple[float, float]:
    """Return the squares' origin where none is given: the lower left, floored to whole metres."""
    e_min, n_min, _, _ = outline.bounds
    return float(math.floor(e_min)), float(math.floor(n_min))


def site_grid(
    outline: BaseGeometry, overlap_m: float, node_m: float, origin: tuple[float, float]
) -> Grid:
    """Lay the grid of nodes over a site.

    Parameters
    ----------
    outline : shapely.Polygon
        The site, local coordinates.
    overlap_m : float
        Margin past the outline, metres.
    node_m : float
        Side of a cell, metres.
    origin : tuple of float
        Corner of a cell: the origin of the excavation squares.

    Returns
    -------
    Grid
        Whole cells counted from `origin` that cover the bounds of the outline grown by `overlap_m`.
    """
    first_e, first_n, last_e, last_n = _cells(outline, overlap_m, node_m, origin)
    return Grid(
        e=np.asarray(origin[0] + (np.arange(first_e, last_e) + 0.5) * node_m, dtype=np.float64),
        n=np.asarray(origin[1] + (np.arange(first_n, last_n) + 0.5) * node_m, dtype=np.float64),
        node_m=node_m,
    )


def node_count(
    outline: BaseGeometry, overlap_m: float, node_m: float, origin: tuple[float, float]
) -> int:
    """Count the nodes `site_grid` would lay, without laying them."""
    first_e, first_n, last_e, last_n = _cells(outline, overlap_m, node_m, origin)
    return (last_e - first_e) * (last_n - first_n)


def square_names(outline: BaseGeometry, size_m: float, origin: tuple[float, float]) -> pd.DataFrame:
    """Name every excavation square that holds some of the site.

    Parameters
    ----------
    outline : shapely.Polygon
        The site, local coordinates.
    size_m : float
        Side of a square, metres.
    origin : tuple of float
        South-west corner of square A1; not east or north of the outline's lower left.

    Returns
    -------
    pandas.DataFrame
        Columns ``square``, ``e_min``, ``n_min``, ``size_m``; A1, A2, ... then B1, B2, ... Letters
        run with e (A to Z, then AA, AB, ...), numbers with n from 1. A square that meets the
        outline only along its edge is not among them.

    Raises
    ------
    ValueError
        Where the outline lies partly west or south of the origin, where squares have no name.
    """
    first_e, first_n, last_e, last_n = _cells(outline, 0.0, size_m, origin)
    if first_e < 0 or first_n < 0:
        raise ValueError(f"the outline reaches west or south of the squares' origin {origin}")
    column = np.repeat(np.arange(first_e, last_e), last_n - first_n)
    row = np.tile(np.arange(first_n, last_n), last_e - first_e)
    e_min, n_min = origin[0] + column * size_m, origin[1] + row * size_m
    boxes = shapely.box(e_min, n_min, e_min + size_m, n_min + size_m)
    shapely.prepare(outline)
    # A sliver from rounding is not a square of the site.
    share = shapely.area(shapely.intersection(boxes, outline)) / size_m**2
    held = share > _SNAP
    names = [f"{column_letters(c)}{r + 1}" for c, r in zip(column[held], row[held], strict=True)]
    return pd.DataFrame(
        {"square": names, "e_min": e_min[held], "n_min": n_min[held], "size_m": float(size_m)}
    )


def known_squares(
    outline: BaseGeometry, size_m: float, origin: tuple[float, float] | None
) -> list[str] | None:
    """List the names of the site's squares; None where they cannot be laid."""
    origin = origin or default_origin(outline)
    try:
        if node_count(outline, 0.0, size_m, origin) > _MOST_SQUARES:
            return None
        return [str(name) for name in square_names(outline, size_m, origin)["square"]]
    except ValueError:
        return None


def square_at(
    e: ArrayLike, n: ArrayLike, size_m: float, origin: tuple[float, float]
) -> NDArray[np.object_]:
    """Name the square each position lies in; an empty text west or south of the origin."""
    column, row = square_cells(e, n, size_m, origin)
    named = (column >= 0) & (row >= 0)
    letters = {int(c): column_letters(int(c)) for c in np.unique(column[named])}
    flat = [
        f"{letters[int(c)]}{r + 1}" if ok else ""
        for c, r, ok in zip(column.ravel(), row.ravel(), named.ravel(), strict=True)
    ]
    return np.array(flat, dtype=object).reshape(column.shape)


def square_cells(
    e: ArrayLike, n: ArrayLike, size_m: float, origin: tuple[float, float]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Count the column and row of squares each position lies in, both from 0 at the origin.

    A position on the line between two squares lies in the eastern or northern one.
    """
    column, row = np.broadcast_arrays(
        np.floor((np.asarray(e, dtype=float) - origin[0]) / size_m + _SNAP),
        np.floor((np.asarray(n, dtype=float) - origin[1]) / size_m + _SNAP),
    )
    known = np.isfinite(column) & np.isfinite(row)
    return np.where(known, column, -1).astype(int), np.where(known, row, -1).astype(int)


def column_letters(index: int) -> str:
    """Letters of a column counted from 0: A to Z, then AA, AB, ... as a spreadsheet counts."""
    letters = ""
    index += 1
    while index:
        index, digit = divmod(index - 1, 26)
        letters = chr(ord("A") + digit) + letters
    return letters


def is_square_name(name: str) -> bool:
    """Whether a text has the form of a square's name: capital letters, then a number from 1."""
    return _SQUARE_NAME.fullmatch(name) is not None


def _cells(
    outline: BaseGeometry, margin_m: float, step_m: float, origin: tuple[float, float]
) -> tuple[int, int, int, int]:
    """First and one-past-last cell index along e and n that cover the outline grown by a margin."""
    e_min, n_min, e_max, n_max = outline.bounds
    low = [(e_min - margin_m - origin[0]) / step_m, (n_min - margin_m - origin[1]) / step_m]
    high = [(e_max + margin_m - origin[0]) / step_m, (n_max + margin_m - origin[1]) / step_m]
    first_e, first_n = (math.floor(x + _SNAP) for x in low)
    last_e, last_n = (math.ceil(x - _SNAP) for x in high)
    return first_e, first_n, last_e, last_n
