"""Lanes packed into dives: what is swum in which dive, which way, on what heading."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from detect.lanes.plan import rope_number
from detect.survey.errors import Problem, SurveyError

if TYPE_CHECKING:
    from detect.survey.frame import Frame
    from detect.survey.settings import Dives

DIVE_COLUMNS = (
    "dive",
    "order",
    "lane",
    "direction",
    "from_e",
    "from_n",
    "to_e",
    "to_n",
    "length_m",
    "minutes",
    "grid_deg",
    "true_deg",
    "magnetic_deg",
    "split",
)
# Minutes are added up to this; a dive is not closed for a rounding error.
_SAME_MIN = 1e-9


@dataclass(frozen=True)
class DiveTotals:
    """What a plan of dives adds up to.

    Attributes
    ----------
    dives : int
        Number of dives.
    lane_m : float
        Metres swum on lanes.
    bottom_min : float
        Minutes on the bottom over all dives, setup and turns included.
    diver_hours : float
        The same in hours, times the divers in the water on each dive.
    """

    dives: int
    lane_m: float
    bottom_min: float
    diver_hours: float


def pack_dives(lanes: pd.DataFrame, dives: Dives, frame: Frame) -> pd.DataFrame:
    """Pack lanes into dives, in the order they are swum.

    Parameters
    ----------
    lanes : pandas.DataFrame
        Columns of the lanes table; ``order`` and ``direction`` of `plan_lanes` are followed where
        they are there, otherwise lanes are swum as listed, to and fro.
    dives : Dives
        ``bottom_time_min`` less ``setup_min`` is what a dive has for lanes; each costs its length
        over ``swim_speed_m_per_min`` plus ``turn_min`` (the move of rope and diver to the next).
    frame : Frame
        For the headings against true and magnetic north.

    Returns
    -------
    pandas.DataFrame
        One row a swim: ``dive`` (D01, ...), ``order`` (1, 2, ... within the dive), ``lane``,
        ``direction`` ("out" from the start peg, or "back"), ``from_e, from_n, to_e, to_n`` (m),
        ``length_m``, ``minutes``, ``grid_deg, true_deg, magnetic_deg`` (heading as swum, from the
        three norths), ``split`` ("1 of 2" where a lane is longer than a whole dive, else "").

    Raises
    ------
    SurveyError
        If a dive leaves no time to swim, with the keys to change.

    Notes
    -----
    A lane goes whole into the current dive if it fits, otherwise it opens the next: in a fixed
    order no packing needs fewer dives. Only a lane longer than a whole dive is split, into
    equal parts. There is one coil: ``divers`` is how many are in the water on a dive, so it
    costs diver-hours and saves no dive. The dive supervisor sets the bottom time.
    """
    available = _available_minutes(dives)
    speed, turn = float(dives.swim_speed_m_per_min), float(dives.turn_min)
    swims = [part for lane in _as_swum(lanes) for part in _split(lane, (available - turn) * speed)]
    dive, order, used = 0, 0, np.inf
    for swim in swims:
        swim["minutes"] = swim["length_m"] / speed + turn
        if used + swim["minutes"] > available + _SAME_MIN:
            dive, order, used = dive + 1, 0, 0.0
        order += 1
        used += swim["minutes"]
        swim["dive"], swim["order"] = dive, order
    digits = max(2, len(str(dive)))
    table = pd.DataFrame(swims, columns=list(DIVE_COLUMNS))
    table["dive"] = [f"D{number:0{digits}d}" for number in table["dive"]]
    table["true_deg"] = frame.true_bearing(table["grid_deg"].to_numpy(dtype=float))
    table["magnetic_deg"] = frame.magnetic_bearing(table["grid_deg"].to_numpy(dtype=float))
    return table


def dive_totals(packed: pd.DataFrame, dives: Dives) -> DiveTotals:
    """Add up a table of `pack_dives`: dives, metres, minutes on the bottom, diver-hours."""
    count = int(packed["dive"].nunique())
    minutes = count * float(dives.setup_min) + float(packed["minutes"].sum())
    return DiveTotals(
        dives=count,
        lane_m=float(packed["length_m"].sum()),
        bottom_min=minutes,
        diver_hours=minutes * int(dives.divers) / 60.0,
    )


def _available_minutes(dives: Dives) -> float:
    available = float(dives.bottom_time_min) - float(dives.setup_min)
    if available <= float(dives.turn_min):
        raise SurveyError(
            [
                Problem(
                    "survey.toml",
                    f"a dive of {dives.bottom_time_min:g} min has no time to swim after "
                    f"{dives.setup_min:g} min of setup and a turn of {dives.turn_min:g} min",
                    "shorten dives.setup_min or dives.turn_min; "
                    "only the dive supervisor may lengthen the bottom time",
                    column="dives.bottom_time_min",
                )
            ]
        )
    return available


def _as_swum(lanes: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the lanes in order, each from where it is begun to where it ends."""
    table = lanes.sort_values("order", kind="stable") if "order" in lanes else lanes
    swims: list[dict[str, Any]] = []
    back, rope = True, None
    for row in table.to_dict("records"):
        if rope_number(str(row["lane"])) != rope:
            back, rope = not back, rope_number(str(row["lane"]))
        turned = row["direction"] == "back" if "direction" in row else back
        start, end = (row["start_e"], row["start_n"]), (row["end_e"], row["end_n"])
        if turned:
            start, end = end, start
        swims.append(
            {
                "lane": row["lane"],
                "direction": "back" if turned else "out",
                "from_e": start[0],
                "from_n": start[1],
                "to_e": end[0],
                "to_n": end[1],
                "length_m": float(np.hypot(end[0] - start[0], end[1] - start[1])),
                "grid_deg": float(np.degrees(np.arctan2(end[0] - start[0], end[1] - start[1])))
                % 360.0,
            }
        )
    return swims


def _split(swim: dict[str, Any], longest_m: float) -> list[dict[str, Any]]:
    """Return a swim whole, or in the fewest equal parts that each fit a dive."""
    parts = max(1, int(np.ceil(swim["length_m"] / longest_m - _SAME_MIN)))
    if parts == 1:
        return [{**swim, "split": ""}]
    ends = np.linspace((swim["from_e"], swim["from_n"]), (swim["to_e"], swim["to_n"]), parts + 1)
    return [
        {
            **swim,
            "from_e": float(ends[k, 0]),
            "from_n": float(ends[k, 1]),
            "to_e": float(ends[k + 1, 0]),
            "to_n": float(ends[k + 1, 1]),
            "length_m": swim["length_m"] / parts,
            "split": f"{k + 1} of {parts}",
        }
        for k in range(parts)
    ]
