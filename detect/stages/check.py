"""That evening: coverage as swum, gaps, and the lanes that close them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely
import xarray as xr

from detect.lanes import (
    TargetClass,
    UnswumPart,
    coverage,
    covered_share,
    find_gaps,
    infill_lanes,
    lanes_of_gaps,
    lowest_pod,
    pod_of,
    residual_table,
    short_in,
    site_cells,
    target_classes,
    unswum_parts,
    widest_spacing,
)
from detect.lanes.pegs import swum_to_pegs
from detect.stages.common import Progress, clear_of, lane_bearing, needed, silent, turn_cost_m
from detect.stages.infill_dives import infill_dives, next_infill
from detect.survey import KeepOutArea, Survey


@dataclass(frozen=True)
class CheckResult:
    """Coverage as swum, what was missed, the lanes that would close it, and what could remain.

    ``sought`` are the classes that must be found, the reference target first; ``lowest`` is the
    POD of whichever of them is heard worst at each place, which gaps and infill go by;
    ``infill_dives`` are the infill lanes as they are to be swum.
    """

    cover: xr.Dataset
    sought: tuple[str, ...]
    lowest: xr.DataArray
    gaps: pd.DataFrame
    infill: pd.DataFrame
    infill_dives: pd.DataFrame
    residual: pd.DataFrame
    share_met: float
    mean_pod: float
    notes: tuple[str, ...] = ()


def swum(survey: Survey) -> xr.Dataset:
    """Return the probability of detection as swum, ``pod`` on (n, e), and of each class."""
    _, *others = target_classes(survey.settings)
    heard = survey.settings.readings.heard_between_m
    readings = needed(survey.readings, "readings")
    if survey.lanes is not None:
        readings = swum_to_pegs(readings, survey.lanes, heard)
    # tapes are read to a few centimetres: a metre's step must not fall just past a metre
    return coverage(
        readings,
        survey.settings.detector,
        survey.grid(),
        listened_m=1.05 * heard,
        targets={one.name: one.detector for one in others},
    )


def check(survey: Survey, progress: Progress = silent) -> CheckResult:
    """Work out the probability of detection as swum, the gaps and the lanes that close them."""
    required = survey.settings.detector.required_pod
    outline, barred = survey.outline, clear_of(survey)
    progress("coverage", 0, 3)
    cover = swum(survey)
    progress("gaps", 1, 3)
    classes = target_classes(survey.settings)
    sought = [one for one in classes if one.must_find]
    lowest = lowest_pod(cover, sought)
    gaps = find_gaps(cover.assign(pod=lowest), outline, barred, required)
    by_name = {one.name: pod_of(cover, one.name) for one in sought}
    gaps["targets"] = short_in(gaps, by_name, outline, barred, required)
    unswum = _unswum(survey)
    gaps["lanes"] = lanes_of_gaps(gaps, survey.lanes, unswum)
    progress("infill lanes", 2, 3)
    infill, notes = _infill(survey, cover, gaps, sought, barred, unswum)
    gaps["infill"] = _closed_by(gaps, infill)
    dives, on_dives = infill_dives(survey, infill, barred)
    notes += on_dives
    site = site_cells(cover, outline, barred)
    if gaps["area_m2"].sum() > 0.5 * site.sum() * survey.settings.mapping.node_m**2:
        notes += (
            f"more than half of the site falls short for {' or '.join(by_name)}: plan it afresh "
            "rather than swim infill lanes",
        )
    progress("coverage", 3, 3)
    return CheckResult(
        cover,
        tuple(by_name),
        lowest,
        gaps,
        infill,
        dives,
        residual_table(cover, outline, barred, classes),
        covered_share(cover, outline, barred, required),
        float(np.mean(cover["pod"].to_numpy()[site])),
        notes,
    )


def _unswum(survey: Survey) -> list[UnswumPart]:
    """Return the parts of the survey's lanes along which there are no readings."""
    if survey.lanes is None:
        return []
    readings = needed(survey.readings, "readings")
    return unswum_parts(survey.lanes, readings, 1.05 * survey.settings.readings.heard_between_m)


