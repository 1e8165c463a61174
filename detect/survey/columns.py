"""From text to typed columns: match the header, parse numbers, name every cell that is wrong."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from detect.survey.errors import Problem
from detect.survey.files import RawTable

_NUMBER = r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?"
_WITH_UNIT = re.compile(r"([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+))\s*([^\W\d_]+|[°%'\"])\.?")
_NOT_A_NUMBER = {"nan", "na", "n/a", "#n/a", "null", "none", "-", "--", "?"}
# How alike an unknown heading must be to an absent optional one to be taken for a misspelling.
_MISSPELT = 0.82


@dataclass(frozen=True)
class Column:
    """What a column of a table must hold.

    Parameters
    ----------
    name : str
        Name by the contract.
    kind : {"number", "text"}
        What the cells are.
    required : bool
        Whether the table must have the column.
    blank : bool
        Whether a cell may be blank: a blank number is NaN, a blank text is `default`.
    default : str
        Text of a blank cell, and of the whole column where the table has none.
    lowest, highest : float or None
        Allowed range of a number, ends included.
    alternative : bool
        Whether another column may stand in its place; its absence is then judged elsewhere.
    remedy : str
        What to do about a cell that is not a number, where there is more to say than to correct it.
    """

    name: str
    kind: Literal["number", "text"] = "number"
    required: bool = True
    blank: bool = False
    default: str = ""
    lowest: float | None = None
    highest: float | None = None
    alternative: bool = False
    remedy: str = ""


def nearest(word: str, known: Iterable[str], cutoff: float = 0.5) -> str | None:
    """Return the known word most like `word`, capitals aside, the first among equals; or None."""
    best, found = 0.0, None
    matcher = difflib.SequenceMatcher()
    matcher.set_seq2(word.casefold())
    for candidate in known:
        matcher.set_seq1(candidate.casefold())
        likeness = matcher.ratio()
        if likeness >= cutoff and (likeness > best or found is None):
            best, found = likeness, candidate
    return found


def read_columns(
    raw: RawTable, columns: Sequence[Column], passed_over: Collection[str] = ()
) -> tuple[pd.DataFrame, list[Problem], list[Problem]]:
    """Type a table's cells.

    Parameters
    ----------
    raw : RawTable
        The table as text.
    columns : sequence of Column
        Every column the table may have.
    passed_over : collection of str
        Headings that it may have besides and that are not used, which needs no words.

    Returns
    -------
    pandas.DataFrame
        One column for each of `columns` (NaN or the default where the table has none), and
        ``row``. A cell with a problem is NaN or its text as typed.
    list of Problem
        Missing and misspelt columns, blank cells, cells that are not numbers, numbers out of range.
    list of Problem
        Notices: ignored columns, decimal commas read, blank rows skipped.
    """
    places, problems, notices = _match_header(raw, columns, passed_over)
    typed: dict[str, object] = {}
    commas = points = 0
    for column in columns:
        place = places.get(column.name)
        if place is None:
            typed[column.name] = (
                np.full(len(raw.rows), np.nan)
                if column.kind == "number"
                else np.full(len(raw.rows), column.default, dtype=object)
            )
            continue
        cells = pd.Series(raw.cells[:, place], dtype=object).str.strip()
        if column.kind == "text":
            typed[column.name], found = _text(raw, column, cells)
        else:
            typed[column.name], found, with_comma = _numbers(raw, column, cells)
            commas += with_comma
            points += int(cells.str.contains(".", regex=False).sum())
        problems += found
    if commas:
        what = f"numbers with a decimal comma, read as decimals: {commas}"
        if points:
            what += f"; with a decimal point: {points}"
        notices.append(Problem(raw.file, what))
    if raw.blank_rows:
        notices.append(Problem(raw.file, f"blank rows skipped: {raw.blank_rows}"))
    return pd.DataFrame({**typed, "row": raw.rows}), problems, notices


def has_column(raw: RawTable, name: str) -> bool:
    """Whether a table has a column, capitals and surrounding spaces aside."""
    return name in {heading.casefold() for heading in raw.header}


def header_slips(raw: RawTable, columns: Sequence[Column]) -> list[Problem]:
    """List what is wrong with a table's headings: missing, misspelt or doubled columns."""
    return _match_header(raw, columns)[1]


def wrong_cells(
    rows: pd.DataFrame, column: str, file: str, what: Callable[[Any], str], remedy: str
) -> list[Problem]:
    """Name the cell of a column in each of these rows, `what` wording its value."""
    return [
        Problem(file, what(value), remedy, row=int(row), column=column)
        for value, row in zip(rows[column], rows["row"], strict=True)
    ]


