"""A rehearsal as a picture: what was heard at which distance, and the curve through it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, NullLocator
from numpy.typing import NDArray
from scipy.special import betaincinv

from detect.lanes.trial import TrialFit, axis_distance
from detect.lanes.trial_likelihood import LOG_NOISE, LOG_SNR, alarm_probability, mean_signal
from detect.present.numbers import records
from detect.present.style import (
    BLACK,
    BLUE,
    GREY,
    INK,
    PALE,
    SMALL_PT,
    TINY_PT,
    VERMILLION,
    new_figure,
    styled,
)

FloatArray = NDArray[np.float64]
_LOOKS = ((BLACK, "o"), (BLUE, "s"), (VERMILLION, "^"), ("#009e73", "D"), ("#cc79a7", "v"))


@dataclass(frozen=True)
class TrialCurve:
    """One target's tries and the fitted curve, against distance on the coil's axis.

    Parameters
    ----------
    name : str
    distance_m, heard, signal : ndarray
        One entry a try; a try off the axis stands at the axis distance that sounds as loud.
    along_m, chance, mean_signal : ndarray
        The curve; ``mean_signal`` is NaN without signals.
    air_range_m, low_m, high_m : float
        NaN where there is none.
    """

    name: str
    distance_m: FloatArray
    heard: FloatArray
    signal: FloatArray
    along_m: FloatArray
    chance: FloatArray
    mean_signal: FloatArray
    air_range_m: float
    low_m: float
    high_m: float


def trial_curves(trial: pd.DataFrame, fit: TrialFit, coil_diameter_m: float) -> list[TrialCurve]:
    """Return each target's tries and fitted curve.

    Parameters
    ----------
    trial : DataFrame
        The table of the rehearsal.
    fit : TrialFit
        What `detect.lanes.trial.fit_trial` made of it.
    coil_diameter_m : float

    Returns
    -------
    list of TrialCurve
    """
    first = len(fit.targets)
    snr = float(np.exp(fit.theta[first + LOG_SNR]))
    names = trial["target"].astype(str).str.strip()
    curves = []
    for place, row in enumerate(records(fit.targets)):
        own = trial[(names == row.target).to_numpy()]
        distance = axis_distance(
            own["offset_m"].to_numpy(float), own["distance_to_coil_m"].to_numpy(float),
            coil_diameter_m,
        )  # fmt: skip
        air_range = float(np.exp(fit.theta[place]))
        along = np.linspace(0.0, 1.15 * max(float(distance.max()), air_range), 241)
        a2 = (0.5 * coil_diameter_m) ** 2
        ratio = ((a2 + air_range**2) / (a2 + along**2)) ** 3
        mean = np.full(len(along), np.nan)
        if fit.noise is not None:
            mean = mean_signal(ratio, snr, float(np.exp(fit.theta[first + LOG_NOISE])))
        curves.append(
            TrialCurve(
                str(row.target),
                distance,
                own["detected"].to_numpy(float),
                own["signal"].to_numpy(float),
                along,
                alarm_probability(ratio, snr, fit.lapse),
                mean,
                *(float(v) for v in (row.air_range_m, row.low_m, row.high_m)),
            )
        )
    return curves


@styled
def draw_trial(
    curves: Sequence[TrialCurve],
    facts: Mapping[str, str],
    *,
    unit: str,
    threshold: float | None = None,
    full_scale: float | None = None,
    title: str = "Rehearsal: tries and the coil's curve",
) -> Figure:
    """Draw what was heard, and the signals where there are any, with the fitted curves.

    Parameters
    ----------
    curves : sequence of TrialCurve
    facts : mapping of str to str
        Printed under the charts: what, and its value in words.
    unit : str
        Of the signal.
    threshold, full_scale : float, optional
        In that unit.
    title : str

    Returns
    -------
    Figure
    """
    signals = any(np.isfinite(curve.signal).any() for curve in curves)
    columns = 2 if signals else 1
    rows = -(-len(facts) // columns)
    height = 4.55 + 0.19 * rows
    figure = new_figure(10.0 if signals else 6.4, height)
    figure.text(0.014, 1 - 0.10 / height, title, fontsize=12, weight="bold", va="top")
    low, high = (0.78 + 0.19 * rows) / height, 3.15 / height
    width = 0.40 if signals else 0.86
    left = figure.add_axes((0.068 if signals else 0.10, low, width, high))
    _draw_heard(left, curves)
    if signals:
        right = figure.add_axes((0.565, low, 0.40, high))
        _draw_signals(right, curves, unit, threshold, full_scale)
    for k, (what, value) in enumerate(facts.items()):
        x, row = 0.02 + 0.5 * (k // rows), k % rows
        y = (0.08 + 0.19 * (rows - row - 1) + 0.06) / height
        figure.text(x, y, f"{what}: {value}", fontsize=SMALL_PT)
    return figure


def _draw_heard(axes: Axes, curves: Sequence[TrialCurve]) -> None:
    """Draw the share heard at each distance with its 95 % interval, and the curve."""
    for (colour, marker), curve in zip(_looks(curves), curves, strict=True):
        places, group = np.unique(curve.distance_m.round(3), return_inverse=True)
        count = np.bincount(group)
        heard = np.bincount(group, curve.heard)
        # Clopper and Pearson's exact interval for a share.
        lower = np.where(heard > 0, betaincinv(heard, count - heard + 1, 0.025), 0.0)
        upper = np.where(heard < count, betaincinv(heard + 1, count - heard, 0.975), 1.0)
        share = heard / count
        axes.errorbar(
            places,
            share,
            yerr=np.stack([share - lower, upper - share]).clip(0.0),
            fmt=marker,
            ms=5,
            lw=0.8,
            color=colour,
            mfc="white",
            capsize=2,
            zorder=4,
        )
        axes.plot(curve.along_m, curve.chance, color=colour, lw=2.0, label=curve.name)
        ends = (curve.low_m, curve.high_m)
        if all(np.isfinite(ends)):
            axes.axvspan(*ends, color=colour, alpha=0.12, lw=0)
        if np.isfinite(curve.air_range_m):
            axes.plot([curve.air_range_m] * 2, [0, 0.5], color=colour, lw=1.0, ls=":")
    axes.set(xlabel="distance on the coil's axis (m)", ylabel="share of tries heard")
    axes.set_xlim(0, max(float(curve.along_m.max()) for curve in curves))
    axes.set_ylim(-0.03, 1.06)
    axes.grid(color=PALE, lw=0.6)
    axes.set_title("Heard; band: 95 % interval of the air range", loc="left", fontsize=9)
    axes.legend(loc="upper right", fontsize=TINY_PT)


def _draw_signals(
    axes: Axes,
    curves: Sequence[TrialCurve],
    unit: str,
    threshold: float | None,
    full_scale: float | None,
) -> None:
    """Draw the signals against distance, on an axis that is even near zero and then in decades."""
    for (colour, marker), curve in zip(_looks(curves), curves, strict=True):
        axes.plot(
            curve.distance_m, curve.signal, ls="none", marker=marker, ms=3.5, color=colour,
            mfc="white", mew=0.8, label=curve.name,
        )  # fmt: skip
        axes.plot(curve.along_m, curve.mean_signal, color=colour, lw=1.8)
    if threshold is not None:
        axes.axhline(threshold, color=INK, lw=1.2, ls="--", label="threshold")
        axes.set_yscale("asinh", linear_width=0.3 * threshold)
        # Near zero the scale is even: ticks closer there than the threshold would overprint.
        axes.yaxis.set_major_locator(FixedLocator(_decades(threshold, curves)))
        axes.yaxis.set_major_formatter(lambda value, _: f"{value:g}")
        axes.yaxis.set_minor_locator(NullLocator())
    top = max(float(np.nanmax(np.append(curve.signal, 0.0))) for curve in curves)
    lowest = min(float(np.nanmin(np.append(curve.signal, 0.0))) for curve in curves)
    axes.set_ylim(1.3 * lowest, 2.0 * top)
    if full_scale is not None and full_scale < 2.0 * top:
        axes.axhline(full_scale, color=GREY, lw=1.2, ls=":", label="full scale")
    axes.set_xlim(0, max(float(curve.along_m.max()) for curve in curves))
    axes.set(xlabel="distance on the coil's axis (m)", ylabel=f"signal ({unit})")
    axes.grid(color=PALE, lw=0.6)
    axes.set_title("Signal", loc="left", fontsize=9)
    axes.legend(loc="upper right", fontsize=TINY_PT, frameon=True, framealpha=1.0, edgecolor="none")


def _decades(threshold: float, curves: Sequence[TrialCurve]) -> list[float]:
    """Return zero and the powers of ten from near the threshold on, to both sides as needed."""
    signal = np.concatenate([[0.0], *(curve.signal for curve in curves)])
    low, high = 1.3 * float(np.nanmin(signal)), 2.0 * float(np.nanmax(signal))
    first = int(np.ceil(np.log10(0.3 * threshold)))
    steps = 10.0 ** np.arange(first, max(first, int(np.ceil(np.log10(max(high, 1e-9))))) + 1)
    return [float(v) for v in (*-steps[::-1], 0.0, *steps) if low <= v <= high]


def _looks(curves: Sequence[TrialCurve]) -> list[tuple[str, str]]:
    return [_LOOKS[k % len(_LOOKS)] for k in range(len(curves))]
