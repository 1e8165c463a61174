"""Dive slates: what the divers take down, in black and white and heavy type.

A slate is read in poor light through a mask and written on in gloves, so it has few lines, no
grey, and nothing that is not needed under water. One dive takes one page where its log fits on
it, otherwise a front (where to swim) and a back (what was read); more only where its lanes are so
many and so long that figures would be too small to write.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from detect.lanes import count_lanes
from detect.lanes.ways import read_via
from detect.present.backdrop import Backdrop
from detect.present.lettering import Across, Block
from detect.present.numbers import records
from detect.present.page import PAPER_MM, Page, Paper, new_page
from detect.present.pairs import pair_letters
from detect.present.slate_layout import (
    CAUTIONS,
    LOG_HEAD_MM,
    MARGIN_MM,
    ROW_MM,
    back_title_height,
    lay_out_slate,
)
from detect.present.slate_log import draw_log
from detect.present.slate_map import draw_slate_map
from detect.present.slate_parts import (
    draw_boxes,
    draw_cautions,
    draw_magnetic_arrow,
    draw_title,
    written_place,
)
from detect.present.style import styled
from detect.present.words import lanes_in_words

# Share of the page's width that the map may take; the headings stand beside it.
_MAP_SHARE = 0.66
_BY_HAND = ("date", "diver 1", "diver 2", "time in", "time out", "depth m")
_PLACES_PT = 12  # size of places and lengths in the table
_LOG_HEAD = (
    "READINGS at metres from the START peg",
    "write downwards, 0 where quiet, empty if not swum",
)


@styled
def slate_pages(
    dives: pd.DataFrame,
    backdrop: Backdrop,
    *,
    site_name: str,
    log_step_m: float = 1.0,
    paper: Paper = "A4",
    swing: str = "",
) -> list[Figure]:
    """Draw the slates of all dives, a sheet each: where its log does not fit, it stands overleaf.

    Parameters
    ----------
    dives : DataFrame
        ``dive, order, lane, direction, from_e, from_n, to_e, to_n, length_m, minutes,
        magnetic_deg``; with ``diver``, the two of a pair are told apart as 1a and 1b; with
        ``instead_of``, the part of a planned lane that a lane is stands under it.
    backdrop : Backdrop
        With ``lanes``: distances are logged from a lane's start peg.
    site_name : str
    log_step_m : float
        Distance between readings to be written down, metres.
    paper : {"A4", "A5"}
    swing : str
        What a swung coil may do, in a few words.

    Returns
    -------
    list of Figure
        Dive by dive; every page says which dive it belongs to and its number within it.
    """
    pages: list[Figure] = []
    by = [column for column in ("dive", "order", "diver") if column in dives]
    for dive, legs in dives.sort_values(by, kind="stable").groupby("dive", sort=True):
        pages += _dive_pages(str(dive), legs, backdrop, site_name, log_step_m, paper, swing)
    return pages


def _dive_pages(
    dive: str,
    legs: pd.DataFrame,
    backdrop: Backdrop,
    site_name: str,
    log_step_m: float,
    paper: Paper,
    swing: str,
) -> list[Figure]:
    """Draw one dive: its front, the rest of a long table, and its log."""
    width, height = PAPER_MM[paper]
    layout = lay_out_slate(legs, backdrop.lanes, log_step_m, paper)
    # Without a log on the front the map takes what room it can use.
    extent = backdrop.extent
    widest = _MAP_SHARE * (width - 2 * MARGIN_MM)
    shape = extent.height_m / extent.width_m
    map_mm = layout.map_mm
    if layout.front_log is None:
        map_mm = max(map_mm, min(map_mm + layout.free_mm, widest * shape))

    pages: list[Figure] = []
    for i, chunk in enumerate(layout.chunks):
        page = new_page(width, height)
        y = draw_title(page, f"DIVE {dive}", site_name, _page_words(len(pages) + 1, layout.count))
        if i == 0:
            y = draw_boxes(page, y, _BY_HAND)
            y = _map_and_facts(page, y, min(widest, map_mm / shape), map_mm, legs, backdrop, swing)
        y = _table(page, y, chunk)
        if i == 0:
            foot = draw_cautions(page, CAUTIONS)
            if layout.front_log is not None:
                page.text(MARGIN_MM, y + 2.0, f"{_LOG_HEAD[0]}: {_LOG_HEAD[1]}", 9)
                y += LOG_HEAD_MM
                draw_log(page.axes, layout.front_log, MARGIN_MM, y, page.scale)
                y += layout.front_log.height_mm
            _notes(page, y + 4.0, foot - 4.0)
        pages.append(page.figure)
    for log in layout.logs:
        page = new_page(width, height)
        y = _back_title(page, dive, site_name, len(pages) + 1, layout.count)
        draw_log(page.axes, log, MARGIN_MM, y, page.scale)
        _notes(page, y + log.height_mm + 4.0, height - MARGIN_MM)
        pages.append(page.figure)
    return pages


def _notes(page: Page, top: float, bottom: float) -> None:
    """Draw a box for notes where there is room for one."""
    if bottom - top > 16.0:
        page.box(MARGIN_MM, top, page.width - 2 * MARGIN_MM, bottom - top)
        page.text(
            MARGIN_MM + 1.5,
            top + 1.2,
            "notes, sketch; sounds between the metres of the log: lane, metre, figure",
            8,
        )


def _back_title(page: Page, dive: str, site_name: str, number: int, count: int) -> float:
    """Print the head of a page of the log, low, so that the log has the room."""
    right = page.width - MARGIN_MM
    page.text(MARGIN_MM, MARGIN_MM - 2, f"DIVE {dive}", 20)
    page.text(MARGIN_MM + 47 * page.scale, MARGIN_MM - 1.5, _LOG_HEAD[0], 9.5)
    page.text(MARGIN_MM + 47 * page.scale, MARGIN_MM + 3 * page.scale, _LOG_HEAD[1], 9.5)
    room = page.width - 2 * MARGIN_MM - 134.0 * page.scale
    page.text(right, MARGIN_MM - 1.5, site_name, page.fitting(site_name, room, 9.5), ha="right")
    page.text(right, MARGIN_MM + 3 * page.scale, _page_words(number, count), 9.5, ha="right")
    y = MARGIN_MM + back_title_height(page.width) - 3.0
    page.rule([MARGIN_MM, right], [y, y], 2.5)
    return y + 1.0


def _page_words(number: int, count: int) -> str:
    """Say which page of its dive this is and where it goes on: two pages are one sheet."""
    if count == 1:
        return "page 1 of 1"
    turn = "go on overleaf" if number % 2 else "go on, next sheet"
    return f"page {number} of {count}: {turn if number < count else 'the last'}"


def _map_and_facts(
    page: Page,
    y: float,
    map_w: float,
    map_h: float,
    legs: pd.DataFrame,
    backdrop: Backdrop,
    swing: str,
) -> float:
    """Draw the little map and, beside it, magnetic north, the headings and the plan's figures."""
    axes = page.figure.add_axes(
        (
            MARGIN_MM / page.width,
            1 - (y + map_h) / page.height,
            map_w / page.width,
            map_h / page.height,
        )
    )
    draw_slate_map(axes, legs, backdrop, page.scale)
    x, right = MARGIN_MM + map_w + 5.0, page.width - MARGIN_MM
    headings = sorted({_heading(value) for value in legs["magnetic_deg"]})
    page.text(x, y, "COMPASS (magnetic)", 9)
    for i, heading in enumerate(headings[:2]):
        page.text(x, y + (4.5 + 10.5 * i) * page.scale, heading, 25)
    if len(headings) > 2:
        page.text(x, y + 25.0 * page.scale, "more: see table", 9)
    draw_magnetic_arrow(page, right - 11.0 * page.scale, y + 16.0 * page.scale, backdrop)
    total, minutes = float(legs["length_m"].sum()), float(legs["minutes"].sum(skipna=False))
    lanes, across, parts = count_lanes(legs["lane"])
    facts = [
        f"{lanes_in_words(lanes + across, 0, parts)}, {total:.0f} m",
        "" if math.isnan(minutes) else f"about {minutes:.0f} min of work",
    ]
    if swing:
        # Beside the arrow, where the map is low.
        size = page.fitting(swing, right - x - 24.0 * page.scale, 11)
        page.text(x, y + map_h - 26.0 * page.scale, swing, size)
    for i, words in enumerate(facts):
        page.text(
            x, y + map_h - (20.5 - 5.0 * i) * page.scale, words, page.fitting(words, right - x, 11)
        )
    page.text(x, y + map_h - 9.0 * page.scale, "bottom time (supervisor):", 9)
    page.rule([x, right], [y + map_h, y + map_h], 1.2)
    return y + map_h + 4.0


