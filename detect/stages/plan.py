"""Before the dive: spacing, lanes, dives, kit, probe stations."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr
from shapely.geometry.base import BaseGeometry

from detect.lanes import (
    Feature,
    Spacing,
    TargetClass,
    advised_cross_lanes,
    class_depths,
    class_spacings,
    class_table,
    double_peak_distance,
    find_gaps,
    in_visiting_order,
    kit_list,
    pack_dives,
    plan_lanes,
    planned_coverage,
    probe_stations,
    spacing_choices,
    target_classes,
    widest_advance,
    widest_spacing,
)
from detect.lanes.station_order import NO_WAY
from detect.present.probe_layout import probe_sheets
from detect.present.slate_layout import slate_sheets
from detect.stages.common import Progress, clear_of, lane_bearing, silent, turn_cost_m
from detect.survey import Detector, KeepOutArea, Problem, Survey, SurveyError

# A site's margin of at least a metre is common practice, no source.
_LEAST_MARGIN_M = 1.0


@dataclass(frozen=True)
class PlanResult:
    """Lanes, dives, kit and probe stations, with the spacing they follow from.

    ``spacing`` is that of the class of targets called ``lead``: of those that must be found, the
    one that asks for the closest lanes; ``choices`` are spacings to choose from, told for it.
    ``classes`` are what the lanes make of each class of targets, ``class_spacings`` and
    ``class_depths`` the curves behind it. ``swing_advance_m`` is how far a diver may go on in one
    swing without leaving a hole (infinite: the coil is held). ``short_m2`` is what the lanes, swum
    without fault, leave of the site below ``required_pod`` for the lead.
    """

    lead: TargetClass
    spacing: Spacing
    used_spacing_m: float
    choices: pd.DataFrame
    classes: pd.DataFrame
    class_spacings: pd.DataFrame
    class_depths: pd.DataFrame
    swing_advance_m: float
    advised_cross_lanes: int
    lanes: pd.DataFrame
    dives: pd.DataFrame
    kit: pd.DataFrame
    stations: pd.DataFrame
    promised: xr.Dataset
    short_m2: float
    notes: tuple[str, ...] = ()


def plan(survey: Survey, progress: Progress = silent) -> PlanResult:
    """Work out how far apart lanes may be, where they go, and what the dives need.

    Raises
    ------
    SurveyError
        The coil cannot meet ``required_pod`` for a class that must be found, at its
        ``burial_depth_m``, and no spacing is given.
    """
    settings = survey.settings
    detector, dives = settings.detector, settings.dives
    progress("lane spacing", 0, 5)
    classes = target_classes(settings)
    lead, spacing, asked, notes = _asked_spacing(survey, classes)
    progress("lanes", 1, 5)
    keep_outs, bearing = clear_of(survey), lane_bearing(survey)
    dive_m = (dives.bottom_time_min - dives.setup_min) * dives.swim_speed_m_per_min

    def lay(spacing_m: float, bearing_deg: float | None) -> pd.DataFrame:
        return plan_lanes(
            survey.outline,
            spacing_m,
            bearing_deg=bearing_deg,
            overlap_m=settings.area.overlap_m,
            keep_outs=keep_outs,
            turn_cost_m=turn_cost_m(survey),
            dive_m=dive_m,
            cross_lanes=settings.lanes.cross_lanes,
        )

    lanes = lay(asked, bearing)
    used, laid_at = float(lanes.attrs["spacing_m"]), float(lanes.attrs["bearing_deg"])
    notes += lanes.attrs["notes"]
    progress("dives and kit", 2, 5)
    packed = pack_dives(lanes, dives, survey.frame, keep_outs)
    notes += packed.attrs["notes"]
    stations = _stations(survey, laid_at)
    kit = kit_list(
        lanes,
        packed,
        settings,
        survey.outline,
        stations,
        slate_sheets(packed, lanes) * dives.divers_on_lane,
        probe_sheets(stations) if settings.has_probes else 0,
    )
    progress("spacings to choose from", 3, 5)
    choices = spacing_choices(
        lead.detector,
        dives,
        survey.frame,
        lambda spacing_m: lanes if spacing_m == used else lay(spacing_m, laid_at),
        also_m=used,
        keep_outs=keep_outs,
    )
    depths = class_depths(classes, used)
    progress("promised coverage", 4, 5)
    promised = planned_coverage(lanes, detector, survey.grid())
    short_m2, left = _left_short(survey, lead, lanes, promised, keep_outs)
    if spacing.reachable and used <= spacing.spacing_m + 1e-9:
        notes += left
    advance = widest_advance(detector)
    notes += [
        *_unreached_notes(stations),
        *_margin_notes(survey),
        *_coil_notes(detector, advance),
        *_split_notes(packed),
    ]
    if dives.divers_on_lane > 1:
        notes.append(
            f"two coils side by side, {used:.2f} m apart, may disturb each other: try them on land"
        )
    # a pair swims both its lanes one way, and cross lanes begin where it suits: the table of lanes
    # says what dives and slates say
    swum = packed.drop_duplicates("lane").set_index("lane")
    swum["order"] = np.arange(1, len(swum) + 1)
    lanes = lanes.assign(**{name: lanes["lane"].map(swum[name]) for name in ("order", "direction")})
    progress("plan", 5, 5)
    return PlanResult(
        lead=lead,
        spacing=spacing,
        used_spacing_m=used,
        choices=choices,
        classes=class_table(classes, used, depths),
        class_spacings=class_spacings(
            classes, np.linspace(choices["spacing_m"].min(), choices["spacing_m"].max(), 33)
        ),
        class_depths=depths,
        swing_advance_m=advance,
        advised_cross_lanes=advised_cross_lanes(lanes),
        lanes=lanes,
        dives=packed,
        kit=kit,
        stations=stations,
        promised=promised,
        short_m2=short_m2,
        notes=tuple(notes),
    )


def _left_short(
    survey: Survey,
    lead: TargetClass,
    lanes: pd.DataFrame,
    promised: xr.Dataset,
    keep_outs: tuple[KeepOutArea, ...],
) -> tuple[float, list[str]]:
    """Return the area that the lanes as laid leave below the required POD, m², and say where."""
    detector = lead.detector
    if detector != survey.settings.detector:
        promised = planned_coverage(lanes, detector, survey.grid())
    gaps = find_gaps(promised, survey.outline, keep_outs, detector.required_pod)
    if gaps.empty:
        return 0.0, []
    area, largest = float(gaps["area_m2"].sum()), gaps.iloc[0]
    where = "beside keep-outs, whose margin no lane enters, " if keep_outs else ""
    return area, [
        f"{where}the lanes leave {area:.1f} m² within the outline below POD "
        f"{detector.required_pod:g} for {lead.name} even if swum without fault, worst POD "
        f"{float(gaps['worst_pod'].min()):.2f}, the largest piece {largest['area_m2']:.1f} m² at e "
        f"{largest['e']:.1f}, n {largest['n']:.1f}: the worst point named above is that between "
        "lanes on open ground; check will show these as gaps"
    ]


def _asked_spacing(
    survey: Survey, classes: tuple[TargetClass, ...]
) -> tuple[TargetClass, Spacing, float, list[str]]:
    """Return the class that asks for the closest lanes, its spacing, and the one to lay lanes at.

    With a note where the spacing asked for breaks the promise.
    """
    wanted = survey.settings.lanes.spacing_m
    sought = {one.name: (one, widest_spacing(one.detector)) for one in classes if one.must_find}
    problems = [
        _out_of_reach(number, one, sought[one.name][1])
        for number, one in enumerate(classes)
        if one.must_find and not sought[one.name][1].reachable
    ]
    if problems and wanted is None:
        raise SurveyError(problems)
    lead, spacing = min(sought.values(), key=lambda pair: (pair[1].reachable, pair[1].spacing_m))
    if wanted is None:
        return lead, spacing, spacing.spacing_m, []
    if spacing.reachable and wanted <= spacing.spacing_m + 1e-9:
        return lead, spacing, wanted, []
    widest = f"{spacing.spacing_m:.2f} m" if spacing.reachable else "no spacing"
    of = "" if lead is classes[0] else f" for {lead.name}"
    note = (
        f"[lanes] spacing_m = {wanted:g} m is wider than what meets required_pod{of} ({widest}): "
        "targets can slip between lanes"
    )
    return lead, spacing, wanted, [note]


def _out_of_reach(number: int, one: TargetClass, spacing: Spacing) -> Problem:
    """Return the problem that a class, the reference target being number 0, cannot be found."""
    detector = one.detector
    what = f"{one.name}: at" if number else "at"
    remedy = f"search to {spacing.deepest_m:.2f} m or less, lower required_pod, or set [lanes] "
    remedy += "spacing_m and accept what check then shows"
    return Problem(
        "survey.toml",
        f"{what} {detector.burial_depth_m:g} m of burial no lane spacing reaches a detection "
        f"probability of {detector.required_pod:g}",
        remedy + (", or take must_find away" if number else ""),
        column=f"targets.{number}.must_find" if number else "detector.burial_depth_m",
    )


def _stations(survey: Survey, bearing_deg: float) -> pd.DataFrame:
    """Return the probe stations, kept off keep-outs and visible remains, as they are visited."""
    probes = survey.settings.probes
    off: list[BaseGeometry] = [
        area.polygon.buffer(probes.keep_off_m)
        for area in (*survey.keep_outs, *survey.visible_remains)
    ]
    width = probes.feature_diameter_m if probes.feature_width_m is None else probes.feature_width_m
    stations = probe_stations(
        survey.outline,
        Feature(probes.feature_diameter_m, width, probes.feature_bearing_deg),
        probes.find_probability,
        keep_outs=off,
        bearing_deg=bearing_deg,
    )
    # Half as far off as stations are: no corner of this reaches beyond where a station may lie.
    margin = 0.5 * probes.keep_off_m
    barred = [
        area.polygon.buffer(margin, join_style="mitre", mitre_limit=2.0)
        for area in survey.keep_outs
    ]
    return in_visiting_order(stations, barred)


def _unreached_notes(stations: pd.DataFrame) -> list[str]:
    """Say between which probe stations keep-outs leave no way."""
    return [
        f"keep-outs leave no way to probe station {station} along the bed: surface and swim round"
        for station in stations.loc[stations["via"] == NO_WAY, "station"]
    ]


def _margin_notes(survey: Survey) -> list[str]:
    overlap = survey.settings.area.overlap_m
    if overlap >= _LEAST_MARGIN_M:
        return []
    return [
        f"[area] overlap_m = {overlap:g} m: a margin of at least a metre past the outline is usual"
    ]


def _coil_notes(detector: Detector, advance_m: float) -> list[str]:
    """Say where the diver fins too fast for the swing, and where the coil sounds twice."""
    notes = []
    taken = detector.sweep_advance_m or 0.0
    if math.isfinite(advance_m) and taken > advance_m + 1e-9:
        notes.append(
            f"the coil goes on {taken:.2f} m in one swing and leaves holes from {advance_m:.2f} m "
            f"on: fin at {60.0 * advance_m / detector.sweep_time_s:.1f} m/min or less, or swing "
            "less wide; the POD given here counts the holes"
        )
    twice = double_peak_distance(detector.coil_diameter_m / 2.0) - detector.coil_height_m
    if twice > 0.0:
        notes.append(
            f"a target less than {twice:.2f} m under the bed sounds twice, on each side of the "
            "coil's centre: pinpoint between the two; each pass is counted at its louder side"
        )
    return notes


def _split_notes(dives: pd.DataFrame) -> list[str]:
    """Say which lanes are longer than a dive and had to be split."""
    cut = dives.loc[dives["split"].astype(bool)]
    return [
        f"lane {lane} is longer than one dive allows and is split into {len(own)} parts"
        for lane, own in cut.groupby("lane", sort=False)
    ]