def _match_header(
    raw: RawTable, columns: Sequence[Column], passed_over: Collection[str] = ()
) -> tuple[dict[str, int], list[Problem], list[Problem]]:
    """Find each known column's place in the header."""
    known = {column.name: column for column in columns}
    places: dict[str, int] = {}
    problems: list[Problem] = []
    strangers: list[tuple[int, str]] = []
    for place, heading in enumerate(raw.header):
        name = heading.casefold()
        if name in places:
            problems.append(
                Problem(
                    raw.file,
                    f'has two columns headed "{heading}"',
                    "rename or remove one of them",
                    row=raw.header_row,
                    column=name,
                )
            )
        elif name in known:
            places[name] = place
        elif name not in passed_over:
            strangers.append((place, heading))
    absent = [column.name for column in columns if column.name not in places]
    choosable = [n for n in absent if not known[n].required and not known[n].alternative]
    ignored: list[str] = []
    claimed: dict[str, str] = {}
    for place, heading in strangers:
        like_needed = nearest(
            heading, [n for n in absent if known[n].required and n not in claimed], 0.6
        )
        like_optional = nearest(heading, [n for n in choosable if n not in claimed], _MISSPELT)
        like = like_needed or like_optional
        if heading and like:
            claimed[like] = heading
            if like_needed is None:
                problems.append(
                    Problem(
                        raw.file,
                        f'column "{heading}" is not known',
                        f'rename it "{like}" if it holds that, or give it quite another name',
                        row=raw.header_row,
                        column=heading,
                    )
                )
        elif heading or any(raw.cells[:, place]):
            ignored.append(heading or f"(no heading, column {place + 1})")
    for name in absent:
        if known[name].required:
            problems.append(
                Problem(
                    raw.file,
                    f'column "{name}" is missing',
                    f'the heading "{claimed[name]}" is the nearest: rename it "{name}"'
                    if name in claimed
                    else f'add a column headed "{name}"; the headings are: {", ".join(raw.header)}',
                    row=raw.header_row,
                    column=name,
                )
            )
    notices = []
    if ignored:
        notices.append(Problem(raw.file, f"columns not used: {', '.join(ignored)}"))
    return places, problems, notices


def _text(
    raw: RawTable, column: Column, cells: pd.Series
) -> tuple[NDArray[np.object_], list[Problem]]:
    blank = (cells == "").to_numpy(bool)
    problems = []
    if not column.blank:
        problems = [_blank_cell(raw, column, row) for row in raw.rows[blank]]
    return cells.mask(blank, column.default).to_numpy(object), problems


def _numbers(
    raw: RawTable, column: Column, cells: pd.Series
) -> tuple[NDArray[np.float64], list[Problem], int]:
    """Parse a column of numbers; also count the decimal commas read."""
    plain = cells.str.replace("\u2212", "-", regex=False)
    with_comma = plain.str.fullmatch(r"[+-]?\d*,\d+(?:[eE][+-]?\d+)?") & raw.decimal_comma
    plain = plain.mask(with_comma, plain.str.replace(",", ".", regex=False))
    good = plain.str.fullmatch(_NUMBER).to_numpy(bool)
    values = np.full(len(cells), np.nan)
    values[good] = plain[good].astype(float)
    blank = (cells == "").to_numpy(bool)
    infinite = np.isinf(values)
    values[infinite] = np.nan
    wrong = (~good & ~blank) | infinite
    low = np.zeros(len(cells), bool) if column.lowest is None else values < column.lowest
    high = np.zeros(len(cells), bool) if column.highest is None else values > column.highest
    problems: list[Problem] = []
    suspects = wrong | low | high | (blank & (not column.blank))
    for i in np.flatnonzero(suspects):
        row, text = int(raw.rows[i]), str(cells.iloc[i])
        if blank[i]:
            problems.append(_blank_cell(raw, column, row))
        elif wrong[i]:
            problems.append(_not_a_number(raw, column, row, text))
        else:
            problems.append(
                Problem(
                    raw.file,
                    f"{text} is outside the allowed range, {_range(column)}",
                    "check the slate and correct the cell",
                    row=row,
                    column=column.name,
                )
            )
    # told once: what is out of range says nothing about the rest of its row
    values[low | high] = np.nan
    return values, problems, int(with_comma.sum())


def _range(column: Column) -> str:
    if column.lowest is not None and column.highest is not None:
        return f"{column.lowest:g} to {column.highest:g}"
    return (
        f"at least {column.lowest:g}"
        if column.lowest is not None
        else f"at most {column.highest:g}"
    )


def _blank_cell(raw: RawTable, column: Column, row: int) -> Problem:
    return Problem(
        raw.file,
        "the cell is blank",
        "fill it from the slate, or remove the row",
        row=int(row),
        column=column.name,
    )


def _not_a_number(raw: RawTable, column: Column, row: int, text: str) -> Problem:
    bare = text.strip().casefold()
    unit = _WITH_UNIT.fullmatch(text)
    if bare in _NOT_A_NUMBER:
        what, remedy = (
            f'"{text}" is not a number',
            "fill the cell from the slate, or remove the row",
        )
    elif bare.lstrip("+-") in {"inf", "infinity"} or re.fullmatch(_NUMBER, text):
        what, remedy = f'"{text}" is infinite', "give a finite number, or remove the row"
    elif unit:
        what = f'"{text}" has a unit typed in the cell'
        remedy = f"type {unit.group(1)} only; the heading says the unit"
    elif re.fullmatch(r"[+-]?\d+,\d+", text):
        what = f'"{text}" has a decimal comma in a comma-separated table'
        remedy = "use a decimal point, or separate the columns with semicolons"
    elif re.fullmatch(r"[+-]?\d{1,3}([.,' ]\d{3})+([.,]\d+)?", text):
        what, remedy = f'"{text}" has a thousands separator', "type the digits without it"
    else:
        what = f'"{text}" is not a number'
        remedy = column.remedy or "correct the cell, or remove the row"
    return Problem(raw.file, what, remedy, row=row, column=column.name)
