"""Lanes packed into dives: what is swum in which dive, which way, on what heading."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import chain, groupby, pairwise
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from detect.lanes.abreast import Leg, together
from detect.lanes.plan import CROSS, rope_number
from detect.lanes.ways import Point, Way, Ways, read_via, written_via
from detect.survey.errors import Problem, SurveyError

if TYPE_CHECKING:
    from detect.survey.frame import Frame
    from detect.survey.settings import Dives

DIVE_COLUMNS = (
    "dive",
    "order",
    "diver",
    "lane",
    "direction",
    "from_e",
    "from_n",
    "to_e",
    "to_n",
    "length_m",
    "transit_m",
    "via",
    "minutes",
    "grid_deg",
    "true_deg",
    "magnetic_deg",
    "split",
    "parted_at",
)
# The pieces of one lane, as rows.
_Rope: TypeAlias = list[dict[str, Any]]
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


@dataclass(frozen=True)
class _Pace:
    """What a dive has for swimming, min; metres a minute; minutes a turn; the ways between."""

    available: float
    speed: float
    turn: float
    ways: Ways

    @property
    def longest_m(self) -> float:
        """Longest swim that fits a dive by itself, m."""
        return (self.available - self.turn) * self.speed


def pack_dives(
    lanes: pd.DataFrame, dives: Dives, frame: Frame, keep_outs: Iterable[Any] = ()
) -> pd.DataFrame:
    """Pack lanes into dives, in the order they are swum.

    Parameters
    ----------
    lanes : pandas.DataFrame
        Columns of the lanes table; ``order`` and ``direction`` of `plan_lanes` are followed where
        they are there, otherwise lanes are swum as listed, to and fro. Cross lanes that come last
        begin with the first or last of them, at whichever end: what takes the fewest dives, and of
        these the fewest minutes and metres between lanes.
    dives : Dives
        ``bottom_time_min`` less ``setup_min`` is what a dive has for lanes; each costs its length
        over ``swim_speed_m_per_min`` plus the move to it: ``turn_min``, or longer where it takes
        longer to swim there. With ``divers_on_lane = 2``, two divers with a coil each swim
        neighbouring lanes the same way at one time (cross lanes likewise).
    frame : Frame
        For the headings against true and magnetic north.
    keep_outs : iterable
        Polygons, or records with a ``polygon`` attribute, round which the way from lane to lane
        goes, grown by the margin to keep from them.

    Returns
    -------
    pandas.DataFrame
        One row a swim: ``dive`` (D01, ...), ``order`` (1, 2, ... within the dive),
        ``diver`` (1, or 2 of a pair), ``lane``, ``direction`` ("out" from the start peg, or
        "back"), ``from_e, from_n, to_e, to_n`` (m), ``length_m``, ``transit_m`` (from where this
        diver's last swim of the dive ended), ``via`` (where that way turns to go round keep-outs,
        "e n; e n", m; blank where it is straight), ``minutes`` (of bottom time; 0 for the one
        of a pair who waits for the other), ``grid_deg, true_deg, magnetic_deg`` (heading as swum,
        from the three norths), ``split`` ("1 of 2" where a lane is longer than a whole dive),
        ``parted_at`` (a place within each keep-out that a pair passes on either side, as ``via``).
        ``attrs["notes"]`` is a tuple of sentences: where keep-outs leave no way.

    Raises
    ------
    SurveyError
        If a dive leaves no time to swim, with the keys to change.

    Notes
    -----
    A lane goes whole into the current dive if it fits, otherwise it opens the next: in a fixed
    order no packing needs fewer dives. Only a lane longer than a whole dive is split, into
    equal parts. With one coil ``divers`` is how many are in the water, so it costs diver-hours and
    saves no dive; a pair with two coils swims two lanes in the time of the longer. The way from
    lane to lane is the shortest round the keep-outs (`detect.lanes.ways`), that of a pair on one
    side of them where that can be (`detect.lanes.abreast`). The dive supervisor
    sets the bottom time.
    """
    pace = _Pace(
        _available_minutes(dives),
        float(dives.swim_speed_m_per_min),
        float(dives.turn_min),
        Ways(keep_outs),
    )
    divers = int(dives.divers_on_lane)
    main, across = _ropes(lanes)
    # Cross lanes may begin at either of them and at either end: as suits where the others end.
    tried = [
        _filled(chain(_units(main, pace, divers), _units(listed, pace, divers, back)), pace)
        for listed in ([across, across[::-1]] if across else [[]])
        for back in ((False, True) if across else (False,))
    ]
    swims = min(tried, key=_effort)
    digits = max(2, len(str(swims[-1]["dive"]))) if swims else 2
    # What the two of a pair swim at one time stands together: 3a, 3b, 4a, ...
    swims.sort(key=lambda swim: (swim["dive"], swim["order"], swim["diver"]))
    table = pd.DataFrame(swims, columns=list(DIVE_COLUMNS))
    table.attrs["notes"] = tuple(
        f"keep-outs leave no way to lane {swim['lane']} along the bed: it is drawn straight; "
        "surface and swim round, or change the order"
        for swim in swims
        if not swim["clear"]
    )
    table["dive"] = [f"D{number:0{digits}d}" for number in table["dive"]]
    table.attrs["notes"] += _parting_notes(table)
    table["true_deg"] = frame.true_bearing(table["grid_deg"].to_numpy(dtype=float))
    table["magnetic_deg"] = frame.magnetic_bearing(table["grid_deg"].to_numpy(dtype=float))
    return table


def _parting_notes(table: pd.DataFrame) -> tuple[str, ...]:
    """Say where pairs pass a keep-out on either side, in one sentence."""
    parted = table[table["parted_at"].ne("")].drop_duplicates(["dive", "order"])
    if parted.empty:
        return ()
    goes = ", ".join(
        f"{dive} {order}" for dive, order in zip(parted["dive"], parted["order"], strict=True)
    )
    return (
        f"two divers pass a keep-out on either side, each alone, on {goes} (dive and order): the "
        "slates say where; keep in touch, or swim one after the other",
    )


def _filled(units: Iterable[list[dict[str, Any]]], pace: _Pace) -> list[dict[str, Any]]:
    """Return the swims of units, each in the current dive if it fits, else opening the next."""
    swims: list[dict[str, Any]] = []
    dive, used = 0, np.inf
    last: dict[int, dict[str, Any]] = {}
    for unit in units:
        minutes = _timed(unit, last, pace)
        if used + minutes > pace.available + _SAME_MIN:
            dive, used, last = dive + 1, 0.0, {}
            minutes = _timed(unit, last, pace)
        used += minutes
        # Both of a pair begin it with the same number, whoever swam alone before.
        begun = max((swim["order"] for swim in last.values()), default=0)
        counts = dict.fromkeys((1, 2), begun)
        for swim in unit:
            counts[swim["diver"]] += 1
            swim["dive"], swim["order"] = dive, counts[swim["diver"]]
            last[swim["diver"]] = swim
        swims += unit
    return swims


def _effort(swims: list[dict[str, Any]]) -> tuple[int, float, float]:
    """Return what is to be least: dives, minutes and metres between lanes; ties are ties."""
    return (
        max((swim["dive"] for swim in swims), default=0),
        round(sum(swim["minutes"] for swim in swims), 6),
        round(sum(swim["transit_m"] for swim in swims), 6),
    )


def _units(
    ropes: list[_Rope], pace: _Pace, divers: int, begin_back: bool | None = None
) -> Iterator[list[dict[str, Any]]]:
    """Yield what is swum in one go: a swim, or a pair's two lanes with all their pieces.

    The two of a pair swim the same way, one pair out and the next back. A lane is never paired
    with one that crosses it, and two that do not fit a dive together are swum one after another.
    With `begin_back` the first is swum that way, whatever way was planned.
    """
    back = bool(begin_back)
    while ropes:
        together = ropes[:divers]
        unit = [
            {**swim, "diver": diver, "split": ""}
            for diver, rope in enumerate(together, start=1)
            for swim in _swims(rope, back)
        ]
        alike = len({rope_number(str(rope[0]["lane"]))[:1] for rope in together}) == 1
        whole = divers > 1 and _timed(unit, {}, pace) <= pace.available + _SAME_MIN
        if len(together) == divers > 1 and whole and alike:
            ropes = ropes[divers:]
            yield unit
        else:
            rope, ropes = ropes[0], ropes[1:]
            free = divers > 1 or begin_back is not None
            planned = None if free else rope[0].get("direction")
            for swim in _swims(rope, back if planned is None else planned == "back"):
                for part in _split(swim, pace.longest_m):
                    yield [{**part, "diver": 1}]
        back = not back


def _timed(unit: list[dict[str, Any]], last: dict[int, dict[str, Any]], pace: _Pace) -> float:
    """Write the way to it and minutes into the swims of a unit; return the minutes it takes."""
    ends = {diver: (swim["to_e"], swim["to_n"]) for diver, swim in last.items()}
    legs = []
    for swim in unit:
        diver, start = swim["diver"], (swim["from_e"], swim["from_n"])
        before, end = ends.get(diver), (swim["to_e"], swim["to_n"])
        way = Way(0.0) if before is None else pace.ways.between(before, start)
        legs.append(Leg(diver, start, end, before, way))
        ends[diver] = end
    parting: list[BaseGeometry] = []
    if len({leg.diver for leg in legs}) > 1:
        legs, parting = together(legs, pace.ways)
    taken: dict[int, float] = {}
    for swim, leg in zip(unit, legs, strict=True):
        swim["transit_m"], swim["clear"] = leg.way.length_m, leg.way.clear
        swim["via"], swim["parted_at"] = written_via(leg.way.via), _places(parting)
        swim["minutes"] = swim["length_m"] / pace.speed + max(
            pace.turn, swim["transit_m"] / pace.speed
        )
        taken[leg.diver] = taken.get(leg.diver, 0.0) + swim["minutes"]
    slowest = max(taken, key=lambda diver: taken[diver])
    for swim in unit:
        if swim["diver"] != slowest:
            swim["minutes"] = 0.0
    return taken[slowest]


def _places(areas: list[BaseGeometry]) -> str:
    """Write a place within each of some areas as a table's cell."""
    return written_via(shapely.get_coordinates(shapely.point_on_surface(areas)).tolist())


