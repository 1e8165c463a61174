"""Was the forecast right: stated chance against the share that came true."""

from __future__ import annotations

from typing import Any

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.transforms import Bbox

from detect.present.labels import place_labels
from detect.present.numbers import records
from detect.present.style import BLUE, GREY, PALE, SMALL_PT, VERMILLION, new_figure, styled

_MARKS = ((BLUE, "o"), (VERMILLION, "s"))


@styled
def draw_calibration(
    table: pd.DataFrame, *, title: str = "The forecast in the opened squares"
) -> Figure:
    """Draw how often what was forecast came true, by the chance that was stated.

    Parameters
    ----------
    table : DataFrame
        From :func:`detect.squares.opened.calibration`.
    title : str

    Returns
    -------
    Figure
    """
    figure = new_figure(6.0, 5.6)
    axes = figure.add_axes((0.12, 0.10, 0.84, 0.74))
    figure.text(0.02, 0.978, title, fontsize=12, weight="bold", va="top")
    axes.plot([0, 1], [0, 1], color=GREY, lw=1.0, ls="--", label="as stated")
    axes.set(
        xlabel="chance stated (0 to 1)",
        ylabel="share that came true (bar: 90 % interval)",
        xlim=(-0.06, 1.06),
        ylim=(-0.08, 1.08),
    )
    taken: list[Bbox] = []
    for i, (words, part) in enumerate(table.groupby("forecast", sort=False)):
        colour, mark = _MARKS[i % len(_MARKS)]
        # two forecasts may state the same chance: set them a little apart
        at = part["chance"] + 0.006 * (2 * i - 1)
        axes.vlines(at, part["low"], part["high"], color=colour, lw=1.4, alpha=0.6)
        axes.plot(at, part["share"], ls="none", marker=mark, ms=7, color=colour, label=str(words))
        taken += [_around(axes, x, r) for x, r in zip(at, records(part), strict=True)]
    for i, (_, part) in enumerate(table.groupby("forecast", sort=False)):
        place_labels(
            axes,
            list(zip(part["chance"] + 0.006 * (2 * i - 1), part["share"], strict=True)),
            [f"{count:.0f}" for count in part["squares"]],
            colour=_MARKS[i % len(_MARKS)][0],
            weight="normal",
            gap_pt=6.0,
            taken=taken,
        )
    axes.grid(color=PALE, lw=0.6)
    figure.legend(
        *axes.get_legend_handles_labels(),
        loc="upper left",
        bbox_to_anchor=(0.10, 0.935),
        ncols=3,
        fontsize=SMALL_PT,
    )
    figure.text(0.96, 0.865, "numbers: opened squares", fontsize=SMALL_PT, ha="right", va="top")
    return figure


def _around(axes: Axes, chance: float, row: Any) -> Bbox:
    """Return the pixels that an interval's bar and its mark take up."""
    (x, low), (_, high) = axes.transData.transform([(chance, row.low), (chance, row.high)])
    half = 4.5 * axes.figure.dpi / 72.0
    _, middle = axes.transData.transform((chance, row.share))
    return Bbox.from_extents(x - half, min(low, middle - half), x + half, max(high, middle + half))
