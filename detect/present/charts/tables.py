"""A table of figures written into a chart."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from detect.present.lettering import write
from detect.present.numbers import Column, number
from detect.present.style import INK, SMALL_PT, TINY_PT

_ROW_IN, _HEAD_IN, _TITLE_IN = 0.185, 0.33, 0.22
_HEAD_LINE_IN = 0.13


def write_table_into(
    axes: Axes,
    top_in: float,
    table: pd.DataFrame,
    columns: Mapping[str, Column],
    title: str,
    bold: int | None = None,
) -> float:
    """Write a table of numbers into axes measured in inches downwards and shares across.

    Parameters
    ----------
    axes : Axes
        x from 0 to 1, y in inches, growing downwards.
    top_in : float
        Where its title goes.
    table : DataFrame
    columns : mapping of str to Column
        Those shown, in order, and how; a column of words gets twice the room.
    title : str
    bold : int, optional
        Row in heavy type.

    Returns
    -------
    float
        Where it ends, inches.
    """
    room = np.array([2.2 if look.words else 1.0 for look in columns.values()])
    edges = np.concatenate([[0.0], np.cumsum(room / room.sum())])
    write(axes, 0.0, top_in, title, size_pt=SMALL_PT + 1, weight="bold", va="top")
    head, y = top_in + _TITLE_IN, top_in + _TITLE_IN + _HEAD_IN
    for k, look in enumerate(columns.values()):
        x, align = (edges[k], "left") if look.words else (edges[k + 1] - 0.008, "right")
        for line, words in enumerate((look.heading, look.unit)):
            level = head + line * _HEAD_LINE_IN
            write(axes, x, level, words, size_pt=TINY_PT, va="top", ha=align)
    axes.plot([0, 1], [y, y], color=INK, lw=0.8)
    for row, record in enumerate(table.to_dict("records")):
        middle = y + (row + 0.55) * _ROW_IN
        weight = "bold" if row == bold else "normal"
        for k, (name, look) in enumerate(columns.items()):
            x, align = (edges[k], "left") if look.words else (edges[k + 1] - 0.008, "right")
            words = str(record[name]) if look.words else number(record[name], look.decimals)
            write(axes, x, middle, words, size_pt=SMALL_PT, va="center", ha=align, weight=weight)
    return y + len(table) * _ROW_IN