def _heading(degrees: float) -> str:
    """Return a compass heading as three figures."""
    return f"{round(degrees) % 360:03d}°"


def _asides(leg: Any) -> str:
    """Say what else to know of a swim: the planned lane it is on, its way, a pair parted."""
    instead, turns = getattr(leg, "instead_of", ""), read_via(getattr(leg, "via", ""))
    said = [f"on {instead}"] if instead else []
    if turns:
        said.append("go round by " + "; ".join(written_place(e, n) for e, n in turns))
    parted = read_via(getattr(leg, "parted_at", ""))
    if parted:
        said.append("PAIR PARTS at " + "; ".join(written_place(e, n) for e, n in parted))
    return "; ".join(said)


def _table(page: Page, y: float, legs: pd.DataFrame) -> float:
    """Draw the lanes in the order they are swum; the heading is the largest figure."""
    inner = page.width - 2 * MARGIN_MM
    shares = (0.07, 0.16, 0.24, 0.24, 0.11, 0.18)
    edges = MARGIN_MM + np.concatenate([[0.0], np.cumsum(shares)]) * inner
    heads = ("no.", "lane", "from e, n (m)", "to e, n (m)", "length m", "compass")
    sides: tuple[Across, ...] = ("left", "left", "right", "right", "right", "right")
    for x0, x1, words, side in zip(edges[:-1], edges[1:], heads, sides, strict=True):
        page.text(x0 + 1.0 if side == "left" else x1 - 2.0, y, words, 8.5, ha=side)
    y += 5.5
    page.rule([MARGIN_MM, MARGIN_MM + inner], [y, y], 1.8)
    size_pt = _PLACES_PT * page.scale
    places = Block(page.axes, size_pt=size_pt, weight="bold", color="black")
    for leg, diver in zip(records(legs), pair_letters(legs), strict=True):
        middle = y + ROW_MM / 2
        words = _asides(leg)
        if words:
            # Under the figures, which move up for it; the heading is too large to.
            middle -= 1.2
            size = page.fitting(words, edges[5] - edges[1] - 2.0, 7.5)
            page.text(edges[1] + 1.0, y + ROW_MM - 1.7, words, size, va="center_baseline")
        arrow = "out" if leg.direction == "out" else "back"
        cells: tuple[tuple[str, int, float, Across], ...] = (
            (f"{leg.order}{diver}", 13, edges[0] + 1.0, "left"),
            (f"{leg.lane} {arrow}", 11, edges[1] + 1.0, "left"),
            (written_place(leg.from_e, leg.from_n), _PLACES_PT, edges[3] - 2.0, "right"),
            (written_place(leg.to_e, leg.to_n), _PLACES_PT, edges[4] - 2.0, "right"),
            # Down to the decimetre, as the last cell of its log.
            (
                f"{math.floor(10 * leg.length_m + 1e-6) / 10:.1f}",
                _PLACES_PT,
                edges[5] - 2.0,
                "right",
            ),
            (_heading(float(leg.magnetic_deg)), 19, edges[6] - 2.0, "right"),
        )
        for words, size, x, align in cells:
            level = middle if size < 15 else y + ROW_MM / 2
            if size == _PLACES_PT:
                places.add(x, level, words, align, "center_baseline")
            else:
                page.text(x, level, words, size, ha=align, va="center_baseline")
        y += ROW_MM
        page.rule([MARGIN_MM, MARGIN_MM + inner], [y, y], 0.6)
    return y
