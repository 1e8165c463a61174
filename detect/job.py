"""The steps in order: one function a command, survey folder in, output folder out."""

from __future__ import annotations

import datetime
import gc
import importlib.metadata
import platform
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
import xarray as xr
from matplotlib.figure import Figure

from detect import __version__, figures, stages, summaries, trial_words
from detect.aside import aside
from detect.cluster import connected
from detect.outputs import check_target, output_folder, plain, write_json, write_table
from detect.present.exchange import as_cf, gis_layers
from detect.present.page import pages_pdf_bytes
from detect.present.report import render_report
from detect.present.slates import slate_pages
from detect.present.style import pdf_bytes, png_bytes
from detect.present.trial_sheets import trial_sheets
from detect.probes import Section
from detect.report_context import report_context
from detect.stages import (
    BedMaps,
    CheckResult,
    LearnResult,
    MapResult,
    PlanResult,
    Progress,
    RankResult,
    TrialResult,
    silent,
)
from detect.survey import Problem, Survey, SurveyError, load_survey, new_survey_files
from detect.survey.settings import SETTINGS_FILE
from detect.survey.settings_edit import with_numbers

LIBRARIES = (
    "numpy",
    "scipy",
    "pandas",
    "xarray",
    "h5netcdf",
    "matplotlib",
    "pykrige",
    "pydantic",
    "shapely",
    "pyproj",
)


@dataclass(frozen=True)
class JobReport:
    """What a command has to say when it is done: for machines, and for people."""

    summary: dict[str, Any]
    lines: tuple[str, ...]


class Clock:
    """Seconds spent in each part of a job."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}

    @contextmanager
    def __call__(self, part: str) -> Iterator[None]:
        """Time the block."""
        begun = time.perf_counter()
        yield
        self.seconds[part] = round(time.perf_counter() - begun, 3)


def new_survey(folder: Path) -> list[str]:
    """Write a new survey folder; return the names of its files.

    Raises
    ------
    SurveyError
        The folder exists and is not empty.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise SurveyError(
            [Problem(str(folder), "exists already and is left as it is", "choose a new name")]
        )
    files = new_survey_files()
    with output_folder(folder, None, marked=False) as fresh:
        for name, text in files.items():
            (fresh / name).write_text(text, encoding="utf-8")
    return list(files)


def save_figures(pictures: Iterable[tuple[str, Figure]], folder: Path) -> None:
    """Save each figure as PNG, and what goes on a wall or into a publication as vector PDF too."""
    gc.freeze()  # what lives already is not searched again each time
    for name, figure in pictures:
        (folder / f"{name}.png").write_bytes(png_bytes(figure))
        if name not in figures.CHARTS:
            (folder / f"{name}.pdf").write_bytes(pdf_bytes(figure))
        # a drawn figure is a ring of references with tens of megabytes of canvas in it
        figure.clear()
        gc.collect()
    gc.unfreeze()


def save_maps(maps: xr.Dataset, survey: Survey, what: str, path: Path) -> None:
    """Save maps as a CF-1.11 NetCDF file."""
    title = f"{survey.settings.site.name}: {what}"
    as_cf(maps, survey.frame, title).to_netcdf(path, engine="h5netcdf")


def write_plan(survey: Survey, result: PlanResult, folder: Path) -> dict[str, Any]:
    """Write what `detect plan` leaves; return its summary."""
    write_table(result.lanes, folder / "lanes.csv")
    write_table(result.dives, folder / "dives.csv")
    write_table(result.kit, folder / "kit.csv")
    write_table(result.stations, folder / "probe_stations.csv")
    write_table(result.choices, folder / "spacings.csv")
    write_table(result.classes, folder / "targets.csv")
    save_figures(figures.plan_figures(survey, result), folder)
    pages = slate_pages(
        result.dives,
        figures.backdrop(survey, result.lanes),
        site_name=survey.settings.site.name,
        swing=summaries.swing_words(result),
    )
    (folder / "slates.pdf").write_bytes(pages_pdf_bytes(pages))
    summary = summaries.plan_summary(survey, result)
    write_json(summary, folder / "plan.json")
    return summary


