"""What the probe would meet where: a small map for each kind of contact, and for none."""

from __future__ import annotations

import math

import matplotlib
import numpy as np
import xarray as xr
from matplotlib.colors import Normalize
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch

from detect.present.backdrop import Backdrop, polygon_path
from detect.present.panel import draw_colour_bar
from detect.present.style import INK, SMALL_PT, field_style, halo, new_figure, styled
from detect.present.ticks import tick_axes

#: maps of one kind are named after this
PREFIX = "contact_probability_"


def kinds_in(maps: xr.Dataset) -> list[str]:
    """Return the kinds the maps hold, in their order."""
    names = [str(name) for name in maps.data_vars]
    return [n for n in names if n.startswith(PREFIX) and not n.endswith("_sd")]


@styled
def draw_kinds(
    maps: xr.Dataset, backdrop: Backdrop, *, title: str = "What the probe would meet"
) -> Figure:
    """Draw the probability of each kind of contact and of none, on one colour scale.

    Parameters
    ----------
    maps : Dataset
        With ``contact_probability`` and ``contact_probability_KIND`` on (n, e).
    backdrop : Backdrop
        For the outline.
    title : str

    Returns
    -------
    Figure
    """
    fields = {name.removeprefix(PREFIX): maps[name].to_numpy() for name in kinds_in(maps)}
    fields["none within its length"] = 1.0 - maps["contact_probability"].to_numpy()
    e, n = maps["e"].to_numpy(), maps["n"].to_numpy()
    half = 0.5 * float(e[1] - e[0])
    extent = (e[0] - half, e[-1] + half, n[0] - half, n[-1] + half)
    columns = min(3, len(fields))
    rows = math.ceil(len(fields) / columns)
    width = 10.0
    panel = (width - 0.55) / columns - 0.25
    tall = panel * (extent[3] - extent[2]) / (extent[1] - extent[0])
    height = rows * (tall + 0.62) + 1.25
    figure = new_figure(width, height)
    figure.text(0.012, 1 - 0.08 / height, title, fontsize=12, weight="bold", va="top")
    norm, cmap = Normalize(0.0, 1.0), matplotlib.colormaps[field_style("contact_probability").cmap]
    for number, (kind, values) in enumerate(fields.items()):
        row, column = divmod(number, columns)
        left = 0.55 + column * (panel + 0.25)
        bottom = height - 0.70 - (row + 1) * tall - row * 0.62
        axes = figure.add_axes(
            (left / width, bottom / height, panel / width, tall / height), aspect="equal"
        )
        axes.imshow(values, origin="lower", extent=extent, norm=norm, cmap=cmap)
        patch = PathPatch(polygon_path(backdrop.outline), fill=False, ec=INK, lw=1.2)
        patch.set_path_effects(halo(2.4))
        axes.add_artist(patch)
        axes.set_title(f"{kind} (at most {np.nanmax(values):.2f})", loc="left", fontsize=SMALL_PT)
        if column == 0:
            axes.set_ylabel("n (m)", fontsize=SMALL_PT)
        if number + columns >= len(fields):
            axes.set_xlabel("e (m)", fontsize=SMALL_PT)
        tick_axes(axes, numbers="xy" if column == 0 else "x")
    bar = figure.add_axes((0.30, 0.42 / height, 0.40, 0.10 / height))
    words = "probability (0 to 1); at each place they add up to 1"
    draw_colour_bar(bar, cmap, norm, np.linspace(0.0, 1.0, 6), words, weight="normal")
    return figure