def ways_between(packed: pd.DataFrame) -> list[tuple[str, list[Point]]]:
    """Return the way to each swim of `pack_dives` that is not a diver's first of its dive.

    Returns
    -------
    list of (str, list of (e, n))
        The dive, and the places along the way from the end of one swim to the start of the next, m.
    """
    ways = []
    for (dive, _), own in packed.groupby(["dive", "diver"], sort=False):
        rows = own.sort_values("order").to_dict("records")
        for before, swim in pairwise(rows):
            ends = (before["to_e"], before["to_n"]), (swim["from_e"], swim["from_n"])
            ways.append((str(dive), [ends[0], *read_via(swim["via"]), ends[1]]))
    return ways


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


def _ropes(lanes: pd.DataFrame) -> tuple[list[_Rope], list[_Rope]]:
    """Return the lanes in order, the pieces of one that keep-outs cut together; cross lanes apart.

    Only cross lanes that come after all others are set apart.
    """
    table = lanes.sort_values("order", kind="stable") if "order" in lanes else lanes
    rows = [{str(key): value for key, value in row.items()} for row in table.to_dict("records")]
    ropes = [list(own) for _, own in groupby(rows, key=lambda row: rope_number(str(row["lane"])))]
    ends = len(ropes)
    while ends and str(ropes[ends - 1][0]["lane"]).startswith(CROSS):
        ends -= 1
    return ropes[:ends], ropes[ends:]


def _swims(rope: list[dict[str, Any]], back: bool) -> list[dict[str, Any]]:
    """Return the pieces of a lane as they are swum, each from where it is begun to where it ends.

    Pieces are listed in the order planned: a lane swum the other way begins with its last.
    """
    planned = rope[0].get("direction")
    rows = rope if planned is None or back == (planned == "back") else rope[::-1]
    swims = []
    for row in rows:
        start, end = (row["start_e"], row["start_n"]), (row["end_e"], row["end_n"])
        if back:
            start, end = end, start
        de, dn = end[0] - start[0], end[1] - start[1]
        swims.append(
            {
                "lane": row["lane"],
                "direction": "back" if back else "out",
                "from_e": start[0],
                "from_n": start[1],
                "to_e": end[0],
                "to_n": end[1],
                "length_m": float(np.hypot(de, dn)),
                "grid_deg": float(np.degrees(np.arctan2(de, dn))) % 360.0,
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
