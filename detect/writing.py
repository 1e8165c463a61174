"""What each command leaves in its output folder; called by the jobs, and by nothing else."""

from __future__ import annotations

import gc
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pandas as pd
import xarray as xr
from matplotlib.figure import Figure

from detect import figures, square_words, stages, summaries, trial_words
from detect.lanes import widest_advance
from detect.outputs import write_json, write_table
from detect.present.exchange import as_cf
from detect.present.page import pages_pdf_bytes
from detect.present.probe_slates import probe_slate_pages
from detect.present.slates import slate_pages
from detect.present.style import page_png_bytes, pdf_bytes, png_bytes
from detect.present.trial_sheets import trial_sheets
from detect.probes import Section
from detect.readings import by_whom
from detect.stages import (
    BedMaps,
    CheckResult,
    LearnResult,
    MapResult,
    PlanResult,
    RankResult,
    TrialResult,
)
from detect.survey import Survey
from detect.survey.settings import SETTINGS_FILE
from detect.survey.settings_edit import with_numbers


@contextmanager
def _only_new_is_searched() -> Iterator[None]:
    """Keep what lives already out of the search for lost rings: drawing sets off many."""
    gc.freeze()
    try:
        yield
    finally:
        gc.unfreeze()


@_only_new_is_searched()
def save_figures(pictures: Iterable[tuple[str, Figure]], folder: Path) -> None:
    """Save each figure as PNG, and what goes on a wall or into a publication as vector PDF too."""
    for name, figure in pictures:
        if name in figures.CHARTS:
            png = png_bytes(figure)
        else:
            pdf = pdf_bytes(figure)
            png = page_png_bytes(pdf)
            (folder / f"{name}.pdf").write_bytes(pdf)
        (folder / f"{name}.png").write_bytes(png)
        # a drawn figure is a ring of references with tens of megabytes of canvas in it
        del figure
        gc.collect()


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
    _write_slates(survey, result, folder)
    summary = summaries.plan_summary(survey, result)
    write_json(summary, folder / "plan.json")
    return summary


@_only_new_is_searched()
def _write_slates(survey: Survey, result: PlanResult, folder: Path) -> None:
    """Write the slates of the lanes and, where there are any, of the probe stations."""
    behind = figures.backdrop(survey, result.lanes)
    pages = slate_pages(
        result.dives,
        behind,
        site_name=survey.settings.site.name,
        swing=summaries.swing_words(result.swing_advance_m),
    )
    (folder / "slates.pdf").write_bytes(pages_pdf_bytes(pages))
    if survey.settings.has_probes and len(result.stations):
        pages = probe_slate_pages(
            result.stations,
            behind,
            site_name=survey.settings.site.name,
            probe_length_m=survey.settings.probes.length_m,
        )
        (folder / "probe_slates.pdf").write_bytes(pages_pdf_bytes(pages))


def write_check(survey: Survey, result: CheckResult, folder: Path) -> dict[str, Any]:
    """Write what `detect check` leaves; return its summary."""
    save_maps(result.cover, survey, "coverage", folder / "coverage.nc")
    write_table(result.gaps, folder / "gaps.csv")
    write_table(result.infill, folder / "infill_lanes.csv")
    write_table(result.residual, folder / "residual.csv")
    if len(result.infill):
        _write_infill_slates(survey, result, folder)
    save_figures(figures.check_figures(survey, result), folder)
    summary = summaries.check_summary(survey, result)
    write_json(summary, folder / "check.json")
    return summary


def _write_infill_slates(survey: Survey, result: CheckResult, folder: Path) -> None:
    """Write the dives along infill lanes, and slates of them like those of the plan."""
    write_table(result.infill_dives, folder / "infill_dives.csv")
    laid = [table for table in (survey.lanes, result.infill) if table is not None]
    pages = slate_pages(
        result.infill_dives,
        figures.backdrop(survey, pd.concat(laid, ignore_index=True)),
        site_name=survey.settings.site.name,
        swing=summaries.swing_words(widest_advance(survey.settings.detector)),
    )
    (folder / "infill_slates.pdf").write_bytes(pages_pdf_bytes(pages))


def draw_fields(
    survey: Survey,
    maps: xr.Dataset,
    anomalies: pd.DataFrame | None,
    folder: Path,
    names: Iterable[str],
) -> None:
    """Write the pictures of these maps, where they are there."""
    save_figures(figures.field_figures(survey, maps, anomalies, names), folder)


def write_map(survey: Survey, result: MapResult, folder: Path) -> dict[str, Any]:
    """Write what `detect map` leaves besides the pictures of the maps; return its summary."""
    save_maps(result.maps, survey, "maps", folder / "maps.nc")
    write_table(result.anomalies, folder / "anomalies.csv")
    write_table(result.quality, folder / "quality.csv")
    write_table(by_whom(result.quality), folder / "quality_by_whom.csv")
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
    summary = square_words.rank_summary(survey, result)
    write_json(summary, folder / "rank.json")
    return summary


def write_section(survey: Survey, result: Section, folder: Path) -> dict[str, Any]:
    """Write a section's table, probes and picture; return its summary."""
    write_table(result.line, folder / "section.csv")
    write_table(result.probes, folder / "section_probes.csv")
    save_figures(figures.section_figures(survey, result), folder)
    summary = square_words.section_summary(result)
    write_json(summary, folder / "section.json")
    return summary


def write_baseline_section(survey: Survey, bed: BedMaps, folder: Path) -> dict[str, Any] | None:
    """Write the section along the baseline, where there are probes and a baseline; its summary."""
    if survey.probes is None or survey.settings.frame.baseline is None:
        return None
    return write_section(survey, stages.section(survey, bed=bed), folder)


def write_learn(survey: Survey, result: LearnResult, folder: Path) -> dict[str, Any]:
    """Write what the opened squares taught; return its summary."""
    write_table(result.forecast.table, folder / "forecast.csv")
    write_table(result.weights, folder / "learned_weights.csv")
    write_table(result.ranked.squares, folder / "squares.csv")
    write_table(result.ranked.dig.table, folder / "dig_plan.csv")
    save_figures(figures.learn_figures(survey, result), folder)
    summary = square_words.learn_summary(survey, result)
    write_json(summary, folder / "learn.json")
    return summary


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
        text, failed = with_numbers(trial_words.without_caution(old), result.numbers)
        caution = trial_words.poor_fit_caution(summary["poor_fit"])
        (folder / SETTINGS_FILE).write_text(caution + text, encoding="utf-8")
        summary["notes"] += [f"could not put {key} in place: do it by hand" for key in failed]
    write_json(summary, folder / "trial.json")
    return summary
