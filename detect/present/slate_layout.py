"""How a dive's slate is shared out over pages: table, map, log; nothing is drawn here."""

from __future__ import annotations

import math
from dataclasses import dataclass

import pandas as pd

from detect.present.page import PAPER_MM, Paper
from detect.present.slate_log import LogPage, log_pages, log_runs, one_page

MARGIN_MM = 9.0
ROW_MM, HEAD_MM, BOXES_MM = 8.5, 6.0, 16.0
"""A row of the table, its head, and the boxes to fill in by hand."""
LOG_HEAD_MM, NOTES_MM = 8.0, 24.0
"""What stands over a log on a front, and the box for notes kept under it."""

CAUTIONS = (
    "Bottom time and tables: the dive supervisor decides.",
    "A very strong reading may be ordnance: do not touch, probe or dig. Mark, leave, report.",
    "Lift nothing, dig nothing: that needs a permit and a licensed archaeologist.",
)


def slate_sheets(dives: pd.DataFrame, lanes: pd.DataFrame | None, log_step_m: float = 1.0) -> int:
    """Return how many sheets of A4 `slate_pages` fills, printed on both sides.

    Parameters
    ----------
    dives : DataFrame
        As for `slate_pages`.
    lanes : DataFrame or None
        From whose start pegs distances are logged.
    log_step_m : float
        Distance between readings to be written down, m.

    Returns
    -------
    int
    """
    legs = (own for _, own in dives.groupby("dive", sort=True))
    return sum(-(-lay_out_slate(own, lanes, log_step_m, "A4").count // 2) for own in legs)


@dataclass(frozen=True)
class SlateLayout:
    """What goes where in one dive.

    Attributes
    ----------
    chunks : list of DataFrame
        Parts of its table, a page each.
    front_log : LogPage or None
        Its log, where it fits under the table.
    logs : list of LogPage
        Its log otherwise.
    map_mm, free_mm : float
        Height of the little map at least, and what is left on the front besides.
    """

    chunks: list[pd.DataFrame]
    front_log: LogPage | None
    logs: list[LogPage]
    map_mm: float
    free_mm: float

    @property
    def count(self) -> int:
        """Number of pages."""
        return len(self.chunks) + len(self.logs)


def lay_out_slate(
    legs: pd.DataFrame, lanes: pd.DataFrame | None, log_step_m: float, paper: Paper
) -> SlateLayout:
    """Share a dive's table and log out over as few pages as they fit."""
    width, height = PAPER_MM[paper]
    inner, room = width - 2 * MARGIN_MM, height - 2 * MARGIN_MM
    # Each of a pair writes down lanes of their own, one after another.
    by_diver = legs.sort_values(["diver", "order"]) if "diver" in legs else legs
    runs = log_runs(by_diver, lanes, log_step_m)
    small_map = 0.28 * inner
    fixed = title_height(width) + BOXES_MM + HEAD_MM + cautions_height(width) + 4.0
    # A table too long for the front goes on overleaf.
    first = max(1, min(len(legs), int((room - fixed - small_map) / ROW_MM)))
    overleaf = max(1, int((room - title_height(width) - HEAD_MM) / ROW_MM))
    chunks = [legs.iloc[:first]]
    chunks += [legs.iloc[i : i + overleaf] for i in range(first, len(legs), overleaf)]
    free = room - fixed - small_map - len(chunks[0]) * ROW_MM
    log = one_page(runs, inner, free - LOG_HEAD_MM - NOTES_MM) if len(chunks) == 1 else None
    logs = [] if log else log_pages(runs, inner, room - back_title_height(width) - 1.0)
    return SlateLayout(chunks, log, logs, small_map, free)


def title_height(width: float) -> float:
    """Return the height of the title on a front, mm, for a paper's width."""
    return 15.0 * math.sqrt(width / 210.0)


def back_title_height(width: float) -> float:
    """Return the height of the head of a log page, mm."""
    return 12.0 * math.sqrt(width / 210.0)


def cautions_height(width: float) -> float:
    """Return the height of the cautions at the foot, mm."""
    return len(CAUTIONS) * 5.2 * math.sqrt(width / 210.0) + 3.0
