"""The plan as one picture: which lanes, in which order and direction, on which dive."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
import shapely
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, PathPatch
from matplotlib.path import Path
from matplotlib.patheffects import withStroke
from matplotlib.transforms import Bbox

from detect.lanes import ways_between
from detect.present.backdrop import Backdrop, backdrop_key, draw_backdrop, polygon_path
from detect.present.charts import SpacingLike, draw_spacing_chart
from detect.present.labels import text_box
from detect.present.lettering import write
from detect.present.numbers import records
from detect.present.pairs import pair_letters
from detect.present.sheet import Extent, KeyEntry, map_sheet
from detect.present.signs import REMAINS
from detect.present.style import GREY, INK, TINY_PT, styled
from detect.survey.outlines import KeepOutArea

_LAYERS = ("keep_outs", "baseline")
# Dashes, weight and shade: no two alike in print without colour, nor like the outline's double
# line or the baseline's dash and dot.
_DIVE_LINES: tuple[dict[str, Any], ...] = (
    {"ls": "-", "lw": 2.2, "color": "#000000"},
    {"ls": (0, (5, 1.6)), "lw": 1.7, "color": "#0072b2"},
    {"ls": "-", "lw": 2.2, "color": "#9a9a9a"},
    {"ls": (0, (1.1, 1.3)), "lw": 1.9, "color": "#000000"},
    {"ls": "-", "lw": 0.8, "color": "#0072b2"},
    {"ls": (0, (3, 1.2, 1, 1.2, 1, 1.2)), "lw": 1.7, "color": "#000000"},
    {"ls": (0, (2.2, 1.2)), "lw": 2.6, "color": "#9a9a9a"},
    {"ls": (0, (9, 4)), "lw": 0.9, "color": "#000000"},
    {"ls": (0, (1.1, 3.2)), "lw": 2.0, "color": "#0072b2"},
    {"ls": (0, (12, 1.5)), "lw": 2.6, "color": "#b4b4b4"},
    {"ls": (0, (2, 2)), "lw": 0.9, "color": "#000000"},
    {"ls": (0, (1, 1)), "lw": 3.0, "color": "#9a9a9a"},
)
# More dives than this are told apart by the tags on the lanes alone.
_MOST_IN_KEY = len(_DIVE_LINES)


@dataclass(frozen=True)
class _Leg:
    """One lane, or part of one, as it will be swum."""

    dive: str
    order: str
    lane: str
    start: tuple[float, float]
    end: tuple[float, float]

    def at(self, share: float) -> tuple[float, float]:
        """Return the point at a share of the way from start to end."""
        return (
            self.start[0] + share * (self.end[0] - self.start[0]),
            self.start[1] + share * (self.end[1] - self.start[1]),
        )


@styled
def draw_plan(
    backdrop: Backdrop,
    dives: pd.DataFrame,
    *,
    stations: pd.DataFrame | None = None,
    remains: Sequence[KeepOutArea] = (),
    spacing_table: pd.DataFrame | None = None,
    spacing: SpacingLike | None = None,
    required_pod: float | None = None,
    sought: str = "reference target",
    title: str = "Lane plan",
    subtitle: str = "",
) -> Figure:
    """Draw the lanes with names, directions and order, dive by dive.

    A lane's name stands outside its start peg (where its tape reads zero). The tag on it reads
    dive.order: 2.3 is the third lane of the second dive; a pair's are 2.3a and 2.3b.

    Parameters
    ----------
    backdrop : Backdrop
        With ``lanes``.
    dives : DataFrame
        ``dive, order, lane, from_e, from_n, to_e, to_n``; with ``via`` and ``diver``, as
        `detect.lanes.dives.pack_dives` gives them, the ways between are drawn.
    stations : DataFrame, optional
        Probe stations, ``e, n``.
    remains : sequence of KeepOutArea
        Visible remains, which no station is near.
    spacing_table : DataFrame, optional
        ``spacing_m, worst_pod, mean_pod``; with `spacing` and `required_pod` draws detection
        against lane spacing under the map.
    spacing : Spacing, optional
    required_pod : float, optional
    sought : str
        The class of targets that the chart is of.
    title, subtitle : str

    Returns
    -------
    Figure
    """
    ways = [places for _, places in ways_between(dives)] if "via" in dives else []
    numbers = {str(dive): i for i, dive in enumerate(pd.unique(dives["dive"]))}
    legs = [
        _Leg(
            str(r.dive),
            f"{r.order}{diver}",
            str(r.lane),
            (r.from_e, r.from_n),
            (r.to_e, r.to_n),
        )
        for r, diver in zip(records(dives), pair_letters(dives), strict=True)
    ]
    chart = (
        (spacing_table, spacing, required_pod)
        if spacing_table is not None and spacing is not None and required_pod is not None
        else None
    )
    sheet = map_sheet(
        _with_margin(backdrop.extent),
        backdrop.frame,
        _key(backdrop, numbers, stations, remains, bool(ways)),
        title=title,
        subtitle=subtitle,
        colour_bars=False,
        below_in=1.9 if chart else 0.0,
    )
    axes = sheet.maps[0]
    axes.add_artist(
        PathPatch(polygon_path(backdrop.outline), fill=False, zorder=2.6, **_outline("edgecolor"))
    )
    draw_backdrop(axes, backdrop, _LAYERS)
    for places in ways:
        axes.plot(*zip(*places, strict=True), zorder=2.8, **_WAY)
    if stations is not None and len(stations):
        axes.plot(stations["e"], stations["n"], zorder=2, **_STATION)
    for leg in legs:
        _draw_leg(axes, leg, dive_line(numbers[leg.dive]))
    for area in remains:
        axes.add_artist(PathPatch(polygon_path(area.polygon), zorder=2.5, **REMAINS))
    taken = [_pixels(axes, area.polygon.bounds) for area in backdrop.keep_outs]
    boxes = _name_lanes(axes, backdrop.lanes, taken)
    _tag_legs(axes, legs, boxes)
    if chart and sheet.below is not None:
        table, chosen, required = chart
        draw_spacing_chart(
            sheet.below, table, spacing_m=chosen.spacing_m, required_pod=required, sought=sought
        )
    return sheet.figure


_WAY: dict[str, Any] = {"color": INK, "lw": 0.7, "ls": (0, (3, 2))}
_STATION: dict[str, Any] = {
    "ls": "none",
    "marker": "o",
    "ms": 2.6,
    "mfc": "white",
    "mec": GREY,
    "mew": 0.8,
}


def _outline(colour: str) -> dict[str, Any]:
    """Return the looks of the site's outline, a double line; `colour` is its colour's name."""
    return {colour: "white", "lw": 1.6, "path_effects": [withStroke(linewidth=4.0, foreground=INK)]}


def _with_margin(extent: Extent) -> Extent:
    """Grow the ground shown, for the lanes' names outside their pegs."""
    margin = 0.05 * max(extent.width_m, extent.height_m)
    return Extent(
        extent.west - margin, extent.south - margin, extent.east + margin, extent.north + margin
    )


