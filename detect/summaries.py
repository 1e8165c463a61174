"""What each command found, as a dictionary for machines and as lines for people."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import numpy as np

from detect.geostat import Variogram
from detect.geostat.model import PointModel
from detect.lanes import count_lanes, double_peak_distance, reading_interval
from detect.present.words import counted, lanes_in_words
from detect.probes import ContactDepth, ContactModel
from detect.stages import CheckResult, MapResult, PlanResult
from detect.survey import Survey

Summary = dict[str, Any]

#: what the number that could remain rests on
RESIDUAL_ASSUMES = (
    "targets of the class lie anywhere in the site outside keep-outs, at the depth given, each "
    "found by itself with the POD at its place; every number of them alike before the search; "
    "found is the count stated in [[targets]] (0 where none is stated)"
)

#: what a spacing makes of a class of targets; in the plan for the widest, and for the one used
_OF_A_SPACING = ("coverage_factor", "worst_pod", "mean_pod")


def variogram_facts(variogram: Variogram) -> Summary:
    """Return a variogram as a table, with the distance at which it is spent."""
    return {**variogram.to_table(), "practical_range_m": variogram.practical_range_m}


def model_facts(model: PointModel | None) -> Summary | None:
    """Return what an estimator rests on: variogram, measurement error, points, words of the fit."""
    if model is None:
        return None
    return {
        "variogram": variogram_facts(model.variogram),
        "measurement_sd": model.measurement_sd,
        "points": len(model.points),
        "repeats_merged": int(model.repeats.sum() - len(model.repeats)),
        "fitted": model.fit is not None,
        "poor_fit": bool(model.fit.poor) if model.fit else False,
        "notes": list(model.fit.notes) if model.fit else [],
    }


def contact_facts(contacts: ContactModel | None) -> Summary | None:
    """Return what contact probability rests on: the best fit, and how many models are carried."""
    if contacts is None or contacts.model is None:
        return None
    return {**(model_facts(contacts.model) or {}), "models": len(contacts.members)}


def depth_facts(depth: ContactDepth | None) -> Summary | None:
    """Return what the estimate of contact depth rests on."""
    if depth is None:
        return None
    fit = depth.fit
    return {
        "variogram": variogram_facts(fit.variogram),
        "mean_m": fit.mean,
        "measurement_sd": fit.error_sd,
        "contacts": depth.members[0].met,
        "ran_out": depth.stops,
        "models": len(depth.members),
        "notes": list(depth.in_words()),
    }


def notes_of(parts: Mapping[str, Summary]) -> list[str]:
    """Return the notes of all commands' summaries, in their order."""
    return [note for part in parts.values() for note in part.get("notes", ())]


def plan_summary(survey: Survey, result: PlanResult) -> Summary:
    """Return the plan's figures."""
    detector, dives = survey.settings.detector, survey.settings.dives
    lanes, across, parts = count_lanes(result.lanes["lane"])
    inside = result.promised["pod"].to_numpy()[survey.grid().inside(survey.outline)]
    return {
        "burial_depth_m": detector.burial_depth_m,
        "required_pod": detector.required_pod,
        "spacing_for": result.lead.name,
        "widest_spacing_m": result.spacing.spacing_m,
        "used_spacing_m": result.used_spacing_m,
        "reachable": result.spacing.reachable,
        "deepest_m": result.spacing.deepest_m,
        "footprint_half_width_m": result.spacing.footprint_m,
        "sweep_width_m": result.spacing.sweep_width_m,
        "coverage_factor": result.spacing.coverage_factor,
        "worst_pod": result.spacing.worst_pod,
        "mean_pod": result.spacing.mean_pod,
        **_as_used(result),
        "promised_mean_pod": float(inside.mean()),
        "below_required_m2": result.short_m2,
        "lanes": lanes,
        "cross_lanes": across,
        "lane_parts": parts,
        "lane_metres": float(result.lanes["length_m"].sum()),
        "dives": int(result.dives["dive"].nunique()),
        "dive_minutes": float(result.dives["minutes"].sum()),
        "divers_a_dive": dives.divers,
        "bottom_time_min": dives.bottom_time_min,
        "lanes_split": int(result.dives.loc[result.dives["split"].astype(bool), "lane"].nunique()),
        "heard_between_m": survey.settings.readings.heard_between_m,
        "reading_interval_m": reading_interval(result.lead.detector, result.used_spacing_m),
        "probe_stations": len(result.stations),
        "probe_spacing_m": result.stations.attrs.get("spacing_m"),
        "probe_pattern": result.stations.attrs.get("pattern"),
        "probe_find_probability": result.stations.attrs.get("find_probability"),
        "advised_cross_lanes": result.advised_cross_lanes,
        "swing_advance_m": detector.sweep_advance_m,
        "widest_swing_advance_m": result.swing_advance_m,
        "fastest_swim_m_per_min": 60.0 * result.swing_advance_m / detector.sweep_time_s,
        "sounds_twice_within_m": double_peak_distance(detector.coil_diameter_m / 2.0),
        "spacings": result.choices.to_dict("records"),
        "targets": result.classes.to_dict("records"),
        "notes": list(result.notes),
    }


