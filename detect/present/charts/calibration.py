"""Was the forecast right: stated chance against the share that came true."""

from __future__ import annotations

import pandas as pd
from matplotlib.figure import Figure

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
    for i, (words, part) in enumerate(table.groupby("forecast", sort=False)):
        colour, mark = _MARKS[i % len(_MARKS)]
        # two forecasts may state the same chance: set them a little apart
        at = part["chance"] + 0.006 * (2 * i - 1)
        axes.vlines(at, part["low"], part["high"], color=colour, lw=1.4, alpha=0.6)
        axes.plot(at, part["share"], ls="none", marker=mark, ms=7, color=colour, label=str(words))
        # numbers of one forecast above its marks, of the other below: they may lie side by side
        side = 1 if i == 0 else -1
        for x, row in zip(at, records(part), strict=True):
            axes.annotate(
                f"{row.squares:.0f}",
                (x, row.share),
                xytext=(0, 7 * side),
                textcoords="offset points",
                va="bottom" if side > 0 else "top",
                ha="center",
                fontsize=SMALL_PT,
                color=colour,
            )
    axes.set(
        xlabel="chance stated (0 to 1)",
        ylabel="share that came true (bar: 90 % interval)",
        xlim=(-0.06, 1.06),
        ylim=(-0.08, 1.08),
    )
    axes.grid(color=PALE, lw=0.6)
    figure.legend(
        *axes.get_legend_handles_labels(),
        loc="upper left",
        bbox_to_anchor=(0.10, 0.935),
        ncols=3,
        fontsize=SMALL_PT,
    )
    figure.text(0.98, 0.865, "figures: opened squares", fontsize=SMALL_PT, ha="right", va="top")
    return figure
