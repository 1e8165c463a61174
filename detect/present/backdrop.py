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
from numpy.typing import NDArray
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

from detect.present.labels import place_labels, text_size_pt
from detect.present.lettering import write
from detect.present.sheet import Extent, KeyEntry
from detect.present.signs import (
    KEEP_OUT,
    LANE_DASH,
    REMAINS,
    anomaly_sample,
    baseline_sample,
    contact_kinds,
    keep_out_sample,
    lane_sample,
    probe_sample,
    probe_style,
    reading_sample,
    remains_sample,
    square_sample,
)
from detect.present.square_grid import draw_square_grid
from detect.present.style import (
    BLUE,
    INK,
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
    "remains",
    "keep_outs",
    "squares",
    "baseline",
    "lanes",
    "readings",
    "probes",
    "anomalies",
)

# Across the ring round an anomaly, points; where there are many, rings and names are smaller.
_RING_PT, _MANY_RING_PT, _MANY = 10.0, 8.0, 20


def _ring_pt(anomalies: pd.DataFrame) -> float:
    return _MANY_RING_PT if len(anomalies) > _MANY else _RING_PT


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
    remains : sequence of KeepOutArea
        What stands out of the bed and is swum over.
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
    remains: Sequence[KeepOutArea] = ()

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
            remains=survey.visible_remains,
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
    add("remains", len(backdrop.remains) > 0, remains_sample(), "visible remains")
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


def draw_backdrop(
    axes: Axes, backdrop: Backdrop, show: Sequence[str] = LAYERS, *, name_areas: bool = True
) -> None:
    """Draw the layers asked for over a map.

    Parameters
    ----------
    axes : Axes
        Map axes with limits set.
    backdrop : Backdrop
    show : sequence of str
        Names out of :data:`LAYERS`; a layer without data is passed over.
    name_areas : bool
        Whether the names of keep-outs and visible remains are written.
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
    if "remains" in show:
        draw_areas(axes, backdrop.remains, REMAINS, zorder=6.4)
    if "keep_outs" in show:
        draw_areas(axes, backdrop.keep_outs, KEEP_OUT, zorder=6.5)
    if "probes" in show and backdrop.probes is not None and len(backdrop.probes):
        _draw_probes(axes, backdrop.probes)
    if "anomalies" in show and backdrop.anomalies is not None and len(backdrop.anomalies):
        _ring_anomalies(axes, backdrop.anomalies)
    # Names last: they keep off the signs that stand already.
    signs = _sign_boxes(axes, backdrop, show)
    for layer, areas in (("keep_outs", backdrop.keep_outs), ("remains", backdrop.remains)):
        for area in areas if layer in show and name_areas else ():
            _name_area(axes, area, signs)
    if "anomalies" in show and backdrop.anomalies is not None and len(backdrop.anomalies):
        _name_anomalies(axes, backdrop.anomalies, signs)


def _sign_boxes(axes: Axes, backdrop: Backdrop, show: Sequence[str]) -> NDArray[np.float64]:
    """Return the pixel boxes of probes, anomalies and areas, shape (M, 4)."""
    figure: Any = axes.figure
    boxes = [np.empty((0, 4))]
    for layer, table, size_pt in (
        ("probes", backdrop.probes, lambda _: 7.0),
        ("anomalies", backdrop.anomalies, _ring_pt),
    ):
        if layer in show and table is not None and len(table):
            middles = axes.transData.transform(table[["e", "n"]].to_numpy(float))
            half = size_pt(table) / 2 * figure.dpi / 72.0
            boxes.append(np.hstack([middles - half, middles + half]))
    for layer, areas in (("keep_outs", backdrop.keep_outs), ("remains", backdrop.remains)):
        if layer in show and areas:
            corners = np.reshape([area.polygon.bounds for area in areas], (-1, 2))
            boxes.append(axes.transData.transform(corners).reshape(-1, 4))
    return np.vstack(boxes)


def draw_areas(
    axes: Axes, areas: Sequence[KeepOutArea], style: dict[str, Any], *, zorder: float
) -> None:
    """Hatch keep-out areas (`style` is then `KEEP_OUT`) or visible remains (`REMAINS`)."""
    for area in areas:
        axes.add_artist(PathPatch(polygon_path(area.polygon), zorder=zorder, **style))


def _name_area(axes: Axes, area: KeepOutArea, signs: NDArray[np.float64]) -> None:
    """Write an area's name in its middle, or beside it where it is wider than the area."""
    figure: Any = axes.figure
    west, south, east, north = area.polygon.bounds
    corners = axes.transData.transform([(west, south), (east, north)]) * 72.0 / figure.dpi
    wide, high = corners[1] - corners[0]
    if text_size_pt(area.name, TINY_PT, "bold")[0] > wide:
        middle = [((west + east) / 2, (south + north) / 2)]
        beside = (wide / 2 + 1.0, high / 2 + 1.0)
        look: dict[str, Any] = {"size_pt": TINY_PT, "gap_pt": beside, "reach_pt": 60.0}
        place_labels(axes, middle, [area.name], signs=signs, first=(0, -1), **look)
        return
    at = area.polygon.representative_point()
    write(
        axes,
        at.x,
        at.y,
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


def _ring_anomalies(axes: Axes, anomalies: pd.DataFrame) -> None:
    """Ring the anomalies."""
    size = _ring_pt(anomalies)
    ring: dict[str, Any] = {"ls": "none", "marker": "o", "ms": size, "mfc": "none"}
    rimmed(
        axes, anomalies["e"], anomalies["n"], rim_pt=3.0, zorder=7.5, mew=1.2, mec="black", **ring
    )


def _name_anomalies(axes: Axes, anomalies: pd.DataFrame, signs: NDArray[np.float64]) -> None:
    """Name the anomalies, strongest first; where some found no room, say so on the map."""
    strongest = anomalies.sort_values("peak", ascending=False)
    points = list(zip(strongest["e"], strongest["n"], strict=True))
    names = [str(name) for name in strongest["anomaly"]]
    look: dict[str, Any] = {"size_pt": TINY_PT if len(names) > _MANY else SMALL_PT}
    look |= {"gap_pt": 0.5 * _ring_pt(anomalies), "reach_pt": 72.0}
    placed = place_labels(axes, points, names, signs=signs, **look)
    if len(placed) < len(names):
        said = f"{len(names) - len(placed)} without a name here: see anomalies.csv"
        at: dict[str, Any] = {"transform": axes.transAxes, "offset_pt": (4.0, 4.0)}
        write(axes, 0.0, 0.0, said, **at, size_pt=TINY_PT, weight="bold", ground="white", zorder=9)
