"""The variogram: what the readings show, how many pairs say so, and the model fitted."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from typing import Any, Protocol

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter
from numpy.typing import ArrayLike

from detect.present.labels import text_box
from detect.present.lettering import write
from detect.present.numbers import records
from detect.present.style import (
    BLACK,
    BLUE,
    GREY,
    INK,
    SMALL_PT,
    TINY_PT,
    VERMILLION,
    new_figure,
    styled,
)
from detect.present.ticks import tick_axes


class VariogramLike(Protocol):
    """What the variogram chart asks of a model."""

    @property
    def practical_range_m(self) -> float:
        """Distance at which the model has nearly reached its sill, metres."""

    def semivariance(self, de: ArrayLike, dn: ArrayLike) -> Any:
        """Return the semivariance at lags (de, dn), metres."""


# What a line of notes under the chart holds.
_NOTE_LETTERS = 112

# Pooled pairs, pairs along the lanes, pairs across them: colour, shape, name.
_DIRECTIONS: dict[str, tuple[str, str, str]] = {
    "pooled": (BLACK, "o", "all directions"),
    "along": (BLUE, "s", "along the lanes"),
    "across": (VERMILLION, "^", "across the lanes"),
}


@styled
def draw_variogram(
    experimental: Mapping[str, pd.DataFrame],
    variogram: VariogramLike,
    *,
    unit: str,
    lane_bearing_deg: float = 0.0,
    poor: bool = False,
    notes: tuple[str, ...] = (),
    title: str = "Variogram of the conditioned signal",
) -> Figure:
    """Draw the experimental variogram with its pair counts, and the model fitted to it.

    Parameters
    ----------
    experimental : mapping of str to DataFrame
        ``pooled`` and, where known, ``along`` and ``across`` the lanes: ``pairs, lag_m,
        semivariance``.
    variogram : Variogram
        The model behind the maps.
    unit : str
        Unit of the values; the semivariance has its square.
    lane_bearing_deg : float
        Grid bearing of the lanes; an anisotropic model is drawn along and across it.
    poor : bool
        The fit was flagged as poor; said on the chart.
    notes : tuple of str
        What the fit has to say, printed under the chart.
    title : str

    Returns
    -------
    Figure
    """
    lines = ["The fit is poor: read the maps with care."] if poor else []
    for note in notes:
        lines += textwrap.wrap(note, _NOTE_LETTERS)
    foot = 0.21 * len(lines) + (0.08 if lines else 0.0)
    figure = new_figure(8.2, 5.75 + foot)
    height = figure.get_size_inches()[1]
    axes = figure.add_axes((0.105, (1.84 + foot) / height, 0.74, 3.2 / height))
    counts = figure.add_axes((0.105, (0.52 + foot) / height, 0.74, 1.0 / height), sharex=axes)
    figure.text(0.018, 1 - 0.10 / height, title, fontsize=12, weight="bold", va="top")

    tables = {name: table[table["pairs"] > 0] for name, table in experimental.items()}
    reach = max((float(t["lag_m"].max()) for t in tables.values() if len(t)), default=1.0) * 1.06
    most = max((int(table["pairs"].max()) for table in tables.values() if len(table)), default=1)
    top = 0.0
    for name, table in tables.items():
        colour, shape, words = _DIRECTIONS.get(name, (GREY, "v", name))
        area = 14.0 + 75.0 * table["pairs"] / most
        axes.scatter(
            table["lag_m"],
            table["semivariance"],
            s=area,
            marker=shape,
            facecolor=colour if name == "pooled" else "white",
            edgecolor=colour,
            linewidth=1.3,
            label=words,
            zorder=4 if name == "pooled" else 3,
        )
        counts.plot(table["lag_m"], table["pairs"], color=colour, marker=shape, ms=4, lw=0.9)
        top = max(top, float(table["semivariance"].max()) if len(table) else 0.0)

    top = max(top, _draw_model(axes, variogram, reach, lane_bearing_deg))
    squared = f" ({unit}²)" if unit not in ("", "1") else ""
    axes.set(xlim=(0, reach), ylim=(0, 1.12 * top or 1.0), ylabel=f"semivariance{squared}")
    axes.legend(loc="lower right", markerscale=0.7)
    _mark_model(axes, variogram, reach)
    counts.set(xlabel="lag distance (m)", ylabel="pairs", yscale="log")
    counts.yaxis.set_major_formatter(FuncFormatter(lambda pairs, _: f"{pairs:,.0f}"))
    low, high = counts.get_ylim()
    counts.set_ylim(low, high * (high / low) ** 0.35)
    tick_axes(axes, numbers="y")
    tick_axes(counts, grid="y")
    if "pooled" in tables:
        _write_counts(counts, tables["pooled"])
    for i, line in enumerate(lines):
        figure.text(
            0.02,
            (foot - 0.02 - 0.21 * i) / height,
            line,
            va="top",
            fontsize=SMALL_PT,
            weight="bold" if poor and i == 0 else "normal",
            color=VERMILLION if poor and i == 0 else INK,
        )
    return figure


def _draw_model(
    axes: Axes, variogram: VariogramLike, reach: float, lane_bearing_deg: float
) -> float:
    """Draw the model; along and across the lanes where the two differ. Return its largest value."""
    lag = np.linspace(1e-6, reach, 300)
    turn = np.radians(lane_bearing_deg)
    along = np.asarray(variogram.semivariance(lag * np.sin(turn), lag * np.cos(turn)), float)
    across = np.asarray(variogram.semivariance(lag * np.cos(turn), -lag * np.sin(turn)), float)
    if np.allclose(along, across, rtol=1e-3):
        axes.plot(lag, along, color=INK, lw=2.0, label="model", zorder=2)
    else:
        axes.plot(lag, along, color=BLUE, lw=2.0, label="model along", zorder=2)
        axes.plot(lag, across, color=VERMILLION, lw=2.0, ls="--", label="model across", zorder=2)
    return float(max(along.max(), across.max()))


def _mark_model(axes: Axes, variogram: VariogramLike, reach: float) -> None:
    """Mark nugget, sill and practical range with their values at the chart's edge."""
    # Asked of the curve itself, so that nested models need no special case.
    nugget = float(np.asarray(variogram.semivariance(1e-9, 0.0)))
    span = float(variogram.practical_range_m)
    far = 1e4 * max(span, 1.0)
    sill = float(np.asarray(variogram.semivariance(far, far)))
    high = axes.get_ylim()[1]
    style: dict[str, Any] = {"fontsize": SMALL_PT, "va": "center", "annotation_clip": False}
    for value, word in ((sill, "sill"), (nugget, "nugget")):
        if value <= high:
            axes.axhline(value, color=GREY, lw=0.9, ls=":", zorder=1)
            axes.annotate(
                f"{word} {value:.3g}",
                (1.0, value),
                xycoords=("axes fraction", "data"),
                xytext=(5, 0),
                textcoords="offset points",
                **style,
            )
    if span <= reach:
        axes.axvline(span, color=GREY, lw=0.9, ls=":", zorder=1)
        axes.annotate(
            f"practical range {span:.3g} m",
            (span, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(0, 3),
            textcoords="offset points",
            fontsize=SMALL_PT,
            ha="right" if span > reach / 2 else "left",
            va="bottom",
        )
    else:
        axes.annotate(
            f"practical range {span:.3g} m, beyond the lags shown",
            (1.0, 1.0),
            xycoords="axes fraction",
            xytext=(0, 3),
            textcoords="offset points",
            fontsize=SMALL_PT,
            ha="right",
            va="bottom",
        )


def _write_counts(axes: Axes, table: pd.DataFrame) -> None:
    """Write the number of pooled pairs over each lag, leaving out those that would collide."""
    used: list[Any] = []
    for row in records(table):
        label = write(
            axes,
            row.lag_m,
            row.pairs,
            f"{int(row.pairs)}",
            offset_pt=(0, 4),
            ha="center",
            va="bottom",
            size_pt=TINY_PT,
        )
        box = text_box(label)
        if any(box.overlaps(other) for other in used):
            label.remove()
        else:
            used.append(box)
