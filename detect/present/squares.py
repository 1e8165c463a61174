"""The excavation grid as the director reads it: rank, its interval, and what stays closed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal

import matplotlib
import numpy as np
import pandas as pd
import shapely
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.collections import PolyCollection
from matplotlib.colors import Normalize, to_hex, to_rgb
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, PathPatch, Rectangle
from numpy.typing import NDArray

from detect.present.backdrop import (
    Backdrop,
    backdrop_key,
    draw_areas,
    polygon_path,
)
from detect.present.lettering import measures, write
from detect.present.numbers import records, with_plain_numbers
from detect.present.panel import (
    bar_ticks,
    draw_colour_bar,
    hatch_unsurveyed,
    unsurveyed_sample,
)
from detect.present.sheet import KeyEntry, map_sheet
from detect.present.signs import KEEP_OUT, REMAINS, keep_out_sample, remains_sample
from detect.present.square_grid import label_grid
from detect.present.style import (
    EXCLUDED_HATCH,
    INK,
    PALE,
    RESERVE_HATCH,
    UNSURVEYED_FACE,
    UNSURVEYED_HATCH,
    UNSURVEYED_LINE,
    VERMILLION,
    halo,
    styled,
)
from detect.present.words import ranged

ColourBy = Literal["p_top_k", "score"]

# A square this wide on paper (points) holds its name, its rank and the interval of the rank.
_COMFORTABLE_PT = 44.0
_MAX_WIDTH_IN, _MAX_HEIGHT_IN = 14.0, 11.0
# Words cost time, and past this rank nobody reads them off a map; squares.csv has them all.
_MOST_WRITTEN = 300
# Names of areas longer than this do not go into the key.
_LONGEST_NAMES = 48

_CLOSED: dict[str, dict[str, Any]] = {
    "reserve": {"facecolor": "white", "edgecolor": INK, "hatch": RESERVE_HATCH},
    "excluded": {"facecolor": PALE, "edgecolor": "#a0a0a0", "hatch": EXCLUDED_HATCH},
    "opened": {"facecolor": "#bdbdbd", "edgecolor": INK},
    "unsurveyed": {
        "facecolor": UNSURVEYED_FACE,
        "edgecolor": UNSURVEYED_LINE,
        "hatch": UNSURVEYED_HATCH,
    },
}
_STRONG: dict[str, Any] = {
    "marker": "^",
    "markersize": 6.0,
    "linestyle": "none",
    "markerfacecolor": VERMILLION,
    "markeredgecolor": "white",
    "markeredgewidth": 0.7,
}
_CLOSED_WORDS = {
    "reserve": "reserve, kept for later",
    "excluded": "excluded",
    "opened": "opened already",
    "unsurveyed": "unsurveyed, not ranked",
}


@styled
def draw_squares(
    squares: pd.DataFrame,
    backdrop: Backdrop,
    *,
    first: Sequence[str] = (),
    colour_by: ColourBy = "p_top_k",
    top_k: int | None = None,
    title: str = "Excavation squares, ranked",
    subtitle: str = "",
    surveyed: xr.DataArray | None = None,
) -> Figure:
    """Draw the squares with their rank, coloured by how surely each belongs to the best.

    Each open square shows its name, its rank and the 5 to 95 % interval of the rank; a square
    that is not ranked shows why in one word, with a hatch of its own; so does the part of a ranked
    square that no reading reached.

    Parameters
    ----------
    squares : DataFrame
        ``square, e_min, n_min, size_m, rank, rank_p05, rank_p95, p_top_k, score, status`` and,
        where known, ``strong_anomalies``: such squares are marked.
    backdrop : Backdrop
        For the outline, keep-outs, visible remains and the norths.
    first : sequence of str
        Squares to open first (the dig plan), outlined heavily.
    colour_by : {"p_top_k", "score"}
        Column behind the colours.
    top_k : int, optional
        The k of ``p_top_k``, for the colour bar's words.
    title, subtitle : str
    surveyed : DataArray of bool, dims (n, e), optional
        Cells that readings reached.

    Returns
    -------
    Figure
    """
    squares = with_plain_numbers(squares)
    unswum = _unswum(squares, surveyed)
    extent = backdrop.extent
    size = float(squares["size_m"].iloc[0])
    wanted = _COMFORTABLE_PT / 72.0 / size
    width = float(np.clip(wanted * extent.width_m, 8.2, _MAX_WIDTH_IN))
    height = float(np.clip(wanted * extent.height_m, 6.0, _MAX_HEIGHT_IN))
    sheet = map_sheet(
        extent,
        backdrop.frame,
        _key(squares, backdrop, first, bool(unswum.any())),
        title=title,
        subtitle=subtitle,
        max_width_in=width,
        max_height_in=height,
    )
    axes = sheet.maps[0]
    values = squares[colour_by].to_numpy(float)
    norm, cmap = _scale(values, colour_by), matplotlib.colormaps["viridis"]
    side_pt = size * sheet.points_per_m
    corners = _corners(squares)
    colours = cmap(norm(np.nan_to_num(values)))
    colours[~np.isfinite(values)] = 1.0
    _fill(axes, squares, corners, colours)
    if surveyed is not None:
        hatch_unsurveyed(axes, surveyed, unswum)
    draw_areas(axes, backdrop.remains, REMAINS, zorder=2.4)
    draw_areas(axes, backdrop.keep_outs, KEEP_OUT, zorder=2.5)
    written = squares["rank"].isna() | (squares["rank"] <= _MOST_WRITTEN)
    crossed = _crossed(squares, backdrop, size)
    if surveyed is not None:
        crossed |= squares["surveyed_fraction"].to_numpy(float) < 1.0
    for row, colour, cut in zip(
        records(squares[written]), colours[written], crossed[written], strict=True
    ):
        ink, ground = _ink(str(row.status), to_hex(colour))
        # Words over a hatch, or over an outline, need clear ground around them.
        behind = ground if cut or str(row.status) in _CLOSED else None
        _write(axes, row, size, side_pt, ink, behind)
    _outline_first(axes, squares, first, size)
    _mark_strong(axes, squares, size, side_pt)
    patch = PathPatch(polygon_path(backdrop.outline), fill=False, ec=INK, lw=1.8, zorder=3)
    patch.set_path_effects(halo(3.2))
    axes.add_artist(patch)
    label_grid(axes, squares)
    draw_colour_bar(sheet.bars[0], cmap, norm, bar_ticks(norm), _bar_words(colour_by, top_k))
    return sheet.figure


def _scale(values: np.ndarray, colour_by: ColourBy) -> Normalize:
    if colour_by == "p_top_k":
        return Normalize(0.0, 1.0)
    known = values[np.isfinite(values)]
    low, high = (float(known.min()), float(known.max())) if len(known) else (0.0, 1.0)
    return Normalize(low, high if high > low else low + 1.0)


def _bar_words(colour_by: ColourBy, top_k: int | None) -> str:
    if colour_by == "score":
        return "score (no unit)"
    best = f"the best {top_k}" if top_k else "the best"
    return f"probability that the square is among {best} (0 to 1)"


def _luminance(colour: str) -> float:
    """Return how light a colour is, 0 to 1 (luma weights of ITU-R BT.709)."""
    red, green, blue = to_rgb(colour)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def _corners(squares: pd.DataFrame) -> NDArray[np.float64]:
    """Return the corners of every square, shape (M, 4, 2)."""
    low = squares[["e_min", "n_min"]].to_numpy(float)
    size = squares["size_m"].to_numpy(float)
    unit = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], dtype=float)
    return low[:, None, :] + unit[None] * size[:, None, None]


def _fill(
    axes: Axes, squares: pd.DataFrame, corners: NDArray[np.float64], colours: NDArray[np.float64]
) -> None:
    """Fill the squares, closed ones with the hatch of their status, and rule their edges."""
    status = squares["status"].astype(str).to_numpy()
    is_open = ~np.isin(status, list(_CLOSED))
    axes.add_artist(
        PolyCollection(list(corners[is_open]), facecolors=colours[is_open], lw=0, zorder=1)
    )
    for name, style in _CLOSED.items():
        of_status = list(corners[status == name])
        if of_status:
            axes.add_artist(PolyCollection(of_status, linewidths=0, zorder=1, **style))
    axes.add_artist(
        PolyCollection(list(corners), facecolors="none", edgecolors="#505050", lw=0.6, zorder=2)
    )


def _ink(status: str, colour: str) -> tuple[str, str]:
    """Return the colour of the words in a square, and the colour of the ground behind them."""
    if status in _CLOSED:
        return "black", "white"
    return ("white" if _luminance(colour) < 0.40 else "black"), colour


def _unswum(squares: pd.DataFrame, surveyed: xr.DataArray | None) -> NDArray[np.bool_]:
    """Return which cells of ranked squares no reading reached."""
    if surveyed is None:
        return np.zeros((0, 0), dtype=bool)
    ranked = squares[~squares["status"].astype(str).isin(list(_CLOSED))]
    low = ranked[["e_min", "n_min"]].to_numpy(float)
    e, n = surveyed["e"].to_numpy(), surveyed["n"].to_numpy()
    high = low + ranked["size_m"].to_numpy(float)[:, None]
    across = (e > low[:, :1]) & (e < high[:, :1])
    up = (n > low[:, 1:]) & (n < high[:, 1:])
    within = np.einsum("sn,se->ne", up.astype(np.int32), across.astype(np.int32)) > 0
    return np.asarray(within & ~surveyed.to_numpy().astype(bool))


def _crossed(squares: pd.DataFrame, backdrop: Backdrop, size: float) -> NDArray[np.bool_]:
    """Return through which squares the site's outline runs (not just along an edge), or an area."""
    e, n = squares["e_min"].to_numpy(float), squares["n_min"].to_numpy(float)
    inner = 0.02 * size
    boxes = shapely.box(e + inner, n + inner, e + size - inner, n + size - inner)
    areas = [area.polygon for area in (*backdrop.keep_outs, *backdrop.remains)]
    return np.asarray(
        shapely.intersects(boxes, shapely.union_all([backdrop.outline.boundary, *areas])),
        dtype=bool,
    )


