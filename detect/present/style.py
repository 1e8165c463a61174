"""How every figure looks: type sizes, colour maps, hatches, and figures turned into bytes.

Figures are made with matplotlib's object interface on the Agg canvas, so nothing here touches a
display or the global pyplot state. Colour maps are matplotlib's own perceptually even ones
(lightness rises steadily from end to end, so they survive colour blindness and a black-and-white
printer); line colours are the colour-blind-safe set of Okabe and Ito (2008).
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from io import BytesIO
from typing import Any, ParamSpec, TypeVar

import matplotlib
import numpy as np
import pypdfium2
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from matplotlib.path import Path
from matplotlib.patheffects import AbstractPathEffect, withStroke
from numpy.typing import ArrayLike

from detect.present.png import as_png

P = ParamSpec("P")
R = TypeVar("R")

DPI = 150

TITLE_PT = 12.0
TEXT_PT = 9.0
SMALL_PT = 8.0
TINY_PT = 7.0

# Okabe and Ito (2008), "Color Universal Design": distinct under the common colour blindnesses.
BLACK = "#000000"
BLUE = "#0072b2"
VERMILLION = "#d55e00"
INK = "#222222"
GREY = "#767676"
PALE = "#d9d9d9"

UNSURVEYED_FACE = "#e4e4e4"
UNSURVEYED_LINE = "#8c8c8c"
UNSURVEYED_HATCH = "////"
KEEP_OUT_HATCH = "xxx"
REMAINS_HATCH = "---"
RESERVE_HATCH = "..."
EXCLUDED_HATCH = "xx"

# Typed as Any: matplotlib's stubs list every key, and only for its newest version.
RC: Any = {
    # DejaVu Sans ships with matplotlib, so a figure looks the same on every machine.
    "font.family": "DejaVu Sans",
    "font.size": TEXT_PT,
    "axes.titley": 1.0,  # where it is: matplotlib would ask all else for its room first
    "axes.titlesize": TEXT_PT + 1,
    "axes.titleweight": "bold",
    "axes.labelsize": TEXT_PT,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.8,
    "axes.axisbelow": True,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.labelsize": SMALL_PT,
    "ytick.labelsize": SMALL_PT,
    "legend.fontsize": SMALL_PT,
    "legend.frameon": False,
    "hatch.linewidth": 0.6,
    "figure.facecolor": "white",
    "savefig.facecolor": "white",
    "pdf.fonttype": 3,  # glyphs as outlines: no font to subset, half the time
    "pdf.compression": 3,  # a tenth larger than 6, in half the time
    "svg.hashsalt": "detect",
}


@dataclass(frozen=True)
class FieldStyle:
    """Colours for one kind of map.

    Parameters
    ----------
    cmap : str
        Name of a matplotlib colour map.
    limits : tuple of float or None
        Fixed ends of the colour scale in the field's unit; None takes them from the data.
    """

    cmap: str
    limits: tuple[float, float] | None = None


# One colour map for one kind of quantity, so that a reader learns them once. In the maps of
# uncertainty dark means doubtful; in the maps of depth dark means deep.
FIELD_STYLES: dict[str, FieldStyle] = {
    "signal": FieldStyle("viridis"),
    "contact_probability": FieldStyle("plasma", (0.0, 1.0)),
    "contact_depth": FieldStyle("cividis_r"),
    "seabed": FieldStyle("cividis_r"),
    "pod": FieldStyle("cividis", (0.0, 1.0)),
}
UNCERTAINTY_STYLE = FieldStyle("magma_r")


def field_style(name: str) -> FieldStyle:
    """Return the colours for the map variable `name`.

    Parameters
    ----------
    name : str
        Variable name of ``maps.nc``; a name ending in ``_sd`` is an uncertainty.

    Returns
    -------
    FieldStyle
    """
    if name.endswith("_sd"):
        return UNCERTAINTY_STYLE
    return FIELD_STYLES.get(name, FIELD_STYLES["signal"])


def styled(function: Callable[P, R]) -> Callable[P, R]:
    """Run a drawing function with the house style, leaving matplotlib's settings as they were."""

    @functools.wraps(function)
    def wrapper(*args: P.args, **kwargs: P.kwargs) -> R:
        with matplotlib.rc_context(RC):
            return function(*args, **kwargs)

    return wrapper


def new_figure(width_in: float, height_in: float) -> Figure:
    """Return an empty white figure of the given size in inches, on the Agg canvas."""
    figure = Figure(figsize=(width_in, height_in), dpi=DPI)
    FigureCanvasAgg(figure)
    return figure


def halo(width_pt: float = 2.0, colour: str = "white") -> list[AbstractPathEffect]:
    """Return the outline that keeps text and lines readable on dark and light ground alike."""
    return [withStroke(linewidth=width_pt, foreground=colour)]


def rimmed(
    axes: Axes, x: ArrayLike, y: ArrayLike, *, rim_pt: float, zorder: float, **marker: Any
) -> None:
    """Plot markers on a white rim of this width in points.

    Drawn as two sets of markers: a path effect would draw each marker by itself, which for a
    grid of squares' corners takes longer than all the rest of a map.
    """
    rim = marker | {"color": "white", "mew": rim_pt}
    rim |= {"mec": "white"} if "mec" in marker else {}
    axes.plot(x, y, zorder=zorder, **rim)
    axes.plot(x, y, zorder=zorder, **marker)


def lines_as_one(ends: ArrayLike, **look: Any) -> PathPatch:
    """Return straight lines of one look as one thing to draw.

    Parameters
    ----------
    ends : array_like, shape (M, 2, 2)
        Where each begins and ends.
    **look
        As for a patch.

    Returns
    -------
    PathPatch
    """
    points = np.asarray(ends, dtype=float).reshape(-1, 2)
    codes = np.tile([Path.MOVETO, Path.LINETO], len(points) // 2)
    return PathPatch(Path(points, codes), fill=False, capstyle="butt", **look)


def png_bytes(figure: Figure, dpi: int = DPI) -> bytes:
    """Return the figure as a PNG file's bytes; equal figures give equal bytes.

    Parameters
    ----------
    figure : Figure
    dpi : int
        Dots an inch.

    Returns
    -------
    bytes
    """
    canvas = FigureCanvasAgg(figure)
    figure.set_dpi(dpi)
    with matplotlib.rc_context(RC):
        canvas.draw()
    return as_png(np.asarray(canvas.buffer_rgba())[..., :3], dpi)


def pdf_bytes(figure: Figure, dpi: int = 200) -> bytes:
    """Return the figure as a vector PDF file's bytes.

    Parameters
    ----------
    figure : Figure
    dpi : int
        Dots an inch of the parts that are kept as pictures inside it (the coloured cells and
        the clouds of readings, which would make the file huge as vectors).

    Returns
    -------
    bytes
    """
    buffer = BytesIO()
    with matplotlib.rc_context(RC):
        figure.savefig(buffer, format="pdf", dpi=dpi, metadata={"CreationDate": None})
    return buffer.getvalue()


def page_png_bytes(pdf: bytes, dpi: int = DPI) -> bytes:
    """Return the first page of a PDF file as a PNG file's bytes.

    What is kept both ways is drawn once: to make dots of a page takes a fifth of the time that
    drawing the figure again takes, and the two cannot differ.

    Parameters
    ----------
    pdf : bytes
    dpi : int
        Dots an inch.

    Returns
    -------
    bytes
    """
    with pypdfium2.PdfDocument(pdf) as document:
        dots = document[0].render(scale=dpi / 72.0, rev_byteorder=True).to_numpy()
        return as_png(dots[..., :3], dpi)
