"""One map on a sheet: the field in colours, its contours, unsurveyed ground, its colour bar."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import Literal, TypeAlias

import matplotlib
import numpy as np
import shapely
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.colors import Colormap, Normalize, PowerNorm
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, PathPatch, Polygon
from matplotlib.ticker import MaxNLocator
from numpy.typing import ArrayLike, NDArray

from detect.present.backdrop import Backdrop, draw_backdrop, polygon_path
from detect.present.sheet import KeyEntry, Sheet
from detect.present.style import (
    INK,
    SMALL_PT,
    UNSURVEYED_FACE,
    UNSURVEYED_HATCH,
    UNSURVEYED_LINE,
    field_style,
    halo,
)
from detect.present.ticks import name_ticks, tick_axes

# About what a bold line under the colour bar of the narrower maps holds.
_BAR_LETTERS = 58
# Dots across a cell of a coloured field.
_DOTS_A_CELL = 4

Norm: TypeAlias = Literal["linear", "power"]
Contours: TypeAlias = int | Sequence[float] | None


def draw_panel(
    sheet: Sheet,
    index: int,
    field: xr.DataArray,
    mask: NDArray[np.bool_],
    backdrop: Backdrop,
    contours: Contours,
    norm: Norm,
    cmap: str | None,
    limits: tuple[float, float] | None,
    show: Sequence[str],
    label_contours: bool = True,
) -> None:
    """Draw one map of a sheet with its colour bar."""
    axes = sheet.maps[index]
    style = field_style(str(field.name))
    values = np.ma.masked_array(field.to_numpy().astype(float), mask=mask)
    scale = _colour_scale(values, norm, limits or style.limits)
    colours = matplotlib.colormaps[cmap or style.cmap]
    _draw_cells(axes, field, values, colours, scale)
    levels = _contour_levels(values, contours)
    if len(levels):
        _draw_contours(axes, field, values, levels, label_contours)
    hatch_unsurveyed(axes, field, mask)
    draw_backdrop(axes, backdrop, show)
    _draw_bar(sheet, index, field, values, colours, scale, levels)


def _draw_cells(
    axes: Axes,
    field: xr.DataArray,
    values: np.ma.MaskedArray,
    colours: Colormap,
    scale: Normalize,
) -> None:
    """Colour the cells as one picture, which stays small in a vector file.

    Each is several dots wide, so that a viewer which smooths pictures blurs no more than its rim.
    """
    e, n = (_edges(field[name].to_numpy().astype(float)) for name in ("e", "n"))
    opaque = colours.with_extremes(bad=UNSURVEYED_FACE)
    dots = opaque(scale(values), bytes=True)[..., :3]
    axes.imshow(
        dots.repeat(_DOTS_A_CELL, axis=0).repeat(_DOTS_A_CELL, axis=1),
        origin="lower",
        extent=(e[0], e[-1], n[0], n[-1]),
        interpolation="none",
        aspect="equal",
        zorder=0,
    )


def hatch_unsurveyed(axes: Axes, field: xr.DataArray, mask: NDArray[np.bool_]) -> None:
    """Grey and hatch the cells of a mask, so that they never look like nothing there.

    Parameters
    ----------
    axes : Axes
    field : DataArray
        Gives the cell centres ``e`` and ``n``.
    mask : ndarray of bool, shape (L, K)
        Cells not surveyed.
    """
    if not mask.any():
        return
    e_edges = _edges(field["e"].to_numpy().astype(float))
    n_edges = _edges(field["n"].to_numpy().astype(float))
    # Runs of cells along each row become one box each; their union is one clean patch.
    step = np.diff(np.pad(mask.astype(np.int8), ((0, 0), (1, 1))), axis=1)
    row, first = np.nonzero(step == 1)
    _, last = np.nonzero(step == -1)
    boxes = shapely.box(e_edges[first], n_edges[row], e_edges[last], n_edges[row + 1])
    axes.add_artist(
        PathPatch(
            polygon_path(shapely.union_all(boxes)),
            facecolor=UNSURVEYED_FACE,
            edgecolor=UNSURVEYED_LINE,
            hatch=UNSURVEYED_HATCH,
            linewidth=0,
            zorder=1.5,
        )
    )


def _edges(centres: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the cell edges of evenly spaced centres."""
    if len(centres) == 1:
        return centres[0] + np.array([-0.5, 0.5])
    half = np.diff(centres) / 2
    return np.concatenate([[centres[0] - half[0]], centres[:-1] + half, [centres[-1] + half[-1]]])


