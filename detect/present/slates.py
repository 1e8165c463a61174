"""Dive slates: what the divers take down, in black and white and heavy type.

A slate is read in poor light through a mask and written on in gloves, so it has few lines, no
grey, and nothing that is not needed under water. One dive takes one page where its log fits on
it, otherwise a front (where to swim) and a back (what was read).
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from detect.present.backdrop import Backdrop
from detect.present.numbers import records
from detect.present.page import PAPER_MM, Page, Paper, new_page
from detect.present.sheet import north_angles
from detect.present.slate_log import (
    BETWEEN_MM,
    LogSheet,
    draw_log,
    log_columns,
    log_pages,
    one_sheet,
)
from detect.present.slate_map import draw_slate_map
from detect.present.style import styled

_MARGIN = 9.0
_ROW_MM, _HEAD_MM, _BOXES_MM = 8.5, 6.0, 16.0
# Share of the page's width that the map may take; the headings stand beside it.
_MAP_SHARE = 0.66

CAUTIONS = (
    "Bottom time and tables: the dive supervisor decides.",
    "A very strong reading may be ordnance: do not touch, probe or dig. Mark, leave, report.",
    "Lift nothing, dig nothing: that needs a permit and a licensed archaeologist.",
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
        magnetic_deg``; with ``diver``, the two of a pair are told apart as 1a and 1b.
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
    for dive, legs in dives.sort_values(["dive", "order"]).groupby("dive", sort=True):
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
    inner, room = width - 2 * _MARGIN, height - 2 * _MARGIN
    columns = log_columns(legs, backdrop.lanes)
    small_map = 0.28 * inner
    fixed = _title_height(width) + _BOXES_MM + _HEAD_MM + _cautions_height(width) + 4.0
    # A table too long for the front goes on overleaf.
    first = max(1, min(len(legs), int((room - fixed - small_map) / _ROW_MM)))
    overleaf = max(1, int((room - _title_height(width) - _HEAD_MM) / _ROW_MM))
    chunks = [legs.iloc[:first]]
    chunks += [legs.iloc[i : i + overleaf] for i in range(first, len(legs), overleaf)]
    free = room - fixed - small_map - len(chunks[0]) * _ROW_MM
    log = one_sheet(columns, log_step_m, inner, free - 5.0) if len(chunks) == 1 else None
    logs: list[list[LogSheet]] = []
    if log is None:
        logs = log_pages(columns, log_step_m, inner, room - _title_height(width) - 10.0)
    # Without a log on the front the map takes what room it can use.
    extent = backdrop.extent
    widest = _MAP_SHARE * inner
    shape = extent.height_m / extent.width_m
    grown = min(small_map + free, widest * shape)
    map_mm = small_map if log is not None else max(small_map, grown)
    count = len(chunks) + len(logs)

    pages: list[Figure] = []
    for i, chunk in enumerate(chunks):
        page = new_page(width, height)
        y = _title(page, dive, site_name, len(pages) + 1, count)
        if i == 0:
            y = _boxes(page, y)
            y = _map_and_facts(page, y, min(widest, map_mm / shape), map_mm, legs, backdrop, swing)
        y = _table(page, y, chunk)
        if i == 0:
            foot = _cautions(page)
            if log is not None:
                draw_log(page.axes, log, _MARGIN, y + 3.0, page.scale)
            elif foot - y > 24.0:
                page.box(_MARGIN, y + 4.0, inner, foot - y - 8.0)
                page.text(_MARGIN + 1.5, y + 5.2, "notes, sketch", 8)
        pages.append(page.figure)
    for sheets in logs:
        page = new_page(width, height)
        y = _title(page, dive, site_name, len(pages) + 1, count)
        page.text(_MARGIN, y, "READINGS at distances from the START peg (m)", 9.5)
        x = _MARGIN
        for sheet in sheets:
            draw_log(page.axes, sheet, x, y + 6.5, page.scale)
            x += sheet.width_mm + BETWEEN_MM
        pages.append(page.figure)
    return pages


def _title_height(width: float) -> float:
    return 15.0 * math.sqrt(width / 210.0)


def _cautions_height(width: float) -> float:
    return len(CAUTIONS) * 5.2 * math.sqrt(width / 210.0) + 3.0


def _title(page: Page, dive: str, site_name: str, number: int, count: int) -> float:
    page.text(_MARGIN, _MARGIN - 2, f"DIVE {dive}", 28)
    right = page.width - _MARGIN
    room = page.width - 2 * _MARGIN - 64.0 * page.scale
    page.text(right, _MARGIN - 1, site_name, page.fitting(site_name, room, 12), ha="right")
    side = "" if count == 1 else ": go on overleaf" if number < count else ": back"
    words = f"slate {number} of {count}{side}"
    page.text(right, _MARGIN + 5 * page.scale, words, 10, ha="right")
    y = _MARGIN + _title_height(page.width) - 3.0
    page.rule([_MARGIN, right], [y, y], 2.5)
    return y + 3.0


def _boxes(page: Page, y: float) -> float:
    """Draw the boxes to fill in by hand."""
    words = ("date", "diver 1", "diver 2", "time in", "time out", "depth m")
    w = (page.width - 2 * _MARGIN) / len(words)
    for i, word in enumerate(words):
        page.box(_MARGIN + i * w, y, w, 13.0)
        page.text(_MARGIN + i * w + 1.2, y + 1.0, word, 8)
    return y + _BOXES_MM


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
            _MARGIN / page.width,
            1 - (y + map_h) / page.height,
            map_w / page.width,
            map_h / page.height,
        )
    )
    draw_slate_map(axes, legs, backdrop, page.scale)
    x, right = _MARGIN + map_w + 5.0, page.width - _MARGIN
    headings = sorted({_heading(value) for value in legs["magnetic_deg"]})
    page.text(x, y, "COMPASS (magnetic)", 9)
    for i, heading in enumerate(headings[:2]):
        page.text(x, y + (4.5 + 10.5 * i) * page.scale, heading, 25)
    if len(headings) > 2:
        page.text(x, y + 25.0 * page.scale, "more: see table", 9)
    _magnetic_arrow(page, right - 11.0 * page.scale, y + 16.0 * page.scale, backdrop)
    total, minutes = float(legs["length_m"].sum()), float(legs["minutes"].sum())
    facts = (f"{len(legs)} lanes, {total:.0f} m", f"about {minutes:.0f} min of work")
    if swing:
        # Beside the arrow, where the map is low.
        size = page.fitting(swing, right - x - 24.0 * page.scale, 11)
        page.text(x, y + map_h - 26.0 * page.scale, swing, size)
    for i, words in enumerate(facts):
        page.text(x, y + map_h - (20.5 - 5.0 * i) * page.scale, words, 11)
    page.text(x, y + map_h - 9.0 * page.scale, "bottom time (supervisor):", 9)
    page.rule([x, right], [y + map_h, y + map_h], 1.2)
    return y + map_h + 4.0


def _magnetic_arrow(page: Page, x: float, y: float, backdrop: Backdrop) -> None:
    """Draw the direction to magnetic north as it lies on the map, whose top is grid north."""
    angle = math.radians(north_angles(backdrop.frame)["magnetic"])
    # y runs down the page, so north is minus.
    dx, dy = 7.0 * page.scale * math.sin(angle), -7.0 * page.scale * math.cos(angle)
    page.axes.annotate(
        "",
        (x + dx, y + dy),
        xytext=(x - dx, y - dy),
        arrowprops={
            "arrowstyle": "-|>",
            "mutation_scale": 20 * page.scale,
            "lw": 3.0 * page.scale,
            "color": "black",
            "shrinkA": 0,
            "shrinkB": 0,
        },
    )
    page.text(x, y + 9.5 * page.scale, "MAG NORTH", 7.5, ha="center")
    page.text(x, y + 13.0 * page.scale, "on this map", 7.5, ha="center")


def _heading(degrees: float) -> str:
    """Return a compass heading as three figures."""
    return f"{round(degrees) % 360:03d}°"


def _table(page: Page, y: float, legs: pd.DataFrame) -> float:
    """Draw the lanes in the order they are swum; the heading is the largest figure."""
    inner = page.width - 2 * _MARGIN
    shares = (0.07, 0.16, 0.24, 0.24, 0.11, 0.18)
    edges = _MARGIN + np.concatenate([[0.0], np.cumsum(shares)]) * inner
    heads = ("no.", "lane", "from e, n (m)", "to e, n (m)", "length m", "compass")
    for x0, x1, words, left in zip(edges[:-1], edges[1:], heads, (1, 1, 0, 0, 0, 0), strict=True):
        x, align = (x0 + 1.0, "left") if left else (x1 - 2.0, "right")
        page.text(x, y, words, 8.5, ha=align)
    y += 5.5
    page.rule([_MARGIN, _MARGIN + inner], [y, y], 1.8)
    paired = "diver" in legs and bool((legs["diver"] > 1).any())
    for leg in records(legs):
        middle = y + _ROW_MM / 2
        arrow = "out" if leg.direction == "out" else "back"
        cells = (
            (f"{leg.order}{'ab'[leg.diver - 1] if paired else ''}", 13, edges[0] + 1.0, "left"),
            (f"{leg.lane} {arrow}", 11, edges[1] + 1.0, "left"),
            (f"{leg.from_e:.1f}, {leg.from_n:.1f}", 12, edges[3] - 2.0, "right"),
            (f"{leg.to_e:.1f}, {leg.to_n:.1f}", 12, edges[4] - 2.0, "right"),
            (f"{leg.length_m:.1f}", 12, edges[5] - 2.0, "right"),
            (_heading(float(leg.magnetic_deg)), 19, edges[6] - 2.0, "right"),
        )
        for words, size, x, align in cells:
            page.text(x, middle, words, size, ha=align, va="center_baseline")
        y += _ROW_MM
        page.rule([_MARGIN, _MARGIN + inner], [y, y], 0.6)
    return y


def _cautions(page: Page) -> float:
    """Print the cautions at the foot of the page; return where their rule lies."""
    step = 5.2 * page.scale
    y = page.height - _MARGIN - len(CAUTIONS) * step
    page.rule([_MARGIN, page.width - _MARGIN], [y - 1.5, y - 1.5], 1.8)
    size = page.fitting(max(CAUTIONS, key=len), page.width - 2 * _MARGIN, 9.5)
    for i, words in enumerate(CAUTIONS):
        page.text(_MARGIN, y + i * step, words, size)
    return y - 1.5
