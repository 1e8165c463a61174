"""From the results of a run to what the report prints."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

from detect.lanes import count_lanes
from detect.present.report import Picture, ReportContext
from detect.probes import contact_indicator, median_depth
from detect.stages import CheckResult, MapResult, PlanResult, RankResult
from detect.summaries import notes_of
from detect.survey import Survey

CAPTIONS = {
    "plan": "The lanes in the order they are swum, dive by dive, with the probe stations.",
    "spacing": "What one pass sees on either side of its lane, what lanes make of it for each "
    "class of targets, and what each spacing costs.",
    "coverage": "Probability of detecting what must be found (the reference target, and classes "
    "that are marked so) at the depth searched to, with the lanes as swum; gaps are numbered, "
    "infill lanes dashed.",
    "signal_and_metal": "Side by side: the signal as heard, and the metal that explains it. A nail "
    "near the coil is loud and little metal; what is deep is faint and may be much.",
    "signal": "Mean of the conditioned signal and its standard deviation: kriged as read, or "
    "brought back from the loudness map where left-out lanes are predicted better so (see checks).",
    "loudness": "The signal on a scale that is linear within the noise and logarithmic above it. "
    "The evidence 'signal' of a square is its mean; on the plain signal a few nails outshout all.",
    "strength": "All readings explained by small targets on a lattice under the bed: how much "
    "metal lies where, in reference targets a cell. Blank where it would not have been heard.",
    "contact_probability": "Chance that the probe meets something within its length.",
    "contact_kinds": "Chance that the first thing the probe meets is of each kind, or that there "
    "is nothing within its length.",
    "contact_depth": "Depth of contact below the bed. Probes that ran out say 'deeper than this', "
    "and are taken at their word: what lies below them is drawn from what else is known.",
    "seabed_relief": "Height of the bed above a plane through most of it: mounds stand out.",
    "seabed": "The bed, reduced to one water level, and its standard deviation.",
    "variogram": "How readings differ with distance; the number of pairs behind each point, and "
    "the model the map was made with.",
    "cross_validation": "Each reading's loudness against its estimate from all the others.",
    "quality": "Each swim of a lane: the level taken out of it, its noise, how it agrees with the "
    "lanes that cross it, its largest gap; the worst are named.",
    "conditioning": "Every track before and after conditioning; crosses are readings left out.",
    "squares": "Squares with their place in the order and its 5 to 95 % interval.",
    "weightings": "Share of the weights tried under which a square is among the best.",
    "section": "Section along the baseline: the bed, what each probe met or how far it reached, "
    "and the estimated horizon of contact.",
    "rank_intervals": "How firm the order is: the interval of each square's place.",
}


def report_context(
    survey: Survey,
    planned: PlanResult,
    checked: CheckResult,
    mapped: MapResult,
    ranked: RankResult,
    parts: dict[str, dict[str, Any]],
    provenance: dict[str, Any],
    *,
    folder: Path,
) -> ReportContext:
    """Gather what the report prints.

    Parameters
    ----------
    survey : Survey
    planned, checked, mapped, ranked
        Results of the four stages.
    parts : dict
        Their summaries, by command.
    provenance : dict
        Versions, inputs, parameters, seed.
    folder : Path
        Where the pictures stand as PNG.
    """
    settings = survey.settings
    detector = settings.detector
    unit = detector.signal_unit
    plan, check, maps, rank = parts["plan"], parts["check"], parts["map"], parts["rank"]
    fit = mapped.signal.model.fit
    return ReportContext(
        site_name=settings.site.name,
        date=str(provenance["begun"])[:10],
        notes=settings.site.notes,
        signal_unit=unit,
        site={
            "area of the outline (m²)": survey.outline.area,
            "water depth (m)": settings.site.water_depth_m,
            "grid north (° true)": settings.frame.grid_north_deg,
            "magnetic declination (°, east positive)": settings.frame.magnetic_declination_deg,
            "depth searched to (m)": detector.burial_depth_m,
            "coil diameter (m)": detector.coil_diameter_m,
            "air range of the reference target (m)": detector.air_range_m,
            "widest lane spacing (m)": plan["widest_spacing_m"],
            "lanes swum": _lanes_swum(mapped),
            "passes swum": int(mapped.readings["track"].nunique()),
            "bottom time, set by the dive supervisor (min)": plan["bottom_time_min"],
        },
        dives=planned.dives,
        readings={
            "readings": maps["readings"],
            "left out": maps["readings_left_out"],
            "at full scale": maps["at_full_scale"],
            f"noise of one reading ({unit})": mapped.noise.sd,
            f"disagreement of repeats ({unit})": mapped.noise.repeat_sd,
        },
        conditioning=mapped.steps,
        coverage={
            "required POD": check["required_pod"],
            "share of the site that meets it (%)": 100.0 * check["share_meeting_required"],
            "mean POD": check["mean_pod"],
            "gaps": check["gaps"],
            "area of all gaps (m²)": check["gap_area_m2"],
            "infill lanes": check["infill_lanes"],
            "infill lane length (m)": check["infill_metres"],
            **{
                f"{one['target']}, {one['burial_depth_m']:g} m down, {one['found']} found: could "
                "remain undetected (95 %)": one["could_remain"]
                if math.isfinite(one["could_remain"])
                else "any number"
                for one in check["residual"]
            },
        },
        gaps=checked.gaps,
        infill=checked.infill,
        figures={
            name: Picture((folder / f"{name}.png").read_bytes(), caption)
            for name, caption in CAPTIONS.items()
            if (folder / f"{name}.png").exists()
        },
        variogram=_variogram_facts(maps, unit),
        variogram_notes=fit.notes if fit else ("given in survey.toml",),
        variogram_poor=bool(fit and fit.poor),
        scores=_scores(maps, unit),
        kriged=mapped.signal.kriged,
        crosscheck=mapped.crosscheck,
        anomalies=mapped.anomalies,
        squares=ranked.squares,
        dig_plan=ranked.dig.table,
        top_k=rank["top_k"],
        budget_h=rank["dig"]["budget_h"],
        reserve_fraction=settings.ranking.reserve_fraction,
        dig=rank["dig"],
        weightings=ranked.weightings,
        coin_tosses=ranked.coin_tosses,
        survey_next=ranked.survey_next,
        keep_outs=survey.keep_outs,
        probing={
            "probe stations planned": plan["probe_stations"],
            "probe length (m)": settings.probes.length_m,
            "share of probes with contact (%)": (
                100.0 * mapped.contacts.share if mapped.contacts else None
            ),
            "depth by which half of the pushes meet something (m)": _median_contact(survey),
            "map nodes held to 0 or 1": mapped.touched,
            "contact depth": "; ".join(mapped.contact_depth.in_words())
            if mapped.contact_depth
            else None,
        },
        probes=survey.probes,
        notices=survey.notices,
        warnings=tuple(notes_of(parts)),
        provenance=provenance,
    )


def _lanes_swum(mapped: MapResult) -> int | str:
    """Return how many lanes have readings, and in how many parts where keep-outs cut them."""
    lanes, across, parts = count_lanes(mapped.readings["lane"])
    return parts if parts == lanes + across else f"{lanes + across} in {parts} parts"


def _variogram_facts(maps: dict[str, Any], unit: str) -> dict[str, Any]:
    """Return the models behind the signal and the loudness map."""
    facts: dict[str, Any] = {"signal map kriged as": maps["signal_map_kriged_as"]}
    facts["why"] = maps["scales_why"]
    for name, square, of in (("signal", f"{unit}²", unit), ("loudness", "1", "1")):
        if maps[name] is None:
            continue
        model = maps[name]["variogram"]
        facts[f"{name}: model"] = model.get("model", "nested")
        facts[f"{name}: partial sill ({square})"] = model.get("partial_sill")
        facts[f"{name}: practical range (m)"] = model["practical_range_m"]
        facts[f"{name}: error of one reading, filtered from the map ({of})"] = maps[name][
            "measurement_sd"
        ]
    return facts


def _scores(maps: dict[str, Any], unit: str) -> dict[str, Any]:
    """Return what left-out lanes and left-out readings say, in words."""
    facts: dict[str, Any] = {}
    for row in maps["scales_lanes_left_out"] or ():
        on = f"lanes left out, kriged {'as read' if row['scale'] == 'as read' else 'as loudness'}"
        facts[f"{on}: root mean square error ({unit})"] = row["rmse"]
        facts[f"{on}: 90 % intervals hold (%)"] = 100.0 * row["coverage_90"]
        facts[f"{on}: mean width of these intervals ({unit})"] = row["mean_width_90"]
    for name, of in (("signal", unit), ("loudness", "1")):
        score = maps[f"leave_one_out_{name}"]
        if score is None:
            continue
        name = f"readings left out one by one, {name}"
        facts[f"{name}: mean error ({of})"] = score["mean_error"]
        facts[f"{name}: root mean square error ({of})"] = score["rmse"]
        facts[f"{name}: mean squared standardised error (1 is right)"] = score[
            "mean_squared_standardised"
        ]
        facts[f"{name}: 90 % intervals hold (%)"] = 100.0 * score["coverage_90"]
    return facts


def _median_contact(survey: Survey) -> float | str | None:
    """Return the Kaplan-Meier median of contact depth, or why there is none."""
    if survey.probes is None:
        return None
    ran_out = contact_indicator(survey.probes) == 0
    median = median_depth(survey.probes["depth_m"], ran_out)
    if median is None:
        return f"none: {ran_out.sum()} of {len(ran_out)} pushes met nothing"
    return median
