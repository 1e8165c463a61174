"""A section through the bed: probe columns under the seabed, and the horizon with its band."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from scipy.optimize import isotonic_regression

from detect.present.lettering import write
from detect.present.numbers import records
from detect.present.style import BLACK, BLUE, GREY, SMALL_PT, TINY_PT, new_figure, styled
from detect.present.ticks import tick_axes
from detect.probes import Section

#: colour-blind-safe colours and marks of what the probe met (Okabe & Ito 2008); others are grey
KINDS = {
    "metal": ("#d55e00", "s"),
    "wood": ("#e69f00", "o"),
    "stone": ("#56b4e9", "^"),
    "shell": ("#cc79a7", "D"),
    "clay": ("#009e73", "v"),
}
OTHER = (GREY, "P")
#: from the bed up to the probes' names, and what a letter of them takes, points
LEADER_PT, LETTER_PT = 16.0, 0.68 * TINY_PT


@styled
def draw_section(section: Section, *, title: str = "Section", required: str = "") -> Figure:
    """Draw a section, heights exaggerated as the picture says.

    Parameters
    ----------
    section : Section
    title : str
    required : str
        A caution printed under the title.

    Returns
    -------
    Figure
    """
    line = section.line
    length = float(line["distance_m"].iloc[-1])
    figure = new_figure(10.0, 4.9)
    axes = figure.add_axes((0.075, 0.235, 0.905, 0.60))
    figure.text(0.012, 0.978, title, fontsize=12, weight="bold", va="top")
    (e0, n0), (e1, n1) = section.start, section.end
    words = (
        f"from e {e0:g}, n {n0:g} to e {e1:g}, n {n1:g} (m); probes within "
        f"{section.within_m:g} m of the line; levels are metres below {section.datum}"
    )
    figure.text(0.012, 0.920, words, fontsize=SMALL_PT, va="top")
    if required:
        figure.text(0.012, 0.878, required, fontsize=SMALL_PT, va="top", color=KINDS["metal"][0])
    lowest = [float(line["seabed_m"].max()) + 0.3]
    if np.isfinite(line["horizon_m"]).any():
        axes.fill_between(
            line["distance_m"],
            line["horizon_p05_m"],
            line["horizon_p95_m"],
            color=BLUE,
            alpha=0.18,
            lw=0,
        )
        axes.plot(line["distance_m"], line["horizon_m"], color=BLUE, lw=1.8)
        lowest.append(float(line["horizon_p95_m"].max()) + 0.1)
    axes.plot(line["distance_m"], line["seabed_m"], color=BLACK, lw=1.6)
    highest = float(line["seabed_m"].min())
    lowest.append(float(section.probes["bottom_m"].max()) + 0.25 if len(section.probes) else 0.0)
    axes.set_xlim(-0.01 * length, 1.01 * length)
    height_pt = axes.get_window_extent().height * 72.0 / figure.dpi
    longest = max((len(str(name)) for name in section.probes["probe"]), default=0)
    above = min((LEADER_PT + LETTER_PT * longest + 4.0) / height_pt, 0.6)
    bottom = max(lowest)
    axes.set_ylim(bottom, highest - (bottom - highest) * above / (1.0 - above))
    _draw_probes(axes, section)
    _name_probes(axes, section, highest)
    axes.set(xlabel="distance along the line (m)", ylabel="depth (m)")
    tick_axes(axes)
    box = axes.get_window_extent()
    across = box.width / (axes.get_xlim()[1] - axes.get_xlim()[0])
    down = box.height / abs(axes.get_ylim()[1] - axes.get_ylim()[0])
    axes.annotate(
        f"heights drawn {down / across:.1f} times as large as lengths",
        (1.0, 1.0),
        xycoords="axes fraction",
        xytext=(0, 3),
        textcoords="offset points",
        ha="right",
        va="bottom",
        fontsize=TINY_PT,
    )
    axes.spines[["top", "right"]].set_visible(False)
    figure.legend(
        handles=_key(section),
        loc="lower left",
        bbox_to_anchor=(0.06, 0.0),
        ncols=5,
        fontsize=SMALL_PT,
        handlelength=1.6,
        columnspacing=1.6,
    )
    return figure


def _draw_probes(axes: Axes, section: Section) -> None:
    """Draw each push as a column, its end as what it met, or an open arrow where it ran out."""
    for probe in records(section.probes):
        axes.plot([probe.distance_m] * 2, [probe.top_m, probe.bottom_m], color=GREY, lw=1.3)
        if probe.ran_out:
            axes.annotate(
                "",
                (probe.distance_m, probe.bottom_m + 0.10),
                (probe.distance_m, probe.bottom_m - 0.02),
                arrowprops={"arrowstyle": "-|>", "fc": "white", "ec": BLACK, "lw": 1.0},
            )
        else:
            colour, mark = KINDS.get(str(probe.contact), OTHER)
            axes.plot(
                probe.distance_m,
                probe.bottom_m,
                marker=mark,
                ms=7,
                mfc=colour,
                mec="black",
                mew=0.6,
                ls="none",
                zorder=4,
            )


def _name_probes(axes: Axes, section: Section, highest: float) -> None:
    """Write the probes' names in a row above the bed, moved apart, a leader down to each.

    The places nearest to their probes that keep names a line apart: least squares in order, which
    is isotonic regression of what is left of each place after the lines before it.
    """
    probes = section.probes
    if probes.empty:
        return
    box = axes.get_window_extent()
    points_m = (axes.get_xlim()[1] - axes.get_xlim()[0]) * axes.figure.dpi / (72.0 * box.width)
    points_up = (axes.get_ylim()[0] - axes.get_ylim()[1]) * axes.figure.dpi / (72.0 * box.height)
    at = probes["distance_m"].to_numpy(float)
    lines = np.arange(len(at)) * 1.15 * TINY_PT * points_m
    west, east = axes.get_xlim()
    free = isotonic_regression(at - lines).x
    places = np.clip(free, west, max(east - lines[-1], west)) + lines
    row = highest - LEADER_PT * points_up
    for probe, place in zip(records(probes), places, strict=True):
        axes.plot(
            [probe.distance_m, place, place],
            [probe.top_m, row + 0.25 * LEADER_PT * points_up, row],
            color=GREY,
            lw=0.5,
            zorder=1,
        )
        write(
            axes,
            place,
            row,
            str(probe.probe),
            offset_pt=(0, 1),
            ha="center",
            va="bottom",
            size_pt=TINY_PT,
            turn_deg=90,
        )


def _key(section: Section) -> list[Line2D | Patch]:
    key: list[Line2D | Patch] = [Line2D([], [], color=BLACK, lw=1.6, label="seabed")]
    if np.isfinite(section.line["horizon_m"]).any():
        key.append(Line2D([], [], color=BLUE, lw=1.8, label="estimated horizon of contact"))
        key.append(Patch(color=BLUE, alpha=0.18, lw=0, label="holds it with 90 %"))
    met = section.probes[~section.probes["ran_out"].astype(bool)]
    for kind in dict.fromkeys(met["contact"].astype(str)):
        colour, mark = KINDS.get(kind, OTHER)
        key.append(
            Line2D([], [], ls="none", marker=mark, ms=7, mfc=colour, mec="black", label=kind)
        )
    if section.probes["ran_out"].any():
        sample = Line2D([], [], ls="none", marker="v", ms=7, mfc="white", mec="black")
        sample.set_label("ran out: deeper than this")
        key.append(sample)
    return key
