"""That evening: coverage as swum, gaps, and the lanes that close them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr

from detect.lanes import (
    coverage,
    covered_share,
    find_gaps,
    infill_lanes,
    residual_table,
    site_cells,
    target_classes,
    widest_spacing,
)
from detect.stages.common import Progress, clear_of, lane_bearing, needed, silent, turn_cost_m
from detect.survey import Survey


@dataclass(frozen=True)
class CheckResult:
    """Coverage as swum, what was missed, the lanes that would close it, and what could remain."""

    cover: xr.Dataset
    gaps: pd.DataFrame
    infill: pd.DataFrame
    residual: pd.DataFrame
    share_met: float
    mean_pod: float
    notes: tuple[str, ...] = ()


def swum(survey: Survey) -> xr.Dataset:
    """Return the probability of detection as swum, ``pod`` on (n, e), and of each class."""
    _, *others = target_classes(survey.settings)
    heard = survey.settings.readings.heard_between_m
    # tapes are read to a few centimetres: a metre's step must not fall just past a metre
    return coverage(
        needed(survey.readings, "readings"),
        survey.settings.detector,
        survey.grid(),
        listened_m=1.05 * heard,
        targets={one.name: one.detector for one in others},
    )


def check(survey: Survey, progress: Progress = silent) -> CheckResult:
    """Work out the probability of detection as swum, the gaps and the lanes that close them."""
    detector = survey.settings.detector
    outline, barred = survey.outline, clear_of(survey)
    progress("coverage", 0, 3)
    cover = swum(survey)
    progress("gaps", 1, 3)
    gaps = find_gaps(cover, outline, barred, detector.required_pod)
    progress("infill lanes", 2, 3)
    spacing = widest_spacing(detector)
    notes = []
    if len(gaps) and not spacing.reachable:
        notes.append(
            f"no lane, however close, meets required_pod at {detector.burial_depth_m:g} m; "
            f"the coil meets it down to {spacing.deepest_m:.2f} m: no infill lanes are proposed"
        )
    infill = infill_lanes(
        gaps if spacing.reachable else gaps.iloc[:0],
        detector,
        spacing.spacing_m,
        settings_bearing(survey),
        cover=cover,
        outline=outline,
        keep_outs=barred,
        turn_cost_m=turn_cost_m(survey),
    )
    notes += infill.attrs.get("notes", ())
    progress("coverage", 3, 3)
    return CheckResult(
        cover,
        gaps,
        infill,
        residual_table(cover, outline, barred, target_classes(survey.settings)),
        covered_share(cover, outline, barred, detector.required_pod),
        float(np.mean(cover["pod"].to_numpy()[site_cells(cover, outline, barred)])),
        tuple(notes),
    )


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
