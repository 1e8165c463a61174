"""What the probe would meet where: a small map for each kind of contact, and for none."""

from __future__ import annotations

import matplotlib
import numpy as np
import xarray as xr
from matplotlib.colors import Normalize
from matplotlib.figure import Figure

from detect.present.backdrop import Backdrop, backdrop_key, draw_backdrop
from detect.present.panel import draw_colour_bar
from detect.present.sheet import map_sheet
from detect.present.style import field_style, styled

#: maps of one kind are named after this
PREFIX = "contact_probability_"
_LAYERS = ("outline", "remains", "keep_outs", "baseline", "probes")


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
        For the norths, the outline, keep-outs, visible remains, the baseline and the probes.
    title : str

    Returns
    -------
    Figure
    """
    fields = {name.removeprefix(PREFIX): maps[name].to_numpy() for name in kinds_in(maps)}
    fields["none within its length"] = 1.0 - maps["contact_probability"].to_numpy()
    columns = min(3, len(fields))
    sheet = map_sheet(
        backdrop.extent,
        backdrop.frame,
        backdrop_key(backdrop, _LAYERS),
        title=title,
        map_titles=[f"{kind} (at most {np.nanmax(v):.2f})" for kind, v in fields.items()],
        columns=columns if len(fields) > columns else None,
        max_width_in=3.4,
        max_height_in=4.2,
    )
    norm, cmap = Normalize(0.0, 1.0), matplotlib.colormaps[field_style("contact_probability").cmap]
    e, n = maps["e"].to_numpy(), maps["n"].to_numpy()
    half = 0.5 * float(e[1] - e[0])
    extent = (e[0] - half, e[-1] + half, n[0] - half, n[-1] + half)
    for axes, values in zip(sheet.maps, fields.values(), strict=True):
        limits = axes.axis()
        axes.imshow(values, origin="lower", extent=extent, norm=norm, cmap=cmap, zorder=0)
        axes.axis(limits)
        # So small a map has no room for names between the probes.
        draw_backdrop(axes, backdrop, _LAYERS, name_areas=False)
    words = "probability (0 to 1); at each place they add up to 1"
    for bar in sheet.bars:
        draw_colour_bar(bar, cmap, norm, np.linspace(0.0, 1.0, 6), words, weight="normal")
    return sheet.figure
