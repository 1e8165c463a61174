"""The excavation grid on a map: corners, letters of the columns, numbers of the rows."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from detect.present.lettering import write
from detect.present.signs import CORNER
from detect.present.style import GREY, TINY_PT, rimmed


def draw_square_grid(axes: Axes, squares: pd.DataFrame) -> None:
    """Mark the squares' corners; letters of the columns on top, numbers of the rows at the right.

    Crosses at the corners carry the grid without ruling the map over.
    """
    west, south, size = (squares[name].to_numpy(float) for name in ("e_min", "n_min", "size_m"))
    corners = np.unique(
        np.round([(west + i * size, south + j * size) for i in (0, 1) for j in (0, 1)], 6)
        .transpose(0, 2, 1)
        .reshape(-1, 2),
        axis=0,
    )
    rimmed(axes, corners[:, 0], corners[:, 1], rim_pt=1.8, zorder=2.0, **CORNER)
    label_grid(axes, squares)


def label_grid(axes: Axes, squares: pd.DataFrame) -> None:
    """Write the column letters along the top edge and the row numbers along the right edge.

    Every second, third, ... is left out where they would run into each other.
    """
    parts = squares["square"].astype(str).str.extract(r"^([A-Z]+)([0-9]+)$")
    size = float(squares["size_m"].iloc[0])
    columns = pd.Series(squares["e_min"].to_numpy(float) + size / 2, index=parts[0])
    rows = pd.Series(squares["n_min"].to_numpy(float) + size / 2, index=parts[1])
    west, east = axes.get_xlim()
    width_pt = axes.get_window_extent().width * 72.0 / axes.figure.dpi
    step = max(1, int(np.ceil(13.0 * (east - west) / (width_pt * size))))
    across = columns[~columns.index.duplicated()].sort_values()
    up = rows[~rows.index.duplicated()].sort_values()
    style: dict[str, Any] = {
        "size_pt": TINY_PT,
        "color": GREY,
        "weight": "bold",
        "searched": False,
    }
    top = {"transform": axes.get_xaxis_transform(), "ha": "center", "va": "bottom"}
    side = {"transform": axes.get_yaxis_transform(), "ha": "left", "va": "center"}
    for letter, e in list(across.items())[::step]:
        write(axes, float(e), 1.0, str(letter), offset_pt=(0, 3), **top, **style)
    for number, n in list(up.items())[::step]:
        write(axes, 1.0, float(n), str(number), offset_pt=(4, 0), **side, **style)