def unsurveyed_cells(
    field: xr.DataArray, surveyed: ArrayLike | xr.DataArray | None
) -> NDArray[np.bool_]:
    """Return the nodes without knowledge: not surveyed, or without an estimate."""
    mask = ~np.isfinite(field.to_numpy().astype(float))
    if surveyed is not None:
        mask |= ~np.asarray(surveyed, dtype=bool)
    return mask


def _colour_scale(
    values: np.ma.MaskedArray, norm: Norm, limits: tuple[float, float] | None
) -> Normalize:
    """Return the colour scale; a field without spread still gets one of some width."""
    known = values.compressed()
    low, high = limits or ((float(known.min()), float(known.max())) if len(known) else (0.0, 1.0))
    if high <= low:
        high = low + (abs(low) * 0.1 or 1.0)
    if norm == "power":
        return PowerNorm(0.5, vmin=low, vmax=high)
    return Normalize(vmin=low, vmax=high)


def _contour_levels(values: np.ma.MaskedArray, contours: Contours) -> NDArray[np.float64]:
    """Return the contour values inside the range of the field."""
    known = values.compressed()
    if contours is None or not len(known):
        return np.empty(0)
    low, high = float(known.min()), float(known.max())
    if isinstance(contours, int):
        levels = np.asarray(MaxNLocator(contours).tick_values(low, high))
    else:
        levels = np.sort(np.asarray(contours, dtype=float))
    return levels[(levels > low) & (levels < high)]


def _draw_contours(
    axes: Axes,
    field: xr.DataArray,
    values: np.ma.MaskedArray,
    levels: NDArray[np.float64],
    labelled: bool,
) -> None:
    """Draw contours, dark on a light edge, with their values."""
    lines = axes.contour(
        field["e"].to_numpy(),
        field["n"].to_numpy(),
        values,
        levels=levels,
        colors="black",
        linewidths=1.0,
        zorder=1.2,
    )
    lines.set_path_effects(halo(2.0))
    if not labelled:
        return
    labels = axes.clabel(lines, fmt=lambda level: f"{level:.6g}", fontsize=SMALL_PT, inline=True)
    for label in labels:
        label.set(path_effects=halo(2.4), color="black", weight="bold", zorder=7.2)
        # A label belongs to its own lines only inside the map; outside it would float.
        label.set_clip_on(True)


def _draw_bar(
    sheet: Sheet,
    index: int,
    field: xr.DataArray,
    values: np.ma.MaskedArray,
    colours: Colormap,
    scale: Normalize,
    levels: NDArray[np.float64],
) -> None:
    """Draw the colour bar with the quantity and its unit."""
    known = values.compressed()
    below = bool(len(known)) and float(known.min()) < float(scale.vmin or 0.0) - 1e-12
    above = bool(len(known)) and float(known.max()) > float(scale.vmax or 0.0) + 1e-12
    # Where contours are few enough, the bar carries their values, so that one reads the other.
    ticks = levels if 1 < len(levels) <= 9 else bar_ticks(scale)
    axes = sheet.bars[index]
    name = textwrap.fill(field_label(field), _BAR_LETTERS)
    draw_colour_bar(axes, colours, scale, ticks, name, below=below, above=above)
    axes.vlines(np.asarray(scale(levels)), 0, 1, colors="black", linewidths=1.0)


