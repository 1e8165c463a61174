"""What charts with a row a square have in common: names at the left, words at the right."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from matplotlib.axes import Axes

from detect.present.lettering import write
from detect.present.style import SMALL_PT
from detect.present.ticks import name_ticks, tick_axes


def write_rows(
    axes: Axes,
    names: Sequence[str],
    words: Sequence[str],
    head: str,
    *,
    gap_pt: float,
    heavy: Sequence[int] = (),
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
    heavy : sequence of int
        Rows whose names are in heavy type.
    """
    beside: dict[str, Any] = {"size_pt": SMALL_PT, "transform": axes.get_yaxis_transform()}
    for row, said in enumerate(words):
        write(axes, 1.0, float(row), said, offset_pt=(gap_pt, 0), va="center", **beside)
    place = axes.transAxes
    for line, said in enumerate(reversed(head.split("\n"))):
        up = 4 + 1.2 * SMALL_PT * line
        write(
            axes,
            1.0,
            1.0,
            said,
            offset_pt=(gap_pt, up),
            size_pt=SMALL_PT,
            va="bottom",
            transform=place,
        )
    name_ticks(axes, "y", range(len(names)), names)
    axes.set_ylim(len(names) - 0.4, -0.6)
    tick_axes(axes, grid="x", heavy=heavy)
