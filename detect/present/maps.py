"""Maps of one estimated field, of a field beside its uncertainty, and of the coverage."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd
import shapely
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, PathPatch
from numpy.typing import ArrayLike

from detect.present.backdrop import Backdrop, backdrop_key, polygon_path
from detect.present.labels import place_labels
from detect.present.numbers import records
from detect.present.panel import (
    Contours,
    Norm,
    draw_panel,
    field_key,
    unsurveyed_cells,
    unsurveyed_sample,
)
from detect.present.sheet import KeyEntry, map_sheet
from detect.present.style import INK, VERMILLION, halo, styled

_GROUND = ("outline", "remains", "keep_outs", "squares", "baseline")
#: what a map shows when it is not said: the measurements that it rests on
FIELD_LAYERS: dict[str, tuple[str, ...]] = {
    "signal": (*_GROUND, "lanes", "anomalies"),
    "loudness": (*_GROUND, "lanes"),  # bare: the field under all those names
    "strength": (*_GROUND, "lanes", "anomalies"),
    "contact_probability": (*_GROUND, "probes"),
    "contact_depth": (*_GROUND, "probes"),
    "seabed": _GROUND,
}
COVER_LAYERS = (*_GROUND, "readings")


def layers_of(field: xr.DataArray) -> tuple[str, ...]:
    """Return the layers of the backdrop that a map of this field shows by itself."""
    name = str(field.name).removesuffix("_sd")
    return FIELD_LAYERS.get(name, (*_GROUND, "lanes", "probes"))


@styled
def draw_field(
    field: xr.DataArray,
    backdrop: Backdrop,
    *,
    title: str,
    subtitle: str = "",
    surveyed: ArrayLike | xr.DataArray | None = None,
    contours: Contours = None,
    norm: Norm = "linear",
    cmap: str | None = None,
    limits: tuple[float, float] | None = None,
    show: Sequence[str] | None = None,
) -> Figure:
    """Draw one field of the site with its units, scale, norths and key.

    Parameters
    ----------
    field : DataArray, dims (n, e)
        Node values with ``units`` and ``long_name``; NaN counts as not surveyed.
    backdrop : Backdrop
        What is drawn over it.
    title, subtitle : str
        Printed above the map.
    surveyed : array_like of bool, shape (L, K), or DataArray, optional
        Nodes that were looked at; the others are greyed and hatched.
    contours : int or sequence of float, optional
        About how many contour lines on round values, or their values in the field's unit.
    norm : {"linear", "power"}
        Colour scale; "power" (square root) shows weak values beside strong ones.
    cmap : str, optional
        Colour map; the house's own for the field's name if not given.
    limits : (float, float), optional
        Ends of the colour scale; values beyond are shown in the end colours, with an arrow on
        the colour bar.
    show : sequence of str, optional
        Layers of the backdrop; those of :func:`layers_of` if not given.

    Returns
    -------
    Figure
    """
    show = layers_of(field) if show is None else show
    mask = unsurveyed_cells(field, surveyed)
    key = backdrop_key(backdrop, show) + field_key(field, mask, contours)
    sheet = map_sheet(backdrop.extent, backdrop.frame, key, title=title, subtitle=subtitle)
    draw_panel(sheet, 0, field, mask, backdrop, contours, norm, cmap, limits, show)
    return sheet.figure


@styled
def draw_pair(
    estimate: xr.DataArray,
    uncertainty: xr.DataArray,
    backdrop: Backdrop,
    *,
    title: str,
    subtitle: str = "",
    surveyed: ArrayLike | xr.DataArray | None = None,
    contours: Contours = None,
    norm: Norm = "linear",
    limits: tuple[float, float] | None = None,
    show: Sequence[str] | None = None,
) -> Figure:
    """Draw an estimate and, at the same scale beside it, its uncertainty.

    Parameters
    ----------
    estimate, uncertainty : DataArray, dims (n, e)
        Node values with ``units`` and ``long_name``.
    backdrop, title, subtitle, surveyed, contours, norm, limits, show
        As for :func:`draw_field`; contours, norm and limits are those of the estimate.

    Returns
    -------
    Figure
    """
    show = layers_of(estimate) if show is None else show
    mask = unsurveyed_cells(estimate, surveyed)
    key = backdrop_key(backdrop, show) + field_key(estimate, mask, contours)
    sheet = map_sheet(
        backdrop.extent,
        backdrop.frame,
        key,
        title=title,
        subtitle=subtitle,
        map_titles=("Estimate", "Uncertainty (one standard deviation)"),
        max_width_in=5.4,
        max_height_in=6.4,
    )
    draw_panel(sheet, 0, estimate, mask, backdrop, contours, norm, None, limits, show)
    bare = [layer for layer in show if layer not in ("anomalies",)]
    draw_panel(sheet, 1, uncertainty, mask, backdrop, None, "linear", None, None, bare)
    return sheet.figure


@styled
def draw_beside(
    left: xr.DataArray,
    right: xr.DataArray,
    backdrop: Backdrop,
    *,
    title: str,
    map_titles: tuple[str, str],
    surveyed: ArrayLike | xr.DataArray | None = None,
    limits: tuple[tuple[float, float] | None, tuple[float, float] | None] = (None, None),
) -> Figure:
    """Draw two fields of one place side by side, weak values of both shown beside strong ones.

    Parameters
    ----------
    left, right : DataArray, dims (n, e)
        Node values with ``units`` and ``long_name``; NaN counts as not surveyed.
    map_titles : (str, str)
    backdrop, title, surveyed, limits
        As for :func:`draw_field`; limits of the left and of the right field.

    Returns
    -------
    Figure
    """
    show = layers_of(left)
    masks = [unsurveyed_cells(field, surveyed) for field in (left, right)]
    key = backdrop_key(backdrop, show) + field_key(right, masks[1], None)
    sheet = map_sheet(
        backdrop.extent,
        backdrop.frame,
        key,
        title=title,
        map_titles=map_titles,
        max_width_in=5.4,
        max_height_in=6.4,
    )
    for number, (field, mask) in enumerate(zip((left, right), masks, strict=True)):
        draw_panel(sheet, number, field, mask, backdrop, None, "power", None, limits[number], show)
    return sheet.figure


@styled
def draw_coverage(
    pod: xr.DataArray,
    backdrop: Backdrop,
    *,
    required_pod: float,
    gaps: pd.DataFrame | None = None,
    infill: pd.DataFrame | None = None,
    title: str = "Coverage as swum: probability of detection",
    subtitle: str = "",
    surveyed: ArrayLike | xr.DataArray | None = None,
    show: Sequence[str] = COVER_LAYERS,
) -> Figure:
    """Draw the probability of detection as swum, the gaps in it and the lanes that would fill them.

    Parameters
    ----------
    pod : DataArray, dims (n, e)
        Probability of detecting what must be found at the depth to search to, 0 to 1.
    backdrop : Backdrop
    required_pod : float
        Level that the site must reach; its contour is drawn.
    gaps : DataFrame, optional
        ``gap, outline_wkt, area_m2`` in local metres.
    infill : DataFrame, optional
        Lanes (``start_e, start_n, end_e, end_n``) proposed for the gaps.
    title, subtitle, surveyed, show
        As for :func:`draw_field`; where `surveyed` is not given, ground that no pass came near
        (a probability of zero) is not surveyed.

    Returns
    -------
    Figure
    """
    mask = unsurveyed_cells(pod, pod > 0.0 if surveyed is None else surveyed)
    levels = [required_pod]
    key = backdrop_key(backdrop, show)
    key.append(KeyEntry(Line2D([], [], color="black", lw=1.0), f"required, {required_pod:g}"))
    if mask.any():
        key.append(KeyEntry(unsurveyed_sample(), "not surveyed"))
    if gaps is not None and len(gaps):
        sample = Patch(facecolor="none", edgecolor=VERMILLION, linewidth=2.0)
        key.append(KeyEntry(sample, "gap, numbered"))
    if infill is not None and len(infill):
        key.append(KeyEntry(Line2D([], [], **_INFILL), "infill lane, F numbered"))
    sheet = map_sheet(backdrop.extent, backdrop.frame, key, title=title, subtitle=subtitle)
    # The one contour is named in the key; its value along every lane would only clutter.
    draw_panel(sheet, 0, pod, mask, backdrop, levels, "linear", None, None, show, False)
    axes = sheet.maps[0]
    if infill is not None:
        for lane in records(infill):
            ends_e, ends_n = [lane.start_e, lane.end_e], [lane.start_n, lane.end_n]
            axes.plot(ends_e, ends_n, path_effects=halo(4.0), zorder=7, **_INFILL)
    if gaps is not None and len(gaps):
        _draw_gaps(axes, gaps)
    if infill is not None and len(infill):
        lanes = list(records(infill))
        middles = [((x.start_e + x.end_e) / 2, (x.start_n + x.end_n) / 2) for x in lanes]
        place_labels(axes, middles, [str(x.lane) for x in lanes], colour=INK)
    return sheet.figure


# Neither the colour of a gap's outline nor, in print without colour, its unbroken line.
_INFILL: dict[str, Any] = {"color": INK, "lw": 2.4, "ls": (0, (2.2, 1.2))}


def _draw_gaps(axes: Axes, gaps: pd.DataFrame) -> None:
    """Outline the gaps, the largest first, and number those that leave room."""
    largest = gaps.sort_values("area_m2", ascending=False)
    outlines = shapely.from_wkt(largest["outline_wkt"].to_numpy(object))
    for outline in outlines:
        patch = PathPatch(polygon_path(outline), fill=False, ec=VERMILLION, lw=2.0, zorder=6.8)
        patch.set_path_effects(halo(3.4))
        axes.add_patch(patch)
    middles = shapely.point_on_surface(outlines)
    points = list(zip(shapely.get_x(middles), shapely.get_y(middles), strict=True))
    place_labels(axes, points, [str(gap) for gap in largest["gap"]], colour=INK)
