"""The readings of every lane before and after conditioning, as stacked traces."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from numpy.typing import ArrayLike, NDArray

from detect.present.sheet import nice_length
from detect.present.style import (
    BLACK,
    BLUE,
    INK,
    PALE,
    SMALL_PT,
    TINY_PT,
    VERMILLION,
    new_figure,
    styled,
)
from detect.present.ticks import name_ticks, tick_axes

# Height of one trace's strip, and how many strips one figure holds before they are thinned.
_STRIP_IN, _MOST_STRIPS = 0.30, 60

_CROSS: dict[str, Any] = {
    "ls": "none",
    "marker": "x",
    "ms": 5,
    "mew": 1.4,
    "color": VERMILLION,
    "zorder": 4,
}


@dataclass(frozen=True)
class TraceScale:
    """Height of a trace over its strip's line: linear near zero, then growing ever more slowly.

    height = tallest * asinh(signal / knee) / asinh(strongest / knee), in strips. A lane's level
    and its drift stay visible beside an anomaly a hundred times stronger, and no peak is cut off.

    Parameters
    ----------
    knee, strongest : float
        Signal where the curve starts to bend, and the strongest one shown.
    tallest : float
        Height of the strongest signal, in strips.
    """

    knee: float
    strongest: float
    tallest: float = 1.6

    def __call__(self, signal: ArrayLike) -> NDArray[np.float64]:
        """Return the height in strips."""
        bend = np.arcsinh(np.asarray(signal, dtype=float) / self.knee)
        return np.asarray(self.tallest * bend / np.arcsinh(self.strongest / self.knee))


@styled
def draw_conditioning(
    readings: pd.DataFrame, *, unit: str, title: str = "Readings before and after conditioning"
) -> Figure:
    """Draw each track's raw and conditioned readings against the distance along its lane.

    Raw traces are measured from the median of all raw readings, so that a lane that sits high or
    drifts is seen to; conditioned ones from zero, where the empty bed should lie. Readings that
    were left out are crosses.

    Parameters
    ----------
    readings : DataFrame
        ``lane, pass, direction, track, distance_m, raw, signal, used``.
    unit : str
        Unit of the signal.
    title : str

    Returns
    -------
    Figure
    """
    tracks = [table for _, table in readings.sort_values(["track", "distance_m"]).groupby("track")]
    shown = _thinned(tracks)
    words = "" if len(shown) == len(tracks) else f" ({len(shown)} of {len(tracks)} tracks)"
    height = 1.30 + _STRIP_IN * max(len(shown) + 1.5, 5)
    figure = new_figure(9.6, height)
    bottom, tall = 0.55 / height, (height - 1.22) / height
    names = [_name(track) for track in shown]
    # 4.4 pt is a generous mean width of a letter of this size.
    edge = (0.42 + max(map(len, names), default=0) * 4.4 / 72.0) / 9.6
    wide = (0.93 - edge - 0.025) / 2
    left = figure.add_axes((edge, bottom, wide, tall))
    right = figure.add_axes((edge + wide + 0.025, bottom, wide, tall), sharex=left, sharey=left)
    figure.text(0.015, 1 - 0.09 / height, title + words, fontsize=12, weight="bold", va="top")

    scale, middle = _scale(readings)
    for axes in (left, right):
        axes.hlines(
            range(len(shown)),
            0,
            1,
            color=PALE,
            lw=0.6,
            zorder=1,
            transform=axes.get_yaxis_transform(),
        )
    for i, track in enumerate(shown):
        _draw_trace(left, track, track["raw"] - middle, i, scale, BLACK)
        out = track[~track["used"].astype(bool)]
        # Strips go down the page, so the axis is upside down and a strong reading is subtracted.
        if len(out):
            heights = i - scale(out["raw"] - middle)
            left.add_artist(Line2D(out["distance_m"], heights, **_CROSS))
        _draw_trace(right, track, track["signal"].where(track["used"].astype(bool)), i, scale, BLUE)
    left.set_ylim(max(len(shown), 1) - 0.1, -scale.tallest - 0.2)
    along = readings["distance_m"].to_numpy(float)
    low, high = float(along.min()), float(along.max())
    pad = 0.01 * max(high - low, 1e-9)
    left.set(xlim=(low - pad, high + pad), ylabel="lane and direction swum")
    name_ticks(left, "y", range(len(shown)), names)
    dropped = int((~readings["used"].astype(bool)).sum())
    left.set_title(f"Before (crosses: {dropped} left out)", loc="left")
    right.set_title("After", loc="left")
    for axes in (left, right):
        axes.set_xlabel("distance along the lane from its start peg (m)")
    tick_axes(left, "x", grid="x")
    tick_axes(left, "y", marks="", size_pt=TINY_PT)
    tick_axes(right, grid="x", numbers="x", marks="x")
    _draw_ruler(figure, right, scale, unit)
    return figure


def _scale(readings: pd.DataFrame) -> tuple[TraceScale, float]:
    """Return the scale of the traces and the signal that raw ones are measured from."""
    raw = readings["raw"].to_numpy(float)
    middle = float(np.nanmedian(raw)) if np.isfinite(raw).any() else 0.0
    away = np.abs(raw - middle)
    away = away[np.isfinite(away)]
    strongest = float(away.max()) if len(away) and away.max() > 0 else 1.0
    # The bend sits at twice the typical distance from the median: bed, level and drift are linear.
    knee = max(2.0 * float(np.median(away)) if len(away) else 0.0, strongest / 1000)
    return TraceScale(knee, strongest), middle


def _thinned(tracks: list[pd.DataFrame]) -> list[pd.DataFrame]:
    """Return every track, or an even choice of them where one figure cannot hold them all."""
    if len(tracks) <= _MOST_STRIPS:
        return tracks
    chosen = np.unique(np.linspace(0, len(tracks) - 1, _MOST_STRIPS).round().astype(int))
    return [tracks[i] for i in chosen]


def _name(track: pd.DataFrame) -> str:
    """Return the track's lane, its pass after the first, and the way it was swum."""
    first = track.iloc[0]
    number = "" if str(first["pass"]) == "1" else f" pass {first['pass']}"
    return f"{first['lane']}{number} {first['direction']}"


