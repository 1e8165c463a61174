"""Every dialect a spreadsheet or a hand writes comes to the same readings."""

import csv
import io
from pathlib import Path

import numpy as np
import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detect.survey import Problem, load_survey
from detect.survey.columns import Column, nearest, read_columns
from detect.survey.files import read_raw

READINGS = [("lane", "distance_m", "signal"), ("L1", 0.0, 1.5), ("L2", 12.25, -0.125)]


def typed(data: bytes, name: str = "t.csv"):
    raw, problems = read_raw(Path(name), name, data)
    assert problems == []
    assert raw is not None
    frame, problems, notices = read_columns(
        raw, [Column("lane", "text"), Column("distance_m"), Column("signal")]
    )
    assert problems == []
    return frame, [str(notice) for notice in notices]


def written(separator: str, comma: bool, rows=READINGS, end: str = "\n") -> str:
    out = io.StringIO()
    writer = csv.writer(out, delimiter=separator, lineterminator=end)
    for row in rows:
        cells = [repr(c) if isinstance(c, float) else c for c in row]
        writer.writerow([c.replace(".", ",") if comma and i else c for i, c in enumerate(cells)])
    return out.getvalue()


def sheet(rows) -> bytes:
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    book.create_sheet("other").append(["not", "read"])
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


@pytest.mark.parametrize(
    ("separator", "comma"),
    [(",", False), (";", False), (";", True), ("\t", False), ("\t", True)],
)
@pytest.mark.parametrize("bom", [b"", b"\xef\xbb\xbf"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_csv_dialects(separator, comma, bom, end):
    frame, notices = typed(bom + written(separator, comma, end=end).encode())
    assert frame["lane"].tolist() == ["L1", "L2"]
    assert frame["distance_m"].tolist() == [0.0, 12.25]
    assert frame["signal"].tolist() == [1.5, -0.125]
    assert frame["row"].tolist() == [2, 3]
    assert notices == (
        ["t.csv: numbers with a decimal comma, read as decimals: 4"] if comma else []
    )


@settings(max_examples=60, deadline=None)
@given(
    values=st.lists(st.floats(allow_nan=False, allow_infinity=False), min_size=1, max_size=20),
    lanes=st.text(
        st.characters(codec="utf-8", exclude_categories=["C", "Z"]), min_size=1, max_size=8
    ),
    separator=st.sampled_from([",", ";", "\t"]),
    comma=st.booleans(),
)
def test_numbers_and_names_survive_every_dialect(values, lanes, separator, comma):
    rows = [READINGS[0], *((lanes, value, -value) for value in values)]
    frame, _ = typed(written(separator, comma and separator != ",", rows).encode())
    assert frame["lane"].tolist() == [lanes] * len(values)
    np.testing.assert_array_equal(frame["distance_m"], values)
    np.testing.assert_array_equal(frame["signal"], np.negative(values))


def test_a_workbook_is_read_from_its_first_sheet():
    frame, notices = typed(
        sheet([*READINGS[:2], [None] * 3, (3, 7, "2,5"), (4.0, None, 1)][:4]), "t.xlsx"
    )
    # a lane typed as a number is a name; a blank row keeps the numbers of those below
    assert frame["lane"].tolist() == ["L1", "3"]
    assert frame["signal"].tolist() == [1.5, 2.5]
    assert frame["row"].tolist() == [2, 4]
    assert notices == [
        "t.xlsx: numbers with a decimal comma, read as decimals: 1; with a decimal point: 1",
        "t.xlsx: blank rows skipped: 1",
    ]


def test_headings_forgive_capitals_spaces_and_order():
    frame, notices = typed(b" Signal ,LANE,note,Distance_M\n1,L1,windy,5\n")
    assert frame.iloc[0].tolist() == ["L1", 5.0, 1.0, 2]
    assert notices == ["t.csv: columns not used: note"]


def test_blank_rows_are_skipped_and_counted_with_the_rows_a_spreadsheet_shows():
    frame, notices = typed(b"\n\nlane,distance_m,signal\n\nL1,1,2\n,,\n\nL2,3,4\n\n\n")
    assert frame["row"].tolist() == [5, 8]
    assert notices == ["t.csv: blank rows skipped: 5"]


def test_a_quoted_cell_may_hold_the_separator_and_a_line_end():
    frame, _ = typed(b'lane,distance_m,signal\n"a, b",1,2\n"c\nd",3,4\n')
    assert frame["lane"].tolist() == ["a, b", "c\nd"]
    assert frame["row"].tolist() == [2, 3]


@pytest.mark.parametrize(
    ("text", "number"),
    [("1e3", 1000), (".5", 0.5), ("5.", 5), ("+2", 2), ("\u22122,5", -2.5), ("\u00a07 ", 7)],
)
def test_ways_to_type_a_number(text, number):
    frame, _ = typed(f"lane;distance_m;signal\nL1;{text};1\n".encode())
    assert frame["distance_m"].tolist() == [number]


def cell_problem(text: str, separator: str = ",") -> str:
    header = separator.join(["lane", "signal"])
    row = separator.join(["L1", f'"{text}"'])
    raw, _ = read_raw(Path("t.csv"), "t.csv", f"{header}\n{row}\n".encode())
    assert raw is not None
    _, problems, _ = read_columns(raw, [Column("lane", "text"), Column("signal", highest=50.0)])
    return str(problems[0]).removeprefix("t.csv, row 2, column signal: ")


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("abc", '"abc" is not a number -> correct the cell, or remove the row'),
        ("", "the cell is blank -> fill it from the slate, or remove the row"),
        ("NaN", '"NaN" is not a number -> fill the cell from the slate, or remove the row'),
        ("-inf", '"-inf" is infinite -> give a finite number, or remove the row'),
        ("1e999", '"1e999" is infinite -> give a finite number, or remove the row'),
        ("12 m", '"12 m" has a unit typed in the cell -> type 12 only; the heading says the unit'),
        (
            "3.5cm",
            '"3.5cm" has a unit typed in the cell -> type 3.5 only; the heading says the unit',
        ),
        ("45°", '"45°" has a unit typed in the cell -> type 45 only; the heading says the unit'),
        (
            "2,5",
            '"2,5" has a decimal comma in a comma-separated table '
            "-> use a decimal point, or separate the columns with semicolons",
        ),
        ("1,234.5", '"1,234.5" has a thousands separator -> type the digits without it'),
        ("10:32", '"10:32" is not a number -> correct the cell, or remove the row'),
        ("#DIV/0!", '"#DIV/0!" is not a number -> correct the cell, or remove the row'),
        ("1_000", '"1_000" is not a number -> correct the cell, or remove the row'),
        (
            "60",
            "60 is outside the allowed range, at most 50 -> check the slate and correct the cell",
        ),
    ],
)
def test_a_cell_that_is_not_a_number(text, line):
    assert cell_problem(text) == line


