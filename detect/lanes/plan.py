"""Where to swim: lanes over the site, at the bearing that costs least, named and in order."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from detect.lanes.strips import Piece, lay_crossing, lay_strips, turned_back
from detect.survey.errors import Problem, SurveyError

LANE_COLUMNS = (
    "lane",
    "start_e",
    "start_n",
    "end_e",
    "end_n",
    "length_m",
    "bearing_deg",
    "order",
    "direction",
)
CROSS = "X"
"""What the names of cross lanes begin with."""
SHORTEST_PIECE_M = 0.5
"""A piece of lane shorter than this is not worth a peg: it is left out, and said."""

_MOST_LANES = 3000
_BEARING_STEP_DEG = 5.0


def plan_lanes(
    outline: BaseGeometry,
    spacing_m: float,
    *,
    bearing_deg: float | None = None,
    overlap_m: float = 1.0,
    keep_outs: Iterable[Any] = (),
    turn_cost_m: float = 6.0,
    dive_m: float | None = None,
    cross_lanes: int = 0,
) -> pd.DataFrame:
    """Return parallel lanes over the site and its margin.

    Parameters
    ----------
    outline : shapely.Polygon
        The site, grid coordinates.
    spacing_m : float
        Largest distance between lanes, m; lanes are spread evenly, so it may come out smaller.
    bearing_deg : float, optional
        Grid bearing of the lanes. None takes the bearing that costs the fewest dives (where
        `dive_m` is given) and among these the fewest metres swum, turns included, among the
        bearings of the outline's edges and every five degrees.
    overlap_m : float
        Margin swum past the outline on every side, m (corners mitred).
    keep_outs : iterable
        Polygons, or records with a ``polygon`` attribute, in which no lane runs.
    turn_cost_m : float
        Metres that could be swum in the time a turn takes (turn time times speed).
    dive_m : float, optional
        Metres that one dive has for swimming, turns counted as metres.
    cross_lanes : int
        Lanes across the others, evenly spread along them: where they meet the same ground is read
        twice, so that the lanes' levels can be held against each other.

    Returns
    -------
    pandas.DataFrame
        One row a lane piece: ``lane`` (L01, L02, ... from left to right of the bearing; pieces
        of a lane cut by keep-outs are L03a, L03b along it; cross lanes X01, ...),
        ``start_e, start_n, end_e, end_n`` (m), ``length_m``, ``bearing_deg`` (from start to end),
        ``order`` (1, 2, ... as swum, to and fro) and ``direction`` ("out" from start to end, or
        "back"). ``attrs`` hold ``spacing_m`` and ``bearing_deg`` as laid and ``notes``, a tuple of
        sentences on what was left out.

    Raises
    ------
    ValueError
        If the outline is not a valid area, or the spacing or margin out of range.
    SurveyError
        If the spacing asks for more lanes than anyone would lay.

    Notes
    -----
    Every point of the outline has a lane abeam on each side, no farther apart than the spacing,
    and every point of the margin one within half a spacing, keep-outs and what lies in their
    shadow excepted: the promise of `detect.lanes.spacing.widest_spacing` holds for the outline.
    """
    outline = _checked(outline, spacing_m, overlap_m)
    area = outline.buffer(overlap_m, join_style="mitre") if overlap_m > 0 else outline
    polygons = [getattr(item, "polygon", item) for item in keep_outs]
    barred = shapely.union_all(polygons) if polygons else None

    def laid(bearing: float) -> tuple[list[Piece], float]:
        return lay_strips(
            area,
            spacing_m,
            bearing,
            held=outline,
            keep_out=barred,
            swim_through_m=turn_cost_m,
        )

    if bearing_deg is None:

        def price(bearing: float) -> tuple[float, float, float]:
            pieces, _ = laid(bearing)
            return _dives(pieces, turn_cost_m, dive_m), _cost(pieces, turn_cost_m), bearing

        bearing_deg = min(_bearings(outline), key=price)
    bearing = float(bearing_deg) % 360.0
    pieces, distance = laid(bearing)
    lanes = _as_frame(pieces, distance, bearing)
    if cross_lanes:
        across = (bearing + 90.0) % 180.0
        crossing = lay_crossing(area, outline, cross_lanes, across, barred, turn_cost_m)
        more = _as_frame(crossing, distance, across, prefix=CROSS, order=len(lanes))
        notes = (*lanes.attrs["notes"], *more.attrs["notes"])
        lanes = pd.concat([lanes, more], ignore_index=True)
        lanes.attrs.update(spacing_m=distance, bearing_deg=bearing, notes=notes)
    return lanes


def advised_cross_lanes(lanes: pd.DataFrame) -> int:
    """Return how many cross lanes are advised to hold the levels of `plan_lanes` against.

    One for every ten lane spacings along the longest lane, two at least. Source of the ten: the
    worked example of IHO S-44, Edition 6, section 3.5.2 (lines at 3 d, cross lines at 30 d); two at
    least, so that one spoilt crossing is seen: common practice, no source.
    """
    if lanes.empty:
        return 0
    main = lanes[~is_cross(lanes)]
    longest = float(main["length_m"].max())
    return max(2, round(longest / (10.0 * float(lanes.attrs["spacing_m"]))))


def is_cross(lanes: pd.DataFrame) -> pd.Series:
    """Return which lanes of a plan lie across the others."""
    return lanes["lane"].astype(str).str.startswith(CROSS)


def rope_number(lane: str) -> str:
    """Return the name of the lane line a piece lies on: L03 for L03a, L03 for L03."""
    trimmed = lane.rstrip("abcdefghijklmnopqrstuvwxyz")
    return trimmed if trimmed and trimmed[-1:].isdigit() else lane


def count_lanes(lanes: Iterable[str]) -> tuple[int, int, int]:
    """Return how many lanes, cross lanes and parts of them there are among these names.

    Parameters
    ----------
    lanes : iterable of str
        Names as `plan_lanes` gives them: the parts of a lane that keep-outs cut end in a letter.

    Returns
    -------
    tuple of int
        Lanes, cross lanes, and parts of both: each is a row of the table of lanes.
    """
    parts = set(lanes)
    ropes = {rope_number(name) for name in parts}
    across = sum(name.startswith(CROSS) for name in ropes)
    return len(ropes) - across, across, len(parts)


def _checked(outline: BaseGeometry, spacing_m: float, overlap_m: float) -> BaseGeometry:
    if outline.is_empty or not outline.is_valid or outline.area <= 0:
        raise ValueError("the outline must be a valid polygon with an area")
    if not 0 < spacing_m < np.inf:
        raise ValueError(f"the lane spacing must be positive, not {spacing_m}")
    if not 0 <= overlap_m < np.inf:
        raise ValueError(f"the margin must not be negative, but it is {overlap_m}")
    diagonal = float(np.hypot(*(np.subtract(outline.bounds[2:], outline.bounds[:2]))))
    if (diagonal + 2 * overlap_m) / spacing_m > _MOST_LANES:
        raise SurveyError(
            [
                Problem(
                    "survey.toml",
                    f"lanes {spacing_m:.3g} m apart over {diagonal:.0f} m would be more than "
                    f"{_MOST_LANES}",
                    "widen lanes.spacing_m, or check the outline and the detector's ranges",
                    column="lanes.spacing_m",
                )
            ]
        )
    return outline


def _bearings(outline: BaseGeometry) -> list[float]:
    """Return the bearings to try, in [0, 180): along the hull's and outline's edges, and a fan."""
    fan = np.arange(0.0, 180.0, _BEARING_STEP_DEG)
    edges = []
    for ring in (outline.convex_hull.boundary, outline.boundary):
        for part in shapely.get_parts(ring):
            steps = np.diff(shapely.get_coordinates(part), axis=0)
            lengths = np.hypot(steps[:, 0], steps[:, 1])
            # Only the longer edges of a traced outline can be the side to swim along.
            longest = np.argsort(-lengths, kind="stable")[:20]
            edges.append(np.degrees(np.arctan2(steps[longest, 0], steps[longest, 1])) % 180.0)
    rounded = np.round(np.concatenate([fan, *edges]), 6) % 180.0
    return [float(b) for b in np.unique(rounded)]


def _cost(pieces: list[Piece], turn_cost_m: float) -> float:
    """Return metres swum, a turn a piece counted in metres; rounded so that ties are ties."""
    return round(sum(p.length_m + turn_cost_m for p in pieces), 6)


def _dives(pieces: list[Piece], turn_cost_m: float, dive_m: float | None) -> int:
    """Return how many dives the pieces fill in order, one longer than a dive in parts."""
    if dive_m is None:
        return 0
    dives, used = 0, float("inf")
    longest = max(dive_m - turn_cost_m, 1e-6)
    for piece in pieces:
        parts = max(1, int(np.ceil(piece.length_m / longest - 1e-9)))
        for _ in range(parts):
            metres = piece.length_m / parts + turn_cost_m
            if used + metres > dive_m + 1e-9:
                dives, used = dives + 1, 0.0
            used += metres
    return dives


def _as_frame(
    pieces: list[Piece], distance: float, bearing: float, prefix: str = "L", order: int = 0
) -> pd.DataFrame:
    kept = [p for p in pieces if p.length_m >= SHORTEST_PIECE_M]
    numbers = {lane: k + 1 for k, lane in enumerate(dict.fromkeys(p.lane for p in kept))}
    digits = max(2, len(str(len(numbers))))
    by_lane: dict[int, list[Piece]] = {}
    for piece in kept:
        by_lane.setdefault(piece.lane, []).append(piece)

    rows: list[dict[str, Any]] = []
    for lane, stretch in by_lane.items():
        back = numbers[lane] % 2 == 0
        count = len(stretch)
        for k, piece in enumerate(stretch):
            start_e, start_n = turned_back(piece.across_m, piece.start_m, bearing)
            end_e, end_n = turned_back(piece.across_m, piece.end_m, bearing)
            rows.append(
                {
                    "lane": f"{prefix}{numbers[lane]:0{digits}d}"
                    + (letters(k) if count > 1 else ""),
                    # A tenth of a millimetre is below any tape and keeps files tidy.
                    "start_e": round(start_e, 4) + 0.0,
                    "start_n": round(start_n, 4) + 0.0,
                    "end_e": round(end_e, 4) + 0.0,
                    "end_n": round(end_n, 4) + 0.0,
                    "length_m": round(piece.length_m, 4),
                    "bearing_deg": bearing,
                    "order": order + (count - k if back else k + 1),
                    "direction": "back" if back else "out",
                }
            )
        order += count
    frame = pd.DataFrame(rows, columns=list(LANE_COLUMNS))
    frame.attrs.update(spacing_m=distance, bearing_deg=bearing, notes=_notes(pieces, kept, bearing))
    return frame


def _notes(pieces: list[Piece], kept: list[Piece], bearing: float) -> tuple[str, ...]:
    notes = []
    for piece in pieces:
        if piece.length_m < SHORTEST_PIECE_M:
            e, n = turned_back(piece.across_m, 0.5 * (piece.start_m + piece.end_m), bearing)
            notes.append(
                f"a piece of lane {piece.length_m:.2f} m long at {e:.1f} E, {n:.1f} N is "
                f"left out: shorter than {SHORTEST_PIECE_M} m"
            )
    if not kept:
        notes.append("keep-outs leave nothing to swim")
    return tuple(notes)


def letters(index: int) -> str:
    """Return a, b, ..., z, aa, ab, ... for 0, 1, ..."""
    text = ""
    index += 1
    while index:
        index, remainder = divmod(index - 1, 26)
        text = chr(ord("a") + remainder) + text
    return text
