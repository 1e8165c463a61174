"""The sheet that every map is printed on: one scale, north arrows, scale bar, key.

The layout is worked out in inches before anything is drawn, so that a metre is equally long on
both axes, in the scale bar and in a second map beside the first.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import FancyArrowPatch, Rectangle
from matplotlib.ticker import MultipleLocator

from detect.present.lettering import measures, write
from detect.present.style import GREY, INK, SMALL_PT, TEXT_PT, TITLE_PT, new_figure
from detect.present.ticks import tick_axes
from detect.survey.frame import Frame

_LEFT, _RIGHT, _BETWEEN = 0.68, 0.40, 0.95
_TITLE, _SUBTITLE, _MAP_TITLE, _GRID_LABELS = 0.40, 0.22, 0.24, 0.22
_AXIS_LABELS, _BAR, _BAR_LABELS, _FOOT = 0.52, 0.16, 0.62, 0.10
_NORTH_WIDTH, _SCALE_WIDTH = 2.05, 1.95
_KEY_ROW = 0.205
# From line to line of a key, and the sizes of its samples.
_KEY_STEP, _SAMPLE_WIDTH, _SAMPLE_HEIGHT = 0.172, 0.267, 0.122
_MIN_WIDTH = 7.2


class Extent(NamedTuple):
    """Edges of a map in metres, local grid."""

    west: float
    south: float
    east: float
    north: float

    @property
    def width_m(self) -> float:
        """Width, metres."""
        return self.east - self.west

    @property
    def height_m(self) -> float:
        """Height, metres."""
        return self.north - self.south


class KeyEntry(NamedTuple):
    """One line of the key: a sample of the sign and what it means."""

    sample: Artist
    label: str


@dataclass(frozen=True)
class Sheet:
    """A figure laid out for maps.

    Parameters
    ----------
    figure : Figure
    maps : tuple of Axes
        Map axes, left to right, limits set to the extent in metres.
    bars : tuple of Axes
        Axes for colour bars, one under each map, or one for all (empty when not asked for).
    below : Axes or None
        Axes for a chart under the maps.
    inches_per_m : float
        Scale of the maps.
    """

    figure: Figure
    maps: tuple[Axes, ...]
    bars: tuple[Axes, ...]
    below: Axes | None
    inches_per_m: float

    @property
    def points_per_m(self) -> float:
        """Scale of the maps in typographic points (1/72 inch) a metre."""
        return self.inches_per_m * 72.0


def map_sheet(
    extent: Extent,
    frame: Frame,
    key: Sequence[KeyEntry],
    *,
    title: str,
    subtitle: str = "",
    map_titles: Sequence[str] = ("",),
    colour_bars: bool = True,
    columns: int | None = None,
    below_in: float = 0.0,
    max_width_in: float = 8.2,
    max_height_in: float = 7.4,
) -> Sheet:
    """Lay out a sheet with one map or several side by side, or in rows on one colour scale.

    Parameters
    ----------
    extent : Extent
        Ground shown on each map, metres.
    frame : Frame
        For the north arrows.
    key : sequence of KeyEntry
        What the signs mean.
    title, subtitle : str
    map_titles : sequence of str
        One for each map; their number is the number of maps.
    colour_bars : bool
        Reserve an axes for a colour bar under each map, or where there are rows under them all.
    columns : int, optional
        Maps in a row; all in one if not given.
    below_in : float
        Height in inches of a chart under the maps; 0 for none.
    max_width_in, max_height_in : float
        Largest size of one map.

    Returns
    -------
    Sheet
    """
    count = columns or len(map_titles)
    rows = math.ceil(len(map_titles) / count)
    scale = min(max_width_in / extent.width_m, max_height_in / extent.height_m)
    map_w, map_h = extent.width_m * scale, extent.height_m * scale
    maps_w = count * map_w + (count - 1) * _BETWEEN
    width = max(_LEFT + maps_w + _RIGHT, _MIN_WIDTH)
    left = (width - maps_w + _LEFT - _RIGHT) / 2

    key_columns, key_h = _key_size(key, width)
    title_h = _TITLE + (_SUBTITLE if subtitle else 0.0)
    top_h = title_h + (_MAP_TITLE if any(map_titles) else 0.0) + _GRID_LABELS
    bar_h = _BAR + _BAR_LABELS if colour_bars else 0.0
    # A chart under the map needs room for its own title and axis labels besides its height.
    below_h = below_in + 0.95 if below_in else 0.0
    row_h = top_h - title_h + map_h + _AXIS_LABELS
    maps_h = title_h + rows * row_h
    height = maps_h + bar_h + below_h + key_h + _FOOT

    figure = new_figure(width, height)

    def box(x: float, top: float, w: float, h: float) -> tuple[float, float, float, float]:
        return x / width, 1 - (top + h) / height, w / width, h / height

    figure.text(0.14 / width, 1 - 0.10 / height, title, fontsize=TITLE_PT, weight="bold", va="top")
    if subtitle:
        figure.text(0.14 / width, 1 - _TITLE / height, subtitle, fontsize=TEXT_PT, va="top")

    maps, bars = [], []
    for i, map_title in enumerate(map_titles):
        row, column = divmod(i, count)
        x, top = left + column * (map_w + _BETWEEN), top_h + row * row_h
        axes = figure.add_axes(box(x, top, map_w, map_h))
        _metre_axes(axes, extent)
        if map_title:
            figure.text(
                x / width,
                1 - (title_h + row * row_h + 0.02) / height,
                map_title,
                fontsize=TEXT_PT + 1,
                weight="bold",
                va="top",
            )
        maps.append(axes)
        if colour_bars and rows == 1:
            bar_w = min(map_w, 5.0)
            bar_x = x + (map_w - bar_w) / 2
            bars.append(figure.add_axes(box(bar_x, maps_h, bar_w, _BAR)))
    if colour_bars and rows > 1:
        bar_w = min(maps_w, 5.0)
        bars.append(figure.add_axes(box(left + (maps_w - bar_w) / 2, maps_h, bar_w, _BAR)))

    below = None
    if below_in:
        top = maps_h + bar_h + 0.35
        below = figure.add_axes(box(_LEFT + 0.1, top, width - _LEFT - _RIGHT - 0.1, below_in))

    strip = figure.add_axes(box(0, height - key_h - _FOOT, width, key_h))
    strip.set(xlim=(0, width), ylim=(0, key_h))
    strip.axis("off")
    _draw_norths(strip, frame, key_h)
    _draw_scale_bar(strip, _NORTH_WIDTH + 0.15, key_h - 0.34, scale)
    if key:
        draw_key(strip, key, key_columns, _NORTH_WIDTH + _SCALE_WIDTH + 0.04, key_h - 0.04)
    return Sheet(figure, tuple(maps), tuple(bars), below, scale)


def draw_key(
    axes: Axes, key: Sequence[KeyEntry], columns: int, left_in: float, top_in: float
) -> None:
    """Draw a key column by column, each as wide as its words.

    Parameters
    ----------
    axes : Axes
        Measured in inches.
    key : sequence of KeyEntry
    columns : int
    left_in, top_in : float
        Its upper left corner.
    """
    rows = -(-len(key) // columns)
    x = left_in
    for first in range(0, len(key), rows):
        column = key[first : first + rows]
        for row, entry in enumerate(column):
            y = top_in - (row + 0.5) * _KEY_STEP
            axes.add_artist(_placed_sample(entry.sample, x, y))
            style: dict[str, Any] = {"va": "center", "size_pt": SMALL_PT, "searched": False}
            write(axes, x + _SAMPLE_WIDTH + 0.09, y, entry.label, **style)
        words = max(measures(entry.label, "normal").wide for entry in column) * SMALL_PT / 72.0
        x += _SAMPLE_WIDTH + 0.09 + words + 0.14


def _placed_sample(sample: Artist, x: float, y: float) -> Artist:
    """Return a sample at its place in a key, its left edge's middle: a line, or a filled box."""
    if isinstance(sample, Line2D):
        # A mark stands once, in the middle.
        sample.set_data([x, x + _SAMPLE_WIDTH / 2, x + _SAMPLE_WIDTH], [y, y, y])
        sample.set_markevery([1])
        return sample
    box = Rectangle((x, y - _SAMPLE_HEIGHT / 2), _SAMPLE_WIDTH, _SAMPLE_HEIGHT)
    box.update_from(sample)
    return box


