"""Before the dive: spacing, lanes, dives, kit, probe stations."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd
import xarray as xr

from detect.lanes import (
    Spacing,
    kit_list,
    pack_dives,
    plan_lanes,
    planned_coverage,
    probe_stations,
    spacing_table,
    widest_spacing,
)
from detect.stages.common import Progress, clear_of, lane_bearing, silent, turn_cost_m
from detect.survey import Problem, Survey, SurveyError


@dataclass(frozen=True)
class PlanResult:
    """Lanes, dives, kit and probe stations, with the spacing they follow from."""

    spacing: Spacing
    used_spacing_m: float
    choices: pd.DataFrame
    lanes: pd.DataFrame
    dives: pd.DataFrame
    kit: pd.DataFrame
    stations: pd.DataFrame
    promised: xr.Dataset
    notes: tuple[str, ...] = ()


def plan(survey: Survey, progress: Progress = silent) -> PlanResult:
    """Work out how far apart lanes may be, where they go, and what the dives need.

    Raises
    ------
    SurveyError
        The coil cannot meet ``required_pod`` at ``burial_depth_m`` and no spacing is given.
    """
    settings = survey.settings
    detector, dives = settings.detector, settings.dives
    progress("lane spacing", 0, 4)
    spacing = widest_spacing(detector)
    notes = []
    wanted = settings.lanes.spacing_m
    if wanted is None and not spacing.reachable:
        raise SurveyError(
            [
                Problem(
                    "survey.toml",
                    f"at {detector.burial_depth_m:g} m of burial no lane spacing reaches a "
                    f"detection probability of {detector.required_pod:g}",
                    f"search to {spacing.deepest_m:.2f} m or less, lower required_pod, or set "
                    "[lanes] spacing_m and accept what check then shows",
                    column="detector.burial_depth_m",
                )
            ]
        )
    used = wanted if wanted is not None else spacing.spacing_m
    if wanted is not None and (not spacing.reachable or wanted > spacing.spacing_m + 1e-9):
        widest = f"{spacing.spacing_m:.2f} m" if spacing.reachable else "no spacing"
        notes.append(
            f"[lanes] spacing_m = {wanted:g} m is wider than what meets required_pod ({widest}): "
            "targets can slip between lanes"
        )
    keep_outs = clear_of(survey)
    progress("lanes", 1, 4)
    lanes = plan_lanes(
        survey.outline,
        used,
        bearing_deg=lane_bearing(survey),
        overlap_m=settings.area.overlap_m,
        keep_outs=keep_outs,
        turn_cost_m=turn_cost_m(survey),
    )
    notes += lanes.attrs.get("notes", ())
    used = float(lanes.attrs.get("spacing_m", used))
    progress("dives and kit", 2, 4)
    packed = pack_dives(lanes, dives, survey.frame)
    stations = probe_stations(
        survey.outline,
        settings.probes.feature_diameter_m,
        settings.probes.find_probability,
        keep_outs=keep_outs,
        bearing_deg=float(lanes.attrs.get("bearing_deg", 0.0)),
    )
    kit = kit_list(lanes, packed, settings, survey.outline, stations)
    progress("promised coverage", 3, 4)
    promised = planned_coverage(lanes, detector, survey.grid())
    progress("plan", 4, 4)
    return PlanResult(
        spacing, used, spacing_table(detector), lanes, packed, kit, stations, promised, tuple(notes)
    )