def _write(
    axes: Axes, row: Any, size: float, side_pt: float, colour: str, behind: str | None
) -> None:
    """Write name, rank and interval into a square, as much of it as there is room for."""
    status = str(row.status)
    middle = row.e_min + size / 2

    def put(words: str, height: float, share: float, largest_pt: float, weight: str) -> None:
        fits = 0.88 * side_pt / measures(words, weight).wide
        pt = min(largest_pt, share * side_pt, fits)
        if pt >= 3.8:
            # Clear ground stays within the square.
            room = (side_pt - pt * measures(words, weight).wide) / 2
            write(
                axes,
                middle,
                row.n_min + height * size,
                words,
                ha="center",
                va="center",
                size_pt=pt,
                weight=weight,
                color=colour,
                zorder=4,
                # Clear ground behind the words, not a rim round each letter: the outline stops
                # short of them.
                ground=behind,
                pad_pt=(float(np.clip(room - 1.0, 0.8, 3.0)), 0.8),
            )

    ranked = status not in _CLOSED and np.isfinite(row.rank)
    roomy = side_pt >= 24.0
    if roomy:
        put(str(row.square), 0.82, 0.17, 8.0, "normal")
    if not ranked:
        put(status if status in _CLOSED else "no rank", 0.40 if roomy else 0.5, 0.17, 8.0, "bold")
        return
    put(f"{int(row.rank)}", 0.50, 0.36 if roomy else 0.6, 16.0, "bold")
    if roomy and np.isfinite(row.rank_p05) and np.isfinite(row.rank_p95):
        put(ranged(row.rank_p05, row.rank_p95), 0.17, 0.17, 8.0, "normal")