def draw_colour_bar(
    axes: Axes,
    colours: Colormap,
    scale: Normalize,
    ticks: ArrayLike,
    name: str,
    *,
    below: bool = False,
    above: bool = False,
    weight: str = "bold",
) -> None:
    """Draw a colour bar as long as its axes, an arrow at an end beyond which there are values.

    Parameters
    ----------
    axes : Axes
        x will be the place in the scale, 0 to 1.
    colours : Colormap
    scale : Normalize
    ticks : array_like
        Values that are written under it.
    name : str
        The quantity with its unit.
    below, above : bool
        Whether there are values beyond the lower and the upper end.
    weight : str
        Of the name.
    """
    values = np.asarray(ticks, dtype=float)
    axes.set(xlim=(0, 1), ylim=(0, 1), xlabel=name)
    axes.imshow(
        colours(np.linspace(0.0, 1.0, 256), bytes=True)[None, :, :3],
        extent=(0, 1, 0, 1),
        aspect="auto",
        interpolation="nearest",
    )
    axes.spines[:].set_linewidth(0.6)
    box = axes.get_window_extent()
    tip = 0.8 * box.height / box.width
    for there, end, out, colour in (
        (below, 0.0, -tip, colours.get_under()),
        (above, 1.0, 1.0 + tip, colours.get_over()),
    ):
        if there:
            arrow = Polygon([(end, 0), (out, 0.5), (end, 1)], fc=colour, ec=INK, lw=0.6)
            arrow.set_clip_on(False)
            axes.add_artist(arrow)
    name_ticks(axes, "x", np.asarray(scale(values)).tolist(), [f"{tick:.6g}" for tick in values])
    axes.yaxis.set_visible(False)
    tick_axes(axes, "x", name_weight=weight)


def bar_ticks(scale: Normalize) -> NDArray[np.float64]:
    """Return round values about evenly spread along the bar, also where the scale is curved."""
    low, high = float(scale.vmin or 0.0), float(scale.vmax or 1.0)
    if not isinstance(scale, PowerNorm):
        even = np.asarray(MaxNLocator(6).tick_values(low, high))
        return even[(even >= low) & (even <= high)]
    top = int(np.ceil(np.log10(max(abs(low), abs(high)))))
    rounds = np.array([step * 10.0**k for k in range(top, top - 4, -1) for step in (5, 2, 1)])
    # Zero first, then from the strongest down, as long as two figures do not meet.
    ticks: list[float] = []
    for value in (0.0, *np.column_stack([rounds, -rounds]).ravel()):
        place = float(scale(np.clip(value, low, high)))
        far = all(abs(place - float(scale(other))) >= 0.085 for other in ticks)
        if low <= value <= high and far:
            ticks.append(float(value))
    return np.sort(ticks)


def field_label(field: xr.DataArray) -> str:
    """Return the quantity and its unit as one line, such as ``signal (mV)``."""
    name = str(field.attrs.get("long_name", field.name))
    units = str(field.attrs.get("units", ""))
    if units in ("1", ""):
        words = f"{name} {field.name}".lower()
        is_share = any(word in words for word in ("probability", "pod")) and "_sd" not in words
        return f"{name} (0 to 1)" if is_share else name
    return f"{name} ({units})"


def field_key(field: xr.DataArray, mask: NDArray[np.bool_], contours: Contours) -> list[KeyEntry]:
    """Return the lines of the key that belong to the field itself."""
    key = []
    values = np.ma.masked_array(field.to_numpy().astype(float), mask=mask)
    levels = _contour_levels(values, contours)
    if len(levels):
        units = str(field.attrs.get("units", ""))
        unit = "" if units in ("1", "") else f" {units}"
        steps = np.unique(np.round(np.diff(levels), 9))
        every = f"contour, every {steps[0]:g}{unit}" if len(steps) == 1 else f"contour{unit}"
        key.append(KeyEntry(Line2D([], [], color="black", lw=1.0), every))
    if mask.any():
        key.append(KeyEntry(unsurveyed_sample(), "not surveyed"))
    return key


def unsurveyed_sample() -> Patch:
    """Return the sample of unsurveyed ground for the key."""
    return Patch(
        facecolor=UNSURVEYED_FACE, edgecolor=UNSURVEYED_LINE, hatch=UNSURVEYED_HATCH, linewidth=0
    )
