"""How each swim of a lane went: level, noise, agreement at crossings, gaps, worst named."""

from __future__ import annotations

from typing import Any

import pandas as pd
from matplotlib.figure import Figure

from detect.present.lettering import write
from detect.present.style import BLUE, GREY, PALE, TINY_PT, VERMILLION, new_figure, styled
from detect.present.ticks import name_ticks, tick_axes

_ROW_IN = 0.155
#: rows left free between the swims and what they come to
_GAP = 0.8


@styled
def draw_quality(
    table: pd.DataFrame,
    whom: pd.DataFrame | None = None,
    *,
    unit: str = "",
    title: str = "Each swim of a lane, in the order swum; below, each dive and each diver",
) -> Figure:
    """Draw a row a swim: level taken out, noise, misclosure before and after, largest gap.

    Parameters
    ----------
    table : DataFrame
        From :func:`detect.readings.quality.track_quality`.
    whom : DataFrame, optional
        From :func:`detect.readings.quality.by_whom`: rows for dives and divers under those of the
        swims.
    unit : str
        Of the signal.
    title : str

    Returns
    -------
    Figure
    """
    swims = len(table)
    repeats = table["lane"].duplicated(keep=False)
    names = [
        f"{lane} pass {number}" if again else str(lane)
        for lane, number, again in zip(table["lane"], table["pass"], repeats, strict=True)
    ]
    words = [
        " ".join(str(w) for w in (dive, diver) if str(w) not in ("", "nan"))
        for dive, diver in zip(table["dive"], table["diver"], strict=True)
    ]
    rows = [float(row) for row in range(swims)]
    if whom is not None and len(whom):
        names += [f"{of} {name}" for of, name in zip(whom["of"], whom["name"], strict=True)]
        words += [f"{n} swims" if n > 1 else "1 swim" for n in whom["tracks"]]
        rows += [swims + _GAP + row for row in range(len(whom))]
        table = pd.concat([table, whom.assign(worst="")], ignore_index=True)
    count = int(rows[-1] + 1.5) if rows else 0
    height = 1.35 + _ROW_IN * max(count, 4)
    figure = new_figure(10.4, height)
    figure.text(0.012, 1 - 0.08 / height, title, fontsize=12, weight="bold", va="top")
    of = f" ({unit})" if unit else ""
    bottom, tall = 0.62 / height, 1 - 1.18 / height
    axes = [
        figure.add_axes((left, bottom, width, tall))
        for left, width in ((0.075, 0.17), (0.265, 0.14), (0.425, 0.2), (0.645, 0.11))
    ]
    for axis, label in zip(
        axes,
        (f"level taken out{of}", f"noise{of}", f"misclosure{of}", "largest gap (m)"),
        strict=True,
    ):
        axis.set_title(label, fontsize=TINY_PT + 1)
        axis.set_ylim(count - 0.4, -0.6)
        axis.hlines(rows, 0, 1, transform=axis.get_yaxis_transform(), color=PALE, lw=0.5, zorder=0)
        name_ticks(axis, "y", rows, names)
        if axis is axes[0]:
            tick_axes(axis, "y", marks="", size_pt=TINY_PT)
        else:
            axis.yaxis.set_visible(False)
        tick_axes(axis, "x")
    axes[0].barh(rows, table["level"], height=0.62, color=GREY)
    axes[0].axvline(0.0, color="black", lw=0.8)
    axes[1].plot(table["noise_sd"], rows, "o", ms=4, color=BLUE)
    before, after = table["misclosure_before"], table["misclosure_after"]
    axes[2].plot(before, rows, "o", ms=4.5, mfc="white", mec=VERMILLION, label="before")
    axes[2].plot(after, rows, "o", ms=4, color=BLUE, label="after conditioning")
    axes[3].plot(table["largest_gap_m"], rows, "s", ms=3.5, color=BLUE)
    for axis in axes[1:]:
        axis.set_xlim(0, 1.06 * max(axis.get_xlim()[1], 1e-9))
    axes[2].legend(
        loc="upper center", bbox_to_anchor=(0.5, -0.3 / (height * tall)), ncols=2, fontsize=TINY_PT
    )
    place = axes[3].get_yaxis_transform()
    if count > swims:
        for axis in axes:
            axis.axhline(swims - 0.5 + _GAP / 2.0, color=GREY, lw=0.8)
    for row, who, worst, lost in zip(rows, words, table["worst"], table["left_out"], strict=True):
        said = [w for w in (who, f"{lost} left out" if lost else "") if w]
        style: dict[str, Any] = {"transform": place, "size_pt": TINY_PT, "va": "center"}
        write(axes[3], 1.04, row, ", ".join(said), **style)
        if worst:
            write(axes[3], 1.98, row, worst, weight="bold", **style)
    return figure
