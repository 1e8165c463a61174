"""Slates of the probe stations: where to push, and a row to write what each push met.

In the look of the dive slates: black and white, heavy type, little to read. What a push met is
ticked, not written: a tick can be read that was made in gloves.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import shapely
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.transforms import Bbox
from numpy.typing import NDArray

from detect.lanes.station_order import NO_WAY
from detect.lanes.ways import read_via
from detect.present.backdrop import Backdrop
from detect.present.labels import place_labels
from detect.present.numbers import records
from detect.present.page import PAPER_MM, Page, new_page
from detect.present.probe_layout import CAUTIONS, HEAD_MM, HOW_MM, MAP_MM, ROW_MM, share_out
from detect.present.sheet import Extent
from detect.present.slate_layout import MARGIN_MM
from detect.present.slate_map import draw_ground, name_keep_out, whole_site
from detect.present.slate_parts import (
    draw_boxes,
    draw_cautions,
    draw_magnetic_arrow,
    draw_title,
    written_place,
)
from detect.present.style import lines_as_one, styled

CONTACTS = ("none", "metal", "wood", "stone", "shell", "clay")
"""What `probes.csv` calls what a push met; other words go into the notes."""
_BY_HAND = ("date", "diver 1", "diver 2", "time in", "time out", "bottom time")
_HOW = (
    "depth m: how deep below the bed the probe stopped. Tick ONE contact: what it met there.",
    "none = pushed to that depth and met nothing. Another word, or pushed elsewhere: notes.",
    "A row left empty was not pushed: leave it out of probes.csv, where each push is a row.",
)
# Edges of the table's columns, mm from its left: station, place, depth, a tick a contact, notes.
_TICK_MM = 12.5
_EDGES = (0.0, 21.0, 57.0, 80.0)
# The map beside the words; the little one of all of the site under these: how wide at most, and
# how far down it begins.
_MAP_W_MM, _WHOLE_W_MM, _WHOLE_FROM_MM = 128.0, 56.0, 36.0
_AIR_MM = 4.0
# Stations nearer on the map than this have no room for their numbers: it shows their part only.
_APART_MM = 6.5
# How many times larger their part must then be.
_WORTH = 1.25
# Ground shown round a page's own stations, m.
_ROUND_M = 2.0
_STATION_PT = 5.0
_LEAST_PT = 5.5


@styled
def probe_slate_pages(
    stations: pd.DataFrame,
    backdrop: Backdrop,
    *,
    site_name: str,
    probe_length_m: float | None = None,
) -> list[Figure]:
    """Draw the slates of probe stations, each page for itself.

    Parameters
    ----------
    stations : DataFrame
        ``station, e, n`` (m) and ``via`` in the order they are visited, as
        `detect.lanes.in_visiting_order` returns.
    backdrop : Backdrop
        Its lanes are not drawn.
    site_name : str
    probe_length_m : float, optional
        Printed where it is known.

    Returns
    -------
    list of Figure
        A4; every station on one page.
    """
    # The ground that lanes and maps take besides is of no use here.
    backdrop = replace(backdrop, lanes=None, grid=None)
    chunks = share_out(stations)
    begins = np.cumsum([0, *(len(chunk) for chunk in chunks)])
    pages = []
    for i, own in enumerate(chunks):
        page = new_page(*PAPER_MM["A4"])
        number = f"page {i + 1} of {len(chunks)}"
        y = draw_title(page, "PROBES", site_name, number)
        y = draw_boxes(page, y, _BY_HAND)
        before = str(stations["station"].iloc[begins[i] - 1]) if i else ""
        foot = draw_cautions(page, CAUTIONS)
        # What the longest table leaves is the map's, on every page alike.
        free = foot - y - HOW_MM - HEAD_MM - len(chunks[0]) * ROW_MM - 2.0
        y = _map_and_facts(page, y, free, stations, own, backdrop)
        y = _how(page, y)
        y = _table(page, y, own, before, probe_length_m)
        if foot - y > 24.0:
            page.box(MARGIN_MM, y + 4.0, page.width - 2 * MARGIN_MM, foot - y - 8.0)
            page.text(MARGIN_MM + 1.5, y + 5.2, "notes, sketch", 8)
        pages.append(page.figure)
    return pages


def _map_and_facts(
    page: Page,
    y: float,
    room: float,
    stations: pd.DataFrame,
    own: pd.DataFrame,
    backdrop: Backdrop,
) -> float:
    """Draw the map of a page's stations and, beside it, which they are and magnetic north."""
    whole = whole_site(backdrop.extent)
    shape = whole.height_m / whole.width_m
    tallest = max(MAP_MM, room) - _AIR_MM
    high = min(_MAP_W_MM * shape, tallest)
    mm_per_m = high / whole.height_m
    zoomed = _usual_step(stations) * mm_per_m < _APART_MM
    if zoomed:
        high = min(tallest, 0.75 * _MAP_W_MM)
    high = max(high, MAP_MM - _AIR_MM)
    shown = _part(own, _MAP_W_MM / high, whole) if zoomed else whole
    if high / shown.height_m < _WORTH * min(_MAP_W_MM / whole.width_m, high / whole.height_m):
        # Hardly larger: better all of the site, baseline and all.
        shown, zoomed = whole, False
    wide = min(_MAP_W_MM, high * shown.width_m / shown.height_m)
    _draw_map(_axes(page, MARGIN_MM, y, wide, high), stations, own, backdrop, shown)
    x, right = MARGIN_MM + wide + 5.0, page.width - MARGIN_MM
    names = own["station"].astype(str)
    page.text(x, y, "STATIONS", 9)
    page.text(x, y + 4.0, names.iloc[0], 20)
    if len(own) > 1:
        page.text(x, y + 12.0, f"to {names.iloc[-1]}", 20)
    facts = [
        f"{len(own)} of {len(stations)}",
        f"map: {_number(names.iloc[0])} = {names.iloc[0]}",
        "begin at the black dot",
    ]
    for i, words in enumerate(facts):
        page.text(x, y + 21.0 + 4.4 * i, words, 9)
    draw_magnetic_arrow(page, right - 11.0, y + 10.0, backdrop)
    if zoomed:
        # All of the site, to see where this part of it lies.
        w = min(_WHOLE_W_MM, right - x)
        h = min(w * shape, high - _WHOLE_FROM_MM)
        at = (x, y + _WHOLE_FROM_MM, min(w, h / shape), h)
        _draw_whole(_axes(page, *at), backdrop, shown, whole)
    return y + high + _AIR_MM


