"""Read a table as it was typed: rows of text with the row numbers a spreadsheet shows.

CSV (comma, semicolon or tab; UTF-8 with or without BOM) and the first sheet of XLSX come out
alike. What the columns mean, and whether a cell is a number, is for :mod:`detect.survey.columns`.
"""

from __future__ import annotations

import csv
import datetime as dt
import hashlib
import io
import warnings
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from detect.survey.errors import Problem

TABLE_SUFFIXES = (".csv", ".xlsx")
_NAMES = {",": "comma", ";": "semicolon", "\t": "tab"}


@dataclass(frozen=True)
class RawTable:
    """A table as text.

    Parameters
    ----------
    file : str
        File name as the user knows it.
    header : tuple of str
        Column names as typed, trimmed.
    header_row : int
        Row of the header as a spreadsheet numbers it.
    cells : ndarray of str objects, shape (rows, columns)
        Trimmed text; an empty text where the cell is blank.
    rows : ndarray of int, shape (rows,)
        Row of each record as a spreadsheet numbers it.
    decimal_comma : bool
        Whether a comma in a number may stand for the decimal point.
    blank_rows : int
        Blank rows skipped among and before the records.
    ragged_rows : int
        Rows left out because their cells do not match the header.
    """

    file: str
    header: tuple[str, ...]
    header_row: int
    cells: NDArray[np.object_]
    rows: NDArray[np.int64]
    decimal_comma: bool
    blank_rows: int
    ragged_rows: int = 0


def sha256(data: bytes) -> str:
    """SHA-256 of a file's bytes, in hexadecimal."""
    return hashlib.sha256(data).hexdigest()


def decode(data: bytes, file: str) -> str | Problem:
    """Turn bytes into text: UTF-8, BOM or not; a problem naming the row where it is not."""
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
            return Problem(file, "is UTF-16 text, not UTF-8", 'save it again as "CSV UTF-8"')
        row = data[: error.start].count(b"\n") + 1
        return Problem(
            file,
            f"is not UTF-8 text (byte 0x{data[error.start]:02x})",
            'save it again as "CSV UTF-8"' if file.lower().endswith(".csv") else "save it as UTF-8",
            row=row,
        )


def read_raw(
    path: Path, file: str, data: bytes, may_lack: Collection[str] = ()
) -> tuple[RawTable | None, list[Problem]]:
    """Read a table's bytes into rows of text.

    Parameters
    ----------
    path : pathlib.Path
        Where the bytes came from; the suffix tells CSV from XLSX.
    file : str
        File name to use in problems.
    data : bytes
        The file's content.
    may_lack : collection of str
        Columns, in lower case, that a row may stop short of: their cells are then blank.

    Returns
    -------
    RawTable or None
        None where the file cannot be read as a table at all.
    list of Problem
        Every problem of the file's form: encoding, header, ragged rows.
    """
    suffix = path.suffix.lower()
    if suffix == ".xlsx":
        records = _xlsx_records(data, file)
        decimal_comma, separator = True, None
    elif suffix == ".csv":
        text = decode(data, file)
        if isinstance(text, Problem):
            return None, [text]
        if "\0" in text:
            what = "holds zero bytes, so it is not a plain text table"
            return None, [Problem(file, what, 'save it again as "CSV UTF-8"')]
        separator = _separator(text)
        decimal_comma = separator != ","
        records = _csv_records(text, separator, file)
    else:
        return None, [
            Problem(file, f'has the ending "{path.suffix}"', "save the table as .csv or .xlsx")
        ]
    if isinstance(records, Problem):
        return None, [records]
    return _tabulate(records, file, decimal_comma, separator, may_lack)


def _separator(text: str) -> str:
    """Tell the separator from the first line that is not blank: tab, else semicolon, else comma."""
    header = next((line for line in text.splitlines() if line.strip(" \t;,")), "")
    for separator in ("\t", ";"):
        if separator in header:
            return separator
    return ","