def _infill(
    survey: Survey,
    cover: xr.Dataset,
    gaps: pd.DataFrame,
    sought: Sequence[TargetClass],
    barred: tuple[KeepOutArea, ...],
    unswum: list[UnswumPart],
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Return the lanes that bring every class within the coil's reach up to what is required."""
    widest = {one.name: widest_spacing(one.detector) for one in sought}
    within = [one for one in sought if widest[one.name].reachable]
    notes: tuple[str, ...] = ()
    if len(gaps):
        notes = tuple(
            f"{one.name}: no lane, however close, meets required_pod at "
            f"{one.detector.burial_depth_m:g} m; the coil meets it down to "
            f"{widest[one.name].deepest_m:.2f} m: no infill lanes are proposed for it"
            for one in sought
            if not widest[one.name].reachable
        )
    lead, *others = within or sought
    closable = gaps
    if len(within) < len(sought):
        required = survey.settings.detector.required_pod
        as_heard = cover.assign(pod=lowest_pod(cover, within or sought))
        closable = find_gaps(as_heard, survey.outline, barred, required)
    infill = infill_lanes(
        closable if within else closable.iloc[:0],
        lead.detector,
        min(widest[one.name].spacing_m for one in (lead, *others)),
        settings_bearing(survey),
        cover=cover.assign(pod=pod_of(cover, lead.name)),
        outline=survey.outline,
        keep_outs=barred,
        turn_cost_m=turn_cost_m(survey),
        targets={one.name: one.detector for one in others},
        first=next_infill(survey),
        unswum=unswum,
    )
    if closable is not gaps:
        # Each is named after the gap of the list, to which classes out of reach add.
        names = dict(zip(closable["gap"], _gap_names(closable, gaps), strict=True))
        infill["gap"] = [
            " ".join(sorted({names[gap] for gap in own.split()})) for own in infill["gap"]
        ]
        by_hand = {names[gap] for gap in infill.attrs.get("by_hand", ())}
        infill.attrs["by_hand"] = tuple(sorted(by_hand))
    return infill, (*notes, *infill.attrs.get("notes", ()))


def _closed_by(gaps: pd.DataFrame, infill: pd.DataFrame) -> list[str]:
    """Return for each gap what closes it: infill lanes, a search by hand, or both."""
    lanes: dict[str, list[str]] = {}
    for lane, own in zip(infill["lane"], infill["gap"], strict=True):
        for gap in own.split():
            lanes.setdefault(gap, []).append(str(lane))
    by_hand = set(infill.attrs.get("by_hand", ()))
    return [
        " ".join(lanes.get(gap, [])) + (", the rest by hand" if gap in lanes else "by hand")
        if gap in by_hand
        else " ".join(lanes.get(gap, []))
        for gap in gaps["gap"]
    ]


def _gap_names(parts: pd.DataFrame, gaps: pd.DataFrame) -> list[str]:
    """Return the name of the gap that each of some parts of gaps lies in."""
    whole = shapely.from_wkt(gaps["outline_wkt"].to_numpy(dtype=object))
    spots = shapely.points(parts["e"].to_numpy(float), parts["n"].to_numpy(float))
    names = gaps["gap"].to_numpy(dtype=object)
    return [str(names[int(np.argmin(shapely.distance(whole, spot)))]) for spot in spots]


def settings_bearing(survey: Survey) -> float | None:
    """Return the bearing lanes are swum on: as set, else that of most lane metres, else None."""
    asked = lane_bearing(survey)
    if asked is not None:
        return asked
    if survey.lanes is None or survey.lanes.empty:
        return None
    axis = survey.lanes["bearing_deg"].mod(180.0).round(0).mod(180.0)
    metres = survey.lanes.groupby(axis)["length_m"].sum()
    return float(metres.index[int(metres.to_numpy().argmax())])
