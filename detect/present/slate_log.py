"""The empty log of a dive slate: a column a lane, a row a distance, cells to write readings in."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection

from detect.present.numbers import records

_T = TypeVar("_T")
# More than this only wastes slate.
_TALL_ROW_MM, _WIDE_COLUMN_MM = 9.0, 45.0
_DISTANCE_MM, _HEAD_MM = 12.0, 9.5
_PT_PER_MM = 72.0 / 25.4
BETWEEN_MM = 4.0
"""Between two parts of a log side by side."""


@dataclass(frozen=True)
class Cell:
    """The least room for one figure.

    Parameters
    ----------
    column_mm, row_mm : float
        Its width and height.
    """

    column_mm: float
    row_mm: float


#: what a gloved hand writes a figure into with ease, and what three figures just go into (tried on
#: paper; common practice, no source): a diver would rather carry one page less than write larger
CELLS = (Cell(17.0, 6.2), Cell(12.0, 5.4))


@dataclass(frozen=True)
class LogColumn:
    """One leg to be logged.

    Parameters
    ----------
    lane : str
    first_m, last_m : float
        Distances from the lane's start peg between which the leg lies.
    outward : bool
        Swum away from the start peg, so the column is filled from the top down.
    """

    lane: str
    first_m: float
    last_m: float
    outward: bool


@dataclass(frozen=True)
class LogSheet:
    """The part of a log that goes on one page.

    Parameters
    ----------
    columns : tuple of LogColumn
    distances_m : tuple of float
        One for each row.
    row_mm, column_mm : float
        Size of a cell.
    """

    columns: tuple[LogColumn, ...]
    distances_m: tuple[float, ...]
    row_mm: float
    column_mm: float

    @property
    def width_mm(self) -> float:
        """Width with its distances."""
        return _DISTANCE_MM + len(self.columns) * self.column_mm

    @property
    def height_mm(self) -> float:
        """Height with its head."""
        return _HEAD_MM + len(self.distances_m) * self.row_mm


def log_columns(legs: pd.DataFrame, lanes: pd.DataFrame | None) -> list[LogColumn]:
    """Return for each leg the distances from its lane's start peg between which it is swum."""
    own = None if lanes is None else lanes[lanes["lane"].isin(legs["lane"])]
    pegs = {} if own is None else {str(lane.lane): lane for lane in records(own)}
    columns = []
    for leg in records(legs):
        lane = pegs.get(str(leg.lane))
        if lane is None:
            ends = (0.0, float(leg.length_m))
        else:
            start = (float(lane.start_e), float(lane.start_n))
            ends = (
                math.hypot(leg.from_e - start[0], leg.from_n - start[1]),
                math.hypot(leg.to_e - start[0], leg.to_n - start[1]),
            )
        columns.append(LogColumn(str(leg.lane), min(ends), max(ends), ends[1] >= ends[0]))
    return columns


def lay_out_log(
    columns: Sequence[LogColumn],
    step_m: float,
    width_mm: float,
    height_mm: float,
    cell: Cell = CELLS[0],
) -> list[LogSheet]:
    """Spread a log over as many sheets as it needs.

    Parameters
    ----------
    columns : sequence of LogColumn
        In the order swum.
    step_m : float
        Distance between rows.
    width_mm, height_mm : float
        Room on a page.
    cell : Cell
        The least room for a figure.

    Returns
    -------
    list of LogSheet
        Lanes first side by side; what does not fit goes on the next sheet.
    """
    across = max(1, int((width_mm - _DISTANCE_MM) / cell.column_mm + 1e-9))
    most = max(1, int((height_mm - _HEAD_MM) / cell.row_mm + 1e-9))
    sheets = []
    for own in _shared(columns, across):
        distances = _distances(own, step_m)
        for rows in _shared(distances, most):
            tall = min(_TALL_ROW_MM, (height_mm - _HEAD_MM) / len(rows))
            wide = min(_WIDE_COLUMN_MM, (width_mm - _DISTANCE_MM) / len(own))
            sheets.append(LogSheet(tuple(own), tuple(rows), tall, wide))
    return sheets


def _shared(items: Sequence[_T], most: int) -> list[Sequence[_T]]:
    """Return items in order in the fewest parts of at most so many, as equal as may be.

    Equal shares look better than a full page and a nearly empty one.
    """
    if not items:
        return []
    share = math.ceil(len(items) / math.ceil(len(items) / most))
    return [items[i : i + share] for i in range(0, len(items), share)]


