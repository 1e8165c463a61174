"""Leave-one-out cross-validation: estimates against readings, errors against their law."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import ArrayLike, NDArray

from detect.present.style import (
    BLUE,
    GREY,
    PALE,
    SMALL_PT,
    VERMILLION,
    halo,
    new_figure,
    styled,
)
from detect.present.ticks import tick_axes


@styled
def draw_cross_validation(
    values: ArrayLike,
    estimate: ArrayLike,
    variance: ArrayLike,
    *,
    unit: str = "",
    quantity: str = "",
    title: str = "Leave-one-out cross-validation",
) -> Figure:
    """Draw each value against its estimate from all the others, and the standardised errors.

    A standardised error is (observed - estimated) / standard deviation; where model and data
    agree its mean is 0 and its mean square 1, and the bars follow the curve of the standard
    normal distribution.

    Parameters
    ----------
    values, estimate, variance : array_like, shape (N,)
        Observed values, leave-one-out estimates and their variances.
    unit : str
        Unit of the values; empty where they have none.
    quantity : str
        What the values are, such as ``signal``.
    title : str

    Returns
    -------
    Figure
    """
    observed, predicted, spread = (np.asarray(a, dtype=float) for a in (values, estimate, variance))
    known = np.isfinite(observed) & np.isfinite(predicted) & (spread > 0)
    observed, predicted = observed[known], predicted[known]
    error = observed - predicted
    standard = error / np.sqrt(spread[known])

    figure = new_figure(9.2, 4.5)
    figure.text(0.015, 0.975, title, fontsize=12, weight="bold", va="top")
    left = figure.add_axes((0.085, 0.125, 0.36, 0.735))
    right = figure.add_axes((0.57, 0.125, 0.40, 0.735))
    _draw_agreement(left, observed, predicted)
    named = f" {quantity}" if quantity else ""
    bracketed = f" ({unit})" if unit else ""
    left.set_xlabel(f"{quantity or 'value'} estimated from the others{bracketed}")
    left.set_ylabel(f"observed{named}{bracketed}")
    inside = float(np.mean(np.abs(standard) <= 1.6448536269514722)) if len(standard) else np.nan
    _draw_standardised(right, standard, inside)
    tick_axes(left)
    tick_axes(right)
    if len(error):
        rms = float(np.sqrt(np.mean(error**2)))
        left.text(
            0.03,
            0.97,
            f"n = {len(error)}\n"
            + f"mean error {error.mean():.2g} {unit}".rstrip()
            + f"\nRMS error {rms:.3g} {unit}".rstrip(),
            transform=left.transAxes,
            va="top",
            fontsize=SMALL_PT,
            bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 2.0},
        )
    return figure


def _draw_agreement(
    axes: Axes, observed: NDArray[np.float64], predicted: NDArray[np.float64]
) -> None:
    both = np.concatenate([observed, predicted]) if len(observed) else np.array([0.0, 1.0])
    low, high = float(both.min()), float(both.max())
    pad = 0.04 * (high - low or 1.0)
    axes.plot([low, high], [low, high], color=VERMILLION, lw=1.4, zorder=3)
    axes.scatter(
        predicted, observed, s=9, color=BLUE, alpha=0.45, linewidths=0, rasterized=True, zorder=2
    )
    axes.set(
        xlim=(low - pad, high + pad),
        ylim=(low - pad, high + pad),
    )
    axes.set_title("Observed against estimated", loc="left", fontsize=9)
    axes.annotate(
        "equal",
        (high, high),
        xytext=(2, -36),
        textcoords="offset points",
        ha="right",
        fontsize=SMALL_PT,
        color=VERMILLION,
        path_effects=halo(2.0),
    )


def _draw_standardised(axes: Axes, standard: NDArray[np.float64], inside: float) -> None:
    edge = 4.0
    bins = np.linspace(-edge, edge, 33).tolist()
    axes.hist(
        np.clip(standard, -edge, edge), bins=bins, density=True, color=PALE, edgecolor=GREY, lw=0.6
    )
    z = np.linspace(-edge, edge, 200)
    axes.plot(z, np.exp(-(z**2) / 2) / np.sqrt(2 * np.pi), color=VERMILLION, lw=1.8)
    axes.set(
        xlim=(-edge, edge),
        xlabel="standardised error (no unit)",
        ylabel="share of readings per unit",
    )
    axes.set_title("Standardised errors and the normal curve", loc="left", fontsize=9)
    if not len(standard):
        return
    beyond = int(np.sum(np.abs(standard) > edge))
    words = (
        f"mean square {np.mean(standard**2):.2f} (1 wanted)\n"
        f"in the 90 % interval {100 * inside:.0f} %"
    )
    if beyond:
        words += f"\nbeyond ±{edge:g}: {beyond}, in the end bars"
    axes.set_ylim(0, 1.32 * axes.get_ylim()[1])
    axes.text(0.98, 0.97, words, transform=axes.transAxes, ha="right", va="top", fontsize=SMALL_PT)