def _draw_trace(
    axes: Axes, track: pd.DataFrame, values: pd.Series, strip: int, scale: TraceScale, colour: str
) -> None:
    line = Line2D(track["distance_m"], strip - scale(values), color=colour, lw=0.8, zorder=3)
    axes.add_artist(line)


def _draw_ruler(figure: Figure, axes: Axes, scale: TraceScale, unit: str) -> None:
    """Draw a ruler beside the traces: zero, a round strong signal, and one near the bend."""
    low, high = axes.get_ylim()
    per_strip = axes.get_position().height / abs(high - low)
    x = axes.get_position().x1 + 0.012
    foot = axes.get_position().y0 + 0.4 * per_strip
    strong, weak = nice_length(scale.strongest), nice_length(scale.knee)
    # The weaker mark is left out where its figure would touch one of its neighbours.
    room = min(float(scale(weak)), float(scale(strong) - scale(weak)))
    marks = [0.0, *([weak] if room > 0.42 else []), strong]
    heights = [foot + float(scale(mark)) * per_strip for mark in marks]
    line = Line2D([x, x], [heights[0], heights[-1]], color=INK, lw=1.4)
    figure.add_artist(line)
    for mark, y in zip(marks, heights, strict=True):
        figure.add_artist(Line2D([x, x + 0.005], [y, y], color=INK, lw=1.4))
        figure.text(x + 0.008, y, f"{mark:g}", va="center", fontsize=TINY_PT)
    figure.text(x, heights[-1] + 0.35 * per_strip, unit, va="bottom", fontsize=SMALL_PT)