def write_check(survey: Survey, result: CheckResult, folder: Path) -> dict[str, Any]:
    """Write what `detect check` leaves; return its summary."""
    save_maps(result.cover, survey, "coverage", folder / "coverage.nc")
    write_table(result.gaps, folder / "gaps.csv")
    write_table(result.infill, folder / "infill_lanes.csv")
    write_table(result.residual, folder / "residual.csv")
    save_figures(figures.check_figures(survey, result), folder)
    summary = summaries.check_summary(survey, result)
    write_json(summary, folder / "check.json")
    return summary


def draw_fields(survey: Survey, maps: xr.Dataset, anomalies: pd.DataFrame, folder: Path) -> None:
    """Write the pictures of the maps."""
    save_figures(figures.field_figures(survey, maps, anomalies), folder)


def write_map(survey: Survey, result: MapResult, folder: Path) -> dict[str, Any]:
    """Write what `detect map` leaves besides the pictures of the maps; return its summary."""
    save_maps(result.maps, survey, "maps", folder / "maps.nc")
    write_table(result.anomalies, folder / "anomalies.csv")
    write_table(result.quality, folder / "quality.csv")
    save_figures(figures.chart_figures(result), folder)
    summary = summaries.map_summary(survey, result)
    write_json(summary, folder / "map.json")
    return summary


def write_rank(survey: Survey, result: RankResult, folder: Path) -> dict[str, Any]:
    """Write what `detect rank` leaves; return its summary."""
    write_table(result.squares, folder / "squares.csv")
    write_table(result.dig.table, folder / "dig_plan.csv")
    write_table(result.evidence.trace(), folder / "evidence.csv")
    write_table(result.coin_tosses, folder / "coin_tosses.csv")
    write_table(result.weightings, folder / "weightings.csv")
    write_table(result.survey_next, folder / "survey_next.csv")
    save_figures(figures.rank_figures(survey, result), folder)
    summary = summaries.rank_summary(survey, result)
    write_json(summary, folder / "rank.json")
    return summary


def write_section(survey: Survey, result: Section, folder: Path) -> dict[str, Any]:
    """Write a section's table, probes and picture; return its summary."""
    write_table(result.line, folder / "section.csv")
    write_table(result.probes, folder / "section_probes.csv")
    save_figures(figures.section_figures(survey, result), folder)
    summary = summaries.section_summary(result)
    write_json(summary, folder / "section.json")
    return summary


def _write_baseline_section(survey: Survey, bed: BedMaps, folder: Path) -> None:
    """Write the section along the baseline, where there are probes and a baseline."""
    if survey.probes is not None and survey.settings.frame.baseline is not None:
        write_section(survey, stages.section(survey, bed=bed), folder)


def write_learn(survey: Survey, result: LearnResult, folder: Path) -> dict[str, Any]:
    """Write what the opened squares taught; return its summary."""
    write_table(result.forecast.table, folder / "forecast.csv")
    write_table(result.weights, folder / "learned_weights.csv")
    write_table(result.ranked.squares, folder / "squares.csv")
    write_table(result.ranked.dig.table, folder / "dig_plan.csv")
    save_figures(figures.learn_figures(survey, result), folder)
    summary = summaries.learn_summary(survey, result)
    write_json(summary, folder / "learn.json")
    return summary


def _finish(survey: Survey, summary: dict[str, Any], lines: list[str]) -> JobReport:
    """Put the survey's warnings under the command's own words."""
    warnings = [str(notice) for notice in survey.notices]
    summary = {**summary, "warnings": warnings}
    said = [f"{len(warnings)} warning{'s' if len(warnings) != 1 else ''} about the survey folder"]
    said += [f"  {warning}" for warning in warnings]
    return JobReport(plain(summary), tuple(lines + (said if warnings else [])))