def _axes(page: Page, x: float, y: float, w: float, h: float) -> Axes:
    """Return axes of a map with its upper left corner at a place on the page, mm."""
    place = (x / page.width, 1 - (y + h) / page.height, w / page.width, h / page.height)
    return page.figure.add_axes(place)


def _usual_step(stations: pd.DataFrame) -> float:
    """Return how far a station's nearest neighbour is, m: the median; infinite for one alone."""
    if len(stations) < 2:
        return float("inf")
    places = shapely.points(stations["e"], stations["n"])
    tree = shapely.STRtree(places)
    (_, _), apart = tree.query_nearest(places, exclusive=True, return_distance=True)
    return float(np.median(apart))


def _part(own: pd.DataFrame, width_by_height: float, whole: Extent) -> Extent:
    """Return the ground round a page's stations, as wide for its height as the map.

    Where all of the site is wide and high enough, nothing beyond it is shown.
    """
    west, east = own["e"].min() - _ROUND_M, own["e"].max() + _ROUND_M
    south, north = own["n"].min() - _ROUND_M, own["n"].max() + _ROUND_M
    wide = max(east - west, (north - south) * width_by_height)
    high = wide / width_by_height
    e = _within((west + east) / 2, wide, whole.west, whole.east)
    n = _within((south + north) / 2, high, whole.south, whole.north)
    return Extent(e - wide / 2, n - high / 2, e + wide / 2, n + high / 2)


def _within(middle: float, length: float, low: float, high: float) -> float:
    """Return the middle of a stretch, moved to lie within bounds; theirs where it is too long."""
    if length >= high - low:
        return (low + high) / 2
    return min(max(middle, low + length / 2), high - length / 2)


def _number(station: str) -> str:
    """Return a station's number as the map has it: P012 is 12."""
    return station.lstrip("P").lstrip("0") or station


def _draw_map(
    axes: Axes, stations: pd.DataFrame, own: pd.DataFrame, backdrop: Backdrop, shown: Extent
) -> None:
    """Draw the map: a page's stations ringed and numbered, the way dotted, others as dots."""
    frame = shapely.box(*shown)
    near = [
        replace(area, polygon=part)
        for area in backdrop.keep_outs
        for part in shapely.get_parts(shapely.intersection(area.polygon, frame))
        if part.area > 0
    ]
    draw_ground(axes, replace(backdrop, keep_outs=near), shown)
    axes.plot(stations["e"], stations["n"], ls="none", marker="o", ms=1.4, c="black", zorder=4)
    axes.plot(*_ways(own).T, color="black", lw=1.0, ls=":", zorder=4)
    look: dict[str, Any] = {
        "ls": "none",
        "marker": "o",
        "ms": _STATION_PT,
        "mec": "black",
        "mew": 1.4,
    }
    axes.plot(own["e"], own["n"], mfc="white", zorder=5, **look)
    axes.plot(own["e"].iloc[:1], own["n"].iloc[:1], mfc="black", zorder=5, **look)
    axes.apply_aspect()
    places = own[["e", "n"]].to_numpy(float)
    figure: Any = axes.figure
    half = 0.5 * _STATION_PT * figure.dpi / 72.0
    # Off all other stations too: a dot hard by a number would read as part of it.
    middles = axes.transData.transform(stations[["e", "n"]].to_numpy(float))
    corners = np.reshape([area.polygon.bounds for area in near], (-1, 2))
    barred = axes.transData.transform(corners).reshape(-1, 4)
    place_labels(
        axes,
        [(float(e), float(n)) for e, n in places],
        [_number(str(name)) for name in own["station"]],
        size_pt=9.0,
        gap_pt=3.5,
        reach_pt=40.0,
        signs=np.vstack([np.hstack([middles - half, middles + half]), barred]),
    )
    for area, box in zip(near, barred, strict=True):
        name_keep_out(axes, area, Bbox(box.reshape(2, 2)), 1.0)


