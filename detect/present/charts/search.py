"""What one pass of the coil sees, what lanes make of it, and what they cost."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Protocol

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, MaxNLocator

from detect.present.charts.tables import write_table_into
from detect.present.lettering import write
from detect.present.numbers import Column, records
from detect.present.style import (
    BLACK,
    BLUE,
    GREY,
    PALE,
    SMALL_PT,
    TINY_PT,
    VERMILLION,
    new_figure,
    styled,
)
from detect.present.ticks import tick_axes

# Colour and width of each class; lines of one class are told apart by dashes (worst and mean).
_CLASS_LINES = ((BLACK, 2.2), (BLUE, 1.6), (VERMILLION, 1.6), ("#009e73", 1.6), ("#cc79a7", 1.6))
# More classes than this are listed in the table only.
_MOST_DRAWN = len(_CLASS_LINES)
# Wider spacings than these many are drawn, and listed in the plan's files only.
_MOST_LISTED = 9
# In a row between the axes and their title, where no curve runs.
_LEGEND: dict[str, Any] = {
    "fontsize": TINY_PT,
    "loc": "lower left",
    "bbox_to_anchor": (0.0, 1.0),
    "borderaxespad": 0.15,
    "ncol": 5,
    "columnspacing": 1.2,
    "handlelength": 2.0,
    "handletextpad": 0.5,
}
# Points from the axes up to a title with that row under it, and for one row more.
_TITLE_PAD, _KEY_ROW = 18.0, 11.0
# Letters that go into a row, and that a sample of a line takes besides its name.
_ROW_LETTERS, _SAMPLE_LETTERS = 66, 8
_CLASSES = {
    "target": Column("target", words=True),
    "air_range_m": Column("air range", "m", 2),
    "burial_depth_m": Column("depth", "m", 2),
    "footprint_m": Column("footprint ±", "m", 2),
    "sweep_width_m": Column("sweep width", "m", 2),
    "worst_pod": Column("worst POD", "", 2),
    "mean_pod": Column("mean POD", "", 2),
    "widest_spacing_m": Column("widest lanes", "m", 2),
    "holds_to_m": Column("holds to", "m", 2),
    "deepest_m": Column("under coil to", "m", 2),
    "lost_m": Column("lost below", "m", 2),
}
_CHOICES = {
    "spacing_m": Column("lanes apart", "m", 2),
    "worst_pod": Column("worst POD", "", 2),
    "mean_pod": Column("mean POD", "", 2),
    "coverage_factor": Column("coverage", "W/S", 2),
    "perfect_strips_pod": Column("perfect strips", "", 2),
    "inverse_cube_pod": Column("inverse cube", "", 2),
    "random_pod": Column("at random", "", 2),
    "lanes": Column("lanes", "", 0),
    "lane_m": Column("to swim", "m", 0),
    "dives": Column("dives", "", 0),
    "bottom_h": Column("bottom time", "h", 1),
    "diver_h": Column("all divers", "h", 1),
}


class SpacingLike(Protocol):
    """What the search charts ask of the chosen lane spacing."""

    @property
    def spacing_m(self) -> float:
        """Lane spacing, metres."""

    @property
    def footprint_m(self) -> float:
        """Half-width of the coil's footprint, metres."""

    @property
    def sweep_width_m(self) -> float:
        """Area under the lateral range curve, metres."""


def draw_spacing_chart(
    axes: Axes,
    table: pd.DataFrame,
    *,
    spacing_m: float,
    required_pod: float,
    sought: str = "reference target",
) -> None:
    """Draw probability of detection against lane spacing into given axes.

    Parameters
    ----------
    axes : Axes
    table : DataFrame
        ``spacing_m, worst_pod, mean_pod``.
    spacing_m : float
        The spacing chosen.
    required_pod : float
        What the worst point between lanes must reach.
    sought : str
        The class of targets it is of.
    """
    axes.plot(table["spacing_m"], table["worst_pod"], color=BLACK, lw=2.0, label="worst point")
    axes.plot(table["spacing_m"], table["mean_pod"], color=BLUE, lw=1.6, ls="--", label="mean")
    _mark_spacing(axes, spacing_m, required_pod, float(table["spacing_m"].max()))
    axes.set_title(f"Detection against lane spacing, {sought}", loc="left", fontsize=9)
    axes.legend(**_LEGEND | {"loc": "lower right", "bbox_to_anchor": (1.0, 1.0)})