def write_trial(survey: Survey, result: TrialResult, folder: Path) -> dict[str, Any]:
    """Write what `detect trial` leaves; return its summary."""
    settings, summary = survey.settings, trial_words.trial_summary(result)
    pages = trial_sheets(
        result.bench,
        result.lane,
        site_name=settings.site.name,
        coil_height_m=settings.detector.coil_height_m,
    )
    (folder / "trial_lane.pdf").write_bytes(pages_pdf_bytes(pages))
    write_table(result.to_fill, folder / "trial_to_fill.csv")
    if result.fit is not None:
        facts = trial_words.trial_facts(summary, settings.detector.signal_unit)
        save_figures(figures.trial_figures(survey, result, facts), folder)
        old = (survey.folder / SETTINGS_FILE).read_text(encoding="utf-8-sig")
        text, failed = with_numbers(old, result.numbers)
        (folder / SETTINGS_FILE).write_text(text, encoding="utf-8")
        summary["notes"] += [f"could not put {key} in place: do it by hand" for key in failed]
    write_json(summary, folder / "trial.json")
    return summary


def trial(folder: Path, out: Path, progress: Progress = silent) -> JobReport:
    """Lay out a rehearsal and, once it was done, estimate what the coil hears."""
    check_target(out, folder)
    survey = load_survey(folder, needs=("detector",), also=("trial",))
    result = stages.trial(survey, progress)
    with output_folder(out, folder) as fresh:
        summary = write_trial(survey, result, fresh)
    unit = survey.settings.detector.signal_unit
    return _finish(survey, summary, trial_words.trial_lines(summary, unit))


def plan(folder: Path, out: Path, progress: Progress = silent) -> JobReport:
    """Plan lanes, dives, kit, probe stations and slates."""
    check_target(out, folder)
    survey = load_survey(folder, needs=("detector", "dives"))
    result = stages.plan(survey, progress)
    with output_folder(out, folder) as fresh:
        summary = write_plan(survey, result, fresh)
    return _finish(survey, summary, summaries.plan_lines(summary))


def check(folder: Path, out: Path, progress: Progress = silent) -> JobReport:
    """Check the coverage as swum."""
    check_target(out, folder)
    survey = load_survey(folder, needs=("detector", "readings"))
    result = stages.check(survey, progress)
    with output_folder(out, folder) as fresh:
        summary = write_check(survey, result, fresh)
    return _finish(survey, summary, summaries.check_lines(summary))


def map_signal(
    folder: Path, out: Path, progress: Progress = silent, cluster: str | None = None
) -> JobReport:
    """Condition the readings and map them, on a cluster where the address of one is given."""
    check_target(out, folder)
    survey = load_survey(folder, needs=("readings",))
    with connected(cluster) as client:
        result = stages.map_signal(survey, progress, client=client)
    with output_folder(out, folder) as fresh:
        draw_fields(survey, result.maps, result.anomalies, fresh)
        summary = write_map(survey, result, fresh)
    return _finish(survey, summary, summaries.map_lines(summary))


def rank(folder: Path, out: Path, progress: Progress = silent) -> JobReport:
    """Rank the squares."""
    check_target(out, folder)
    survey = load_survey(folder, needs=("readings",))
    maps = stages.map_signal(survey, progress)
    cover = stages.swum(survey) if survey.settings.has_detector else None
    result = stages.rank(survey, maps, cover, progress)
    with output_folder(out, folder) as fresh:
        summary = write_rank(survey, result, fresh)
    return _finish(survey, summary, summaries.rank_lines(summary))


def section(
    folder: Path,
    out: Path,
    progress: Progress = silent,
    start: tuple[float, float] | None = None,
    end: tuple[float, float] | None = None,
) -> JobReport:
    """Cut a section along a line, or along the baseline."""
    check_target(out, folder)
    survey = load_survey(folder, needs=("probes",))
    result = stages.section(survey, start, end, progress)
    with output_folder(out, folder) as fresh:
        summary = write_section(survey, result, fresh)
    return _finish(survey, summary, summaries.section_lines(summary))


def learn(folder: Path, out: Path, progress: Progress = silent) -> JobReport:
    """Score the forecast in the opened squares and rank what is left."""
    check_target(out, folder)
    survey = load_survey(folder, needs=("readings", "opened"))
    maps = stages.map_signal(survey, progress)
    cover = stages.swum(survey) if survey.settings.has_detector else None
    result = stages.learn(survey, stages.rank(survey, maps, cover, progress), progress)
    with output_folder(out, folder) as fresh:
        summary = write_learn(survey, result, fresh)
    return _finish(survey, summary, summaries.learn_lines(summary))


