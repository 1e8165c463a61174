"""Load a survey folder: settings, frame, outline and tables, or every problem of them at once.

Nothing is ever written here.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
from shapely.geometry import Polygon

from detect.survey import grid, square_slips
from detect.survey.errors import Problem, SurveyError
from detect.survey.files import decode, sha256
from detect.survey.frame import Frame
from detect.survey.outlines import (
    KeepOutArea,
    baseline_notices,
    remains_polygons,
    site_polygons,
)
from detect.survey.settings import (
    SETTINGS_FILE,
    FrameSettings,
    Mapping,
    Settings,
    Squares,
    missing_section,
)
from detect.survey.settings_file import SettingsFile, at_line, read_settings, square_keys
from detect.survey.table_files import TABLES, read_tables
from detect.survey.template import EXAMPLE_OUTLINE

# More nodes than this are a slip of node_m or of the outline: 500 x 500 m at 0.25 m.
MOST_NODES = 4_000_000


@dataclass(frozen=True, eq=False)
class Survey:
    """A survey folder as loaded.

    Parameters
    ----------
    folder : pathlib.Path
        Where it came from.
    settings : Settings
        Every parameter, after defaults.
    frame : Frame
        The local grid among the norths.
    outline : shapely.Polygon
        The site.
    keep_outs : tuple of KeepOutArea
        Where nobody swims.
    visible_remains : tuple of KeepOutArea
        Swum over, but never probed.
    lanes, readings, probes, seabed, trial, opened : pandas.DataFrame or None
        The tables; None where there is none, or it has no rows.
    notices : tuple of Problem
        What is worth knowing and stops nothing.
    inputs : dict of str to str
        SHA-256 of each file read, by name.
    """

    folder: Path
    settings: Settings
    frame: Frame
    outline: Polygon
    keep_outs: tuple[KeepOutArea, ...]
    visible_remains: tuple[KeepOutArea, ...]
    lanes: pd.DataFrame | None
    readings: pd.DataFrame | None
    probes: pd.DataFrame | None
    seabed: pd.DataFrame | None
    trial: pd.DataFrame | None
    opened: pd.DataFrame | None
    notices: tuple[Problem, ...]
    inputs: dict[str, str]

    @property
    def squares_origin(self) -> tuple[float, float]:
        """South-west corner of square A1: as given, or the outline's lower left in whole metres."""
        return self.settings.squares.origin or grid.default_origin(self.outline)

    def grid(self) -> grid.Grid:
        """Lay the grid of nodes the settings ask for."""
        area, mapping = self.settings.area, self.settings.mapping
        return grid.site_grid(self.outline, area.overlap_m, mapping.node_m, self.squares_origin)

    def squares(self) -> pd.DataFrame:
        """Name the squares of the site: columns ``square, e_min, n_min, size_m``."""
        return grid.square_names(self.outline, self.settings.squares.size_m, self.squares_origin)


def load_survey(folder: str | Path, needs: Iterable[str] = (), also: Iterable[str] = ()) -> Survey:
    """Load a survey folder.

    Parameters
    ----------
    folder : str or pathlib.Path
        Holds ``survey.toml`` and the tables it names.
    needs : iterable of str
        What the command cannot do without: names out of `TABLES` (each must be named in the
        settings, be there and have rows), ``"detector"``, ``"dives"``. ``trial`` and ``opened``
        are read only where they are needed. A table that is not needed is checked all the same,
        but may be empty.
    also : iterable of str
        ``trial`` or ``opened`` where they are read if they are there.

    Returns
    -------
    Survey

    Raises
    ------
    SurveyError
        With every problem of every file.
    ValueError
        For a name in `needs` that means nothing (a fault of the program, not of the folder).
    """
    folder, needed = Path(folder), set(needs)
    strange = needed - {*TABLES, "detector", "dives"}
    if strange:
        raise ValueError(f"nothing is called {', '.join(sorted(strange))} in a survey folder")
    text, inputs = _settings_text(folder)
    read = read_settings(text)
    if not read.written and read.problems:
        raise SurveyError(read.problems)
    outline, keep_outs, frame, problems, notices = _site(read)
    remains, slips = remains_polygons(read.sections.get("area"))
    problems += slips
    problems += [
        missing_section(name)
        for name in ("detector", "dives")
        if name in needed and name not in read.written
    ]
    typed = read_tables(folder, read.written, read.sections, needed & set(TABLES), outline, also)
    problems = [*read.problems, *problems, *typed.problems]
    if problems or read.settings is None or outline is None or frame is None:
        raise SurveyError(_in_reading_order([_with_line(p, text) for p in problems]))
    return Survey(
        folder=folder,
        settings=read.settings,
        frame=frame,
        outline=outline,
        keep_outs=keep_outs,
        visible_remains=remains,
        **{name: typed.tables.get(name) for name in TABLES},
        notices=tuple(_with_line(p, text) for p in [*notices, *typed.notices]),
        inputs={**inputs, **typed.inputs},
    )


