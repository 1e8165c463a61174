"""How firm the order of the squares is."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from detect.present.charts.rows import write_rows
from detect.present.numbers import records, with_plain_numbers
from detect.present.style import (
    BLACK,
    BLUE,
    SMALL_PT,
    VERMILLION,
    new_figure,
    styled,
)


@styled
def draw_rank_intervals(
    squares: pd.DataFrame,
    *,
    most: int = 25,
    top_k: int | None = None,
    first: tuple[str, ...] = (),
    title: str = "How firm the order is",
) -> Figure:
    """Draw the best squares with the 5 to 95 % interval of each rank.

    Parameters
    ----------
    squares : DataFrame
        ``square, rank, rank_p05, rank_p95, p_top_k``, ranked ones first.
    most : int
        How many squares to show.
    top_k : int, optional
        The k of ``p_top_k``; marked by a line.
    first : tuple of str
        Squares to open first, in heavy type.
    title : str

    Returns
    -------
    Figure
    """
    squares = with_plain_numbers(squares)
    best = squares.dropna(subset=["rank"]).sort_values("rank").head(most)
    figure = new_figure(7.6, 1.35 + 0.235 * max(len(best), 2))
    height = figure.get_size_inches()[1]
    axes = figure.add_axes((0.115, 0.58 / height, 0.72, (height - 1.28) / height))
    figure.text(0.015, 1 - 0.09 / height, title, fontsize=12, weight="bold", va="top")
    place = np.arange(len(best))
    axes.hlines(place, best["rank_p05"], best["rank_p95"], color=BLUE, lw=5, alpha=0.45)
    axes.plot(best["rank"], place, ls="none", marker="o", ms=6, color=BLACK)
    if top_k:
        axes.axvline(top_k + 0.5, color=VERMILLION, lw=1.2, ls="--")
        axes.annotate(
            f"best {top_k}",
            (top_k + 0.5, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(0, 3),
            textcoords="offset points",
            ha="center",
            va="bottom",
            fontsize=SMALL_PT,
            color=VERMILLION,
        )
    best_words = f"best {top_k}" if top_k else "best"
    write_rows(
        axes,
        [str(name) for name in best["square"]],
        [f"{row.p_top_k:.2f}" for row in records(best)],
        f"probability\namong {best_words}",
        gap_pt=10,
        heavy=[row for row, name in enumerate(best["square"]) if name in first],
    )
    axes.set(xlabel="rank: estimate (dot) and 5 to 95 % interval (bar)", ylabel="square")
    axes.set_xlim(left=0)
    axes.xaxis.set_major_locator(MaxNLocator(integer=True))
    return figure
