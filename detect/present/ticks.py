"""The numbers along the edges of axes, drawn as one thing an edge.

matplotlib keeps five artists for each tick and asks all of them for their room before it draws
any. Axes here are laid out beforehand, so marks, numbers and name can simply be drawn.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, NamedTuple

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.axis import XAxis
from matplotlib.backend_bases import RendererBase
from matplotlib.colors import to_rgba
from matplotlib.path import Path
from matplotlib.ticker import FixedFormatter, FixedLocator
from matplotlib.transforms import IdentityTransform

from detect.present.lettering import Words, pixels_a_point
from detect.present.style import INK, PALE, SMALL_PT

Edge = Literal["x", "y"]

# From the edge to the numbers, and from them to the name, points.
_PAD_PT, _NAME_PAD_PT = 3.5, 4.0
# From line to line of a name, in its size.
_LINE = 1.2


class _Look(NamedTuple):
    """How the ticks of one edge look."""

    length_pt: float
    size_pt: float
    numbers: bool
    grid: bool
    name_weight: str
    heavy: frozenset[int]


class Ticks(Artist):
    """Marks, numbers, grid lines and name of one edge: the lower one, or the left one.

    They are read off the axes' own axis when drawn, which is not drawn itself.
    """

    def __init__(self, axes: Axes, edge: Edge, look: _Look) -> None:
        super().__init__()
        self._axis = axes.xaxis if edge == "x" else axes.yaxis
        self._look = look
        self._axis.set_visible(False)
        # Over the cells of a map, under what is drawn on them.
        self.set_zorder(0.5)
        axes.add_artist(self)

    def draw(self, renderer: RendererBase) -> None:
        """Draw them."""
        axes, axis, look = self.axes, self._axis, self._look
        assert axes is not None
        flat = isinstance(axis, XAxis)
        points = pixels_a_point(renderer)
        frame = axes.get_window_extent()
        across = axes.get_xaxis_transform() if flat else axes.get_yaxis_transform()
        low, high = sorted(axis.get_view_interval())
        locs = np.asarray(axis.get_majorticklocs(), float)
        said = axis.get_major_formatter().format_ticks(list(locs))
        slack = 1e-9 * (high - low)
        inside = [i for i, loc in enumerate(locs) if low - slack <= loc <= high + slack]
        ends = np.column_stack([locs[inside], np.zeros(len(inside))])
        places = across.transform(ends if flat else ends[:, ::-1])
        gc = renderer.new_gc()
        if look.grid:
            gc.set_foreground(PALE)
            gc.set_linewidth(0.6)
            lines = np.repeat(places, 2, axis=0)
            lines[1::2, 1 if flat else 0] = frame.y1 if flat else frame.x1
            renderer.draw_path(gc, _strokes(lines), IdentityTransform())
        if look.length_pt:
            gc.set_foreground(INK)
            gc.set_linewidth(0.8)
            mark = np.array([0.0, -look.length_pt * points])
            tick = Path(np.array([[0.0, 0.0], mark if flat else mark[::-1]]))
            here = IdentityTransform()
            renderer.draw_markers(gc, tick, here, Path(places), here, to_rgba(INK))
        gc.restore()
        away = look.length_pt + _PAD_PT
        room = 0.0
        if look.numbers:
            labels = [
                self._words(
                    place, said[i], flat, away, look.size_pt, "bold" if i in look.heavy else ""
                )
                for i, place in zip(inside, places, strict=True)
            ]
            for label in labels:
                label.draw(renderer)
            boxes = [label.get_window_extent(dpi=72.0 * points) for label in labels]
            room = max((box.height if flat else box.width for box in boxes), default=0.0) / points
        name = axis.get_label_text()
        if name:
            middle = np.array([(frame.x0 + frame.x1) / 2, frame.y0])
            if not flat:
                middle = np.array([frame.x0, (frame.y0 + frame.y1) / 2])
            size = float(axis.label.get_fontsize())
            away += room + _NAME_PAD_PT
            for line in name.split("\n"):
                self._words(middle, line, flat, away, size, look.name_weight, True).draw(renderer)
                away += _LINE * size
        self.stale = False

    def _words(
        self,
        place: np.ndarray,
        words: str,
        flat: bool,
        away_pt: float,
        size_pt: float,
        weight: str,
        name: bool = False,
    ) -> Words:
        """Return words so far below or left of a place on the edge, in pixels."""
        label = Words(
            float(place[0]),
            float(place[1]),
            words,
            size_pt=size_pt,
            weight=weight or "normal",
            color=str(self._axis.label.get_color()) if name else INK,
            offset_pt=(0.0, -away_pt) if flat else (-away_pt, 0.0),
            ha="center" if flat else "right",
            va="top" if flat else "center",
            turn_deg=90 if name and not flat else 0,
            searched=name,
            transform=IdentityTransform(),
        )
        label.set_figure(self.axes.get_figure())  # type: ignore[union-attr,arg-type]
        return label


def _strokes(ends: np.ndarray) -> Path:
    """Return lines between every two points as one path."""
    codes = np.tile([Path.MOVETO, Path.LINETO], len(ends) // 2)
    return Path(ends, codes)


def tick_axes(
    axes: Axes,
    edges: str = "xy",
    *,
    grid: str = "",
    numbers: str = "xy",
    marks: str = "xy",
    length_pt: float = 3.5,
    size_pt: float = SMALL_PT,
    name_weight: str = "normal",
    heavy: Sequence[int] = (),
) -> None:
    """Have an axes' ticks drawn along its lower and left edge; call it once, when it is laid out.

    Parameters
    ----------
    axes : Axes
    edges : str
        Which of them: "x", "y" or both.
    grid, numbers, marks : str
        Which of these have lines across, numbers, and marks.
    length_pt, size_pt : float
        Of marks and numbers.
    name_weight : str
        Of the axis' name.
    heavy : sequence of int
        Words of the left edge in heavy type, by their place among its ticks.
    """
    for edge in ("x", "y"):
        if edge in edges:
            length = length_pt if edge in marks else 0.0
            bold = frozenset(heavy if edge == "y" else ())
            look = _Look(length, size_pt, edge in numbers, edge in grid, name_weight, bold)
            Ticks(axes, edge, look)


def name_ticks(axes: Axes, edge: Edge, places: Sequence[float], names: Sequence[str]) -> None:
    """Set the ticks of an edge and what stands beside them, without drawing anything.

    Parameters
    ----------
    axes : Axes
    edge : {"x", "y"}
    places : sequence of float
    names : sequence of str
    """
    axis = axes.xaxis if edge == "x" else axes.yaxis
    axis.set_major_locator(FixedLocator(list(places)))
    axis.set_major_formatter(FixedFormatter(list(names)))
