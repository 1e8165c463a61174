"""Which squares are chosen whatever the weights."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from detect.present.charts.rows import write_rows
from detect.present.numbers import records
from detect.present.style import BLUE, SMALL_PT, VERMILLION, new_figure, styled
from detect.present.words import ranged
from detect.squares.weightings import WHATEVER


@styled
def draw_weightings(
    tried: pd.DataFrame,
    *,
    top_k: int,
    weights: Mapping[str, float],
    title: str = "Squares chosen whatever the weights",
) -> Figure:
    """Draw the share of weights near the chosen ones under which each square is among the best.

    Parameters
    ----------
    tried : DataFrame
        From :func:`detect.squares.weightings.weight_sensitivity`.
    top_k : int
    weights : mapping
        As chosen.
    title : str

    Returns
    -------
    Figure
    """
    shown = tried[tried["chosen_share"] > 0.005]
    shown = shown.sort_values(["chosen_share", "worst", "best"], ascending=[False, True, True])
    shown = shown.head(30)
    figure = new_figure(7.6, 1.7 + 0.215 * max(len(shown), 2))
    height = figure.get_size_inches()[1]
    axes = figure.add_axes((0.115, 0.58 / height, 0.70, (height - 1.45) / height))
    figure.text(0.015, 1 - 0.09 / height, title, fontsize=12, weight="bold", va="top")
    chosen = ", ".join(f"{name} {weight:g}" for name, weight in weights.items() if weight > 0)
    words = f"1,000 sets of weights about the chosen ones: {chosen}"
    figure.text(0.015, 1 - 0.36 / height, words, fontsize=SMALL_PT, va="top")
    place = np.arange(len(shown))
    share = shown["chosen_share"].to_numpy(float)
    always = share >= WHATEVER
    axes.barh(place[always], share[always], color=BLUE, height=0.62)
    axes.barh(
        place[~always], share[~always], color="white", ec=VERMILLION, hatch="////", height=0.62
    )
    write_rows(
        axes,
        [str(name) for name in shown["square"]],
        [ranged(row.best, row.worst) for row in records(shown)],
        "place, 5 to 95 %\nof the weights",
        gap_pt=12,
    )
    axes.axvline(WHATEVER, color="black", lw=0.9, ls="--")
    axes.annotate(
        "whatever the weights",
        (WHATEVER, 1.0),
        xycoords=("data", "axes fraction"),
        xytext=(0, 4),
        textcoords="offset points",
        ha="right",
        va="bottom",
        fontsize=SMALL_PT,
    )
    axes.set(
        xlabel=f"share of the weights under which it is among the best {top_k}", ylabel="square"
    )
    axes.set_xlim(0.0, 1.0)
    return figure
