"""The excavation squares as a table: names, corners, and what keeps one out of the order."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import shapely
from shapely.geometry import Polygon

from detect.survey.grid import square_cells, square_names
from detect.survey.outlines import KeepOutArea
from detect.survey.settings import Squares


def square_layout(
    outline: Polygon,
    settings: Squares,
    origin: tuple[float, float],
    keep_outs: Sequence[KeepOutArea] = (),
    remains: Sequence[KeepOutArea] = (),
) -> pd.DataFrame:
    """Lay the squares over the site and say which may be opened.

    Parameters
    ----------
    outline : Polygon
        The site as known.
    settings : Squares
        Size, reserve and excluded squares.
    origin : (e, n)
        South-west corner of square A1, m.
    keep_outs : sequence of KeepOutArea
        A square whose centre lies in one is excluded for its reason.
    remains : sequence of KeepOutArea
        What stands out of the bed: a square that holds some says so.

    Returns
    -------
    DataFrame
        ``square, e_min, n_min, size_m, status, why``; ``status`` is ``open``, ``reserve`` or
        ``excluded``. What the director wrote goes before what follows from a keep-out.
    """
    layout = square_names(outline, settings.size_m, origin)
    middle, half = centres(layout), settings.size_m / 2.0
    centre = shapely.points(middle)
    cells = shapely.box(*(middle - half).T, *(middle + half).T)
    status = np.full(len(layout), "open", dtype=object)
    why = np.full(len(layout), "", dtype=object)
    for area in remains:
        here = shapely.relate_pattern(area.polygon, cells, "T********")
        _add(why, here, f"visible remains in it, {_called(area)}")
    for area in keep_outs:
        inside = shapely.contains(area.polygon, centre)
        status[inside], why[inside] = "excluded", _called(area)
        part = shapely.intersects(area.polygon, cells) & ~inside
        _add(why, part, f"part of it is kept out, {_called(area)}")
    reserve = layout["square"].isin(settings.reserve).to_numpy()
    status[reserve], why[reserve] = "reserve", "kept for those who come later"
    for entry in settings.excluded:
        mine = (layout["square"] == entry.square).to_numpy()
        status[mine], why[mine] = "excluded", entry.reason
    return layout.assign(status=status, why=why)


def _add(why: np.ndarray, where: np.ndarray, said: str) -> None:
    """Put words behind those that stand for some squares already."""
    why[where] = [f"{before}; {said}" if before else said for before in why[where]]


def _called(area: KeepOutArea) -> str:
    """Return an area's name and, where there is one, its reason."""
    return f"{area.name}: {area.reason}".rstrip(": ")


def centres(layout: pd.DataFrame) -> np.ndarray:
    """Return the squares' centres, ``(M, 2)``, m."""
    half = layout["size_m"].to_numpy(float)[:, None] / 2.0
    return np.asarray(layout[["e_min", "n_min"]].to_numpy(float) + half)


def square_of(
    layout: pd.DataFrame, e: np.ndarray, n: np.ndarray, origin: tuple[float, float]
) -> np.ndarray:
    """Return the name of the square each point lies in; empty outside all of them.

    Parameters
    ----------
    layout : DataFrame
        From :func:`square_layout`.
    e, n : (N,) array
        Points, m.
    origin : (e, n)
        South-west corner of square A1, m.

    Returns
    -------
    (N,) array of str
    """
    row = _row_of_square(layout, e, n, origin)
    return np.where(row >= 0, layout["square"].to_numpy(object)[row], "")


def mean_over_squares(
    layout: pd.DataFrame, nodes: np.ndarray, values: np.ndarray, origin: tuple[float, float]
) -> np.ndarray:
    """Average node values over each square.

    Parameters
    ----------
    layout : DataFrame
        M squares.
    nodes : (K, 2) array
        Points, m.
    values : (..., K) array
        One field or several; NaN is left out.
    origin : (e, n)
        South-west corner of square A1, m.

    Returns
    -------
    (..., M) array
        NaN for a square that holds no point with a value.
    """
    owner = _row_of_square(layout, nodes[:, 0], nodes[:, 1], origin)
    fields = np.reshape(values, (-1, len(owner)))
    out = np.full((len(fields), len(layout)), np.nan)
    for row, field in zip(out, fields, strict=True):
        kept = (owner >= 0) & np.isfinite(field)
        count = np.bincount(owner[kept], minlength=len(layout))
        total = np.bincount(owner[kept], field[kept], minlength=len(layout))
        np.divide(total, count, out=row, where=count > 0)
    return out.reshape(*np.shape(values)[:-1], len(layout))


def _row_of_square(
    layout: pd.DataFrame, e: np.ndarray, n: np.ndarray, origin: tuple[float, float]
) -> np.ndarray:
    """Return the row of the layout whose square each point (K,) lies in; -1 outside all."""
    size = float(layout["size_m"].iloc[0])
    middle_e, middle_n = centres(layout).T
    column, row = square_cells(middle_e, middle_n, size, origin)
    rows = np.full((row.max() + 1, column.max() + 1), -1)
    rows[row, column] = np.arange(len(layout))
    east, north = square_cells(e, n, size, origin)
    inside = (east >= 0) & (north >= 0) & (east < rows.shape[1]) & (north < rows.shape[0])
    return np.where(inside, rows[np.where(inside, north, 0), np.where(inside, east, 0)], -1)
