"""The steps in order: one function a command, survey folder in, output folder out."""

from __future__ import annotations

import datetime
import importlib.metadata
import platform
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import xarray as xr

from detect import __version__, square_words, stages, summaries, trial_words
from detect.aside import aside
from detect.cluster import connected
from detect.figures import OF_THE_BED, OF_THE_SIGNAL
from detect.outputs import check_target, output_folder, plain, write_json
from detect.present.exchange import gis_layers
from detect.present.report import render_report
from detect.present.words import counted
from detect.report_context import report_context
from detect.stages import (
    BedMaps,
    CheckResult,
    MapResult,
    PlanResult,
    Progress,
    RankResult,
    silent,
)
from detect.stages.common import Later
from detect.survey import (
    Problem,
    Survey,
    SurveyError,
    lines_of,
    load_survey,
    new_survey_files,
)
from detect.writing import (
    draw_fields,
    write_baseline_section,
    write_check,
    write_learn,
    write_map,
    write_plan,
    write_rank,
    write_section,
    write_trial,
)

LIBRARIES = (
    "numpy",
    "scipy",
    "pandas",
    "xarray",
    "h5netcdf",
    "h5py",
    "matplotlib",
    "numba",
    "pykrige",
    "pydantic",
    "shapely",
    "pyproj",
    "pypdfium2",
    "click",
    "jinja2",
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


def _finish(survey: Survey, summary: dict[str, Any], lines: list[str]) -> JobReport:
    """Put the survey's warnings under the command's own words, and count its notes."""
    warnings = [str(notice) for notice in survey.notices]
    summary = {**summary, "warnings": warnings}
    notes = sum(line.startswith("  note: ") for line in lines)
    counts = [f"{counted(len(warnings), 'warning')} about the survey folder"] if warnings else []
    counts += [f"{counted(notes, 'note')} above"] if notes else []
    said = [", ".join(counts), *(f"  {warning}" for warning in lines_of(survey.notices))]
    return JobReport(plain(summary), tuple(lines + (said if counts else [])))


def _leave(
    survey: Survey,
    folder: Path,
    out: Path,
    write: Callable[[Path], dict[str, Any]],
    words: Callable[[dict[str, Any]], list[str]],
) -> JobReport:
    """Write what a command leaves, whole or not at all, and say in words what its summary says."""
    with output_folder(out, folder) as fresh:
        summary = write(fresh)
    return _finish(survey, summary, words(summary))


def trial(folder: Path, out: Path, progress: Progress = silent) -> JobReport:
    """Lay out a rehearsal and, once it was done, estimate what the coil hears."""
    check_target(out, folder)
    survey = load_survey(folder, needs=("detector",), also=("trial",))
    result = stages.trial(survey, progress)
    words = partial(trial_words.trial_lines, unit=survey.settings.detector.signal_unit)
    return _leave(survey, folder, out, partial(write_trial, survey, result), words)


def plan(folder: Path, out: Path, progress: Progress = silent) -> JobReport:
    """Plan lanes, dives, kit, probe stations and slates."""
    check_target(out, folder)
    survey = load_survey(folder, needs=("detector", "dives"))
    result = stages.plan(survey, progress)
    return _leave(survey, folder, out, partial(write_plan, survey, result), summaries.plan_lines)


def check(folder: Path, out: Path, progress: Progress = silent) -> JobReport:
    """Check the coverage as swum."""
    check_target(out, folder)
    survey = load_survey(folder, needs=("detector", "readings"))
    result = stages.check(survey, progress)
    return _leave(survey, folder, out, partial(write_check, survey, result), summaries.check_lines)


def map_signal(
    folder: Path, out: Path, progress: Progress = silent, cluster: str | None = None
) -> JobReport:
    """Condition the readings and map them, on a cluster where the address of one is given."""
    check_target(out, folder)
    survey = load_survey(folder, needs=("readings",))
    with output_folder(out, folder) as fresh, aside() as later, connected(cluster) as client:
        maps = _mapped(survey, fresh, progress, later, client=client)
        summary, _ = maps.written()
    return _finish(survey, summary, summaries.map_lines(summary))


@dataclass(frozen=True)
class _Mapped:
    """Maps, and the function that waits for their files and returns what was found.

    That is the summary of the maps, and that of the section if there is one.
    """

    result: MapResult
    written: Callable[[], tuple[dict[str, Any], dict[str, Any] | None]]


def _mapped(
    survey: Survey,
    folder: Path,
    progress: Progress,
    later: Later,
    *,
    with_section: bool = False,
    cover: xr.Dataset | None = None,
    client: Any = None,
) -> _Mapped:
    """Map the survey, and have each picture drawn aside as soon as what it shows is known."""
    drawn = []

    def bed() -> BedMaps:
        below = stages.map_bed(survey)
        drawn.append(later(_draw_bed, survey, below, folder, with_section))
        return below

    result = stages.map_signal(survey, progress, bed, cover, client, later)
    summary = later(write_map, survey, result, folder)
    drawn += [
        later(draw_fields, survey, result.maps, result.anomalies, folder, [name])
        for name in OF_THE_SIGNAL
    ]

    def written() -> tuple[dict[str, Any], dict[str, Any] | None]:
        of_the_bed, *_ = [finished() for finished in drawn]
        return dict(summary()), of_the_bed

    return _Mapped(result, written)


def _ranked(survey: Survey, progress: Progress) -> RankResult:
    """Map and rank, with the coverage as swum worked out once for both."""
    with aside() as later:
        cover = stages.swum(survey) if survey.settings.has_detector else None
        mapped = stages.map_signal(survey, progress, cover=cover, later=later)
        return stages.rank(survey, mapped, cover, progress)


def rank(folder: Path, out: Path, progress: Progress = silent) -> JobReport:
    """Rank the squares."""
    check_target(out, folder)
    survey = load_survey(folder, needs=("readings",))
    result = _ranked(survey, progress)
    return _leave(survey, folder, out, partial(write_rank, survey, result), square_words.rank_lines)


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
    return _leave(
        survey, folder, out, partial(write_section, survey, result), square_words.section_lines
    )


def learn(folder: Path, out: Path, progress: Progress = silent) -> JobReport:
    """Score the forecast in the opened squares and rank what is left."""
    check_target(out, folder)
    survey = load_survey(folder, needs=("readings", "opened"))
    result = stages.learn(survey, _ranked(survey, progress), progress)
    return _leave(
        survey, folder, out, partial(write_learn, survey, result), square_words.learn_lines
    )


def run(
    folder: Path, out: Path, progress: Progress = silent, cluster: str | None = None
) -> JobReport:
    """Plan, check, map and rank in one go, with a report and its provenance.

    The plan is made, metal is mapped and most pictures are drawn in processes of their own
    meanwhile; the signal is mapped on a cluster where the address of one is given.
    """
    begun = datetime.datetime.now(datetime.UTC).astimezone()
    clock = Clock()
    with output_folder(out, folder) as fresh, aside() as later, connected(cluster) as client:
        with clock("load"):
            survey = load_survey(folder, needs=("detector", "dives", "readings"))
        plan_written = later(_plan, survey, fresh)
        with clock("check"):
            checked = stages.check(survey, progress)
        check_written = later(write_check, survey, checked, fresh)
        with clock("map"):
            maps = _mapped(
                survey,
                fresh,
                progress,
                later,
                with_section=True,
                cover=checked.cover,
                client=client,
            )
        mapped = maps.result
        with clock("rank"):
            ranked = stages.rank(survey, mapped, checked.cover, progress)
        progress("pictures", 0, 2)
        with clock("write rank"):
            rank_summary = write_rank(survey, ranked, fresh)
        progress("pictures", 1, 2)
        with clock("wait for plan and pictures"):
            planned, plan_summary = plan_written()
            check_summary = check_written()
            map_summary, section_summary = maps.written()
            parts = {
                "plan": plan_summary,
                "check": check_summary,
                "map": map_summary,
                "rank": rank_summary,
            }
            if section_summary is not None:
                parts["section"] = section_summary
        progress("report", 0, 1)
        provenance = _provenance(survey, begun)
        with clock("report"):
            context = report_context(
                survey, planned, checked, mapped, ranked, parts, provenance, folder=fresh
            )
            (fresh / "report.html").write_text(render_report(context), encoding="utf-8")
            _write_gis(survey, planned, checked, mapped, ranked, fresh)
        warnings = [n.as_dict() for n in survey.notices]
        found = {"results": parts, "warnings": warnings, "notes": summaries.notes_of(parts)}
        write_json({**provenance, "timings_s": clock.seconds, **found}, fresh / "run.json")
        progress("report", 1, 1)
    lines = [
        *summaries.plan_lines(parts["plan"]),
        *summaries.check_lines(parts["check"]),
        *summaries.map_lines(parts["map"]),
        *square_words.rank_lines(parts["rank"]),
        *(square_words.section_lines(parts["section"]) if "section" in parts else ()),
    ]
    return _finish(survey, {**parts, "timings_s": clock.seconds}, lines)


def _plan(survey: Survey, folder: Path) -> tuple[PlanResult, dict[str, Any]]:
    """Plan the survey and write it; return the plan and its summary."""
    planned = stages.plan(survey)
    return planned, write_plan(survey, planned, folder)


def _draw_bed(
    survey: Survey, below: BedMaps, folder: Path, with_section: bool
) -> dict[str, Any] | None:
    """Write the pictures of the bed and of what lies under it; return the section's summary."""
    draw_fields(survey, xr.Dataset(below.fields), None, folder, OF_THE_BED)
    return write_baseline_section(survey, below, folder) if with_section else None


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