def test_thousands_in_a_table_with_decimal_commas():
    assert cell_problem("1.234,5", ";") == (
        '"1.234,5" has a thousands separator -> type the digits without it'
    )


@pytest.mark.parametrize(
    ("name", "data", "line"),
    [
        ("t.csv", b"", "t.csv: is empty -> it needs a header row and a row for each record"),
        ("t.csv", b"\n,,\n", "t.csv: is empty -> it needs a header row and a row for each record"),
        (
            "t.csv",
            b"lane,signal\nL1,1\nL\xe91,2\n",
            't.csv, row 3: is not UTF-8 text (byte 0xe9) -> save it again as "CSV UTF-8"',
        ),
        (
            "t.csv",
            "lane,signal\nL1,1\n".encode("utf-16"),
            't.csv: is UTF-16 text, not UTF-8 -> save it again as "CSV UTF-8"',
        ),
        (
            "t.csv",
            "lane,signal\nL1,1\n".encode("utf-16-le"),
            "t.csv: holds zero bytes, so it is not a plain text table "
            '-> save it again as "CSV UTF-8"',
        ),
        (
            "t.csv",
            b'lane,signal\nL1,1\n"L2,1\nL3,4\n',
            "t.csv, row 3: cannot be read past this row (unexpected end of data) "
            '-> look for a quotation mark " that is opened and not closed',
        ),
        (
            "t.csv",
            b"lane,signal\nL1\n",
            "t.csv, row 2: has 1 cell where the header has 2 (comma separated) "
            "-> give every row one cell a column, blank or not",
        ),
        (
            "t.csv",
            b"lane,signal\nL1,1,5\n",
            "t.csv, row 2: has 3 cells where the header has 2 (comma separated) "
            "-> give every row one cell a column, blank or not; where numbers have a decimal "
            "comma, separate the columns with semicolons",
        ),
        (
            "t.xlsx",
            b"lane,signal\n",
            "t.xlsx: is not a readable .xlsx workbook (BadZipFile) -> open it in a spreadsheet, "
            "save it again as .xlsx, or save the sheet as CSV UTF-8",
        ),
        (
            "t.xls",
            b"\xd0\xcf\x11\xe0",
            't.xls: has the ending ".xls" -> save the table as .csv or .xlsx',
        ),
    ],
)
def test_a_file_that_is_not_a_table(name, data, line):
    _, problems = read_raw(Path(name), name, data)
    assert [str(problem) for problem in problems] == [line]


def test_a_workbook_cut_short():
    data = sheet(READINGS)
    for cut in range(10, len(data), 397):
        raw, problems = read_raw(Path("t.xlsx"), "t.xlsx", data[:cut])
        assert raw is None
        assert len(problems) == 1


def test_a_workbook_with_damaged_bytes_never_raises():
    data = bytearray(sheet(READINGS))
    rng = np.random.default_rng(3)
    for _ in range(40):
        spoilt = bytearray(data)
        for place in rng.integers(0, len(data), 20):
            spoilt[place] = rng.integers(256)
        raw, problems = read_raw(Path("t.xlsx"), "t.xlsx", bytes(spoilt))
        assert raw is not None or problems


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=200))
def test_any_bytes_are_a_table_or_a_problem(data):
    raw, problems = read_raw(Path("t.csv"), "t.csv", data)
    assert raw is not None or problems
    if raw is not None:
        _, found, _ = read_columns(raw, [Column("lane", "text"), Column("signal")])
        assert all(isinstance(problem, Problem) for problem in found)


def test_nearest_word():
    assert nearest("lane_", ["lane", "signal"]) == "lane"
    assert nearest("l12", ["L1", "L12", "M3"]) == "L12"
    assert nearest("zzz", ["lane", "signal"]) is None


def test_the_same_survey_in_a_workbook(make_survey):
    text = "lane,distance_m,signal,direction\n"
    folder = make_survey()
    plain = load_survey(folder, ("readings",)).readings
    rows = [line.split(",") for line in (folder / "readings.csv").read_text().splitlines()]
    assert text.strip() == ",".join(rows[0])
    cells = [rows[0], *([a, float(b), float(c), d] for a, b, c, d in rows[1:])]
    (folder / "readings.xlsx").write_bytes(sheet(cells))
    toml = (folder / "survey.toml").read_text().replace("readings.csv", "readings.xlsx")
    (folder / "survey.toml").write_text(toml)
    book = load_survey(folder, ("readings",)).readings
    assert book.equals(plain)
