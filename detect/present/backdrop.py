"""What lies behind and on every map: outline, keep-outs, lanes, readings, probes, squares."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, PathPatch
from matplotlib.path import Path
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

from detect.present.labels import place_labels, text_box
from detect.present.lettering import write
from detect.present.sheet import Extent, KeyEntry
from detect.present.signs import (
    LANE_DASH,
    anomaly_sample,
    baseline_sample,
    contact_kinds,
    keep_out_sample,
    lane_sample,
    probe_sample,
    probe_style,
    reading_sample,
    square_sample,
)
from detect.present.square_grid import draw_square_grid
from detect.present.style import (
    BLUE,
    INK,
    KEEP_OUT_HATCH,
    SMALL_PT,
    TINY_PT,
    halo,
    lines_as_one,
    rimmed,
)
from detect.survey.frame import Frame
from detect.survey.grid import Grid

if TYPE_CHECKING:
    from detect.survey.folder import Survey
    from detect.survey.outlines import KeepOutArea

LAYERS = (
    "outline",
    "keep_outs",
    "squares",
    "baseline",
    "lanes",
    "readings",
    "probes",
    "anomalies",
)


@dataclass(frozen=True, eq=False)
class Backdrop:
    """Everything but the estimates that a map of the site may show.

    Parameters
    ----------
    frame : Frame
        For the norths and the baseline.
    outline : Polygon
        The site as known, local metres.
    keep_outs : sequence of KeepOutArea
        Areas nobody swims, with ``name`` and ``polygon``.
    lanes, readings, probes, squares, anomalies : DataFrame or None
        With the contract's columns; None where there are none.
    grid : Grid or None
        The grid of nodes; sets the ground shown on the map.
    """

    frame: Frame
    outline: Polygon
    keep_outs: Sequence[KeepOutArea] = ()
    lanes: pd.DataFrame | None = None
    readings: pd.DataFrame | None = None
    probes: pd.DataFrame | None = None
    grid: Grid | None = None
    squares: pd.DataFrame | None = None
    anomalies: pd.DataFrame | None = None

    @classmethod
    def of_survey(
        cls,
        survey: Survey,
        *,
        grid: Grid | None = None,
        squares: pd.DataFrame | None = None,
        anomalies: pd.DataFrame | None = None,
    ) -> Backdrop:
        """Collect the backdrop from a loaded survey and what has been worked out since."""
        return cls(
            frame=survey.frame,
            outline=survey.outline,
            keep_outs=survey.keep_outs,
            lanes=survey.lanes,
            readings=survey.readings,
            probes=survey.probes,
            grid=grid,
            squares=squares,
            anomalies=anomalies,
        )

    @property
    def extent(self) -> Extent:
        """Ground shown: the grid, or the outline and a metre round it; plus lanes and baseline."""
        if self.grid is not None:
            west, east, south, north = self.grid.extent
        else:
            west, south, east, north = self.outline.buffer(1.0).bounds
        e, n = [west, east], [south, north]
        if self.lanes is not None and len(self.lanes):
            e += [*self.lanes["start_e"], *self.lanes["end_e"]]
            n += [*self.lanes["start_n"], *self.lanes["end_n"]]
        if self.frame.baseline is not None and self._is_near(self.frame.baseline):
            e += [point[0] for point in self.frame.baseline]
            n += [point[1] for point in self.frame.baseline]
        pad = 0.02 * max(max(e) - min(e), max(n) - min(n))
        return Extent(min(e) - pad, min(n) - pad, max(e) + pad, max(n) + pad)

    def _is_near(self, line: Sequence[tuple[float, float]]) -> bool:
        """Whether a line is close enough to the site to be worth the room on the map."""
        west, south, east, north = self.outline.bounds
        margin = 0.25 * max(east - west, north - south)
        return all(
            west - margin <= e <= east + margin and south - margin <= n <= north + margin
            for e, n in line
        )


def polygon_path(geometry: BaseGeometry) -> Path:
    """Return a polygon or several, with their holes, as one path."""
    parts = [part for part in getattr(geometry, "geoms", [geometry]) if not part.is_empty]
    # Rings and holes must run opposite ways, or a hole is filled.
    turned = [orient(part) for part in parts]
    rings = [ring for part in turned for ring in (part.exterior, *part.interiors)]
    if not rings:
        return Path(np.empty((0, 2)))
    return Path.make_compound_path(*(Path(np.asarray(ring.coords), closed=True) for ring in rings))


def backdrop_key(backdrop: Backdrop, show: Sequence[str]) -> list[KeyEntry]:
    """Return the lines of the key for the layers that `draw_backdrop` will draw.

    Parameters
    ----------
    backdrop : Backdrop
    show : sequence of str
        Names out of :data:`LAYERS`.

    Returns
    -------
    list of KeyEntry
    """
    key: list[KeyEntry] = []

    def add(layer: str, there: bool, sample: Line2D | Patch, label: str) -> None:
        if layer in show and there:
            key.append(KeyEntry(sample, label))

    add("outline", True, Line2D([], [], color=INK, lw=1.8), "site outline")
    add("keep_outs", len(backdrop.keep_outs) > 0, keep_out_sample(), "keep out")
    add("squares", _any(backdrop.squares), square_sample(), "corner of a square")
    add("baseline", _baseline_shown(backdrop), baseline_sample(), "baseline, 0 at its zero")
    add("lanes", _any(backdrop.lanes), lane_sample(), "lane")
    add("readings", _any(backdrop.readings), reading_sample(), "reading")
    if "probes" in show and backdrop.probes is not None:
        for kind in contact_kinds(backdrop.probes):
            word = "probe, no contact" if kind == "none" else f"probe, {kind}"
            key.append(KeyEntry(probe_sample(kind), word))
    add("anomalies", _any(backdrop.anomalies), anomaly_sample(), "anomaly, numbered")
    return key


def draw_backdrop(axes: Axes, backdrop: Backdrop, show: Sequence[str] = LAYERS) -> None:
    """Draw the layers asked for over a map.

    Parameters
    ----------
    axes : Axes
        Map axes with limits set.
    backdrop : Backdrop
    show : sequence of str
        Names out of :data:`LAYERS`; a layer without data is passed over.
    """
    if "squares" in show and backdrop.squares is not None and len(backdrop.squares):
        draw_square_grid(axes, backdrop.squares)
    if "lanes" in show and backdrop.lanes is not None and len(backdrop.lanes):
        _draw_lanes(axes, backdrop.lanes)
    if "readings" in show and backdrop.readings is not None and len(backdrop.readings):
        axes.scatter(
            backdrop.readings["e"],
            backdrop.readings["n"],
            s=1.6,
            c="black",
            alpha=0.55,
            linewidths=0,
            rasterized=True,
            zorder=4,
        )
    if "outline" in show:
        patch = PathPatch(polygon_path(backdrop.outline), fill=False, ec=INK, lw=1.8, zorder=6)
        patch.set_path_effects(halo(3.2))
        axes.add_artist(patch)
    if "baseline" in show and _baseline_shown(backdrop):
        _draw_baseline(axes, backdrop)
    if "keep_outs" in show:
        draw_keep_outs(axes, backdrop.keep_outs)
    if "probes" in show and backdrop.probes is not None and len(backdrop.probes):
        _draw_probes(axes, backdrop.probes)
    if "anomalies" in show and backdrop.anomalies is not None and len(backdrop.anomalies):
        _draw_anomalies(axes, backdrop.anomalies)


def draw_keep_outs(axes: Axes, keep_outs: Sequence[KeepOutArea]) -> None:
    """Hatch the keep-out areas and write their names in them."""
    for area in keep_outs:
        axes.add_artist(
            PathPatch(
                polygon_path(area.polygon),
                facecolor=(1, 1, 1, 0.75),
                edgecolor=INK,
                hatch=KEEP_OUT_HATCH,
                linewidth=1.2,
                linestyle=(0, (4, 2)),
                zorder=6.5,
            )
        )
        _name_area(axes, area)


def _name_area(axes: Axes, area: KeepOutArea) -> None:
    """Write an area's name in its middle, or under it where it is wider than the area."""
    west, south, east, _ = area.polygon.bounds
    middle = area.polygon.representative_point()
    label = write(
        axes,
        middle.x,
        middle.y,
        area.name,
        ha="center",
        va="center",
        size_pt=TINY_PT,
        weight="bold",
        ground="white",
        pad_pt=1.2,
        ground_alpha=0.9,
        zorder=8,
        clip_on=True,
    )
    (left, _), (right, _) = axes.transData.transform([(west, south), (east, south)])
    if text_box(label).width > right - left:
        label.set_position(((west + east) / 2, south))
        label.offset_pt = (0.0, -7.0)


