"""What one pass of the coil sees, and what that makes of the lane spacing."""

from __future__ import annotations

from typing import Protocol

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import ArrayLike

from detect.present.style import (
    BLACK,
    BLUE,
    PALE,
    SMALL_PT,
    VERMILLION,
    halo,
    new_figure,
    styled,
)


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
    axes: Axes, table: pd.DataFrame, *, spacing_m: float, required_pod: float
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
    """
    axes.plot(table["spacing_m"], table["worst_pod"], color=BLACK, lw=2.0, label="worst point")
    axes.plot(table["spacing_m"], table["mean_pod"], color=BLUE, lw=1.6, ls="--", label="mean")
    axes.axhline(
        required_pod, color=VERMILLION, lw=1.1, ls=":", label=f"required, {required_pod:g}"
    )
    axes.axvline(spacing_m, color=VERMILLION, lw=1.6)
    widest = float(table["spacing_m"].max())
    right = spacing_m < 0.7 * widest
    axes.annotate(
        f"lanes {spacing_m:.2f} m apart",
        (spacing_m, 1.055),
        xytext=(5 if right else -5, 0),
        textcoords="offset points",
        ha="left" if right else "right",
        va="center",
        fontsize=SMALL_PT,
        weight="bold",
        color=VERMILLION,
        path_effects=halo(2.0),
    )
    axes.set(
        xlim=(0, widest),
        ylim=(0, 1.12),
        xlabel="lane spacing (m)",
        ylabel="probability of detection",
    )
    axes.set_yticks(np.arange(0, 1.01, 0.2))
    axes.set_title("Detection against lane spacing", loc="left", fontsize=9)
    axes.grid(color=PALE, lw=0.6)
    axes.legend(loc="lower left")


@styled
def draw_search_curves(
    offsets_m: ArrayLike,
    pod: ArrayLike,
    table: pd.DataFrame,
    spacing: SpacingLike,
    *,
    required_pod: float,
    burial_depth_m: float | None = None,
    title: str = "What one lane sees, and how far apart lanes may lie",
) -> Figure:
    """Draw the lateral range curve of one pass beside detection against lane spacing.

    Parameters
    ----------
    offsets_m, pod : array_like
        Distance across from the lane (m) and the probability of detection of one pass.
    table : DataFrame
        ``spacing_m, worst_pod, mean_pod``.
    spacing : Spacing
        The spacing chosen.
    required_pod : float
    burial_depth_m : float, optional
        Depth searched to, for the title of the curve.
    title : str

    Returns
    -------
    Figure
    """
    figure = new_figure(9.2, 4.2)
    figure.text(0.015, 0.975, title, fontsize=12, weight="bold", va="top")
    left = figure.add_axes((0.08, 0.135, 0.38, 0.70))
    right = figure.add_axes((0.56, 0.135, 0.41, 0.70))
    left.plot(np.asarray(offsets_m, float), np.asarray(pod, float), color=BLACK, lw=2.0)
    left.fill_between(np.asarray(offsets_m, float), np.asarray(pod, float), color=PALE)
    left.set(
        ylim=(0, 1.12),
        xlabel="distance across from the lane (m)",
        ylabel="probability of detection",
    )
    left.margins(x=0)
    depth = "" if burial_depth_m is None else f", target {burial_depth_m:g} m down"
    left.set_title(f"One pass{depth}", loc="left", fontsize=9)
    left.set_yticks(np.arange(0, 1.01, 0.2))
    if spacing.footprint_m > 0:
        for side in (-spacing.footprint_m, spacing.footprint_m):
            left.axvline(side, color=BLUE, lw=1.2, ls="--")
    left.text(
        0.5,
        0.985,
        f"footprint ±{spacing.footprint_m:.2f} m, sweep width {spacing.sweep_width_m:.2f} m",
        transform=left.transAxes,
        ha="center",
        va="top",
        fontsize=SMALL_PT,
        color=BLUE,
        path_effects=halo(2.0),
    )
    left.grid(color=PALE, lw=0.6)
    draw_spacing_chart(right, table, spacing_m=spacing.spacing_m, required_pod=required_pod)
    return figure
