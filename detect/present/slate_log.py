"""The empty log of a dive slate: a cell a metre, in the order in which the coil comes by.

A lane flows down a column and on into the next, as words do, so that a page is full whatever the
lanes' lengths; a lane swum back begins at its far end, so that one always writes downwards.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.collections import PolyCollection

from detect.lanes.pegs import TO_PEG_M
from detect.present.lettering import Block, write
from detect.present.numbers import records
from detect.present.pairs import pair_letters
from detect.present.style import lines_as_one

_PT_PER_MM = 72.0 / 25.4


@dataclass(frozen=True)
class Cell:
    """Room for one figure and, before it, the metre it is read at.

    Parameters
    ----------
    column_mm, row_mm : float
        Its width and height.
    """

    column_mm: float
    row_mm: float


#: from what a gloved hand writes into with ease to what three figures just go into (tried on
#: paper; common practice, no source): a diver would rather carry one page less than write larger
CELLS = (Cell(26.0, 8.0), Cell(21.0, 7.0), Cell(16.0, 6.2), Cell(13.5, 5.6))
_CORNERS = ((0, 0), (1, 0), (1, 1), (0, 1))
# On a front, under the table, nothing smaller than this: overleaf there is more room.
_LEAST_ON_FRONT = CELLS[1]


@dataclass(frozen=True)
class LogRun:
    """One leg to be logged.

    Parameters
    ----------
    lane : str
    direction : str
        "out" or "back".
    distances_m : tuple of float
        From the lane's start peg, in the order in which they are swum.
    diver : str
        "a" or "b" of a pair, blank where one swims.
    """

    lane: str
    direction: str
    distances_m: tuple[float, ...]
    diver: str = ""

    @property
    def name(self) -> str:
        """The lane's name, after whose it is."""
        return f"{self.diver} {self.lane}".strip()


@dataclass(frozen=True)
class LogPage:
    """What stands on one page of a log.

    Parameters
    ----------
    columns : tuple of tuple of str
        Rows from the top: the lane at the head of its distances, each written out.
    heads : tuple of tuple of bool
        Which rows name a lane.
    cell : Cell
    """

    columns: tuple[tuple[str, ...], ...]
    heads: tuple[tuple[bool, ...], ...]
    cell: Cell

    @property
    def width_mm(self) -> float:
        """Width of all columns."""
        return len(self.columns) * self.cell.column_mm

    @property
    def height_mm(self) -> float:
        """Height of the longest column."""
        return max((len(column) for column in self.columns), default=0) * self.cell.row_mm


def log_runs(legs: pd.DataFrame, lanes: pd.DataFrame | None, step_m: float) -> list[LogRun]:
    """Return for each leg the distances at which it is read, in the order swum.

    Parameters
    ----------
    legs : DataFrame
        ``lane, direction, from_e, from_n, to_e, to_n, length_m``.
    lanes : DataFrame or None
        From whose start pegs distances are counted; without them from where a leg begins.
    step_m : float
        Distance between readings.

    Returns
    -------
    list of LogRun
        Every round distance, and the leg's ends where they lie well between two.
    """
    own = None if lanes is None else lanes[lanes["lane"].isin(legs["lane"])]
    pegs = {} if own is None else {str(lane.lane): lane for lane in records(own)}
    runs = []
    for leg, diver in zip(records(legs), pair_letters(legs), strict=True):
        lane = pegs.get(str(leg.lane))
        ends = (0.0, float(leg.length_m))
        if lane is not None:
            start = (float(lane.start_e), float(lane.start_n))
            ends = (
                math.hypot(leg.from_e - start[0], leg.from_n - start[1]),
                math.hypot(leg.to_e - start[0], leg.to_n - start[1]),
            )
        distances = _distances(min(ends), max(ends), step_m)
        if ends[1] < ends[0]:
            distances.reverse()
        runs.append(LogRun(str(leg.lane), str(leg.direction), tuple(distances), diver))
    return runs


def log_pages(runs: Sequence[LogRun], width_mm: float, height_mm: float) -> list[LogPage]:
    """Return a log on the fewest pages, with the largest cells that these allow.

    Parameters
    ----------
    runs : sequence of LogRun
    width_mm, height_mm : float
        Room on a page.

    Returns
    -------
    list of LogPage
    """
    laid = [_flow(runs, width_mm, height_mm, cell) for cell in CELLS]
    # The first among equals: cells come from large to small.
    return min(laid, key=len)


