"""The contract's tables but the readings: their columns, and what must hold between their rows."""

from __future__ import annotations

import numpy as np
import pandas as pd

from detect.survey.columns import Column, wrong_cells
from detect.survey.errors import Problem
from detect.survey.positions import measure_lanes

#: deeper than this no square is dug by hand: a depth typed in centimetres (no source)
DEEPEST_DUG_M = 10.0

_DETECTED = "write 1 where the target was detected, 0 where it was missed"
COLUMNS: dict[str, tuple[Column, ...]] = {
    "lanes": (
        Column("lane", "text"),
        Column("start_e"),
        Column("start_n"),
        Column("end_e"),
        Column("end_n"),
    ),
    "readings": (
        Column("lane", "text"),
        # Which of distance_m, or e and n, a table must have is decided in swum.py.
        Column("distance_m", required=False, blank=True, alternative=True),
        Column("e", required=False, blank=True, alternative=True),
        Column("n", required=False, blank=True, alternative=True),
        Column("signal"),
        Column("direction", "text", required=False, default="out"),
        Column("pass", "text", required=False, blank=True),
        Column("time_s", required=False, blank=True),
        Column("dive", "text", required=False, blank=True),
        Column("diver", "text", required=False, blank=True),
    ),
    "probes": (
        Column("probe", "text"),
        Column("e"),
        Column("n"),
        Column("depth_m", lowest=0.0),
        Column("contact", "text"),
        Column("diver", "text", required=False, blank=True),
        Column("notes", "text", required=False, blank=True),
    ),
    "seabed": (Column("e"), Column("n"), Column("depth_m")),
    "trial": (
        Column("target", "text"),
        Column("offset_m"),
        Column("distance_to_coil_m", lowest=0.0),
        Column("detected", remedy=_DETECTED),
        Column("signal", required=False, blank=True),
    ),
    "opened": (
        Column("square", "text"),
        Column("finds", lowest=0.0),
        Column("metal_finds", lowest=0.0),
        # not measured where a square was dug down and found empty
        Column("overburden_m", blank=True, lowest=0.0, highest=DEEPEST_DUG_M),
    ),
}
#: what `detect plan` and `detect check` write beside these, in a table that may be used as it is
PASSED_OVER = {"lanes": ("length_m", "bearing_deg", "order", "direction", "gap", "instead_of")}


def may_lack(name: str) -> frozenset[str]:
    """Return which columns of a table a row may stop short of: those not used, or left blank."""
    blank = {one.name for one in COLUMNS[name] if one.blank and not one.required}
    return frozenset(blank | set(PASSED_OVER.get(name, ())))


def check_lanes(table: pd.DataFrame, file: str) -> tuple[pd.DataFrame, list[Problem]]:
    """Measure the lanes; name duplicate lanes and lanes without length."""
    lanes = measure_lanes(table.drop(columns="row")).assign(row=table["row"])
    problems = named_twice(
        lanes, "lane", file, "give each lane its own name, or remove one of the rows"
    )
    lanes_without = lanes[lanes["length_m"] < 1e-6]
    problems += [
        Problem(
            file,
            f'lane "{lane}" has no length: it starts and ends at e {e:.10g}, n {n:.10g}',
            "give its two pegs",
            row=int(row),
            column="start_e, start_n, end_e, end_n",
        )
        for lane, e, n, row in zip(
            lanes_without["lane"],
            lanes_without["start_e"],
            lanes_without["start_n"],
            lanes_without["row"],
            strict=True,
        )
    ]
    return lanes, problems


def check_probes(
    table: pd.DataFrame, file: str, length_m: float | None
) -> tuple[pd.DataFrame, list[Problem], list[Problem]]:
    """Bring contacts to lower case; name probes typed twice or deeper than the probe is long."""
    probes = table.assign(contact=table["contact"].str.lower())
    problems = named_twice(probes, "probe", file, "give each probe its own name, or remove one row")
    if length_m is not None:
        deep = probes[probes["depth_m"] > length_m + 1e-9]
        problems += wrong_cells(
            deep,
            "depth_m",
            file,
            lambda depth: f"{depth:g} m is deeper than the probe is long ({length_m:g} m)",
            "check the slate, or probes.length_m in survey.toml",
        )
    notices = _repeated_places(probes, file, "probes")
    none_like = probes["contact"].isin(["no", "nil", "0", "n", "nothing", "no contact"])
    if none_like.any():
        words = ", ".join(sorted(set(probes.loc[none_like, "contact"])))
        notices.append(
            Problem(
                file,
                f'probes with contact "{words}", which counts as a contact: {int(none_like.sum())}',
                'write "none" where the probe met nothing',
                column="contact",
            )
        )
    return probes, problems, notices


def check_seabed(table: pd.DataFrame, file: str) -> list[Problem]:
    """Notices on the seabed table: repeated places, depths that look like heights."""
    notices = _repeated_places(table, file, "seabed depths")
    if len(table) and (table["depth_m"] < 0).all():
        notices.append(
            Problem(
                file,
                "every depth is negative, so the seabed would stand above the water level",
                "depth_m is positive down: turn the signs round if these are heights",
                column="depth_m",
            )
        )
    return notices


def check_trial(table: pd.DataFrame, file: str) -> list[Problem]:
    """Name every ``detected`` that is neither 0 nor 1."""
    wrong = table[table["detected"].notna() & ~table["detected"].isin([0.0, 1.0])]
    return wrong_cells(
        wrong,
        "detected",
        file,
        lambda value: f"detected is {value:g}",
        _DETECTED,
    )


def named_twice(table: pd.DataFrame, column: str, file: str, remedy: str) -> list[Problem]:
    """Name every row whose name an earlier row has; blank names are told elsewhere."""
    names = table[table[column] != ""]
    first = names.groupby(column, sort=False)["row"].transform("first")
    again = names[names["row"] != first]
    return [
        Problem(
            file,
            f'{column} "{name}" is already in row {int(earlier)}',
            remedy,
            row=int(row),
            column=column,
        )
        for name, earlier, row in zip(again[column], first[again.index], again["row"], strict=True)
    ]


def _repeated_places(table: pd.DataFrame, file: str, noun: str) -> list[Problem]:
    places = table[np.isfinite(table["e"]) & np.isfinite(table["n"])]
    repeated = int(places.duplicated(["e", "n"]).sum())
    if not repeated:
        return []
    return [Problem(file, f"{noun} exactly where an earlier one lies: {repeated}")]