def _as_used(result: PlanResult) -> Summary:
    """Return for the spacing used what `plan_summary` gives for the widest."""
    (lead,) = result.classes[result.classes["target"] == result.lead.name].to_dict("records")
    return {f"used_{name}": float(lead[name]) for name in _OF_A_SPACING}


def plan_lines(s: Summary) -> list[str]:
    """Return the plan in words."""
    (lead,) = (one for one in s["targets"] if one["target"] == s["spacing_for"])
    name = f"{lead['target']}, {lead['burial_depth_m']:g} m down"
    return [
        f"Plan: for {name}, lanes may stand up to {s['widest_spacing_m']:.2f} m apart "
        f"(POD {s['required_pod']:g} at the worst point)"
        if s["reachable"]
        else f"Plan: {name}: POD {s['required_pod']:g} is out of the coil's reach; it holds down "
        f"to {s['deepest_m']:.2f} m",
        f"  {lanes_in_words(s['lanes'], s['cross_lanes'], s['lane_parts'])} at "
        f"{s['used_spacing_m']:.2f} m, {s['lane_metres']:.0f} m to swim, "
        f"{counted(s['dives'], 'dive')} within {s['bottom_time_min']:g} min, "
        f"{counted(s['probe_stations'], 'probe station')}",
        _reading_line(s["reading_interval_m"], s["heard_between_m"]),
        *_target_lines(s["targets"]),
        *_swing_lines(s),
        *_cross_lines(s),
        *(f"  note: {note}" for note in s["notes"]),
    ]


def _reading_line(least_m: float, heard_between_m: float) -> str:
    """Say how often a reading is written: that hangs on whether the diver listens in between."""
    unheard = f"a reading every {least_m:.2f} m or less"
    if heard_between_m <= least_m:
        return (
            f"  write {unheard}: nobody listens between them ([readings] heard_between_m = "
            f"{heard_between_m:g})"
        )
    return (
        f"  write a reading every {heard_between_m:g} m and, with its metre, every sound between: "
        "the diver listens all the way, whether the meter sounds all the way or speaks only at "
        f"metal (0 where it is silent); if nobody listens between readings, {unheard}, and "
        "[readings] heard_between_m = 0"
    )


def _target_lines(targets: list[Summary]) -> list[str]:
    """Say for each class where the lanes keep their promise, and where it is lost."""
    lines = []
    for one in targets:
        holds = one["holds_to_m"]
        kept = "not even on the bed" if math.isnan(holds) else f"down to {holds:.2f} m"
        lost = one["lost_m"]
        gone = f"lost below {lost:.2f} m" if lost > 0 else "lost even on the bed"
        lines.append(
            f"  {one['target']}, {one['burial_depth_m']:g} m down: POD {one['worst_pod']:.2f} at "
            f"the worst point, {one['mean_pod']:.2f} in the mean; required POD {kept}; {gone}"
        )
    return lines


def swing_words(advance_m: float) -> str:
    """Say on a slate how far a swung coil may go on in one swing; nothing for a coil held."""
    if not math.isfinite(advance_m) or advance_m <= 0.0:
        return ""
    return f"swing ≤ {advance_m:.2f} m on"


def _swing_lines(s: Summary) -> list[str]:
    """Say how fast a swung coil may be finned ahead."""
    held = not s["swing_advance_m"] and not math.isfinite(s["widest_swing_advance_m"])
    if held or s["widest_swing_advance_m"] == 0.0:
        return []
    if not math.isfinite(s["widest_swing_advance_m"]):
        return ["  the coil reaches across its whole swing: no speed leaves a hole in it"]
    return [
        f"  swung coil: at most {s['widest_swing_advance_m']:.2f} m on in one swing, "
        f"{s['fastest_swim_m_per_min']:.1f} m/min, or the swing leaves holes"
    ]