def _ways(own: pd.DataFrame) -> NDArray[np.float64]:
    """Return the way along a page's stations, shape (N, 2); broken where keep-outs leave none."""
    places = [(np.nan, np.nan)]
    for row in records(own):
        no_way = row.via == NO_WAY
        # The first one's own way comes from the page before.
        turns = [(np.nan, np.nan)] if no_way else read_via(row.via) if len(places) > 1 else []
        places += [*turns, (float(row.e), float(row.n))]
    return np.array(places)


def _draw_whole(axes: Axes, backdrop: Backdrop, shown: Extent, whole: Extent) -> None:
    """Draw all of the site and, in it, the frame of the map."""
    draw_ground(axes, backdrop, whole)
    corner = (shown.west, shown.south)
    axes.add_artist(
        Rectangle(corner, shown.width_m, shown.height_m, fill=False, ec="black", lw=2.2, zorder=6)
    )


def _how(page: Page, y: float) -> float:
    """Print how the rows are filled in, as `probes.csv` wants them."""
    for i, words in enumerate(_HOW):
        page.text(MARGIN_MM, y + 5.0 * i, words, 9.5)
    return y + HOW_MM


def _table(
    page: Page, y: float, own: pd.DataFrame, before: str, probe_length_m: float | None
) -> float:
    """Draw a row a station: its place, a box for the depth, one for each contact, one for notes."""
    left, right = MARGIN_MM, page.width - MARGIN_MM
    ticks = [_EDGES[-1] + i * _TICK_MM for i in range(1, len(CONTACTS) + 1)]
    edges = [left + edge for edge in (*_EDGES, *ticks)] + [right]
    foot = y + HEAD_MM
    page.text(edges[0] + 1.0, foot - 4.6, "station", 8.5)
    page.text(edges[2] - 2.0, foot - 4.6, "e, n (m, grid)", 8.5, ha="right")
    page.text(edges[2] + 1.0, foot - 4.6, "depth m", 8.5)
    if probe_length_m is not None:
        page.text(edges[2] + 1.0, foot - 9.4, f"probe {probe_length_m:g} m", 8.5)
    middle = (edges[3] + edges[-2]) / 2
    page.text(middle, foot - 9.4, "contact: tick one", 8.5, ha="center")
    for x, word in zip(edges[3:], CONTACTS, strict=False):
        page.text(x + _TICK_MM / 2, foot - 4.6, word, 8.5, ha="center")
    page.text(edges[-2] + 1.0, foot - 4.6, "notes", 8.5)
    page.rule([left, right], [foot, foot], 1.8)
    y = foot
    for row in records(own):
        middle, words = y + ROW_MM / 2, _way_words(str(row.via), before)
        if words:
            # Under the figures, which move up for it.
            middle -= 1.5
            room = edges[2] - edges[0] - 2.0
            if page.fitting(words, room, 7.5) < _LEAST_PT:
                words = f"from {before} go round: see map"
            size = page.fitting(words, room, 7.5)
            page.text(edges[0] + 1.0, y + ROW_MM - 1.6, words, size, va="center_baseline")
        page.text(edges[0] + 1.0, middle, str(row.station), 13, va="center_baseline")
        place = written_place(float(row.e), float(row.n), 2)
        page.text(edges[2] - 2.0, middle, place, 12, ha="right", va="center_baseline")
        y += ROW_MM
        before = str(row.station)
    rules = [
        [(left, foot + k * ROW_MM), (right, foot + k * ROW_MM)] for k in range(1, len(own) + 1)
    ]
    rules += [[(x, foot), (x, y)] for x in edges[2:]]
    page.axes.add_artist(lines_as_one(rules, color="black", lw=0.8))
    return y


def _way_words(via: str, before: str) -> str:
    """Say where the way from the station before turns; blank where it is straight."""
    if via == NO_WAY:
        return f"from {before} NO WAY along the bed"
    turns = "; ".join(written_place(e, n, 2) for e, n in read_via(via))
    return f"go round by {turns}" if turns else ""