def dive_line(number: int) -> dict[str, Any]:
    """Return the line style of a dive, counted from 0."""
    return _DIVE_LINES[number % len(_DIVE_LINES)]


def dive_number(dive: str) -> str:
    """Return a dive's name without its letter and leading zeros: ``D02`` is 2."""
    return re.sub(r"^[A-Za-z]+0*(?=[0-9])", "", dive)


def _draw_leg(axes: Axes, leg: _Leg, style: dict[str, Any]) -> None:
    """Draw a leg with a peg mark at each end and an arrow head past its middle."""
    axes.plot(*zip(leg.start, leg.end, strict=True), zorder=3, **style)
    axes.plot(
        *zip(leg.start, leg.end, strict=True), ls="none", marker="o", ms=2.6, c=INK, zorder=3.2
    )
    axes.annotate(
        "",
        leg.at(0.62),
        xytext=leg.at(0.60),
        arrowprops={
            "arrowstyle": "-|>",
            "mutation_scale": 13,
            "color": style["color"],
            "shrinkA": 0,
            "shrinkB": 0,
            "lw": 1.0,
        },
        zorder=3.4,
    )


def _pixels(axes: Axes, bounds: tuple[float, float, float, float]) -> Bbox:
    """Return bounds in metres as a box in pixels."""
    return Bbox(axes.transData.transform([bounds[:2], bounds[2:]]))


def _name_lanes(axes: Axes, lanes: pd.DataFrame | None, barred: Sequence[Bbox]) -> list[Bbox]:
    """Write each lane's name by its start peg; return the boxes of all text and of keep-outs.

    Outside the peg, else on the lane itself, else beside the peg: a keep-out lies before the start
    of many a part of a lane, and a name on its far side, or on another lane, would be read as that
    one's. A name that would meet other words in every place is left out.
    """
    boxes = [*barred, *(text_box(text) for text in axes.texts if text.get_text())]
    if lanes is None or lanes.empty:
        return boxes
    ends = lanes[["start_e", "start_n", "end_e", "end_n"]].to_numpy(float).reshape(-1, 2)
    drawn = shapely.linestrings(axes.transData.transform(ends).reshape(-1, 2, 2))
    for row, lane in enumerate(records(lanes)):
        start, end = (lane.start_e, lane.start_n), (lane.end_e, lane.end_n)
        label = write(
            axes, *start, str(lane.lane), size_pt=TINY_PT, weight="bold", rim_pt=2.0, zorder=8
        )
        others = np.delete(drawn, row)
        # Clear of the other lanes where that can be.
        tried = (
            (place, on_others)
            for on_others in (False, True)
            for place in _name_places(axes, start, end, text_box(label))
        )
        for place, on_others in tried:
            label.set(ha=place.ha, va=place.va)
            label.offset_pt = place.offset_pt
            box = text_box(label)
            if any(box.overlaps(other) for other in boxes):
                continue
            if not on_others and shapely.intersects(shapely.box(*box.extents), others).any():
                continue
            if not place.leads:
                boxes.append(box)
                break
            peg = axes.transData.transform(start)
            line = Path([peg, peg + np.multiply(place.lead_pt, axes.figure.dpi / 72.0)])
            if not any(line.intersects_bbox(other, filled=False) for other in barred):
                boxes.append(box)
                _lead(axes, start, place.lead_pt)
                break
        else:
            label.remove()
    return boxes


