"""Words set quickly: a line of text drawn from measures and outlines that are kept for its like.

A run writes some five thousand words, most of them short and many of them alike (squares, lanes,
metres of a log). matplotlib's own text works out its layout anew each time it is drawn; a line of
plain words needs no more than its length, its height and a place.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Any, Literal, NamedTuple

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backend_bases import RendererBase
from matplotlib.colors import to_rgba
from matplotlib.font_manager import FontProperties
from matplotlib.path import Path
from matplotlib.text import Text
from matplotlib.textpath import TextPath, text_to_path
from matplotlib.transforms import Affine2D, Bbox

from detect.present.style import INK, TEXT_PT

Across = Literal["left", "center", "right"]
Up = Literal["top", "center", "bottom", "baseline", "center_baseline"]

#: share of a line's width that lies left of its place
_LEFT_OF: dict[str, float] = {"left": 0.0, "center": 0.5, "right": 1.0}
#: height of its foot line over its place, from the heights over and under that line
_RISE: dict[str, Callable[[float, float], float]] = {
    "top": lambda over, under: -over,
    "center": lambda over, under: (under - over) / 2,
    "bottom": lambda over, under: under,
    "baseline": lambda over, under: 0.0,
    "center_baseline": lambda over, under: -over / 2,
}
_UNIT_BOX = Path.unit_rectangle()


class Measures(NamedTuple):
    """Room that a line takes, in shares of its size."""

    wide: float
    over: float
    under: float


@functools.cache
def font(size_pt: float, weight: str) -> FontProperties:
    """Return the house's type; not to be changed, since it is shared."""
    return FontProperties(family="DejaVu Sans", size=size_pt, weight=weight)


@functools.cache
def measures(words: str, weight: str) -> Measures:
    """Return a line's width, and its height over and under its foot line (at least a line's)."""
    of = [
        text_to_path.get_text_width_height_descent(line, font(100.0, weight), ismath=False)
        for line in (words, "lp")
    ]
    over, under = max(h - d for _, h, d in of), max(d for *_, d in of)
    return Measures(of[0][0] / 100, over / 100, under / 100)


@functools.cache
def outline(words: str, weight: str) -> Path:
    """Return the outlines of a line of letters one unit high, from its foot line's left end."""
    path = TextPath((0, 0), words, size=1.0, prop=font(1.0, weight))
    return Path(path.vertices, path.codes, readonly=True)


@functools.cache
def ink_size(words: str, weight: str) -> tuple[float, float]:
    """Return width and height of the letters themselves, in shares of their size."""
    path = outline(words, weight)
    # The points a letter bends towards lie within its farthest ones, as type is drawn.
    corners = path.vertices[path.codes != Path.CLOSEPOLY]
    wide, high = np.ptp(corners, axis=0) if len(corners) else (0.0, 0.0)
    return float(wide), float(high)


