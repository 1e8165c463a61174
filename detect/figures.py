"""The pictures of each command, by file name without ending, drawn one at a time."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np
import pandas as pd
import xarray as xr
from matplotlib.figure import Figure

from detect.lanes import count_lanes, detection_probability, target_classes
from detect.present.backdrop import Backdrop
from detect.present.charts import (
    draw_calibration,
    draw_cross_validation,
    draw_kinds,
    draw_quality,
    draw_rank_intervals,
    draw_search_sheet,
    draw_section,
    draw_trial,
    draw_variogram,
    draw_weightings,
    kinds_in,
)
from detect.present.charts.trial import trial_curves
from detect.present.maps import draw_beside, draw_coverage, draw_pair
from detect.present.plan_figure import draw_plan
from detect.present.squares import draw_squares
from detect.present.traces import draw_conditioning
from detect.present.words import counted, lanes_in_words
from detect.probes import Section
from detect.readings import by_whom
from detect.squares import square_layout
from detect.stages import (
    CheckResult,
    LearnResult,
    MapResult,
    PlanResult,
    RankResult,
    TrialResult,
)
from detect.survey import Survey

#: pictures come one by one, so that only one is held in memory
Figures = Iterator[tuple[str, Figure]]

#: the maps: field, title, and whether weak values need the stretched colour scale
MAPS = {
    "signal": ("Detector signal, conditioned and kriged", "power"),
    "loudness": ("Loudness of the signal: asinh(signal / noise)", "linear"),
    "strength": ("Metal: equivalent strength in each cell", "power"),
    "contact_probability": ("Probability that the probe meets something", "linear"),
    "contact_depth": ("Depth of contact below the bed", "linear"),
    "seabed": ("Seabed: depth below the water level", "linear"),
    "seabed_relief": ("Relief of the bed: height above a plane through most of it", "linear"),
}
#: the picture of what the probe met, kind by kind
KINDS = "contact_kinds"
#: the picture of the signal with the metal beside it
BESIDE = "signal_and_metal"
#: pictures of maps, in the order they are drawn: what the detector heard, what lies under the bed
OF_THE_SIGNAL = ("signal", "loudness", "strength", BESIDE)
OF_THE_BED = ("contact_probability", "contact_depth", "seabed", "seabed_relief", KINDS)
PICTURED = (*OF_THE_SIGNAL, *OF_THE_BED)
#: pictures that are read on the screen, not hung up: no vector PDF of them
CHARTS = frozenset(
    {
        "trial",
        "spacing",
        "variogram",
        "cross_validation",
        "conditioning",
        "quality",
        "rank_intervals",
    }
    | {"weightings", "calibration", "seabed_relief", BESIDE, KINDS}
)
#: fields drawn with contours
CONTOURED = {"seabed": 10, "contact_depth": 6, "seabed_relief": 6}
#: what stands over the map of squares, which is hung up by itself
NO_LEAVE = "A rank is no leave to dig: a permit and a licensed archaeologist come first."


def backdrop(
    survey: Survey, lanes: pd.DataFrame | None = None, anomalies: pd.DataFrame | None = None
) -> Backdrop:
    """Return what a map of this survey is drawn over; planned lanes in place of its own."""
    squares = square_layout(
        survey.outline, survey.settings.squares, survey.squares_origin, survey.keep_outs
    )
    behind = Backdrop.of_survey(survey, grid=survey.grid(), squares=squares, anomalies=anomalies)
    return behind if lanes is None else replace(behind, lanes=lanes)


def trial_figures(survey: Survey, result: TrialResult, facts: dict[str, str]) -> Figures:
    """Draw ``trial``: what was heard and read, and the fitted curves; nothing before there is."""
    fit, detector = result.fit, survey.settings.detector
    if fit is None or survey.trial is None:
        return
    yield (
        "trial",
        draw_trial(
            trial_curves(survey.trial, fit, detector.coil_diameter_m),
            facts,
            unit=detector.signal_unit,
            threshold=fit.threshold.estimate if fit.threshold else None,
            full_scale=detector.full_scale,
        ),
    )


def plan_figures(survey: Survey, result: PlanResult) -> Figures:
    """Draw ``plan`` (lanes and dives) and ``spacing`` (what the coil sees)."""
    detector = survey.settings.detector
    curves = result.class_spacings
    lead = curves[curves["target"] == result.lead.name]
    yield (
        "plan",
        draw_plan(
            backdrop(survey, result.lanes),
            result.dives,
            stations=result.stations,
            remains=survey.visible_remains,
            spacing_table=lead,
            spacing=replace(result.spacing, spacing_m=result.used_spacing_m),
            required_pod=detector.required_pod,
            sought=result.lead.name,
            subtitle=(
                f"{lanes_in_words(*count_lanes(result.lanes['lane']))}, "
                f"{result.used_spacing_m:.2f} m apart for {result.lead.name}, "
                f"{counted(result.dives['dive'].nunique(), 'dive')}"
            ),
        ),
    )
    yield (
        "spacing",
        draw_search_sheet(
            _passes(survey, result),
            result.class_spacings,
            result.class_depths,
            result.classes,
            result.choices,
            spacing_m=result.used_spacing_m,
            required_pod=detector.required_pod,
            sought=result.lead.name,
        ),
    )


def _passes(survey: Survey, result: PlanResult) -> pd.DataFrame:
    """Return POD of one pass against the distance across from the lane, for each class."""
    classes = target_classes(survey.settings)
    detector = survey.settings.detector
    reach = 1.2 * max(*result.classes["footprint_m"], detector.coil_diameter_m)
    reach += 2.0 * detector.line_error_m
    offsets = np.linspace(-reach, reach, 241)
    return pd.concat(
        [
            pd.DataFrame(
                {
                    "target": one.name,
                    "offset_m": offsets,
                    "pod": detection_probability(offsets, one.detector),
                }
            )
            for one in classes
        ]
    )


def check_figures(survey: Survey, result: CheckResult) -> Figures:
    """Draw ``coverage``: POD as swum of whatever must be found, gaps and infill lanes."""
    detector = survey.settings.detector
    met = 100.0 * result.share_met
    worst = "" if len(result.sought) == 1 else f"colour: the lowest of {', '.join(result.sought)}; "
    yield (
        "coverage",
        draw_coverage(
            result.lowest,
            backdrop(survey),
            required_pod=detector.required_pod,
            gaps=result.gaps,
            infill=result.infill,
            subtitle=(
                f"{worst}reference target at {detector.burial_depth_m:g} m: {met:.0f} % of the "
                f"site at {detector.required_pod:g} or better; {counted(len(result.gaps), 'gap')}"
            ),
        ),
    )


def field_figures(
    survey: Survey,
    maps: xr.Dataset,
    anomalies: pd.DataFrame | None,
    names: Iterable[str] = PICTURED,
) -> Figures:
    """Draw a figure a map, each with its standard deviation."""
    behind = backdrop(survey, anomalies=anomalies)
    for name in names:
        if name == KINDS and kinds_in(maps):
            yield name, draw_kinds(maps, behind)
        if name == BESIDE and "strength" in maps:
            yield name, _beside(maps, behind)
        if name not in maps:
            continue
        title, norm = MAPS[name]
        # soundings and pushes have their own places: the detector's coverage says nothing of them
        swum = maps["surveyed"] if name in {"signal", "loudness", "strength"} else None
        yield (
            name,
            draw_pair(
                maps[name],
                maps[f"{name}_sd"],
                behind,
                title=title,
                surveyed=swum,
                norm="power" if norm == "power" else "linear",
                contours=CONTOURED.get(name),
                limits=_limits(name, maps),
            ),
        )


def _beside(maps: xr.Dataset, behind: Backdrop) -> Figure:
    """Draw the signal, and beside it the metal that explains it."""
    return draw_beside(
        maps["signal"],
        maps["strength"],
        behind,
        title="What was heard, and the metal that explains it",
        map_titles=("Signal", "Metal: equivalent strength in each cell"),
        surveyed=maps["surveyed"],
        limits=(
            _limits("signal", maps),
            _limits("strength", maps),
        ),
    )


def chart_figures(result: MapResult) -> Figures:
    """Draw the analyst's charts: variogram, cross-validation, conditioning."""
    unit = result.maps["signal"].attrs["units"]
    kriged = result.signal.kriged
    fit = result.signal.model.fit
    yield (
        "variogram",
        draw_variogram(
            {
                "pooled": result.signal.pooled,
                "along": result.signal.along,
                "across": result.signal.across,
            },
            fit.variogram if fit else result.signal.model.variogram,
            unit=result.maps[kriged].attrs["units"],
            title=f"Variogram of the conditioned {kriged}",
            lane_bearing_deg=result.signal.heading_deg,
            poor=fit.poor if fit else False,
            notes=fit.notes if fit else ("given in survey.toml",),
        ),
    )
    yield (
        "cross_validation",
        draw_cross_validation(result.signal.loudness.values, *result.left_out, quantity="loudness"),
    )
    yield "conditioning", draw_conditioning(result.readings, unit=unit)
    yield "quality", draw_quality(result.quality, by_whom(result.quality), unit=unit)