@styled
def draw_search_sheet(
    passes: pd.DataFrame,
    spacings: pd.DataFrame,
    depths: pd.DataFrame,
    classes: pd.DataFrame,
    choices: pd.DataFrame,
    *,
    spacing_m: float,
    required_pod: float,
    sought: str = "reference target",
    title: str = "What the coil sees, and how far apart lanes may lie",
) -> Figure:
    """Draw all that lane spacing follows from, for every class of targets, and what it costs.

    Parameters
    ----------
    passes : DataFrame
        ``target, offset_m, pod``: one pass against the distance across from the lane.
    spacings : DataFrame
        ``target, spacing_m, worst_pod, mean_pod``.
    depths : DataFrame
        ``target, burial_depth_m, worst_pod, mean_pod`` with the lanes as planned.
    classes : DataFrame
        As `detect.lanes.targets.class_table` returns; the reference target first.
    choices : DataFrame
        As `detect.lanes.choices.spacing_choices` returns.
    spacing_m : float
        The spacing of the plan.
    required_pod : float
    sought : str
        The class of targets that `choices` are of.
    title : str

    Returns
    -------
    Figure
    """
    listed = choices.head(max(_MOST_LISTED, 1 + int(choices["spacing_m"].searchsorted(spacing_m))))
    rows = len(classes) + len(listed)
    height = 8.75 + 0.185 * rows
    figure = new_figure(10.0, height)
    figure.text(0.014, 1 - 0.10 / height, title, fontsize=12, weight="bold", va="top")

    def axes_at(left: float, top_in: float, width: float, high_in: float) -> Axes:
        return figure.add_axes((left, 1 - (top_in + high_in) / height, width, high_in / height))

    one, two = axes_at(0.068, 0.93, 0.40, 2.45), axes_at(0.565, 0.93, 0.40, 2.45)
    three, four = axes_at(0.068, 4.40, 0.40, 2.45), axes_at(0.565, 4.40, 0.36, 2.45)
    _draw_passes(one, passes, classes)
    _draw_spacings(two, spacings, spacing_m, required_pod)
    _draw_depths(three, depths, classes, spacing_m, required_pod)
    _draw_costs(four, choices, spacing_m)
    lower = axes_at(0.014, 7.45, 0.972, height - 7.50)
    lower.set(xlim=(0, 1), ylim=(height - 7.50, 0))
    lower.axis("off")
    end = write_table_into(
        lower, 0.0, classes, _CLASSES, f"Classes of targets, lanes {spacing_m:.2f} m apart"
    )
    mark = int((listed["spacing_m"] - spacing_m).abs().to_numpy().argmin())
    rest = ""
    if len(listed) < len(choices):
        rest = f"; wider ones, to {choices['spacing_m'].max():.2f} m, are in spacings.csv"
    write_table_into(
        lower, end + 0.16, listed, _CHOICES, f"Spacings to choose from: {sought}, this "
        f"site (bold: the plan{rest})", bold=mark,
    )  # fmt: skip
    return figure


def _title(axes: Axes, words: str, names: Sequence[str] = ()) -> None:
    """Write an axes' title, and between the two its key, where there are names to be told apart."""
    rows = 1 if sum(len(name) + _SAMPLE_LETTERS for name in names) <= _ROW_LETTERS else 2
    axes.set_title(words, loc="left", fontsize=9, pad=_TITLE_PAD + _KEY_ROW * (rows - 1))
    if len(names) != 1:
        axes.legend(**_LEGEND | {"ncol": math.ceil(len(names) / rows) or 5})


def _line(number: int) -> dict[str, Any]:
    colour, width = _CLASS_LINES[number]
    return {"color": colour, "lw": width}


def _names(table: pd.DataFrame) -> list[str]:
    return [str(name) for name in pd.unique(table["target"])][:_MOST_DRAWN]


def _draw_passes(axes: Axes, passes: pd.DataFrame, classes: pd.DataFrame) -> None:
    """Draw the lateral range curve of each class, the reference target's filled."""
    for number, name in enumerate(_names(passes)):
        own = passes[passes["target"] == name]
        axes.plot(own["offset_m"], own["pod"], label=name, **_line(number))
        if number == 0:
            axes.fill_between(own["offset_m"], own["pod"], color=PALE)
    first = next(records(classes))
    if first.footprint_m > 0:
        for side in (-first.footprint_m, first.footprint_m):
            axes.plot([side, side], [0.0, 1.04], color=GREY, lw=1.2, ls="--")
    # Above all curves, on ground kept clear for it.
    write(
        axes,
        0.5,
        0.985,
        f"footprint ±{first.footprint_m:.2f} m, sweep width {first.sweep_width_m:.2f} m",
        transform=axes.transAxes,
        ha="center",
        va="top",
        size_pt=SMALL_PT,
        color=GREY,
        rim_pt=2.0,
    )
    depth = f"reference target {first.burial_depth_m:g} m down"
    _title(axes, f"One pass, {depth}", _names(passes))
    axes.set(xlabel="distance across from the lane (m)", ylabel="probability of detection")
    axes.margins(x=0)
    _pod_axis(axes)
    axes.set_ylim(top=1.17)


