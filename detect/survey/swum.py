"""The readings table: every reading placed on the grid, and what must hold along its lane.

A reading is placed by coordinates where its row has them, else by the distance taped along its
lane.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from detect.survey import positions, reading_slips
from detect.survey.columns import has_column, header_slips
from detect.survey.errors import Problem
from detect.survey.files import RawTable
from detect.survey.tables import COLUMNS

# How far past a lane's end a taped distance may lie: tape stretch and a hand held past the peg.
END_TOLERANCE_M = 1.0
_READING_COLUMNS = [
    "lane", "pass", "direction", "dive", "diver", "time_s", "distance_m", "e", "n",
    "signal", "at_full_scale", "heading_deg", "track", "row",
]  # fmt: skip


@dataclass(frozen=True)
class LanesKnown:
    """What is known of the lanes when the readings are placed.

    Parameters
    ----------
    table : pandas.DataFrame or None
        Measured lanes.
    whole : bool
        Whether every row of their table could be read; else a missing lane may be in a broken row.
    remedy : str or None
        What to do where there are no lanes; None where that has been said already.
    """

    table: pd.DataFrame | None = None
    whole: bool = True
    remedy: str | None = "name a table of lanes in survey.toml ([lanes] file), or give e and n"


def place_readings(
    table: pd.DataFrame,
    raw: RawTable,
    known_lanes: LanesKnown,
    full_scale: float | None,
) -> tuple[pd.DataFrame, list[Problem], list[Problem]]:
    """Place readings on the grid and check them against their lanes and each other.

    Parameters
    ----------
    table : pandas.DataFrame
        Typed readings with ``row``.
    raw : RawTable
        The same as text, for the file name and the columns it really has.
    known_lanes : LanesKnown
        What is known of the lanes.
    full_scale : float or None
        The meter's limit.

    Returns
    -------
    pandas.DataFrame
        The readings frame of the survey, one row a reading in file order.
    list of Problem
        Everything that stops the readings being used.
    list of Problem
        Notices.
    """
    file, lanes = raw.file, known_lanes.table
    table = table.assign(direction=table["direction"].str.lower())
    problems = reading_slips.wrong_directions(table, file)
    problems += reading_slips.above_full_scale(table, file, full_scale)
    by_place = np.isfinite(table["e"]).to_numpy() & np.isfinite(table["n"]).to_numpy()
    by_tape = np.isfinite(table["distance_m"]).to_numpy() & ~by_place
    problems += reading_slips.unplaced(table, raw, by_place | by_tape)
    known = np.zeros(len(table), dtype=bool)
    if lanes is not None:
        known = table["lane"].isin(lanes["lane"]).to_numpy()
        if known_lanes.whole:
            problems += reading_slips.unknown_lanes(table, lanes, known, file)
    elif by_tape.any() and known_lanes.remedy is not None:
        what = f"readings placed by lane and distance_m, without lanes: {int(by_tape.sum())}"
        problems.append(Problem(file, what, known_lanes.remedy, column="distance_m"))
    notices: list[Problem] = []
    if has_column(raw, "pass"):
        table = table.assign(**{"pass": table["pass"].where(table["pass"] != "", "1")})
    else:
        table = table.assign(
            **{"pass": positions.default_passes(table["lane"], table["direction"])}
        )
    if not header_slips(raw, COLUMNS["readings"]):
        # Without its true columns, readings of two passes would look like one typed twice.
        problems += reading_slips.typed_twice(table, by_place, file)
    readings = table.assign(track=positions.track_numbers(table["lane"], table["pass"]))
    if lanes is not None:
        readings, found, noted = _on_lanes(readings, lanes, by_place, by_tape, known, file)
        problems += found
        notices += noted
    readings = _off_lanes(readings, ~known)
    limit = np.inf if full_scale is None else full_scale
    readings = readings.assign(at_full_scale=readings["signal"] >= limit)[_READING_COLUMNS]
    places = readings[np.isfinite(readings["e"]) & np.isfinite(readings["n"])]
    repeated = int(places.duplicated(["e", "n"]).sum())
    if repeated:
        notices.append(Problem(file, f"readings exactly where an earlier one lies: {repeated}"))
    if lanes is not None:
        notices += _short_lanes(readings, lanes, file)
    return readings, problems, notices


def _on_lanes(
    readings: pd.DataFrame,
    lanes: pd.DataFrame,
    by_place: NDArray[np.bool_],
    by_tape: NDArray[np.bool_],
    known: NDArray[np.bool_],
    file: str,
) -> tuple[pd.DataFrame, list[Problem], list[Problem]]:
    """Place taped readings, measure the others along their lane, check both against its ends."""
    lane = readings["lane"]
    taped_e, taped_n = positions.along_lane(lanes, lane, readings["distance_m"])
    e = np.where(by_tape, taped_e, readings["e"])
    n = np.where(by_tape, taped_n, readings["n"])
    along, _ = positions.project_on_lane(lanes, lane, e, n)
    both = by_place & known & np.isfinite(readings["distance_m"]).to_numpy()
    apart = int((np.hypot(taped_e - e, taped_n - n)[both] > END_TOLERANCE_M).sum())
    distance = np.where(by_place & known, along, readings["distance_m"])
    length = lane.map(lanes.drop_duplicates("lane").set_index("lane")["length_m"]).to_numpy(float)
    # A lane without length is a problem of its own; its readings are not blamed.
    length = np.where(length < 1e-6, np.nan, length)
    past = np.maximum(-distance, distance - length)
    far = known & by_tape & (past > END_TOLERANCE_M)
    problems = [
        Problem(
            file,
            f"{distance[i]:g} m is {past[i]:.2f} m "
            + ("before the start" if distance[i] < 0 else "past the end")
            + f' of lane "{lane.iloc[i]}" (0 to {length[i]:.2f} m)',
            "check the slate and the lane's pegs",
            row=int(readings["row"].iloc[i]),
            column="distance_m",
        )
        for i in np.flatnonzero(far)
    ]
    notices = []
    just_past = int((known & by_tape & (past > 1e-6) & ~far).sum())
    if just_past:
        notices.append(
            Problem(
                file,
                f"readings up to a metre past their lane's end, kept: {just_past}",
                column="distance_m",
            )
        )
    strayed = int((known & by_place & (past > END_TOLERANCE_M)).sum())
    if strayed:
        notices.append(
            Problem(
                file, f"readings placed by e and n over a metre past their lane's end: {strayed}"
            )
        )
    if both.any():
        notices.append(
            Problem(
                file,
                f"readings with both e, n and distance_m, placed by e and n: {int(both.sum())}"
                + (f"; over a metre apart: {apart}" if apart else ""),
            )
        )
    heading = positions.lane_headings(lanes, lane, readings["direction"])
    placed = readings.assign(e=e, n=n, distance_m=distance, heading_deg=heading)
    return placed, problems, notices


def _off_lanes(readings: pd.DataFrame, loose: NDArray[np.bool_]) -> pd.DataFrame:
    """Give readings whose lane is in no table their heading and length from their positions."""
    if "heading_deg" not in readings:
        readings = readings.assign(heading_deg=np.nan)
    place = readings["e"], readings["n"], readings["track"]
    return readings.assign(
        heading_deg=np.where(loose, positions.step_headings(*place), readings["heading_deg"]),
        distance_m=np.where(
            loose & np.isnan(readings["distance_m"]),
            positions.running_lengths(*place),
            readings["distance_m"],
        ),
    )


def _short_lanes(readings: pd.DataFrame, lanes: pd.DataFrame, file: str) -> list[Problem]:
    """Notice lanes not swum, and lanes whose sampled part stops over a metre short of a peg."""
    swum = readings.groupby("lane")["distance_m"].agg(["min", "max"])
    by_lane = lanes.drop_duplicates("lane").set_index("lane")["length_m"].to_frame().join(swum)
    unswum = by_lane.index[by_lane["min"].isna()].tolist()
    notices = []
    if unswum:
        notices.append(
            Problem(
                file, f"lanes without readings: {len(unswum)} ({', '.join(unswum)})", column="lane"
            )
        )
    short = by_lane[
        (by_lane["min"] > END_TOLERANCE_M)
        | (by_lane["length_m"] - by_lane["max"] > END_TOLERANCE_M)
    ]
    notices += [
        Problem(
            file,
            f'lane "{lane}" is sampled from {low:g} to {high:g} m of its {length:.2f} m',
            column="distance_m",
        )
        for lane, low, high, length in zip(
            short.index, short["min"], short["max"], short["length_m"], strict=True
        )
    ]
    return notices