def _cross_lines(s: Summary) -> list[str]:
    """Say how many cross lanes level the map."""
    if s["cross_lanes"] >= s["advised_cross_lanes"]:
        return []
    advised = s["advised_cross_lanes"]
    return [
        f"  {counted(s['cross_lanes'], 'cross lane')} asked for; {advised} "
        f"{'is' if advised == 1 else 'are'} advised to hold the lanes' levels and the "
        "lag of the needle against ([lanes] cross_lanes)"
    ]


def check_summary(survey: Survey, result: CheckResult) -> Summary:
    """Return the coverage's figures."""
    detector = survey.settings.detector
    return {
        "burial_depth_m": detector.burial_depth_m,
        "required_pod": detector.required_pod,
        "share_meeting_required": result.share_met,
        "mean_pod": result.mean_pod,
        "gaps_for": list(result.sought),
        "gaps": len(result.gaps),
        "gap_area_m2": float(result.gaps["area_m2"].sum()),
        "largest_gap_m2": float(result.gaps["area_m2"].max()) if len(result.gaps) else 0.0,
        "infill_lanes": len(result.infill),
        "infill_metres": float(result.infill["length_m"].sum()) if len(result.infill) else 0.0,
        "gaps_by_hand": list(result.infill.attrs["by_hand"]),
        "by_hand_m2": float(result.infill.attrs["remaining_m2"])
        if result.infill.attrs["by_hand"]
        else 0.0,
        "infill_dives": int(result.infill_dives["dive"].nunique())
        if survey.settings.has_dives
        else None,
        "residual": result.residual.to_dict("records"),
        "residual_assumes": RESIDUAL_ASSUMES,
        "notes": list(result.notes),
    }


def check_lines(s: Summary) -> list[str]:
    """Return the coverage in words."""
    return [
        f"Check: {s['gaps_for'][0]}, {s['burial_depth_m']:g} m down: "
        f"{100 * s['share_meeting_required']:.0f} % of the site has POD {s['required_pod']:g} or "
        f"better (mean {s['mean_pod']:.2f})",
        f"  for {' and '.join(s['gaps_for'])}, which must be found: {_gap_words(s)}",
        *(f"  {residual_line(one)}" for one in s["residual"]),
        *_residual_assumes(s),
        *(f"  note: {note}" for note in s["notes"]),
    ]


def _residual_assumes(s: Summary) -> list[str]:
    """Say what the number that could remain takes for granted, and what it does not cover."""
    lines = [
        "  (could remain: if targets may lie anywhere in the site, each place alike, as deep as "
        "stated; no proof: what lies deeper, on edge or masked may be there all the same)"
    ]
    if s["gaps"]:
        lines.append(
            f"  (the {s['gap_area_m2']:.1f} m² of gaps count only by their share of the site: of "
            "what lies in them little or nothing is known, so no gap is clear until it is swum)"
        )
    return lines


def _gap_words(s: Summary) -> str:
    """Say how much was missed, and what would close it."""
    if not s["gaps"]:
        return "no gaps: nothing to swim again"
    if s["gaps"] == 1:
        gaps = f"1 gap of {s['gap_area_m2']:.1f} m²"
    else:
        gaps = (
            f"{s['gaps']} gaps, {s['gap_area_m2']:.1f} m² in all, the largest "
            f"{s['largest_gap_m2']:.1f} m²"
        )
    if not s["infill_lanes"]:
        return f"{gaps}; no lane can close {'it' if s['gaps'] == 1 else 'them'}"
    infill = counted(s["infill_lanes"], "infill lane")
    in_all = " in all" if s["infill_lanes"] > 1 else ""
    dives = f" on {counted(s['infill_dives'], 'dive')}" if s["infill_dives"] else ""
    return (
        f"{gaps}; {infill} of {s['infill_metres']:.0f} m{in_all}{dives} to close what can be "
        "closed: infill_slates.pdf"
    )