class _NamePlace(NamedTuple):
    """Where a name may stand: points from the peg, its anchor, and how far out a line leads."""

    offset_pt: tuple[float, float]
    ha: str = "center"
    va: str = "center"
    lead_pt: tuple[float, float] = (0.0, 0.0)

    @property
    def leads(self) -> bool:
        """Whether a line leads there."""
        return any(self.lead_pt)


def _name_places(
    axes: Axes, start: tuple[float, float], end: tuple[float, float], name: Bbox
) -> Iterator[_NamePlace]:
    """Yield places for the name of a lane, the favourite first."""
    along = np.subtract(*axes.transData.transform([end, start])) * 72.0 / axes.figure.dpi
    length = max(float(np.hypot(*along)), 1e-9)
    right, up = -along / length

    def beside(x: float, y: float, out: float) -> _NamePlace:
        # The anchor follows the way: text to the left of an eastward lane, and so on.
        return _NamePlace(
            (5 * x + out * right, 5 * y + out * up),
            "right" if x < -0.4 else "left" if x > 0.4 else "center",
            "top" if y < -0.4 else "bottom" if y > 0.4 else "center",
            (out * right, out * up) if out > 0 else (0.0, 0.0),
        )

    # Outside the peg, further out where names are close.
    yield from (beside(right, up, out) for out in (0, 22, 44))
    half = 0.5 * (abs(right) * name.width + abs(up) * name.height) * 72.0 / axes.figure.dpi
    first = half + 5.0
    for inwards in np.arange(first, max(length - half, first + 1.0), 6.0)[:_ON_LANE]:
        yield _NamePlace((-inwards * right, -inwards * up))
    yield from (beside(up, -right, -3), beside(-up, right, -3))


# How many places on the lane itself are tried for its name, six points apart.
_ON_LANE = 8


def _lead(axes: Axes, start: tuple[float, float], lead_pt: tuple[float, float]) -> None:
    """Draw a thin line from a peg to the name that stands so far out from it, points."""
    axes.annotate(
        "",
        start,
        xytext=lead_pt,
        textcoords="offset points",
        arrowprops={"arrowstyle": "-", "lw": 0.5, "color": GREY, "shrinkA": 0, "shrinkB": 2},
        zorder=2.7,
    )


# Along a leg, where its tag may stand; the far end only where a short leg bears its name as well.
_TAG_SHARES = (*np.linspace(0.08, 0.96, 12), 1.08)


def _tag_legs(axes: Axes, legs: Sequence[_Leg], taken: list[Bbox]) -> None:
    """Tag each leg with dive.order near where it starts, moved along where tags would meet."""
    used = list(taken)
    for leg in legs:
        tag = axes.text(
            *leg.at(0.08),
            f"{dive_number(leg.dive)}.{leg.order}",
            fontsize=TINY_PT,
            ha="center",
            va="center",
            bbox={"boxstyle": "round,pad=0.16", "facecolor": "white", "edgecolor": INK, "lw": 0.7},
            zorder=7.5,
        )
        for share in _TAG_SHARES:
            tag.set_position(leg.at(share))
            box = text_box(tag).padded(2.0)
            if not any(box.overlaps(other) for other in used):
                break
        used.append(box)


def _key(
    backdrop: Backdrop,
    numbers: dict[str, int],
    stations: pd.DataFrame | None,
    remains: Sequence[KeepOutArea],
    ways: bool,
) -> list[KeyEntry]:
    key = [KeyEntry(Line2D([], [], **_outline("color")), "site outline")]
    key += backdrop_key(backdrop, _LAYERS)
    if len(numbers) <= _MOST_IN_KEY:
        for dive, number in numbers.items():
            sample = Line2D([], [], **dive_line(number))
            key.append(KeyEntry(sample, f"dive {dive}"))
    else:
        blank = Line2D([], [], ls="none")
        key.append(KeyEntry(blank, f"{len(numbers)} dives: lines repeat,"))
        key.append(KeyEntry(blank, "the tag's number tells"))
    if ways:
        key.append(KeyEntry(Line2D([], [], **_WAY), "way to the next lane"))
    if stations is not None and len(stations):
        key.append(KeyEntry(Line2D([], [], **_STATION), "probe station"))
    if remains:
        key.append(KeyEntry(Patch(**REMAINS), "visible remains"))
    blank = Line2D([], [], ls="none")
    key.append(KeyEntry(blank, "tag: dive.order swum"))
    key.append(KeyEntry(blank, "name: at start peg"))
    return key
