"""Lanes to swim again: the few short ones that bring every gap up to the promise."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
import pandas as pd
import shapely
import xarray as xr
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from detect.lanes.coverage import lane_hazard
from detect.lanes.depths import deepest_detectable
from detect.lanes.field import FloatArray
from detect.lanes.gaps import TOLERANCE, find_gaps, short_cells
from detect.lanes.plan import SHORTEST_PIECE_M
from detect.lanes.strips import clear_of, lay_strips, turned, turned_back

if TYPE_CHECKING:
    from detect.survey.settings import Detector

INFILL_COLUMNS = (
    "lane",
    "start_e",
    "start_n",
    "end_e",
    "end_n",
    "length_m",
    "bearing_deg",
    "gap",
)
# For each class, cells a lane reaches and the hazard -log(1 - p) it adds to each.
_Effect: TypeAlias = list[tuple[NDArray[np.int64], FloatArray]]

_ROUNDS = 6
_BEARING_STEP_DEG = 30.0
# How many lanes fewer than full density are tried.
_FEWER = 2
# A gap that takes more lanes than this is a part of the plan not swum, and is planned afresh.
_MOST_TRIED = 12
_SAME = 1e-9


def infill_lanes(
    gaps: pd.DataFrame,
    detector: Detector,
    spacing_m: float,
    bearing_deg: float | None = None,
    *,
    cover: xr.Dataset | None = None,
    outline: BaseGeometry | None = None,
    keep_outs: Iterable[Any] = (),
    required_pod: float | None = None,
    turn_cost_m: float = 6.0,
    targets: Mapping[str, Detector] | None = None,
    first: int = 1,
) -> pd.DataFrame:
    """Return the lanes that bring the gaps up to the required POD, shortest first.

    Parameters
    ----------
    gaps : pandas.DataFrame
        As `detect.lanes.gaps.find_gaps` returns.
    detector : Detector
        The coil as in ``survey.toml``.
    spacing_m : float
        Widest distance between infill lanes in one gap, m.
    bearing_deg : float, optional
        Grid bearing of the infill lanes; None takes for each gap the bearing that costs least:
        along a strip that was left out, across the ends that were lost.
    cover : xarray.Dataset, optional
        What has been swum. With it, the infill is laid in rounds: its lanes are added to the
        coverage as if swum end to end, the gaps that remain (by the same tolerance as in
        `find_gaps`) get lanes of their own. Without it, one round over the gaps as given.
    outline : shapely.Polygon, optional
        The site; needed with ``cover``.
    keep_outs : iterable
        Polygons, or records with a ``polygon`` attribute, in which no lane runs.
    required_pod : float, optional
        Default ``detector.required_pod``.
    turn_cost_m : float
        Metres that could be swum in the time a turn takes.
    targets : mapping of str to Detector, optional
        Further classes, by their names in ``cover["pod_target"]``, for which the required POD is
        to be met besides.
    first : int
        Number of the first infill lane: those of evenings before keep theirs.

    Returns
    -------
    pandas.DataFrame
        Columns of the lanes table (``lane`` F01, F02, ...) and ``gap``. ``attrs`` hold
        ``remaining_m2``, the area still short once all are swum (NaN without ``cover``), and
        ``notes``, a tuple of sentences.

    Raises
    ------
    ValueError
        If ``cover`` is given without ``outline``.

    Notes
    -----
    A gap has been half looked at from its edges: fewer lanes than over fresh ground are tried
    first. Where the coil cannot meet the POD in one look straight down, no lane is given and
    the depth it can reach is said: repeating a look that cannot see is no plan.
    """
    if cover is not None and outline is None:
        raise ValueError("infill on a coverage needs the outline")
    polygons = [getattr(item, "polygon", item) for item in keep_outs]
    barred = shapely.union_all(polygons) if polygons else None
    required = float(detector.required_pod if required_pod is None else required_pod)
    parents = {
        str(gap): shapely.from_wkt(wkt)
        for gap, wkt in zip(gaps["gap"], gaps["outline_wkt"], strict=True)
    }

    def options(shape: BaseGeometry) -> list[_Option]:
        gap = _parent(shape, parents)
        return _options(shape, gap, spacing_m, bearing_deg, barred, turn_cost_m)

    if gaps.empty:
        return _as_frame([], 0.0, "")
    sought = [detector, *(targets or {}).values()]
    for one in sought:
        deepest = deepest_detectable(one, required)
        if deepest < one.burial_depth_m:
            note = (
                f"no infill: under the coil POD {required:g} is met down to {deepest:.2f} m, "
                f"not to {one.burial_depth_m:g} m, however often a lane is swum"
            )
            return _as_frame([], float(gaps["area_m2"].sum()), note)
    if cover is None or outline is None:
        full = [lane for shape in parents.values() for lane in _cheapest_full(options(shape)).lanes]
        return _as_frame(full, float("nan"), "", first)

    layers = [cover["pod"].to_numpy()]
    layers += [cover["pod_target"].sel(target=name).to_numpy() for name in targets or {}]
    pods = np.stack(layers)
    lowest = cover.assign(pod=cover["pod"].copy(data=pods.min(axis=0)))
    row, column = np.nonzero(short_cells(lowest, outline, polygons, required))
    cell_e, cell_n = cover["e"].to_numpy()[column], cover["n"].to_numpy()[row]
    asked = np.zeros(len(row), dtype=bool)
    for shape in parents.values():
        asked |= _inside(shape, cell_e, cell_n)
    row, column, cell_e, cell_n = row[asked], column[asked], cell_e[asked], cell_n[asked]
    # More passes only ever raise the POD, so the cells short now are all there is; the rest
    # counts as found.
    hazard = -np.log1p(-np.minimum(pods[:, row, column], 1.0 - 1e-15))
    enough = -np.log1p(-max(required - TOLERANCE, 0.0))
    lanes: list[_Infill] = []
    left = gaps
    for _ in range(_ROUNDS):
        for shape in shapely.from_wkt(left["outline_wkt"].to_numpy(dtype=object)):
            inside = _inside(shape, cell_e, cell_n)
            if np.all(hazard[:, inside] >= enough - _SAME):
                continue
            option, added = _cheapest_enough(
                options(shape), hazard, inside, enough, cell_e, cell_n, sought
            )
            _add(hazard, added)
            lanes.extend(option.lanes)
        pod = np.ones(cover["pod"].shape)
        least = hazard.min(axis=0)
        pod[row, column] = np.where(least >= enough - _SAME, 1.0, -np.expm1(-least))
        left = find_gaps(cover.assign(pod=cover["pod"].copy(data=pod)), outline, polygons, required)
        if left.empty:
            break
    remaining = float(left["area_m2"].sum())
    note = (
        f"{remaining:.2f} m² stay below POD {required:g} even with every infill lane swum, "
        "beside keep-outs where no lane can run"
    )
    return _as_frame(lanes, remaining, note if remaining > 0.0 else "", first)


@dataclass(frozen=True)
class _Infill:
    gap: str
    ends: tuple[float, float, float, float]
    bearing: float

    @property
    def length_m(self) -> float:
        return float(np.hypot(self.ends[2] - self.ends[0], self.ends[3] - self.ends[1]))


@dataclass(frozen=True)
class _Option:
    """A way to swim a gap: its lanes, what they cost, and whether they lie at full density."""

    cost: tuple[float, float]
    lanes: list[_Infill]
    full: bool


def _options(
    shape: BaseGeometry,
    gap: str,
    spacing: float,
    bearing_deg: float | None,
    barred: BaseGeometry | None,
    turn_cost: float,
) -> list[_Option]:
    """Return ways to swim one gap: some bearings, each at full density and with fewer lanes.

    A gap has been half looked at from its edges, so fewer lanes than a fresh area needs may do.
    """
    if bearing_deg is None:
        # Along and across the narrowest box around the gap, and a few bearings between.
        corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(shape))
        sides = np.diff(corners, axis=0)[:2]
        boxed = np.degrees(np.arctan2(sides[:, 0], sides[:, 1])) % 180.0
        fan = np.arange(0.0, 180.0, _BEARING_STEP_DEG)
        bearings = [float(b) for b in np.unique(np.round(np.concatenate([boxed, fan]), 6) % 180.0)]
    else:
        bearings = [bearing_deg % 360.0]
    options = []
    for bearing in bearings:
        low, _, high, _ = turned(shape, bearing).bounds
        most = max(1, int(np.ceil((high - low) / spacing - _SAME)))
        for count in range(max(1, most - _FEWER), most + 1):
            apart = (high - low) / count * (1.0 + _SAME)
            lanes = _lanes_over(shape, gap, apart, bearing, barred, turn_cost)
            if lanes:
                cost = round(sum(lane.length_m + turn_cost for lane in lanes), 6)
                options.append(_Option((cost, bearing), lanes, count == most))
    return options


def _lanes_over(
    shape: BaseGeometry,
    gap: str,
    spacing: float,
    bearing: float,
    barred: BaseGeometry | None,
    turn_cost: float,
) -> list[_Infill]:
    pieces, _ = lay_strips(shape, spacing, bearing, keep_out=barred, swim_through_m=turn_cost)
    turned_barred = turned(barred, bearing) if barred is not None else None
    lanes = []
    for piece in pieces:
        start, end = piece.start_m, piece.end_m
        if piece.length_m < SHORTEST_PIECE_M:
            # A spot: a stretch long enough to swim, its middle on the spot.
            middle, half = 0.5 * (start + end), 0.5 * SHORTEST_PIECE_M
            runs = clear_of(turned_barred, piece.across_m, middle - half, middle + half)
            start, end = next((run for run in runs if run[0] <= middle <= run[1]), (start, end))
        e0, n0 = turned_back(piece.across_m, start, bearing)
        e1, n1 = turned_back(piece.across_m, end, bearing)
        ends = (round(e0, 4) + 0.0, round(n0, 4) + 0.0, round(e1, 4) + 0.0, round(n1, 4) + 0.0)
        lanes.append(_Infill(gap, ends, bearing))
    return lanes


def _cheapest_enough(
    options: list[_Option],
    hazard: FloatArray,
    inside: NDArray[np.bool_],
    enough: float,
    cell_e: FloatArray,
    cell_n: FloatArray,
    sought: Sequence[Detector],
) -> tuple[_Option, list[_Effect]]:
    """Return the cheapest option that brings the gap's cells up, else the cheapest full one."""

    def effects(option: _Option) -> list[_Effect]:
        return [
            [lane_hazard(lane.ends, cell_e, cell_n, detector) for detector in sought]
            for lane in option.lanes
        ]

    few = [option for option in options if len(option.lanes) <= _MOST_TRIED]
    for option in sorted(few, key=lambda option: option.cost):
        added = effects(option)
        after = hazard.copy()
        _add(after, added)
        if np.all(after[:, inside] >= enough - _SAME):
            return option, added
    option = _cheapest_full(options)
    return option, effects(option)


