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
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.backend_bases import RendererBase
from matplotlib.backends.backend_agg import RendererAgg
from matplotlib.colors import to_rgba
from matplotlib.font_manager import FontProperties
from matplotlib.path import Path
from matplotlib.text import Text
from matplotlib.textpath import text_to_path
from matplotlib.transforms import Affine2D, Bbox, IdentityTransform
from numpy.typing import NDArray

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
# Size in which letters are measured, points.
_LARGE = 100.0
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


class _Letter(NamedTuple):
    """One letter: its outline and measures in shares of its size."""

    corners: NDArray[np.float64]
    codes: NDArray[np.uint8]
    wide: float
    over: float
    under: float


def pixels_a_point(renderer: RendererBase) -> float:
    """Return how many of a renderer's dots are a point long."""
    return float(np.asarray(renderer.points_to_pixels(1.0), dtype=float))


@functools.cache
def _measured(words: str, weight: str) -> tuple[float, float, float]:
    """Return width, height and depth of words in shares of their size, from their outlines."""
    type_ = font(_LARGE, weight)
    of = text_to_path.get_text_width_height_descent(words, type_, ismath=False)
    return of[0] / _LARGE, of[1] / _LARGE, of[2] / _LARGE


@functools.cache
def _letter(letter: str, weight: str) -> _Letter:
    """Return a letter; its width is measured in a pair, since a space alone has no outline."""
    _, high, under = _measured(letter, weight)
    wide = _measured(f"|{letter}|", weight)[0] - _measured("||", weight)[0]
    corners, codes = text_to_path.get_text_path(font(_LARGE, weight), letter)
    shape = np.reshape(corners, (-1, 2)) / text_to_path.FONT_SCALE
    drawn = np.asarray(codes, dtype=Path.code_type)
    return _Letter(shape, drawn, wide, high - under, under)


@functools.cache
def measures(words: str, weight: str) -> Measures:
    """Return a line's width, and its height over and under its foot line (at least a line's).

    Letters stand as far apart as each is wide; what type moves some pairs together is less than
    a label's place is good for.
    """
    letters = [_letter(letter, weight) for letter in words]
    usual = [*letters, *(_letter(letter, weight) for letter in "lp")]
    return Measures(
        sum(one.wide for one in letters),
        max(one.over for one in usual),
        max(one.under for one in usual),
    )


@functools.cache
def outline(words: str, weight: str) -> Path:
    """Return the outlines of letters one unit high, from their foot line's left end."""
    at, corners, codes = 0.0, [np.empty((0, 2))], [np.empty(0, dtype=Path.code_type)]
    for letter in words:
        one = _letter(letter, weight)
        corners.append(one.corners + np.array([at, 0.0]))
        codes.append(one.codes)
        at += one.wide
    return Path(np.concatenate(corners), np.concatenate(codes), readonly=True)


@functools.cache
def ink_size(words: str, weight: str) -> tuple[float, float]:
    """Return width and height of the letters themselves, in shares of their size."""
    path = outline(words, weight)
    # The points a letter bends towards lie within its farthest ones, as type is drawn.
    corners = np.asarray(path.vertices)[path.codes != Path.CLOSEPOLY]
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
        Width of a white rim round the letters, points.
    searched : bool
        Whether the words can be searched for in a PDF. Otherwise, and with a rim, letters are
        drawn as outlines, which takes a fifth of the time.
    ground : str, optional
        Colour of a box behind it.
    pad_pt : float or (float, float)
        How far the box goes beyond the words, points; across and up where the two differ.
    ground_alpha : float
        How dense it is.
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
        searched: bool = True,
        ground: str | None = None,
        pad_pt: float | tuple[float, float] = 0.8,
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
        self.searched = searched and not rim_pt
        self.pad_pt = pad_pt if isinstance(pad_pt, tuple) else (pad_pt, pad_pt)
        self.ground_alpha = ground_alpha
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
        return (
            x + along,
            y + rise,
            Bbox.from_bounds(x + along, y + rise - under, wide, over + under),
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
        points = pixels_a_point(renderer)
        x, y, box = self._placed(points)
        gc = renderer.new_gc()
        if self.get_clip_on():
            gc.set_clip_rectangle(self.get_clip_box())
            clip: Any = self.get_clip_path()
            gc.set_clip_path(clip)
        if self.ground is not None:
            across, up = (pad * points for pad in self.pad_pt)
            gc.set_linewidth(0.0)
            gc.set_alpha(self.ground_alpha)
            place = Affine2D().scale(box.width + 2 * across, box.height + 2 * up)
            place.translate(box.x0 - across, box.y0 - up)
            renderer.draw_path(gc, _UNIT_BOX, place, to_rgba(self.ground, self.ground_alpha))
            gc.set_alpha(1.0)
        ink = to_rgba(self.get_color())
        if self.searched and not isinstance(renderer, RendererAgg):
            gc.set_foreground(ink, isRGBA=True)
            if renderer.flipy():
                y = renderer.get_canvas_width_height()[1] - y
            properties = font(self.size_pt, self.weight)
            renderer.draw_text(gc, x, y, self.get_text(), properties, self.turn_deg)
        else:
            letters = outline(self.get_text(), self.weight)
            place = Affine2D().scale(self.size_pt * points)
            place.rotate_deg(self.turn_deg).translate(x, y)
            if self.rim_pt:
                gc.set_joinstyle("round")
                gc.set_foreground("white")
                gc.set_linewidth(self.rim_pt)
                renderer.draw_path(gc, letters, place, ink)
            gc.set_linewidth(0.0)
            renderer.draw_path(gc, letters, place, ink)
        gc.restore()
        self.stale = False


class Block(Artist):
    """Many words of one look, not to be searched for: each letter drawn once and set where it goes.

    A page of figures so takes a tenth of the time that it takes word by word.

    Parameters
    ----------
    axes : Axes
        In whose units places are.
    size_pt : float
    weight, color : str
    """

    def __init__(self, axes: Axes, *, size_pt: float, weight: str, color: str) -> None:
        super().__init__()
        self.size_pt, self.weight, self.color = size_pt, weight, color
        self.words: list[tuple[float, float, str, Across, Up]] = []
        self.set_zorder(3)
        axes.add_artist(self)

    def add(self, x: float, y: float, words: str, ha: Across = "left", va: Up = "top") -> None:
        """Write a line."""
        self.words.append((x, y, words, ha, va))

    def draw(self, renderer: RendererBase) -> None:
        """Draw all letters of a kind at a time."""
        if not self.words:
            return
        em = self.size_pt * pixels_a_point(renderer)
        at = self.get_transform().transform([word[:2] for word in self.words])
        places: dict[str, list[tuple[float, float]]] = {}
        for (x, y), (*_, words, ha, va) in zip(at, self.words, strict=True):
            wide, over, under = measures(words, self.weight)
            x, y = x - em * _LEFT_OF[ha] * wide, y + em * _RISE[va](over, under)
            for letter in words:
                places.setdefault(letter, []).append((x, y))
                x += em * _letter(letter, self.weight).wide
        gc = renderer.new_gc()
        ink = to_rgba(self.color)
        gc.set_foreground(ink, isRGBA=True)
        gc.set_linewidth(0.0)
        for letter, spots in places.items():
            shape = outline(letter, self.weight)
            if letter.strip():
                size = Affine2D().scale(em)
                renderer.draw_markers(gc, shape, size, Path(spots), IdentityTransform(), ink)
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