def _limits(name: str, maps: xr.Dataset) -> tuple[float, float] | None:
    """Return the ends of a colour scale: probability's own, or zero to the strongest surveyed."""
    if name == "contact_probability":
        return (0.0, 1.0)
    if name in {"signal", "strength"}:
        inside = maps[name].to_numpy()[maps["surveyed"].to_numpy()]
        inside = inside[np.isfinite(inside)]
        top = float(np.quantile(inside, 0.995)) if inside.size else 0.0
        return (0.0, top) if top > 0 else None
    return None


def rank_figures(survey: Survey, result: RankResult) -> Figures:
    """Draw ``squares`` (on the ground), ``rank_intervals`` (how firm) and ``weightings``."""
    first = tuple(result.dig.table["square"])
    top_k = survey.settings.ranking.top_k
    behind = backdrop(survey)
    yield (
        "squares",
        draw_squares(
            result.squares,
            behind,
            first=first,
            top_k=top_k,
            subtitle=NO_LEAVE,
            surveyed=result.surveyed,
        ),
    )
    yield "rank_intervals", draw_rank_intervals(result.squares, top_k=top_k, first=first)
    weights = {str(name): weight for name, weight in survey.settings.ranking.weights.items()}
    if len(result.weightings):
        yield "weightings", draw_weightings(result.weightings, top_k=top_k, weights=weights)


def section_figures(survey: Survey, result: Section) -> Figures:
    """Draw ``section``: seabed, probes and the horizon of contact along a line."""
    caution = "Probing can damage what it finds. A strong anomaly may be ordnance: do not probe it."
    title = f"Section: {survey.settings.site.name}"
    yield "section", draw_section(result, title=title, required=caution)


def learn_figures(survey: Survey, result: LearnResult) -> Figures:
    """Draw ``calibration`` (the forecast) and ``squares`` (what is left, ranked again)."""
    yield "calibration", draw_calibration(result.calibration)
    first = tuple(result.ranked.dig.table["square"])
    top_k = survey.settings.ranking.top_k
    title = "Excavation squares that are left, ranked with the weights learnt"
    left, behind = result.ranked.squares, backdrop(survey)
    yield (
        "squares",
        draw_squares(
            left,
            behind,
            first=first,
            top_k=top_k,
            title=title,
            subtitle=NO_LEAVE,
            surveyed=result.ranked.surveyed,
        ),
    )