def _add(hazard: FloatArray, lanes: list[_Effect]) -> None:
    """Add in place what lanes do to each class at each cell; hazard has shape (class, cell)."""
    for effect in lanes:
        for own, (cells, more) in zip(hazard, effect, strict=True):
            own[cells] += more


def _inside(shape: BaseGeometry, cell_e: FloatArray, cell_n: FloatArray) -> NDArray[np.bool_]:
    shapely.prepare(shape)
    return np.asarray(shapely.intersects_xy(shape, cell_e, cell_n), dtype=bool)


def _cheapest_full(options: list[_Option]) -> _Option:
    full = [option for option in options if option.full]
    return min(full or options, key=lambda o: o.cost, default=_Option((0.0, 0.0), [], True))


def _parent(shape: BaseGeometry, parents: dict[str, BaseGeometry]) -> str:
    """Return the gap that a leftover lies in."""
    spot = shapely.point_on_surface(shape)
    return min(parents, key=lambda gap: float(shapely.distance(parents[gap], spot)))


def _as_frame(lanes: list[_Infill], remaining: float, note: str, first: int = 1) -> pd.DataFrame:
    ordered = sorted(lanes, key=lambda lane: (round(lane.length_m, 4), lane.gap, lane.ends))
    digits = max(2, len(str(first + len(ordered) - 1)))
    frame = pd.DataFrame(
        [
            (f"F{k:0{digits}d}", *lane.ends, round(lane.length_m, 4), lane.bearing, lane.gap)
            for k, lane in enumerate(ordered, start=first)
        ],
        columns=list(INFILL_COLUMNS),
    )
    frame.attrs.update(remaining_m2=remaining, notes=(note,) if note else ())
    return frame