def _draw_spacings(
    axes: Axes, spacings: pd.DataFrame, spacing_m: float, required_pod: float
) -> None:
    """Draw worst and mean POD of each class against the spacing."""
    for number, name in enumerate(_names(spacings)):
        own = spacings[spacings["target"] == name]
        words = ("worst point", "mean") if number == 0 else (None, None)
        style = _line(number)
        axes.plot(own["spacing_m"], own["worst_pod"], label=words[0], **style)
        axes.plot(own["spacing_m"], own["mean_pod"], label=words[1], ls="--", **style)
    _mark_spacing(axes, spacing_m, required_pod, float(spacings["spacing_m"].max()))
    _title(axes, "Detection against lane spacing")


def _draw_depths(
    axes: Axes,
    depths: pd.DataFrame,
    classes: pd.DataFrame,
    spacing_m: float,
    required_pod: float,
) -> None:
    """Draw worst and mean POD of each class against its depth, and where each is lost."""
    lost = dict(zip(classes["target"], classes["lost_m"], strict=True))
    for number, name in enumerate(_names(depths)):
        own = depths[depths["target"] == name]
        style = _line(number)
        axes.plot(own["burial_depth_m"], own["worst_pod"], label=name, **style)
        axes.plot(own["burial_depth_m"], own["mean_pod"], ls="--", **style)
        if lost[name] > 0:
            axes.plot(lost[name], 0.0, marker="x", ms=9, mew=2.2, clip_on=False, **style)
    axes.axhline(required_pod, color=VERMILLION, lw=1.1, ls=":")
    axes.set(xlabel="depth below the bed (m); cross: lost", ylabel="probability of detection")
    axes.set_xlim(0, 1.08 * max(0.05, float(depths["burial_depth_m"].max())))
    _title(axes, f"Detection against depth, lanes {spacing_m:.2f} m apart", _names(depths))
    _pod_axis(axes)


def _draw_costs(axes: Axes, choices: pd.DataFrame, spacing_m: float) -> None:
    """Draw the mean POD between the bounds of search theory, and the dives it takes."""
    spacing = choices["spacing_m"]
    for column, dashes, words in (
        ("perfect_strips_pod", "-", "perfect strips"),
        ("inverse_cube_pod", "-.", "inverse cube"),
        ("random_pod", ":", "at random"),
    ):
        axes.plot(spacing, choices[column], color=GREY, lw=1.2, ls=dashes, label=words)
    axes.plot(spacing, choices["mean_pod"], color=BLACK, lw=2.2, ls="--", label="this coil, mean")
    axes.axvline(spacing_m, color=VERMILLION, lw=1.6)
    axes.set(xlim=(0, float(spacing.max())), xlabel="lane spacing (m)")
    axes.set_ylabel("probability of detection")
    _pod_axis(axes)
    dives = axes.twinx()
    dives.plot(spacing, choices["dives"], color=BLUE, lw=0.8, marker="o", ms=4, mfc="white")
    dives.set_ylabel("dives (circles)", color=BLUE)
    dives.set_ylim(0, 1.12 * float(choices["dives"].max()))
    dives.yaxis.set_major_locator(MaxNLocator(integer=True, nbins=6))
    _title(axes, "Bounds of search theory, and dives")


def _mark_spacing(axes: Axes, spacing_m: float, required_pod: float, widest: float) -> None:
    """Mark the spacing chosen and the POD required; scale the axes."""
    axes.axhline(
        required_pod, color=VERMILLION, lw=1.1, ls=":", label=f"required, {required_pod:g}"
    )
    axes.axvline(spacing_m, color=VERMILLION, lw=1.6)
    right = spacing_m < 0.7 * widest
    write(
        axes,
        spacing_m,
        1.055,
        f"lanes {spacing_m:.2f} m apart",
        offset_pt=(5 if right else -5, 0),
        ha="left" if right else "right",
        va="center",
        size_pt=SMALL_PT,
        weight="bold",
        color=VERMILLION,
        rim_pt=2.0,
    )
    axes.set(xlim=(0, widest), xlabel="lane spacing (m)", ylabel="probability of detection")
    _pod_axis(axes)


def _pod_axis(axes: Axes) -> None:
    axes.set_ylim(0, 1.12)
    axes.yaxis.set_major_locator(FixedLocator(np.arange(0, 1.01, 0.2).tolist()))
    tick_axes(axes, grid="xy")