class Words(Text):
    """One level line of plain words, with a rim or on clear ground of its own where asked for.

    Parameters
    ----------
    x, y : float
        Its place, in the units of `transform`.
    words : str
    size_pt : float
    weight : str
    ha, va : str
        Where its place is in it.
    offset_pt : (float, float)
        From its place, points.
    rim_pt : float
        Width of a white rim round the letters, points; letters with a rim are drawn as outlines.
    ground : str, optional
        Colour of a box behind it.
    pad_pt, ground_alpha : float
        How far the box goes beyond the words, points, and how dense it is.
    turn_deg : {0, 90}
        90 for words that read upwards.
    """

    def __init__(
        self,
        x: float,
        y: float,
        words: str,
        *,
        size_pt: float = TEXT_PT,
        weight: str = "normal",
        color: str = INK,
        ha: Across = "left",
        va: Up = "baseline",
        offset_pt: tuple[float, float] = (0.0, 0.0),
        rim_pt: float = 0.0,
        ground: str | None = None,
        pad_pt: float = 0.8,
        ground_alpha: float = 1.0,
        turn_deg: int = 0,
        **style: Any,
    ) -> None:
        style = {"clip_on": False} | style
        super().__init__(x, y, words, fontproperties=font(size_pt, weight), color=color, **style)
        self.set_horizontalalignment(ha)
        self.set_verticalalignment(va)
        self.size_pt, self.weight = size_pt, weight
        self.offset_pt = offset_pt
        self.rim_pt, self.ground = rim_pt, ground
        self.pad_pt, self.ground_alpha = pad_pt, ground_alpha
        self.turn_deg = turn_deg

    def _placed(self, points: float) -> tuple[float, float, Bbox]:
        """Return where the foot line begins, and the box, pixels; `points` is pixels a point."""
        em = self.size_pt * points
        wide, over, under = (em * part for part in measures(self.get_text(), self.weight))
        x, y = self.get_transform().transform(self.get_position())
        x, y = x + self.offset_pt[0] * points, y + self.offset_pt[1] * points
        along = -_LEFT_OF[str(self.get_horizontalalignment())] * wide
        rise = _RISE[self.get_verticalalignment()](over, under)
        if self.turn_deg:
            # Read upwards: alignments still are those of the page, over the turned box.
            box_w, box_h = over + under, wide
            left = x - _LEFT_OF[str(self.get_horizontalalignment())] * box_w
            foot = y + _RISE[self.get_verticalalignment()](box_h, 0.0)
            return left + over, foot, Bbox.from_bounds(left, foot, box_w, box_h)
        return x + along, y + rise, Bbox.from_bounds(
            x + along, y + rise - under, wide, over + under
        )

    def get_window_extent(
        self, renderer: RendererBase | None = None, dpi: float | None = None
    ) -> Bbox:
        """Return the box that the words fill, pixels."""
        figure: Any = self.get_figure()
        return self._placed((dpi or figure.dpi) / 72.0)[2]

    def draw(self, renderer: RendererBase) -> None:
        """Draw the ground, the rim and the letters."""
        if not self.get_visible() or not self.get_text():
            return
        points = renderer.points_to_pixels(1.0)
        x, y, box = self._placed(points)
        gc = renderer.new_gc()
        self._set_gc_clip(gc)
        if self.ground is not None:
            pad = self.pad_pt * points
            gc.set_linewidth(0.0)
            gc.set_alpha(self.ground_alpha)
            place = Affine2D().scale(box.width + 2 * pad, box.height + 2 * pad)
            place.translate(box.x0 - pad, box.y0 - pad)
            renderer.draw_path(gc, _UNIT_BOX, place, to_rgba(self.ground, self.ground_alpha))
            gc.set_alpha(1.0)
        ink = to_rgba(self.get_color())
        if self.rim_pt:
            letters = outline(self.get_text(), self.weight)
            place = Affine2D().scale(self.size_pt * points).translate(x, y)
            gc.set_joinstyle("round")
            gc.set_foreground("white")
            gc.set_linewidth(self.rim_pt * points)
            renderer.draw_path(gc, letters, place, ink)
            gc.set_linewidth(0.0)
            renderer.draw_path(gc, letters, place, ink)
        else:
            gc.set_foreground(ink, isRGBA=True)
            if renderer.flipy():
                y = renderer.get_canvas_width_height()[1] - y
            properties = font(self.size_pt, self.weight)
            renderer.draw_text(gc, x, y, self.get_text(), properties, self.turn_deg)
        gc.restore()
        self.stale = False


def write(axes: Axes, x: float, y: float, words: str, **style: Any) -> Words:
    """Write a line into axes, in their units unless a transform is given; see `Words`.

    Parameters
    ----------
    axes : Axes
    x, y : float
    words : str
    **style
        As for `Words`.

    Returns
    -------
    Words
    """
    label = Words(x, y, words, **style)
    axes.add_artist(label)
    return label
