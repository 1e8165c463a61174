"""A printed page measured in millimetres: for slates and other sheets that are written on."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO
from typing import Literal

import matplotlib
from matplotlib.axes import Axes
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from detect.present.lettering import Across, Up, write
from detect.present.style import RC, new_figure

Paper = Literal["A4", "A5"]

PAPER_MM: dict[str, tuple[float, float]] = {"A4": (210.0, 297.0), "A5": (148.0, 210.0)}
MM_PER_INCH = 25.4


@dataclass(frozen=True)
class Page:
    """A page measured in millimetres from its upper left corner, y downwards."""

    figure: Figure
    axes: Axes
    width: float
    height: float

    @property
    def scale(self) -> float:
        """Type size relative to A4."""
        return math.sqrt(self.width / 210.0)

    def text(
        self,
        x: float,
        y: float,
        words: str,
        size: float,
        *,
        ha: Across = "left",
        va: Up = "top",
        weight: str = "bold",
    ) -> None:
        """Write words with their upper left at (x, y) unless said otherwise."""
        write(
            self.axes,
            x,
            y,
            words,
            ha=ha,
            va=va,
            size_pt=size * self.scale,
            weight=weight,
            color="black",
        )

    def rule(self, xs: Sequence[float], ys: Sequence[float], width: float = 1.0) -> None:
        """Draw a line through points."""
        self.axes.add_artist(
            Line2D(xs, ys, color="black", lw=width, solid_capstyle="butt", clip_on=False)
        )

    def box(self, x: float, y: float, w: float, h: float, width: float = 1.2) -> None:
        """Draw an empty box."""
        self.rule([x, x + w, x + w, x, x], [y, y, y + h, y + h, y], width)

    def fitting(self, words: str, room_mm: float, largest: float) -> float:
        """Return the type size at which words fit into a width."""
        # 0.70 em is a generous mean width of bold letters.
        points = room_mm * 72.0 / MM_PER_INCH
        return min(largest, points / (0.70 * max(len(words), 1)) / self.scale)


def new_page(width: float, height: float) -> Page:
    """Return an empty page of a size in millimetres."""
    figure = new_figure(width / MM_PER_INCH, height / MM_PER_INCH)
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set(xlim=(0, width), ylim=(height, 0))
    axes.axis("off")
    return Page(figure, axes, width, height)


def pages_pdf_bytes(pages: Sequence[Figure]) -> bytes:
    """Return pages as one PDF file's bytes, a page each, at their true paper size.

    Parameters
    ----------
    pages : sequence of Figure

    Returns
    -------
    bytes
        Equal pages give equal bytes.
    """
    buffer = BytesIO()
    with (
        matplotlib.rc_context(RC),
        PdfPages(buffer, metadata={"CreationDate": None}) as document,
    ):
        for page in pages:
            document.savefig(page)
    return buffer.getvalue()