def _with_line(problem: Problem, text: str) -> Problem:
    return at_line(problem, text) if problem.file == SETTINGS_FILE else problem


def _in_reading_order(problems: list[Problem]) -> list[Problem]:
    """Put the problems of a file together and down its rows, files in the order they came up."""
    files = list(dict.fromkeys(problem.file for problem in problems))
    return sorted(problems, key=lambda p: (files.index(p.file), p.row or 0))


def _settings_text(folder: Path) -> tuple[str, dict[str, str]]:
    """Text of the settings, and its hash by name."""
    if not folder.is_dir():
        raise SurveyError([Problem(str(folder), "is not a folder", "give the survey folder")])
    try:
        data = (folder / SETTINGS_FILE).read_bytes()
    except OSError as error:
        raise SurveyError([_unreadable(SETTINGS_FILE, folder, error)]) from None
    text = decode(data, SETTINGS_FILE)
    if isinstance(text, Problem):
        raise SurveyError([text])
    return text, {SETTINGS_FILE: sha256(data)}


def _unreadable(file: str, folder: Path, error: OSError) -> Problem:
    if isinstance(error, FileNotFoundError):
        return Problem(
            file, f"is not in the folder {folder}", '"detect new" writes a folder to start from'
        )
    return Problem(file, f"cannot be read ({error.strerror})", "check the file's permissions")


def _site(
    read: SettingsFile,
) -> tuple[
    Polygon | None,
    tuple[KeepOutArea, ...],
    Frame | None,
    list[Problem],
    list[Problem],
]:
    """Build outline, keep-outs and frame; check that the grids laid on the outline make sense."""
    outline: Polygon | None = None
    keep_outs: tuple[KeepOutArea, ...] = ()
    problems: list[Problem] = []
    notices: list[Problem] = []
    if "area" in read.sections:
        area = read.sections["area"]
        outline, keep_outs, problems, notices = site_polygons(area)
        if [list(corner) for corner in area.outline] == EXAMPLE_OUTLINE:
            what = 'is still the example that "detect new" writes, not your site'
            remedy = "write the corners of the site as known"
            notices.append(Problem(SETTINGS_FILE, what, remedy, column="area.outline"))
    frame = None
    if "frame" in read.sections or "frame" not in read.written:
        section = read.sections.get("frame", FrameSettings())
        try:
            frame = Frame.from_settings(section)
        except SurveyError as error:
            problems += error.problems
        if "magnetic_declination_deg" not in section.model_fields_set:
            notices.append(
                Problem(
                    SETTINGS_FILE,
                    "no declination is given, so magnetic bearings are taken as true",
                    "give the declination of the place and year",
                    column="frame.magnetic_declination_deg",
                )
            )
    if frame is not None:
        notices += baseline_notices(frame.baseline, keep_outs)
    if outline is not None:
        problems += _grid_problems(read, outline)
    return outline, keep_outs, frame, problems, notices


def _grid_problems(read: SettingsFile, outline: Polygon) -> list[Problem]:
    mapping = read.sections.get("mapping", Mapping())
    squares = read.sections.get("squares", Squares())
    origin = squares.origin or grid.default_origin(outline)
    problems = []
    e_min, n_min, _, _ = outline.bounds
    if origin[0] > e_min + 1e-6 or origin[1] > n_min + 1e-6:
        problems.append(
            Problem(
                SETTINGS_FILE,
                f"[{origin[0]:.10g}, {origin[1]:.10g}] lies east or north of the outline's lower "
                f"left [{e_min:.10g}, {n_min:.10g}], where squares would have no name",
                f"give {list(grid.default_origin(outline))}, or a corner further west and south",
                column="squares.origin",
            )
        )
        return problems
    for key, step, margin in (
        ("mapping.node_m", mapping.node_m, read.sections["area"].overlap_m),
        ("squares.size_m", squares.size_m, 0.0),
    ):
        count = grid.node_count(outline, margin, step, origin)
        if count > MOST_NODES:
            problems.append(
                Problem(
                    SETTINGS_FILE,
                    f"{step:g} m over this outline makes {count:,} cells (at most {MOST_NODES:,})",
                    f"give at least {step * (count / MOST_NODES) ** 0.5:.2g}",
                    column=key,
                )
            )
    named = square_keys(squares)
    if named and not problems:
        known = grid.known_squares(outline, squares.size_m, origin)
        for key, name in named:
            if grid.is_square_name(name):
                problems += square_slips.square_problems(name, known, SETTINGS_FILE, key)
    return problems