def one_page(runs: Sequence[LogRun], width_mm: float, height_mm: float) -> LogPage | None:
    """Return the log as one page if it fits into the room given without small cells, else None."""
    for cell in CELLS[: CELLS.index(_LEAST_ON_FRONT) + 1]:
        pages = _flow(runs, width_mm, height_mm, cell) if height_mm > 4 * cell.row_mm else []
        if len(pages) == 1:
            return pages[0]
    return None


def _flow(runs: Sequence[LogRun], width_mm: float, height_mm: float, least: Cell) -> list[LogPage]:
    """Return pages of columns with cells of at least a size, filled one after another."""
    across = max(1, int(width_mm / least.column_mm + 1e-9))
    down = max(3, int(height_mm / least.row_mm + 1e-9))
    cell = Cell(width_mm / across, least.row_mm)
    columns: list[list[tuple[str, bool]]] = [[]]
    for run in runs:
        # A name alone at the foot of a column would be read past.
        if len(columns[-1]) > down - 2:
            columns.append([])
        columns[-1].append((f"{run.name} {run.direction}", True))
        for distance in run.distances_m:
            if len(columns[-1]) == down:
                columns.append([(f"{run.name} cont.", True)])
            columns[-1].append((f"{distance:g}", False))
    return [
        LogPage(
            tuple(tuple(words for words, _ in column) for column in own),
            tuple(tuple(head for _, head in column) for column in own),
            cell,
        )
        for own in (columns[i : i + across] for i in range(0, len(columns), across))
    ]


def draw_log(axes: Axes, page: LogPage, x: float, y: float, scale: float) -> None:
    """Draw the empty cells, each with its metre, and the lanes' names white on black.

    Parameters
    ----------
    axes : Axes
        Page axes in millimetres, y downwards.
    page : LogPage
    x, y : float
        Upper left corner, mm.
    scale : float
        Type size relative to A4.
    """
    wide, tall = page.cell.column_mm, page.cell.row_mm
    lines: list[list[tuple[float, float]]] = []
    heads_at: list[list[tuple[float, float]]] = []
    words: dict[str, Any] = {"weight": "bold", "va": "center_baseline"}
    rows = zip(page.columns, page.heads, strict=True)
    names = [text for own in rows for text, head in zip(*own, strict=True) if head]
    # 0.70 em is a generous mean width of bold letters.
    fits = (wide - 1.5) * _PT_PER_MM / (0.70 * max((len(name) for name in names), default=1))
    size_pt = min(1.45 * tall, 10.0) * scale
    figures = Block(axes, size_pt=size_pt, weight="bold", color="black")
    for i, (column, heads) in enumerate(zip(page.columns, page.heads, strict=True)):
        left, bottom = x + i * wide, y + len(column) * tall
        lines += [[(edge, y), (edge, bottom)] for edge in (left, left + wide)]
        for j, (text, head) in enumerate(zip(column, heads, strict=True)):
            top, middle = y + j * tall, y + (j + 0.5) * tall
            lines.append([(left, top + tall), (left + wide, top + tall)])
            if head:
                heads_at.append([(left + a * wide, top + b * tall) for a, b in _CORNERS])
                size = min(1.75 * tall * scale, fits)
                write(axes, left + 1.0, middle, text, color="white", size_pt=size, **words)
            else:
                figures.add(left + 0.8, middle, text, va="center_baseline")
    axes.add_artist(PolyCollection(heads_at, facecolors="black", linewidths=0, zorder=1))
    axes.add_artist(lines_as_one(lines, color="black", lw=0.8))


def _distances(first: float, last: float, step_m: float) -> list[float]:
    """Return the round distances of a leg, and its ends where they lie well between two."""
    low, high = math.ceil(first / step_m - 1e-6), math.floor(last / step_m + 1e-6)
    distances = [float(d) for d in np.round(np.arange(low, high + 1) * step_m, 6)]
    near = TO_PEG_M * min(step_m, 1.0)
    # Inwards to the decimetre, so that no cell lies past a peg.
    if not distances or distances[0] - first > near:
        distances.insert(0, math.ceil(10 * first - 1e-6) / 10)
    if last - distances[-1] > near:
        distances.append(math.floor(10 * last + 1e-6) / 10)
    return distances
