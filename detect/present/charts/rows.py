"""What charts with a row a square have in common: names at the left, words at the right."""

from __future__ import annotations

from collections.abc import Sequence

from matplotlib.axes import Axes

from detect.present.style import PALE, SMALL_PT


def write_rows(
    axes: Axes, names: Sequence[str], words: Sequence[str], head: str, *, gap_pt: float
) -> None:
    """Name the rows, the first at the top, and write words beside each outside of the axes.

    Parameters
    ----------
    axes : Axes
        y is the number of the row.
    names : sequence of str
        At the left.
    words : sequence of str
        At the right, as many.
    head : str
        Above the words.
    gap_pt : float
        Between axes and words.
    """
    for row, said in enumerate(words):
        axes.annotate(
            said,
            (1.0, float(row)),
            xycoords=("axes fraction", "data"),
            xytext=(gap_pt, 0),
            textcoords="offset points",
            va="center",
            fontsize=SMALL_PT,
            annotation_clip=False,
        )
    axes.annotate(
        head,
        (1.0, 1.0),
        xycoords="axes fraction",
        xytext=(gap_pt, 4),
        textcoords="offset points",
        va="bottom",
        fontsize=SMALL_PT,
        annotation_clip=False,
    )
    axes.set_yticks(range(len(names)), list(names))
    axes.set_ylim(len(names) - 0.4, -0.6)
    axes.grid(axis="x", color=PALE, lw=0.6)
