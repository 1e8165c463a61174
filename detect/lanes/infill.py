"""Lanes to swim again: the few short ones that bring every gap up to the promise."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
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
from detect.lanes.infill_options import SAME, USEFUL_M, Infill, Option, infill_options
from detect.lanes.search import pod_hazard
from detect.lanes.targets import pod_of
from detect.lanes.unswum import UnswumPart, parts_clear_of

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
    "instead_of",
)
# For each class, cells a lane reaches and the hazard -log(1 - p) it adds to each.
_Effect: TypeAlias = list[tuple[NDArray[np.int64], FloatArray]]

_ROUNDS = 6
# A gap that takes more lanes than this is a part of the plan not swum, and is planned afresh.
_MOST_TRIED = 12


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
    unswum: Sequence[UnswumPart] = (),
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
    unswum : sequence of UnswumPart
        Parts of planned lanes that were not swum: with ``cover``, these are proposed first, as far
        as they lie in gaps, and new lanes only for what they leave.

    Returns
    -------
    pandas.DataFrame
        Columns of the lanes table (``lane`` F01, F02, ...), ``gap`` (the gaps it closes, apart
        by spaces) and ``instead_of`` (the part of a planned lane that it is, in words). ``attrs``
        hold ``remaining_m2``, the area still short once all are swum (NaN without ``cover``),
        ``by_hand``, the gaps that area is in, and ``notes``, a tuple of sentences.

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

    def options(shape: BaseGeometry) -> list[Option]:
        gap = _parent(shape, parents)
        return infill_options(shape, gap, spacing_m, bearing_deg, barred, turn_cost_m)

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

    pods = np.stack([cover["pod"], *(pod_of(cover, name) for name in targets or {})])
    lowest = cover.assign(pod=cover["pod"].copy(data=pods.min(axis=0)))
    row, column = np.nonzero(short_cells(lowest, outline, polygons, required))
    cell_e, cell_n = cover["e"].to_numpy()[column], cover["n"].to_numpy()[row]
    asked = np.zeros(len(row), dtype=bool)
    for shape in parents.values():
        asked |= _inside(shape, cell_e, cell_n)
    row, column, cell_e, cell_n = row[asked], column[asked], cell_e[asked], cell_n[asked]
    # More passes only ever raise the POD, so the cells short now are all there is; the rest
    # counts as found.
    hazard = pod_hazard(pods[:, row, column])
    enough = -np.log1p(-max(required - TOLERANCE, 0.0))
    lanes = _planned_first(
        parts_clear_of(unswum, barred, USEFUL_M), parents, hazard, enough, cell_e, cell_n, sought
    )
    left = gaps
    if lanes:
        left = _still_short(cover, hazard, enough, row, column, outline, polygons, required)
    for _ in range(_ROUNDS):
        for shape in shapely.from_wkt(left["outline_wkt"].to_numpy(dtype=object)):
            inside = _inside(shape, cell_e, cell_n)
            if np.all(hazard[:, inside] >= enough - SAME):
                continue
            option, added = _cheapest_enough(
                options(shape), hazard, inside, enough, cell_e, cell_n, sought
            )
            _add(hazard, added)
            lanes.extend(option.lanes)
        left = _still_short(cover, hazard, enough, row, column, outline, polygons, required)
        if left.empty:
            break
    remaining = float(left["area_m2"].sum())
    shapes = shapely.from_wkt(left["outline_wkt"].to_numpy(dtype=object))
    by_hand = tuple(sorted({_parent(shape, parents) for shape in shapes}))
    note = (
        f"{remaining:.2f} m² ({', '.join(by_hand)}) stay below POD {required:g} with every infill "
        f"lane swum, in places where no lane of {USEFUL_M:g} m can run, as beside keep-outs: they "
        "need another way, such as a search by hand along the edge"
    )
    return _as_frame(lanes, remaining, note if remaining > 0.0 else "", first, by_hand)


def _still_short(
    cover: xr.Dataset,
    hazard: FloatArray,
    enough: float,
    row: NDArray[np.int64],
    column: NDArray[np.int64],
    outline: BaseGeometry,
    polygons: list[BaseGeometry],
    required: float,
) -> pd.DataFrame:
    """Return the gaps that are left among the cells with these hazards, shape (class, cell)."""
    pod = np.ones(cover["pod"].shape)
    least = hazard.min(axis=0)
    pod[row, column] = np.where(least >= enough - SAME, 1.0, -np.expm1(-least))
    return find_gaps(cover.assign(pod=cover["pod"].copy(data=pod)), outline, polygons, required)


def _planned_first(
    unswum: Sequence[UnswumPart],
    parents: dict[str, BaseGeometry],
    hazard: FloatArray,
    enough: float,
    cell_e: FloatArray,
    cell_n: FloatArray,
    sought: Sequence[Detector],
) -> list[Infill]:
    """Return the unswum parts of planned lanes that help a gap, and add what they do to `hazard`.

    Each as far as the short cells abeam of it go, and a metre on.
    """
    lanes = []
    for part in unswum:
        short = np.any(hazard < enough - SAME, axis=0)
        after = hazard.copy()
        _add(after, [[lane_hazard(part.places(), cell_e, cell_n, one) for one in sought]])
        closed = short & np.all(after >= enough - SAME, axis=0)
        if not closed.any():
            continue
        along = part.along(cell_e[closed], cell_n[closed])
        start, end = float(along.min()) - USEFUL_M, float(along.max()) + USEFUL_M
        own = replace(
            part,
            from_m=start if start > part.from_m + USEFUL_M else part.from_m,
            to_m=end if end < part.to_m - USEFUL_M else part.to_m,
        )
        if own.to_m - own.from_m < USEFUL_M:
            continue
        gaps = [
            gap for gap, shape in parents.items() if _inside(shape, cell_e, cell_n)[closed].any()
        ]
        e0, n0, e1, n1 = own.places()
        bearing = float(np.degrees(np.arctan2(e1 - e0, n1 - n0))) % 360.0
        lanes.append(Infill(" ".join(gaps), (e0, n0, e1, n1), round(bearing, 4), own.words))
        _add(hazard, [[lane_hazard(own.places(), cell_e, cell_n, one) for one in sought]])
    return lanes


def _cheapest_enough(
    options: list[Option],
    hazard: FloatArray,
    inside: NDArray[np.bool_],
    enough: float,
    cell_e: FloatArray,
    cell_n: FloatArray,
    sought: Sequence[Detector],
) -> tuple[Option, list[_Effect]]:
    """Return the cheapest option that brings the gap's cells up, else the cheapest full one."""

    def effects(option: Option) -> list[_Effect]:
        return [
            [lane_hazard(lane.ends, cell_e, cell_n, detector) for detector in sought]
            for lane in option.lanes
        ]

    few = [option for option in options if len(option.lanes) <= _MOST_TRIED]
    for option in sorted(few, key=lambda option: option.cost):
        added = effects(option)
        after = hazard.copy()
        _add(after, added)
        if np.all(after[:, inside] >= enough - SAME):
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


