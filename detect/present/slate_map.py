"""The little map on a dive slate: this dive's lanes thick, all others thin."""

from __future__ import annotations

import math

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.patches import PathPatch
from matplotlib.transforms import Bbox

from detect.lanes import ways_between
from detect.present.backdrop import Backdrop, polygon_path
from detect.present.labels import text_box
from detect.present.lettering import write
from detect.present.numbers import records
from detect.present.pairs import pair_letters
from detect.present.sheet import Extent
from detect.present.style import lines_as_one
from detect.survey.outlines import KeepOutArea

# How far numbers keep from a keep-out's name, pixels.
_APART_PX = 12.0
# Where a leg's number may stand: out from its start (in on it: negative) and aside, line heights.
_NUMBER_PLACES = (
    *((out, 0.0) for out in (1.0, -1.0, -2.2, -3.4, -4.6, -5.8)),
    *((0.0, aside) for aside in (1.2, -1.2)),
    *((1.0, aside) for aside in (1.2, -1.2)),
)


def draw_slate_map(axes: Axes, legs: pd.DataFrame, backdrop: Backdrop, scale: float) -> None:
    """Draw the map into axes made for it.

    Parameters
    ----------
    axes : Axes
        The map keeps to their upper left corner.
    legs : DataFrame
        This dive: ``order, from_e, from_n, to_e, to_n``; with ``via``, ways that go round keep-outs
        are dotted.
    backdrop : Backdrop
    scale : float
        Type size relative to A4.
    """
    draw_ground(axes, backdrop, whole_site(backdrop.extent))
    if backdrop.lanes is not None and len(backdrop.lanes):
        ends = backdrop.lanes[["start_e", "start_n", "end_e", "end_n"]].to_numpy(float)
        axes.add_artist(lines_as_one(ends.reshape(-1, 2, 2), color="black", lw=0.4, zorder=1))
    if "via" in legs:
        for _, places in ways_between(legs):
            if len(places) > 2:
                axes.plot(
                    *zip(*places, strict=True), color="black", lw=1.4 * scale, ls=":", zorder=4
                )
    axes.apply_aspect()
    barred = [
        Bbox(axes.transData.transform([bounds[:2], bounds[2:]]))
        for bounds in (area.polygon.bounds for area in backdrop.keep_outs)
    ]
    _draw_legs(axes, legs, scale, barred)
    for area, box in zip(backdrop.keep_outs, barred, strict=True):
        name_keep_out(axes, area, box, scale)


def whole_site(extent: Extent) -> Extent:
    """Return the ground of a map of all of a site, with room round it."""
    margin = 0.06 * max(extent.width_m, extent.height_m)
    return Extent(
        extent.west - margin, extent.south - margin, extent.east + margin, extent.north + margin
    )


def draw_ground(axes: Axes, backdrop: Backdrop, shown: Extent) -> None:
    """Draw what every slate's map shows: outline, keep-outs, baseline, within a frame.

    Parameters
    ----------
    axes : Axes
        The map keeps to their upper left corner.
    backdrop : Backdrop
    shown : Extent
        The ground within the frame, m.
    """
    axes.set(xlim=(shown.west, shown.east), ylim=(shown.south, shown.north))
    axes.set_aspect("equal", anchor="NW")
    axes.xaxis.set_visible(False)
    axes.yaxis.set_visible(False)
    for spine in axes.spines.values():
        spine.set(color="black", linewidth=1.2)
    for area in backdrop.keep_outs:
        axes.add_artist(
            PathPatch(
                polygon_path(area.polygon),
                facecolor="white",
                edgecolor="black",
                hatch="xxx",
                lw=1.2,
                zorder=3,
            )
        )
    axes.add_artist(
        PathPatch(polygon_path(backdrop.outline), fill=False, ec="black", lw=1.6, zorder=2)
    )
    if backdrop.frame.baseline is not None:
        (e0, n0), (e1, n1) = backdrop.frame.baseline
        axes.plot([e0, e1], [n0, n1], color="black", lw=1.6, ls=(0, (5, 2, 1, 2)))


def name_keep_out(axes: Axes, area: KeepOutArea, own: Bbox, scale: float) -> None:
    """Write a keep-out's name on it, else beside it; not at all where numbers leave no room.

    A number hard by a name would read as part of it.
    """
    used = [text_box(text).padded(_APART_PX) for text in axes.texts if text.get_text()]
    middle = area.polygon.representative_point()
    style = {"size_pt": 7.5 * scale, "weight": "bold", "color": "black", "rim_pt": 3.0, "zorder": 5}
    label = write(axes, middle.x, middle.y, area.name, ha="center", va="center", **style)
    frame, box, dots = axes.get_window_extent(), text_box(label), axes.figure.dpi / 72.0
    at = axes.transData.transform((middle.x, middle.y))
    wide, high, air = box.width / 2, box.height / 2, 3.0 * dots
    over, under = own.y1 - at[1] + high + air, own.y0 - at[1] - high - air
    right, left = own.x1 - at[0] + wide + air, own.x0 - at[0] - wide - air
    far = (0, under - 3 * high), (0, over + 3 * high)
    for x, y in ((0, 0), (0, under), (0, over), (left, 0), (right, 0), (left, under), *far):
        label.offset_pt = (x / dots, y / dots)
        box = text_box(label)
        within = frame.x0 <= box.x0 and box.x1 <= frame.x1
        within = within and frame.y0 <= box.y0 and box.y1 <= frame.y1
        if within and not any(box.overlaps(other) for other in used):
            return
    label.remove()


def _draw_legs(axes: Axes, legs: pd.DataFrame, scale: float, taken: list[Bbox]) -> None:
    """Draw this dive's legs with arrow heads, each one's number where it starts.

    The number stands beyond the end, on the leg where a keep-out or other words are there, or else
    beside its start.
    """
    used, frame = list(taken), axes.get_window_extent()
    for leg, diver in zip(records(legs), pair_letters(legs), strict=True):
        start, end = (leg.from_e, leg.from_n), (leg.to_e, leg.to_n)
        de, dn = end[0] - start[0], end[1] - start[1]
        back = -7.5 * scale / max(math.hypot(de, dn), 1e-9)
        axes.annotate(
            "",
            end,
            xytext=start,
            arrowprops={
                "arrowstyle": "-|>",
                "mutation_scale": 12 * scale,
                "color": "black",
                "lw": 2.6 * scale,
                "shrinkA": 0,
                "shrinkB": 0,
            },
            zorder=4,
        )
        label = write(
            axes,
            *start,
            f"{leg.order}{diver}",
            ha="center",
            va="center",
            size_pt=9 * scale,
            weight="bold",
            color="black",
            rim_pt=2.5,
            zorder=6,
        )
        for along, aside in _NUMBER_PLACES:
            label.offset_pt = (back * (along * de + aside * dn), back * (along * dn - aside * de))
            box = text_box(label)
            within = frame.x0 <= box.x0 and box.x1 <= frame.x1
            if within and not any(box.overlaps(other) for other in used):
                used.append(box)
                break
        else:
            label.remove()
