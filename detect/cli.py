"""The commands: options, progress and exit codes; what is worked out stands in other modules."""

from __future__ import annotations

import functools
import gc
import json
import logging
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from detect import __version__
from detect.survey.errors import Problem, SurveyError, lines_of

if TYPE_CHECKING:
    from tqdm import tqdm

    from detect.job import JobReport

F = TypeVar("F", bound=Callable[..., Any])

#: objects made before the young ones are searched for lost rings, and how rarely the old ones are
SELDOM = (100_000, 50, 100)

CAUTIONS = (
    "The dive supervisor sets bottom times and tables. A strong anomaly may be ordnance: do not "
    "probe or dig it, report it. Probing can damage what it finds. Disturbance needs permits and a "
    "licensed archaeologist. Local law prevails."
)


class Commands(click.Group):
    """A group whose commands turn every failure into a line and an exit code."""

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; 2 for bad input, 1 for a fault of the program."""
        try:
            return super().invoke(ctx)
        except SurveyError as error:
            as_json = bool(ctx.obj and ctx.obj.get("json"))
            if as_json:
                problems = [problem.as_dict() for problem in error.problems]
                click.echo(json.dumps({"problems": problems}, indent=2, ensure_ascii=False))
            for line in lines_of(error.problems):
                click.echo(line, err=True)
            ctx.exit(2)
        except (click.ClickException, click.exceptions.Exit, click.Abort):
            raise
        except Exception as error:
            if ctx.params.get("debug"):
                raise
            click.echo(
                f"detect: a fault of the program, not of your survey: {type(error).__name__}: "
                f"{error}. Nothing was written. Run again as `detect --debug ...` and send what it "
                "prints to whoever looks after detect.",
                err=True,
            )
            ctx.exit(1)


class ProgressBar:
    """A bar on stderr that follows the stages of a job; not shown within the first second."""

    def __init__(self, quiet: bool) -> None:
        self._quiet = quiet
        self._bar: tqdm | None = None

    def __call__(self, stage: str, done: int, total: int) -> None:
        """Show the stage and how far it is."""
        if self._bar is None:
            from tqdm import tqdm

            self._bar = tqdm(
                total=1.0,
                disable=self._quiet,
                file=sys.stderr,
                leave=False,
                delay=1.0,
                bar_format="{desc:<28}{percentage:3.0f}%|{bar:30}| {elapsed}",
            )
        self._bar.set_description_str(stage, refresh=False)
        self._bar.n = done / max(total, 1)
        self._bar.refresh()

    def close(self) -> None:
        """Take the bar off the screen."""
        if self._bar is not None:
            self._bar.close()


def shared_options(command: F) -> F:
    """Add the options every command has."""

    @click.argument("survey_folder", type=click.Path(path_type=Path))
    @click.option(
        "--out",
        type=click.Path(path_type=Path),
        help="Output folder, replaced whole. [default: SURVEY_FOLDER's name and the command's]",
    )
    @click.option("--quiet", is_flag=True, help="No progress and no summary, only problems.")
    @click.option("--json", "as_json", is_flag=True, help="The summary on stdout as JSON.")
    @functools.wraps(command)
    def wrapped(*args: Any, **kwargs: Any) -> Any:
        return command(*args, **kwargs)

    return wrapped  # type: ignore[return-value]


cluster_option = click.option(
    "--cluster",
    metavar="ADDRESS",
    help="Work the signal maps out on the dask cluster whose scheduler is at ADDRESS "
    "(tcp://host:port; needs the extra cluster). The numbers are the same.",
)


def run_job(
    name: str, survey_folder: Path, out: Path | None, quiet: bool, as_json: bool, **options: Any
) -> None:
    """Run one job and print what it says."""
    click.get_current_context().find_root().obj = {"json": as_json}
    # A process of seconds: looking through half a million objects for lost rings of references
    # takes a tenth of it. Pictures, which are large rings, are collected one by one.
    gc.set_threshold(*SELDOM)
    # matplotlib, scipy and the rest are only loaded once there is something to do
    from detect import job

    target = out or Path(f"{survey_folder.resolve().name}_{name}")
    bar = ProgressBar(quiet)
    try:
        report: JobReport = job.JOBS[name](survey_folder, target, bar, **options)
    finally:
        bar.close()
    if as_json:
        click.echo(json.dumps(report.summary, indent=2, ensure_ascii=False))
    elif not quiet:
        for line in report.lines:
            click.echo(line)
        click.echo(f"written to {target}")


@click.group(cls=Commands, epilog=CAUTIONS)
@click.version_option(__version__, prog_name="detect")
@click.option("--debug", is_flag=True, help="Show the full traceback of a fault of the program.")
def main(debug: bool) -> None:
    """Plan, check and map a pre-disturbance survey of a wreck, and rank what to dig first.

    A survey is a folder: survey.toml and the tables typed up from the slates. Nothing in it is
    ever changed.
    """
    logging.basicConfig(level=logging.DEBUG if debug else logging.ERROR)


@main.command()
@click.argument("folder", type=click.Path(path_type=Path))
def new(folder: Path) -> None:
    """Write a new survey FOLDER: a commented survey.toml and empty tables."""
    from detect import job

    for name in job.new_survey(folder):
        click.echo(folder / name)


@main.command()
@shared_options
def trial(survey_folder: Path, out: Path | None, quiet: bool, as_json: bool) -> None:
    """First of all: a rehearsal to print, and what it says of the coil once it was done."""
    run_job("trial", survey_folder, out, quiet, as_json)


@main.command()
@shared_options
def plan(survey_folder: Path, out: Path | None, quiet: bool, as_json: bool) -> None:
    """Before the dive: lane spacing, lanes, dives, kit, probe stations and slates."""
    run_job("plan", survey_folder, out, quiet, as_json)


@main.command()
@shared_options
def check(survey_folder: Path, out: Path | None, quiet: bool, as_json: bool) -> None:
    """Each evening: probability of detection as swum, gaps, and lanes that close them."""
    run_job("check", survey_folder, out, quiet, as_json)


@main.command("map")
@shared_options
@cluster_option
def map_(
    survey_folder: Path, out: Path | None, quiet: bool, as_json: bool, cluster: str | None
) -> None:
    """Condition the readings and map signal, contacts and seabed with their uncertainty."""
    run_job("map", survey_folder, out, quiet, as_json, cluster=cluster)


@main.command()
@shared_options
def rank(survey_folder: Path, out: Path | None, quiet: bool, as_json: bool) -> None:
    """Rank the excavation squares and choose what fits the hours."""
    run_job("rank", survey_folder, out, quiet, as_json)


@main.command()
@shared_options
def learn(survey_folder: Path, out: Path | None, quiet: bool, as_json: bool) -> None:
    """After opening squares: score the forecast, update the weights, rank what is left."""
    run_job("learn", survey_folder, out, quiet, as_json)


class Place(click.ParamType):
    """A place as ``e,n`` in metres."""

    name = "e,n"

    def convert(self, value: Any, param: Any, ctx: Any) -> tuple[float, float]:
        """Read the two numbers."""
        if isinstance(value, tuple):
            return value
        try:
            e, n = (float(part) for part in str(value).split(","))
        except ValueError:
            said = f"{value!r} is not e,n in metres"
            where = param.opts[0] if param else "place"
            raise SurveyError([Problem(where, said, "write it like 3.0,8.6")]) from None
        return e, n


@main.command()
@shared_options
@click.option("--from", "start", type=Place(), help="Start, e,n in metres. [default: baseline]")
@click.option("--to", "end", type=Place(), help="End, e,n in metres. [default: baseline]")
def section(
    survey_folder: Path,
    out: Path | None,
    quiet: bool,
    as_json: bool,
    start: tuple[float, float] | None,
    end: tuple[float, float] | None,
) -> None:
    """Cut a section: seabed, what the probes met, and the estimated horizon with its band."""
    if (start is None) != (end is None):
        given, other = ("--from", "--to") if end is None else ("--to", "--from")
        raise SurveyError([Problem(given, "one end of a line", f"give {other} too, or neither")])
    run_job("section", survey_folder, out, quiet, as_json, start=start, end=end)


@main.command()
@shared_options
@cluster_option
def run(
    survey_folder: Path, out: Path | None, quiet: bool, as_json: bool, cluster: str | None
) -> None:
    """All of the above in one go, with report.html and run.json."""
    run_job("run", survey_folder, out, quiet, as_json, cluster=cluster)


if __name__ == "__main__":
    main()
