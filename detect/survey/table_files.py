"""Read and check every table of a survey, one after another, keeping count of all that is wrong."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pandas as pd
from shapely.geometry import Polygon

from detect.survey import grid, outlines, reading_slips, square_slips, swum, tables
from detect.survey.columns import has_column, nearest, read_columns
from detect.survey.errors import Problem
from detect.survey.files import TABLE_SUFFIXES, RawTable, read_raw, sha256
from detect.survey.settings import SETTINGS_FILE, ProbesSettings, Squares

# In the order they are checked: readings look their lanes up.
TABLES = ("lanes", "readings", "probes", "seabed", "trial", "opened")
# Read only where a command asks for them: they belong to the rehearsal and to after the digging.
ON_REQUEST = ("trial", "opened")


@dataclass
class TablesRead:
    """What came out of the table files.

    Parameters
    ----------
    tables : dict of str to pandas.DataFrame
        The tables that have rows, by their name in the contract.
    problems, notices : list of Problem
        What stops the survey, and what does not.
    inputs : dict of str to str
        SHA-256 of each file read.
    empty : list of str
        Files without rows that are not needed.
    """

    tables: dict[str, pd.DataFrame] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    notices: list[Problem] = field(default_factory=list)
    inputs: dict[str, str] = field(default_factory=dict)
    empty: list[str] = field(default_factory=list)


def read_tables(
    folder: Path,
    written: Mapping[str, Any],
    sections: Mapping[str, Any],
    wanted: Iterable[str],
    outline: Polygon | None,
    asked: Iterable[str] = (),
) -> TablesRead:
    """Read and check the tables the settings name.

    Parameters
    ----------
    folder : pathlib.Path
        The survey folder.
    written : mapping
        ``survey.toml`` as TOML reads it: which files are named.
    sections : mapping
        The sections of the settings that could be read, for the limits they set.
    wanted : iterable of str
        Tables that must be there and have rows.
    outline : shapely.Polygon or None
        The site; None where it is unsound, and positions are then not held against it.
    asked : iterable of str
        Tables that are read where they are there, though they may be empty.

    Returns
    -------
    TablesRead
    """
    read, wanted = TablesRead(), set(wanted)
    asked = {*asked, *wanted}
    lanes = swum.LanesKnown()
    if "lanes" in wanted:
        lanes = swum.LanesKnown(remedy=None)
    for name in TABLES:
        if name in ON_REQUEST and name not in asked:
            continue
        file = _named_file(folder, written, name, name in wanted, read)
        if file is None:
            continue
        raw, table = _typed(folder, file, name, name in wanted, read, _of_others(written, name))
        if name == "lanes":
            lanes = _lanes_known(raw, lanes)
        if raw is None or not len(table):
            continue
        if name == "readings":
            detector = sections.get("detector")
            full_scale = None if detector is None else detector.full_scale
            placed, problems, notices = swum.place_readings(table, raw, lanes, full_scale)
            if outline is not None:
                problems += outlines.far_positions(table, outline, file)
        else:
            placed, problems, notices = _checked(name, table, file, sections, outline)
        if name == "lanes" and has_column(raw, "lane"):
            lanes = replace(lanes, table=placed)
        read.tables[name] = placed
        read.problems += problems
        read.notices += notices
    if read.empty:
        # One line for all: before the first dive every table is empty.
        one = len(read.empty) == 1
        what = "the table has no rows; it is" if one else "these tables have no rows; they are"
        read.notices.append(Problem(", ".join(read.empty), f"{what} left out"))
    return read


def _lanes_known(raw: RawTable | None, lanes: swum.LanesKnown) -> swum.LanesKnown:
    """Say what to do about readings without lanes, once the table of lanes has been opened."""
    if raw is None or not has_column(raw, "lane"):
        return replace(lanes, remedy=None, whole=False)
    remedy = f"type the lanes into {raw.file}, or give e and n" if lanes.remedy else None
    return replace(lanes, remedy=remedy, whole=raw.ragged_rows == 0)


def _named_file(
    folder: Path, written: Mapping[str, Any], name: str, needed: bool, read: TablesRead
) -> str | None:
    """Name of a table's file as the settings say; trial and opened may go by their usual name."""
    section = written.get(name, {})
    file = section.get("file") if isinstance(section, dict) else None
    if isinstance(file, str):
        return file
    if file is None and name in ON_REQUEST:
        for suffix in TABLE_SUFFIXES:
            if (folder / f"{name}{suffix}").is_file():
                return f"{name}{suffix}"
    if file is None and needed:
        read.problems.append(
            Problem(
                SETTINGS_FILE,
                f"no table of {name} is named, and this command needs it",
                f'add file = "{name}.csv" to [{name}]',
                column=f"{name}.file",
            )
        )
    return None