def nice_length(longest: float) -> float:
    """Return the largest of 1, 2 and 5 times a power of ten that does not exceed `longest`."""
    power = 10.0 ** math.floor(math.log10(longest))
    return max(step * power for step in (1.0, 2.0, 5.0) if step * power <= longest * (1 + 1e-9))


def north_angles(frame: Frame) -> dict[str, float]:
    """Return the grid bearing of grid, true and magnetic north, degrees clockwise from grid north.

    ``grid_north_deg`` is the true bearing of the grid's north axis, so true north lies at minus
    that angle; magnetic north lies a further declination (positive east) clockwise of it.
    """
    true = -float(frame.grid_north_deg)
    return {"grid": 0.0, "true": true, "magnetic": true + float(frame.magnetic_declination_deg)}


def draw_arrow(
    axes: Axes, x: float, y: float, length: float, bearing_deg: float, *, heavy: bool = True
) -> None:
    """Draw an arrow centred on (x, y) of axes whose units are equal both ways.

    Parameters
    ----------
    axes : Axes
    x, y, length : float
        In the units of the axes.
    bearing_deg : float
        Clockwise from the axes' upward direction.
    heavy : bool
        Filled head and thick shaft; otherwise an open head and thin shaft.
    """
    angle = math.radians(bearing_deg)
    dx, dy = 0.5 * length * math.sin(angle), 0.5 * length * math.cos(angle)
    axes.add_artist(
        FancyArrowPatch(
            (x - dx, y - dy),
            (x + dx, y + dy),
            arrowstyle="-|>" if heavy else "->",
            mutation_scale=15,
            linewidth=2.0 if heavy else 1.3,
            color=INK,
            shrinkA=0,
            shrinkB=0,
        )
    )


