"""The rehearsal on paper: a test lane to lay out, and tries under the coil, heard or not."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from detect.present.numbers import records
from detect.present.page import PAPER_MM, Page, new_page
from detect.present.style import styled

_MARGIN = 12.0
_SWIMS = 6
_ROW = 8.2
_HOW_BENCH = (
    "Lay the coil level on wood, 2 m from other metal, meter and phones as on the dive.",
    "Bring the target to the coil's centre along its axis, at the distance written; 'none' is an",
    "empty hand. The diver looks away and says heard or not; someone else writes, in this order,",
    "Y or N into the box. An empty box was not tried: take its row out of trial.csv.",
)
_HOW_LANE = (
    "Stretch the rope on clean sand, a tag every metre. Lay the targets as below (left and right",
    "as one walks from 0), without telling the diver; 'none' stays empty. Carry the coil over the",
    "rope at its height and search speed. Write, swim by swim, Y where a target was heard and N",
    "where not; an empty box was not tried. Change places between swims.",
)
_CAUTION = "Rehearse on land first. In the water the dive supervisor decides."


@styled
def trial_sheets(
    bench: pd.DataFrame, lane: pd.DataFrame, *, site_name: str, coil_height_m: float
) -> list[Figure]:
    """Draw the sheets of a rehearsal, black on white.

    Parameters
    ----------
    bench : DataFrame
        ``sheet, order, target, distance_to_coil_m``.
    lane : DataFrame
        ``place, along_m, offset_m, target``.
    site_name : str
    coil_height_m : float

    Returns
    -------
    list of Figure
        The tries under the coil, a page a target, then the test lane.
    """
    return [
        *(
            _bench_page(own, str(name), site_name)
            for name, own in bench.groupby("sheet", sort=False)
        ),
        _lane_page(lane, site_name, coil_height_m),
    ]


def _head(page: Page, title: str, site_name: str, how: tuple[str, ...], target: str = "") -> float:
    """Print title, boxes and how it is done; return where it ends."""
    right = page.width - _MARGIN
    page.text(_MARGIN, _MARGIN - 3, title, 20)
    size = page.fitting(site_name, 85.0, 11)
    page.text(right, _MARGIN - 1, site_name, size, ha="right")
    y = _MARGIN + 8.0
    page.rule([_MARGIN, right], [y, y], 2.5)
    words = ("date", "diver", "writes", "meter settings", "target")
    w = (right - _MARGIN) / len(words)
    for i, word in enumerate(words):
        page.box(_MARGIN + i * w, y + 3, w, 12.0)
        page.text(_MARGIN + i * w + 1.2, y + 4, word, 8)
    size = page.fitting(target, w - 2.4, 12)
    page.text(right - w + 1.2, y + 10.6, target, size, va="center_baseline")
    for i, line in enumerate(how):
        page.text(_MARGIN, y + 18 + 5.0 * i, line, 10, weight="normal")
    return y + 20.0 + 5.0 * len(how)


def _foot(page: Page) -> None:
    page.text(_MARGIN, page.height - _MARGIN, _CAUTION, 9.5, va="bottom")


def _lane_page(lane: pd.DataFrame, site_name: str, coil_height_m: float) -> Figure:
    """Draw the lane as it lies, and the table of places with a box for each swim."""
    page = new_page(*PAPER_MM["A4"])
    y = _head(page, "TEST LANE", site_name, _HOW_LANE)
    _draw_lane(page, y + 2.0, lane)
    y += 49.0
    height = f"coil {coil_height_m:g} m over the ground; distances in metres"
    page.text(_MARGIN, y, height, 10)
    y += 7.0
    edges = _MARGIN + np.concatenate(
        [[0.0, 13.0, 38.0, 67.0, 96.0], 96.0 + 15.0 * np.arange(1, _SWIMS + 1)]
    )
    heads = ("no.", "tape, m", "lay it", "target", *(f"{k + 1}: Y/N" for k in range(_SWIMS)))
    for x, words in zip(edges, heads, strict=False):
        page.text(x + 1.0, y, words, 9)
    y += 5.5
    page.rule([_MARGIN, edges[-1]], [y, y], 1.8)
    for place in records(lane):
        side = "left" if place.offset_m < 0 else "right"
        where = "on the rope" if place.offset_m == 0 else f"{abs(place.offset_m):.2f} {side}"
        cells = (f"{place.place}", f"{place.along_m:.1f}", where, place.target)
        for x, words in zip(edges, cells, strict=False):
            page.text(x + 1.0, y + _ROW / 2, words, 11, va="center_baseline")
        for x in edges[4:-1]:
            page.box(x + 3.0, y + 1.0, 9.0, _ROW - 2.0, 1.2)
        y += _ROW
        page.rule([_MARGIN, edges[-1]], [y, y], 0.6)
    _foot(page)
    return page.figure


def _draw_lane(page: Page, y: float, lane: pd.DataFrame) -> None:
    """Draw the rope to scale along, with the targets at their sides (not to scale across)."""
    left, right = _MARGIN + 4.0, page.width - _MARGIN - 4.0
    end = float(lane["along_m"].max() + lane["along_m"].min())
    per_m = (right - left) / end
    widest = max(float(lane["offset_m"].abs().max()), 1e-6)
    middle = y + 18.0
    page.rule([left, right], [middle, middle], 2.2)
    for metre in range(0, int(end) + 1):
        x = left + metre * per_m
        page.rule([x, x], [middle - 1.2, middle + 1.2], 1.0)
        if metre % 5 == 0:
            page.text(x, y + 38.5, f"{metre}", 8, ha="center")
    for place in records(lane):
        x = left + place.along_m * per_m
        # Walking to the right of the page, left lies up.
        at = middle + 13.0 * place.offset_m / widest
        empty = place.target == "none"
        page.axes.plot(
            [x], [at], marker="o", ms=7, mfc="white" if empty else "black", mec="black", mew=1.4,
            ls="none", zorder=5,
        )  # fmt: skip
        up = place.offset_m < 0
        page.text(x, at + (-4.4 if up else 2.2), f"{place.place}", 9, ha="center")
    words = "seen from above, walking to the right; open circle: nothing laid"
    page.text(left, y - 3.5, words, 8)


def _bench_page(bench: pd.DataFrame, target: str, site_name: str) -> Figure:
    """Draw the tries in mixed order, in columns, with a box for heard and a line for the signal."""
    page = new_page(*PAPER_MM["A4"])
    y = _head(page, "TRIES UNDER THE COIL", site_name, _HOW_BENCH, target)
    columns, foot = 3, 12.0
    rows = -(-len(bench) // columns)
    row_mm = min(_ROW, (page.height - _MARGIN - foot - y - 8.0) / rows)
    wide = (page.width - 2 * _MARGIN) / columns
    for c in range(columns):
        x = _MARGIN + c * wide
        for at, words in ((0.0, "no."), (9.0, "distance m"), (34.0, "Y/N"), (46.0, "signal")):
            page.text(x + at, y, words, 8.5)
    y += 5.0
    page.rule([_MARGIN, page.width - _MARGIN], [y, y], 1.8)
    for k, one in enumerate(records(bench)):
        x, top = _MARGIN + (k // rows) * wide, y + (k % rows) * row_mm
        middle = top + row_mm / 2
        distance = "none" if one.target == "none" else f"{one.distance_to_coil_m:.2f}"
        page.text(x, middle, f"{one.order}", 9, va="center_baseline")
        page.text(x + 11.0, middle, distance, 12, va="center_baseline")
        page.box(x + 32.5, top + 0.8, 9.0, row_mm - 1.6, 1.2)
        page.rule([x + 46.0, x + wide - 5.0], [top + row_mm - 1.0] * 2, 0.8)
    _foot(page)
    return page.figure