def _typed(
    folder: Path, file: str, name: str, needed: bool, read: TablesRead, others: set[str]
) -> tuple[RawTable | None, pd.DataFrame]:
    """Read one file into typed columns; where some are missing, the others can still be checked."""
    path = folder / file
    try:
        data = path.read_bytes()
    except (OSError, ValueError) as error:
        read.problems.append(_no_file(folder, file, name, error, others))
        return None, pd.DataFrame()
    read.inputs[file] = sha256(data)
    raw, problems = read_raw(path, file, data, tables.may_lack(name))
    read.problems += problems
    if raw is None:
        return None, pd.DataFrame()
    table, problems, notices = read_columns(
        raw, tables.COLUMNS[name], tables.PASSED_OVER.get(name, ())
    )
    if name == "readings":
        problems += reading_slips.missing_place_columns(raw)
    read.problems += problems
    read.notices += notices
    if not len(table) and not raw.ragged_rows:
        if needed:
            read.problems.append(
                Problem(
                    file, f"the table has no rows, and this command needs {name}", "type the rows"
                )
            )
        else:
            read.empty.append(file)
    return raw, table


def _of_others(written: Mapping[str, Any], name: str) -> set[str]:
    """Return the files that hold another table, as the settings say or by their usual name."""
    named = {
        section.get("file")
        for table, section in written.items()
        if table != name and isinstance(section, dict)
    }
    usual = {f"{other}{ending}" for other in TABLES for ending in TABLE_SUFFIXES if other != name}
    return {file for file in named if isinstance(file, str)} | usual


def _no_file(folder: Path, file: str, name: str, error: Exception, of_others: set[str]) -> Problem:
    if not isinstance(error, FileNotFoundError):
        what = f'the table "{file}" cannot be read'
        if isinstance(error, IsADirectoryError):
            what = f'the table "{file}" is a folder'
        remedy = "give the name of a .csv or .xlsx file in the survey folder"
    else:
        what = f'the table "{file}" is not in the folder'
        others = sorted(p.name for p in folder.iterdir() if p.suffix.lower() in TABLE_SUFFIXES)
        like = nearest(file, [other for other in others if other not in of_others], 0.6)
        remedy = (
            f'the nearest file there is "{like}"' if like else "put it there, or correct its name"
        )
    return Problem(SETTINGS_FILE, what, remedy, column=f"{name}.file")


def _checked(
    name: str, table: pd.DataFrame, file: str, sections: Mapping[str, Any], outline: Polygon | None
) -> tuple[pd.DataFrame, list[Problem], list[Problem]]:
    """Run the checks of any table but the readings."""
    problems: list[Problem] = []
    notices: list[Problem] = []
    places: tuple[tuple[str, str, str], ...] = ()
    if name == "lanes":
        table, problems = tables.check_lanes(table, file)
        places = (("start_e", "start_n", "lane start"), ("end_e", "end_n", "lane end"))
    elif name == "probes":
        length = sections.get("probes", ProbesSettings()).length_m
        table, problems, notices = tables.check_probes(table, file, length)
        places = (("e", "n", "probe"),)
    elif name == "seabed":
        notices = tables.check_seabed(table, file)
        places = (("e", "n", "position"),)
    elif name == "trial":
        problems = tables.check_trial(table, file)
    else:
        known = None
        squares = sections.get("squares", Squares())
        if outline is not None:
            known = grid.known_squares(outline, squares.size_m, squares.origin)
        length = sections.get("probes", ProbesSettings()).length_m
        problems, notices = square_slips.check_opened(table, file, known, length)
    if outline is not None:
        for e, n, noun in places:
            problems += outlines.far_positions(table, outline, file, e, n, noun)
    return table, problems, notices