def compass_text(angle_deg: float) -> str:
    """Return an angle east or west of north in words, such as ``2.5° E``."""
    turned = (angle_deg + 180.0) % 360.0 - 180.0
    # Rounded first, so that -0.04 does not read 0.0° W.
    rounded = round(turned, 1)
    return f"{abs(rounded):.1f}° {'W' if rounded < 0 else 'E'}"


def _key_size(key: Sequence[KeyEntry], width: float) -> tuple[int, float]:
    """Return the number of columns of the key and the height of its strip, inches."""
    longest = max((len(entry.label) for entry in key), default=0)
    column_w = 0.55 + 0.064 * longest
    room = width - _NORTH_WIDTH - _SCALE_WIDTH - 0.1
    columns = max(1, min(len(key), int(room / column_w)))
    rows = math.ceil(len(key) / columns)
    return columns, max(1.42, rows * _KEY_ROW + 0.1)


def _metre_axes(axes: Axes, extent: Extent) -> None:
    """Set limits, equal aspect, ticks on round metres and labels with units."""
    axes.set(
        xlim=(extent.west, extent.east),
        ylim=(extent.south, extent.north),
        xlabel="e, grid east (m)",
        ylabel="n, grid north (m)",
    )
    axes.set_aspect("equal")
    step = nice_length(max(extent.width_m, extent.height_m) / 5)
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(MultipleLocator(step))
    tick_axes(axes, length_pt=3.0)


def _draw_norths(strip: Axes, frame: Frame, height: float) -> None:
    """Draw the arrows of grid and true north with the declination in words under them."""
    angles = north_angles(frame)
    y = height - 0.40
    draw_arrow(strip, 0.55, y, 0.66, angles["grid"])
    draw_arrow(strip, 1.45, y, 0.66, angles["true"], heavy=False)
    for x, word in ((0.55, "grid north"), (1.45, "true north")):
        write(strip, x, y - 0.40, word, ha="center", va="top", size_pt=SMALL_PT, weight="bold")
    bearing = float(frame.grid_north_deg) % 360.0
    words = (
        f"grid north lies {bearing:.1f}° true",
        f"magnetic declination {compass_text(float(frame.magnetic_declination_deg))}",
    )
    for line, said in enumerate(words):
        write(strip, 0.14, y - 0.60 - 0.15 * line, said, va="top", size_pt=SMALL_PT)


def _draw_scale_bar(strip: Axes, x: float, y: float, inches_per_m: float) -> None:
    """Draw a bar of round length in alternate black and white parts, at the maps' scale."""
    length = nice_length((_SCALE_WIDTH - 0.55) / inches_per_m)
    parts = 4 if f"{length:g}".strip("0.")[:1] == "2" else 5
    edges = x + np.linspace(0, length, parts + 1) * inches_per_m
    for i in range(parts):
        strip.add_artist(
            Rectangle(
                (edges[i], y),
                edges[1] - edges[0],
                0.09,
                facecolor=INK if i % 2 == 0 else "white",
                edgecolor=INK,
                linewidth=0.8,
            )
        )
    for metres, where in ((0.0, edges[0]), (length, edges[-1])):
        write(strip, where, y + 0.13, f"{metres:g}", ha="center", va="bottom", size_pt=SMALL_PT)
    middle = (edges[0] + edges[-1]) / 2
    words: dict[str, Any] = {"ha": "center", "va": "top", "size_pt": SMALL_PT, "color": GREY}
    write(strip, middle, y - 0.05, "metres", **words)
