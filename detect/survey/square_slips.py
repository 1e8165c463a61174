"""What is wrong where a square is named: in the settings, and in the table of opened squares."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from detect.survey.errors import Problem
from detect.survey.grid import column_letters, is_square_name
from detect.survey.tables import named_twice


def check_opened(
    table: pd.DataFrame, file: str, squares: Iterable[str] | None, length_m: float | None = None
) -> tuple[list[Problem], list[Problem]]:
    """Check the table of opened squares.

    Parameters
    ----------
    table : DataFrame
        ``square, finds, metal_finds, overburden_m, row``; a number with a problem is NaN.
    file : str
    squares : iterable of str or None
        The squares of the site, where they are known.
    length_m : float or None
        Of the probe.

    Returns
    -------
    list of Problem
        Squares that do not exist or are typed twice, finds that are not counts.
    list of Problem
        Notices: squares dug deeper than the probe reaches.
    """
    known = list(squares) if squares is not None else None
    problems = named_twice(table, "square", file, "give each opened square one row")
    for square, row in zip(table["square"], table["row"], strict=True):
        if square:
            problems += square_problems(square, known, file, "square", int(row))
    for column in ("finds", "metal_finds"):
        broken = table[table[column].notna() & (table[column] % 1 != 0)]
        problems += [
            Problem(file, f"{value:g} is not a whole number", "count the finds", int(row), column)
            for value, row in zip(broken[column], broken["row"], strict=True)
        ]
    more = table[table["metal_finds"] > table["finds"]]
    problems += [
        Problem(
            file,
            f"{metal:g} metal finds are more than all {finds:g} finds",
            "finds counts every find, metal ones too",
            int(row),
            "metal_finds",
        )
        for metal, finds, row in zip(more["metal_finds"], more["finds"], more["row"], strict=True)
    ]
    return problems, [] if length_m is None else _deeper_than_probed(table, file, length_m)


def _deeper_than_probed(table: pd.DataFrame, file: str, length_m: float) -> list[Problem]:
    """Warn of overburden that no probe can have told: more likely a slip than a deep square."""
    deep = table[table["overburden_m"] > length_m + 1e-9]
    return [
        Problem(
            file,
            f"{depth:g} m of overburden is deeper than the probe is long ({length_m:g} m)",
            "check the slate: metres from the bed down to the first find or structure",
            int(row),
            "overburden_m",
        )
        for depth, row in zip(deep["overburden_m"], deep["row"], strict=True)
    ]


def square_problems(
    name: str, known: list[str] | None, file: str, column: str, row: int | None = None
) -> list[Problem]:
    """Say what is wrong with a square's name: its form, or that the site has no such square.

    `known` holds the squares of the site; None where they are not known, and only the form is
    checked.
    """
    if not is_square_name(name):
        tidy = name.replace(" ", "").replace("-", "").upper()
        remedy = (
            f'write "{tidy}"'
            if is_square_name(tidy)
            else 'write letters then a number, such as "C4"'
        )
        return [Problem(file, f'"{name}" is not the name of a square', remedy, row, column)]
    if known is not None and name not in known:
        return [
            Problem(file, f'the site has no square "{name}"', _named_so(name, known), row, column)
        ]
    return []


def _named_so(name: str, known: list[str]) -> str:
    """Say how the squares of the site are named, and which of them lies nearest to `name`."""
    place = np.array([_place(square) for square in known])
    west, south = place.min(axis=0)
    east, north = place.max(axis=0)
    near = known[int(np.argmin(np.abs(place - _place(name)).sum(axis=1)))]
    return (
        f"a letter from {column_letters(west)} to {column_letters(east)} counts squares to the "
        f'east, a number from {south + 1} to {north + 1} to the north; the nearest is "{near}"'
    )


def _place(name: str) -> tuple[int, int]:
    """Column and row of a named square, counted from 0."""
    letters = name.rstrip("0123456789")
    column = 0
    for letter in letters:
        column = 26 * column + ord(letter) - ord("A") + 1
    return column - 1, int(name.removeprefix(letters)) - 1