def _csv_records(text: str, separator: str, file: str) -> list[list[str]] | Problem:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    records: list[list[str]] = []
    try:
        records.extend(reader)
    except csv.Error as error:
        return Problem(
            file,
            f"cannot be read past this row ({error})",
            'look for a quotation mark " that is opened and not closed',
            row=len(records) + 1,
        )
    return records


def _xlsx_records(data: bytes, file: str) -> list[list[str]] | Problem:
    from openpyxl import load_workbook

    try:
        with warnings.catch_warnings():
            # It warns of styles and drop-down lists it leaves out, which hold no data.
            warnings.simplefilter("ignore")
            book = load_workbook(io.BytesIO(data), read_only=True, data_only=True)
        sheet = book.worksheets[0]
        # Some programs write a wrong extent; without it the rows themselves are counted.
        sheet.reset_dimensions()
        records = [
            [_cell_text(value) for value in row] for row in sheet.iter_rows(values_only=True)
        ]
        book.close()
    # A broken archive raises anything from zipfile, zlib, the XML parser or the reader's guesses:
    # whatever it is, the fault lies in the file.
    except Exception as error:
        return Problem(
            file,
            f"is not a readable .xlsx workbook ({type(error).__name__})",
            "open it in a spreadsheet, save it again as .xlsx, or save the sheet as CSV UTF-8",
        )
    return records


def _cell_text(value: Any) -> str:
    """Text of a spreadsheet cell: whole numbers without a point, so that a lane 1 is lane "1"."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(int(value))
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    if isinstance(value, dt.datetime | dt.date | dt.time):
        return value.isoformat()
    return str(value)


def _tabulate(
    records: list[list[str]],
    file: str,
    decimal_comma: bool,
    separator: str | None,
    may_lack: Collection[str],
) -> tuple[RawTable | None, list[Problem]]:
    """Find the header, drop blank rows, and check that every row has the header's width."""
    numbered = [
        (row, [cell.strip() for cell in record]) for row, record in enumerate(records, start=1)
    ]
    filled = [(row, record) for row, record in numbered if any(record)]
    if not filled:
        return None, [Problem(file, "is empty", "it needs a header row and a row for each record")]
    header_row, header = filled[0]
    while header and not header[-1]:
        header.pop()
    width = len(header)
    body, problems = filled[1:], []
    for row, record in body:
        # Spreadsheets leave separators behind where a column was cleared.
        while len(record) > width and not record[-1]:
            record.pop()
        lacking = [name.casefold() for name in header[len(record) :]]
        if separator is None or all(name in may_lack for name in lacking):
            record.extend([""] * (width - len(record)))
        if len(record) != width:
            problems.append(_ragged(file, row, len(record), width, separator))
            del record[width:]
            record.extend([""] * (width - len(record)))
    ragged = {problem.row for problem in problems}
    kept = [(row, record) for row, record in body if row not in ragged]
    cells = np.array([record for _, record in kept], dtype=object).reshape(len(kept), width)
    last = filled[-1][0]
    table = RawTable(
        file=file,
        header=tuple(header),
        header_row=header_row,
        cells=cells,
        rows=np.array([row for row, _ in kept], dtype=np.int64),
        decimal_comma=decimal_comma,
        blank_rows=last - len(filled),
        ragged_rows=len(ragged),
    )
    return table, problems


def _ragged(file: str, row: int, found: int, width: int, separator: str | None) -> Problem:
    remedy = "give every row one cell a column, blank or not"
    if found > width and separator == ",":
        remedy += "; where numbers have a decimal comma, separate the columns with semicolons"
    how = f" ({_NAMES[separator]} separated)" if separator else ""
    return Problem(
        file,
        f"has {found} {'cell' if found == 1 else 'cells'} where the header has {width}{how}",
        remedy,
        row=row,
    )