def run(
    folder: Path, out: Path, progress: Progress = silent, cluster: str | None = None
) -> JobReport:
    """Plan, check, map and rank in one go, with a report and its provenance.

    The bed is mapped and most pictures are drawn in a process of their own meanwhile; the signal
    is mapped on a cluster where the address of one is given.
    """
    check_target(out, folder)
    begun = datetime.datetime.now(datetime.UTC).astimezone()
    clock = Clock()
    with aside() as later, connected(cluster) as client, output_folder(out, folder) as fresh:
        with clock("load"):
            survey = load_survey(folder, needs=("detector", "dives", "readings"))
        bed = later(stages.map_bed, survey)
        with clock("plan"):
            planned = stages.plan(survey, progress)
        plan_written = later(write_plan, survey, planned, fresh)
        with clock("check"):
            checked = stages.check(survey, progress)
        check_written = later(write_check, survey, checked, fresh)
        with clock("map"):
            mapped = stages.map_signal(survey, progress, bed, checked.cover, client=client)
        fields_drawn = later(draw_fields, survey, mapped.maps, mapped.anomalies, fresh)
        cut = later(_write_baseline_section, survey, bed(), fresh)
        with clock("rank"):
            ranked = stages.rank(survey, mapped, checked.cover, progress)
        progress("pictures", 0, 3)
        with clock("write rank"):
            rank_summary = write_rank(survey, ranked, fresh)
        progress("pictures", 1, 3)
        with clock("write map"):
            map_summary = write_map(survey, mapped, fresh)
        progress("pictures", 2, 3)
        with clock("wait for pictures"):
            parts = {
                "plan": plan_written(),
                "check": check_written(),
                "map": map_summary,
                "rank": rank_summary,
            }
            fields_drawn()
            cut()
        provenance = _provenance(survey, begun)
        with clock("report"):
            context = report_context(
                survey, planned, checked, mapped, ranked, parts, provenance, folder=fresh
            )
            (fresh / "report.html").write_text(render_report(context), encoding="utf-8")
            _write_gis(survey, planned, checked, mapped, ranked, fresh)
        warnings = [n.as_dict() for n in survey.notices]
        write_json(
            {**provenance, "timings_s": clock.seconds, "results": parts, "warnings": warnings},
            fresh / "run.json",
        )
        progress("report", 3, 3)
    lines = [
        *summaries.plan_lines(parts["plan"]),
        *summaries.check_lines(parts["check"]),
        *summaries.map_lines(parts["map"]),
        *summaries.rank_lines(parts["rank"]),
    ]
    return _finish(survey, {**parts, "timings_s": clock.seconds}, lines)


def _write_gis(
    survey: Survey,
    planned: PlanResult,
    checked: CheckResult,
    mapped: MapResult,
    ranked: RankResult,
    folder: Path,
) -> None:
    """Write lanes, gaps, anomalies and squares as a GeoPackage, where extra gis and a map allow."""
    layers = gis_layers(
        survey.frame,
        lanes=survey.lanes if survey.lanes is not None else planned.lanes,
        squares=ranked.squares,
        anomalies=mapped.anomalies,
        gaps=checked.gaps,
    )
    for name, layer in layers.items():
        layer.to_file(folder / "survey.gpkg", layer=name, driver="GPKG")


def _provenance(survey: Survey, begun: datetime.datetime) -> dict[str, Any]:
    """Return what is needed to make the same result again."""
    return {
        "program": "detect",
        "version": __version__,
        "begun": begun.isoformat(timespec="seconds"),
        "python": platform.python_version(),
        "libraries": {name: importlib.metadata.version(name) for name in LIBRARIES},
        "survey": survey.settings.site.name,
        "inputs_sha256": survey.inputs,
        "parameters": survey.settings.as_dict(),
        "seed": survey.settings.ranking.seed,
    }


JOBS: dict[str, Callable[..., JobReport]] = {
    "trial": trial,
    "plan": plan,
    "check": check,
    "map": map_signal,
    "rank": rank,
    "section": section,
    "learn": learn,
    "run": run,
}