def residual_line(one: Summary) -> str:
    """Say of one class what could still lie unseen."""
    left = one["could_remain"]
    many = "any number" if not math.isfinite(left) else f"at most {left:.0f}" if left else "none"
    return (
        f"{one['target']}, {one['burial_depth_m']:g} m down, {one['found'] or 'none'} found: mean "
        f"POD {one['mean_pod']:.2f}, {one['required_pod']:g} or better on "
        f"{100 * one['share_met']:.0f} % of the site; {many} could remain undetected (95 %)"
    )


def map_summary(survey: Survey, result: MapResult) -> Summary:
    """Return the maps' figures and checks."""
    scales = result.signal.choice
    return {
        "readings": len(result.readings),
        "readings_used": int(result.readings["used"].sum()),
        "readings_left_out": int((~result.readings["used"]).sum()),
        "at_full_scale": int(result.readings["at_full_scale"].sum()),
        "signal_unit": result.maps["signal"].attrs["units"],
        "noise": asdict(result.noise),
        "conditioning": [asdict(step) for step in result.steps],
        "signal": model_facts(result.signal.plain),
        "loudness": model_facts(result.signal.loudness),
        "contact": contact_facts(result.contacts),
        "contact_depth": depth_facts(result.contact_depth),
        "seabed": model_facts(result.seabed),
        "contact_nodes_corrected": result.touched,
        "nodes": int(result.maps["signal"].size),
        "surveyed_share": float(result.maps["surveyed"].mean()),
        "metal": _metal_facts(result),
        "leave_one_out_signal": result.plain_scores.as_dict() if result.plain_scores else None,
        "leave_one_out_loudness": result.loud_scores.as_dict(),
        "signal_map_kriged_as": result.signal.kriged,
        "scales_lanes_left_out": scales.table.to_dict("records") if scales else None,
        "scales_why": scales.why if scales else "the survey folder settles it",
        "crosscheck_pykrige": asdict(result.crosscheck),
        "anomalies": len(result.anomalies),
        "anomalies_with_depth": int(result.anomalies["depth_m"].notna().sum()),
        "notes": list(result.notes),
    }


def _metal_facts(result: MapResult) -> Summary | None:
    """Return what the inversion of the whole site rests on."""
    if result.metal is None:
        return None
    heard = result.maps["strength"].to_numpy()
    return {
        "strength": float(np.nansum(heard)),
        "source_depths_m": [float(d) for d in result.metal.depths],
        "penalty": result.metal.penalty,
        "lanes_left_out": result.metal.choice.to_dict("records"),
        "share_of_cells_known": float(np.isfinite(heard).mean()),
    }


def map_lines(s: Summary) -> list[str]:
    """Return the maps in words."""
    check, noise, unit = s["crosscheck_pykrige"], s["noise"], s["signal_unit"]
    kriged = s["signal_map_kriged_as"]
    of = f" {unit}" if kriged == "signal" else ""
    return [
        f"Map: {s['readings_used']} of {counted(s['readings'], 'reading')} used, noise "
        f"{noise['sd']:.3g} {unit}; {_anomaly_words(s)}",
        *(f"  {step['step']}: {step['said']}" for step in s["conditioning"]),
        f"  loudness left out one by one: mean squared standardised error "
        f"{s['leave_one_out_loudness']['mean_squared_standardised']:.2f} (1 is right), 90 % "
        f"intervals hold {100 * s['leave_one_out_loudness']['coverage_90']:.0f} %",
        f"  signal map kriged as {kriged}: {s['scales_why']}",
        f"  {counted(check['nodes'], 'node')} of {kriged} estimated again by PyKrige: largest "
        f"difference {check['max_abs_estimate']:.2g}{of} (standard deviation "
        f"{check['max_abs_sd']:.2g}), {check['max_in_sd']:.2g} of a standard deviation, "
        f"{check['allowed_in_sd']:g} allowed"
        if np.isfinite(check["max_abs_estimate"])
        else f"  PyKrige: {check['note']}",
        *(f"  note: {note}" for note in s["notes"]),
    ]


def _anomaly_words(s: Summary) -> str:
    """Say how many anomalies there are, and of how many the depth can be told."""
    said = counted(s["anomalies"], "anomaly", "anomalies")
    if not s["anomalies"]:
        return said
    if s["anomalies"] == 1:
        return f"{said}, {'with' if s['anomalies_with_depth'] else 'without'} a depth"
    return f"{said}, {s['anomalies_with_depth'] or 'none'} with a depth as a number"