def _cheapest_full(options: list[Option]) -> Option:
    full = [option for option in options if option.full]
    return min(full or options, key=lambda o: o.cost, default=Option((0.0, 0.0), [], True))


def _parent(shape: BaseGeometry, parents: dict[str, BaseGeometry]) -> str:
    """Return the gap that a leftover lies in."""
    spot = shapely.point_on_surface(shape)
    return min(parents, key=lambda gap: float(shapely.distance(parents[gap], spot)))


def _as_frame(
    lanes: list[Infill],
    remaining: float,
    note: str,
    first: int = 1,
    by_hand: tuple[str, ...] = (),
) -> pd.DataFrame:
    ordered = sorted(lanes, key=lambda lane: (round(lane.length_m, 4), lane.gap, lane.ends))
    digits = max(2, len(str(first + len(ordered) - 1)))
    frame = pd.DataFrame(
        [
            (
                f"F{k:0{digits}d}",
                *lane.ends,
                round(lane.length_m, 4),
                lane.bearing,
                lane.gap,
                lane.instead_of,
            )
            for k, lane in enumerate(ordered, start=first)
        ],
        columns=list(INFILL_COLUMNS),
    )
    frame.attrs.update(remaining_m2=remaining, notes=(note,) if note else (), by_hand=by_hand)
    return frame