def _outline_first(axes: Axes, squares: pd.DataFrame, first: Sequence[str], size: float) -> None:
    """Outline the squares to open first, just inside their edges so that neighbours stay apart."""
    inset = 0.035 * size
    for row in records(squares[squares["square"].isin(first)]):
        patch = Rectangle(
            (row.e_min + inset, row.n_min + inset),
            size - 2 * inset,
            size - 2 * inset,
            fill=False,
            ec=VERMILLION,
            lw=3.0,
            zorder=3.5,
        )
        patch.set_path_effects(halo(4.6))
        axes.add_artist(patch)


def _strong(squares: pd.DataFrame) -> pd.DataFrame:
    """Return the squares that are not closed and hold a strong anomaly."""
    if "strong_anomalies" not in squares:
        return squares.head(0)
    strong = squares["strong_anomalies"].fillna("") != ""
    return squares[strong & ~squares["status"].isin(list(_CLOSED))]


def _mark_strong(axes: Axes, squares: pd.DataFrame, size: float, side_pt: float) -> None:
    """Mark squares with a strong anomaly in their upper left corner."""
    strong = _strong(squares)
    axes.plot(
        strong["e_min"] + 0.14 * size,
        strong["n_min"] + 0.84 * size,
        **(_STRONG | {"markersize": min(0.14 * side_pt, 6.0)}),
        zorder=4.5,
    )


def _key(
    squares: pd.DataFrame, backdrop: Backdrop, first: Sequence[str], unswum: bool
) -> list[KeyEntry]:
    key = backdrop_key(backdrop, ("outline",))
    for areas, patch, called in (
        (backdrop.keep_outs, keep_out_sample(), "keep out"),
        (backdrop.remains, remains_sample(), "visible remains"),
    ):
        if areas:
            # Names in the squares would stand in the way of the ranks.
            names = f"{called}: {', '.join(area.name for area in areas)}"
            key.append(KeyEntry(patch, names if len(names) <= _LONGEST_NAMES else called))
    if len(first):
        sample = Patch(facecolor="none", edgecolor=VERMILLION, linewidth=2.6)
        key.append(KeyEntry(sample, "open first (dig plan)"))
    if len(_strong(squares)):
        key.append(KeyEntry(Line2D([], [], **_STRONG), "strong anomaly: may be ordnance"))
    present = set(squares["status"].astype(str))
    for status, style in _CLOSED.items():
        if status in present:
            sample = Patch(linewidth=0.6, **style)
            key.append(KeyEntry(sample, _CLOSED_WORDS[status]))
    if unswum:
        key.append(KeyEntry(unsurveyed_sample(), "part of a square not surveyed"))
    blank = Patch(facecolor="none", edgecolor="none")
    limit = f", to {_MOST_WRITTEN}" if squares["rank"].max() > _MOST_WRITTEN else ""
    key.append(KeyEntry(blank, f"large: rank (1 is best{limit})"))
    key.append(KeyEntry(blank, "small: 5 to 95 % of ranks"))
    return key