def log_pages(
    columns: Sequence[LogColumn], step_m: float, width_mm: float, height_mm: float
) -> list[list[LogSheet]]:
    """Return the log on the fewest pages, with the largest cells that these allow.

    Parameters
    ----------
    columns, step_m, width_mm, height_mm
        As for `lay_out_log`.

    Returns
    -------
    list of list of LogSheet
        For each page its parts from left to right: long lanes may go on beside their beginning.
    """
    best: list[list[LogSheet]] | None = None
    for cell in CELLS:
        plain = [[sheet] for sheet in lay_out_log(columns, step_m, width_mm, height_mm, cell)]
        for pages in (plain, _beside(columns, step_m, width_mm, height_mm, cell)):
            if pages is not None and (best is None or len(pages) < len(best)):
                best = pages
    return best or []


def _beside(
    columns: Sequence[LogColumn], step_m: float, width_mm: float, height_mm: float, cell: Cell
) -> list[list[LogSheet]] | None:
    """Return pages on which lanes longer than a page go on beside their beginning, if they can."""
    most = max(1, int((height_mm - _HEAD_MM) / cell.row_mm + 1e-9))
    parts = math.ceil(len(_distances(columns, step_m)) / most)
    room = (width_mm - (parts - 1) * BETWEEN_MM) / max(parts, 1)
    across = int((room - _DISTANCE_MM) / cell.column_mm + 1e-9)
    if parts < 2 or across < 1:
        return None
    return [
        lay_out_log(own, step_m, room, height_mm, cell) for own in _shared(list(columns), across)
    ]


def one_sheet(
    columns: Sequence[LogColumn], step_m: float, width_mm: float, height_mm: float
) -> LogSheet | None:
    """Return the log as one sheet if all of it fits into the room given, else None."""
    if height_mm < _HEAD_MM + CELLS[0].row_mm:
        return None
    sheets = lay_out_log(columns, step_m, width_mm, height_mm)
    return sheets[0] if len(sheets) == 1 else None


def draw_log(axes: Axes, sheet: LogSheet, x: float, y: float, scale: float) -> None:
    """Draw the empty grid; cells past a lane's ends are struck through.

    Parameters
    ----------
    axes : Axes
        Page axes in millimetres, y downwards.
    sheet : LogSheet
    x, y : float
        Upper left corner, mm.
    scale : float
        Type size relative to A4.
    """
    rows, columns = len(sheet.distances_m), len(sheet.columns)
    right = x + _DISTANCE_MM + columns * sheet.column_mm
    top = y + _HEAD_MM
    bottom = top + rows * sheet.row_mm
    words: dict[str, Any] = {"color": "black", "weight": "bold", "va": "center_baseline"}
    axes.text(x + _DISTANCE_MM - 2, y + _HEAD_MM / 2, "m", ha="right", fontsize=10 * scale, **words)
    lines: list[list[tuple[float, float]]] = []
    for j in range(rows + 1):
        lines.append([(x, top + j * sheet.row_mm), (right, top + j * sheet.row_mm)])
    for i in range(columns + 1):
        edge = x + _DISTANCE_MM + i * sheet.column_mm
        lines.append([(edge, y), (edge, bottom)])
    for j, distance in enumerate(sheet.distances_m):
        middle = top + (j + 0.5) * sheet.row_mm
        size = min(11.0, sheet.row_mm * 1.7) * scale
        axes.text(x + _DISTANCE_MM - 2, middle, f"{distance:g}", ha="right", fontsize=size, **words)
    for i, column in enumerate(sheet.columns):
        left = x + _DISTANCE_MM + i * sheet.column_mm
        arrow = "↓" if column.outward else "↑"
        # 0.70 em is a generous mean width of bold letters.
        size = min(11.0 * scale, sheet.column_mm * _PT_PER_MM / (0.70 * max(len(column.lane), 1)))
        middle = left + sheet.column_mm / 2
        axes.text(middle, y + 0.27 * _HEAD_MM, column.lane, ha="center", fontsize=size, **words)
        axes.text(middle, y + 0.74 * _HEAD_MM, arrow, ha="center", fontsize=12 * scale, **words)
        for j, distance in enumerate(sheet.distances_m):
            if not column.first_m - 1e-6 <= distance <= column.last_m + 1e-6:
                upper = top + j * sheet.row_mm
                lines.append([(left, upper + sheet.row_mm), (left + sheet.column_mm, upper)])
    axes.add_collection(LineCollection(lines, colors="black", linewidths=0.8))


def _distances(columns: Sequence[LogColumn], step_m: float) -> list[float]:
    """Return the round distances that any of the legs reaches."""
    first = min((column.first_m for column in columns), default=0.0)
    last = max((column.last_m for column in columns), default=0.0)
    low, high = math.ceil(first / step_m - 1e-6), math.floor(last / step_m + 1e-6)
    return [float(d) for d in np.round(np.arange(low, high + 1) * step_m, 6)]
