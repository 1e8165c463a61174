"""Which squares are chosen whatever the weights."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from detect.present.numbers import records
from detect.present.style import BLUE, PALE, SMALL_PT, VERMILLION, new_figure, styled
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
    for y, row in zip(place, records(shown), strict=True):
        axes.annotate(
            f"{row.best:.0f} to {row.worst:.0f}",
            (1.0, float(y)),
            xycoords=("axes fraction", "data"),
            xytext=(12, 0),
            textcoords="offset points",
            va="center",
            fontsize=SMALL_PT,
            annotation_clip=False,
        )
    axes.annotate(
        "place, 5 to 95 %\nof the weights",
        (1.0, 1.0),
        xycoords="axes fraction",
        xytext=(12, 4),
        textcoords="offset points",
        va="bottom",
        fontsize=SMALL_PT,
        annotation_clip=False,
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
    axes.set_yticks(place, [str(name) for name in shown["square"]])
    axes.set(
        xlabel=f"share of the weights under which it is among the best {top_k}", ylabel="square"
    )
    axes.set_xlim(0.0, 1.0)
    axes.set_ylim(len(shown) - 0.4, -0.6)
    axes.grid(axis="x", color=PALE, lw=0.6)
    return figure