def _any(frame: pd.DataFrame | None) -> bool:
    return frame is not None and len(frame) > 0


def _baseline_shown(backdrop: Backdrop) -> bool:
    return backdrop.frame.baseline is not None and backdrop._is_near(backdrop.frame.baseline)


def _draw_lanes(axes: Axes, lanes: pd.DataFrame) -> None:
    ends = lanes[["start_e", "start_n", "end_e", "end_n"]].to_numpy(float).reshape(-1, 2, 2)
    axes.add_artist(lines_as_one(ends, color="white", lw=1.1, alpha=0.4, zorder=3))
    axes.add_artist(lines_as_one(ends, color="black", lw=0.6, alpha=0.85, ls=LANE_DASH, zorder=3.1))


def _draw_baseline(axes: Axes, backdrop: Backdrop) -> None:
    """Draw the baseline with a peg at each end and its zero named."""
    assert backdrop.frame.baseline is not None
    (e0, n0), (e1, n1) = backdrop.frame.baseline
    axes.plot(
        [e0, e1],
        [n0, n1],
        color=BLUE,
        lw=2.0,
        ls=(0, (6, 2, 1.5, 2)),
        marker="|",
        ms=9,
        mew=2.0,
        path_effects=halo(3.4),
        zorder=5.5,
    )
    away = max(float(np.hypot(e1 - e0, n1 - n0)), 1e-9)
    write(
        axes,
        e0,
        n0,
        "0",
        offset_pt=(-7 * (e1 - e0) / away, -7 * (n1 - n0) / away),
        ha="center",
        va="center",
        size_pt=SMALL_PT,
        color=BLUE,
        weight="bold",
        rim_pt=2.2,
        zorder=8,
    )


def _draw_probes(axes: Axes, probes: pd.DataFrame) -> None:
    words = probes["contact"].astype(str)
    for kind in contact_kinds(probes):
        of_kind = probes[words == kind]
        axes.plot(of_kind["e"], of_kind["n"], zorder=7, **probe_style(kind))


def _draw_anomalies(axes: Axes, anomalies: pd.DataFrame) -> None:
    """Ring the anomalies, strongest first, and number those that leave room."""
    strongest = anomalies.sort_values("peak", ascending=False)
    ring: dict[str, Any] = {"ls": "none", "marker": "o", "ms": 10, "mfc": "none", "mec": "black"}
    rimmed(axes, strongest["e"], strongest["n"], rim_pt=3.0, zorder=7.5, mew=1.2, **ring)
    points = list(zip(strongest["e"], strongest["n"], strict=True))
    place_labels(
        axes, points, [str(name) for name in strongest["anomaly"]], size_pt=SMALL_PT, gap_pt=5.0
    )
