"""What is wrong with a readings table row by row, each slip told by one function."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from detect.survey.columns import has_column, nearest, wrong_cells
from detect.survey.errors import Problem
from detect.survey.files import RawTable


def missing_place_columns(raw: RawTable) -> list[Problem]:
    """Say what is needed where a table has neither ``distance_m`` nor ``e`` and ``n``."""
    has_e, has_n = has_column(raw, "e"), has_column(raw, "n")
    if has_column(raw, "distance_m") or (has_e and has_n):
        return []
    like = nearest("distance_m", raw.header, 0.6)
    remedy = 'add "distance_m" (taped from the lane\'s start peg), or "e" and "n"'
    if has_e or has_n:
        remedy = f'add column "{"n" if has_e else "e"}" beside "{"e" if has_e else "n"}"'
    elif like:
        remedy = f'the heading "{like}" is the nearest: rename it "distance_m", or add "e" and "n"'
    return [
        Problem(
            raw.file,
            "there is no column that places a reading",
            remedy,
            row=raw.header_row,
            column="distance_m",
        )
    ]


def wrong_directions(table: pd.DataFrame, file: str) -> list[Problem]:
    """Name directions that are neither out nor back."""
    wrong = table[(table["direction"] != "") & ~table["direction"].isin(["out", "back"])]
    remedy = 'write "out" (from the lane\'s start peg) or "back"'
    return wrong_cells(wrong, "direction", file, lambda word: f'direction is "{word}"', remedy)


def above_full_scale(table: pd.DataFrame, file: str, full_scale: float | None) -> list[Problem]:
    """Name signals the meter cannot have shown."""
    if full_scale is None:
        return []
    above = table[table["signal"] > full_scale * (1 + 1e-9)]
    return wrong_cells(
        above,
        "signal",
        file,
        lambda signal: f"signal {signal:g} is above the meter's full scale ({full_scale:g})",
        "check the slate, or detector.full_scale in survey.toml",
    )


def unplaced(table: pd.DataFrame, raw: RawTable, placed: NDArray[np.bool_]) -> list[Problem]:
    """Name rows without a place, unless their cell is already named as not a number."""
    if missing_place_columns(raw):
        return []
    names = [name for name in ("distance_m", "e", "n") if has_column(raw, name)]
    headings = [heading.casefold() for heading in raw.header]
    typed = raw.cells[:, [headings.index(name) for name in names]] != ""
    values = table[names].notna().to_numpy()
    unreadable = (typed & ~values).any(axis=1)
    needed = "distance_m" if names == ["distance_m"] else "e and n"
    if "distance_m" in names and len(names) == 3:
        needed = "distance_m, or both e and n"
    return [
        Problem(
            raw.file,
            "the reading has no place: the cell is blank",
            f"fill {needed} from the slate, or remove the row",
            row=int(table["row"].iloc[i]),
            column=", ".join(names),
        )
        for i in np.flatnonzero(~placed & ~unreadable)
    ]


def unknown_lanes(
    table: pd.DataFrame, lanes: pd.DataFrame, known: NDArray[np.bool_], file: str
) -> list[Problem]:
    """Name lanes that readings are on and no table holds, each once, with the lane most like it."""
    unknown = table[~known & (table["lane"] != "").to_numpy()]
    names = lanes["lane"].tolist()
    problems = []
    for lane, rows in unknown.groupby("lane", sort=False)["row"]:
        like = nearest(str(lane), names)
        remedy = f"the lanes are {', '.join(names[:8])}{', ...' if len(names) > 8 else ''}"
        if like:
            remedy = f'the nearest is "{like}"; or add the lane to the table of lanes'
        # A lane left out of its table would otherwise be told once for each of its readings.
        many = (
            f" ({len(rows)} readings, rows {rows.min()} to {rows.max()})" if len(rows) > 1 else ""
        )
        what = f'there is no lane "{lane}"{many}'
        problems.append(Problem(file, what, remedy, row=int(rows.iloc[0]), column="lane"))
    return problems


def typed_twice(table: pd.DataFrame, by_place: NDArray[np.bool_], file: str) -> list[Problem]:
    """Name readings of one pass with the place (and time, where logged) of an earlier row."""
    key = table[["lane", "pass", "direction", "dive", "time_s"]].assign(
        by_place=by_place,
        first=np.where(by_place, table["e"], table["distance_m"]),
        second=np.where(by_place, table["n"], 0.0),
        signal=table["signal"],
        row=table["row"],
    )
    key = key[np.isfinite(key["first"])]
    same = ["lane", "pass", "direction", "dive", "time_s", "by_place", "first", "second"]
    grouped = key.groupby(same, sort=False, dropna=False)
    first_row = grouped["row"].transform("first")
    first_signal = grouped["signal"].transform("first")
    again = key[key["row"] != first_row]
    return [
        Problem(
            file,
            f"the same reading as row {int(earlier)} (lane {lane}, pass {a_pass}, the same place"
            + (", another signal)" if signal != signal_before else ")"),
            "remove one of the two; a repeat swim needs another pass",
            row=int(row),
        )
        for lane, a_pass, row, earlier, signal, signal_before in zip(
            again["lane"],
            again["pass"],
            again["row"],
            first_row[again.index],
            again["signal"],
            first_signal[again.index],
            strict=True,
        )
    ]
