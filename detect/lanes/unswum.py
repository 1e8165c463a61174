"""Which part of which lane was not swum, and which lanes a gap belongs to."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from detect.lanes.field import FloatArray

# A stretch without readings no longer than this is a reading left out, not a part left unswum.
_LEAST_M = 1.5
# Tapes are read and ends are held to about this.
_TAPE_M = 0.25


@dataclass(frozen=True)
class UnswumPart:
    """A stretch of a lane of the plan along which there are no readings.

    Attributes
    ----------
    lane : str
    ends : tuple of float
        The whole lane: ``start_e, start_n, end_e, end_n``, m.
    from_m, to_m : float
        The stretch, m from the lane's start peg.
    """

    lane: str
    ends: tuple[float, float, float, float]
    from_m: float
    to_m: float

    @property
    def lane_m(self) -> float:
        """Length of the whole lane, m."""
        return float(np.hypot(self.ends[2] - self.ends[0], self.ends[3] - self.ends[1]))

    @property
    def words(self) -> str:
        """The part in words: ``L05 whole``, ``L19 from 15.5 to 21.5 m``."""
        if self.from_m <= _TAPE_M and self.to_m >= self.lane_m - _TAPE_M:
            return f"{self.lane} whole"
        return f"{self.lane} from {self.from_m:.1f} to {self.to_m:.1f} m"

    def places(self) -> tuple[float, float, float, float]:
        """Return where the part begins and ends: ``e, n, e, n``, m."""
        e0, n0, e1, n1 = self.ends
        first, last = self.from_m / self.lane_m, self.to_m / self.lane_m
        return (
            round(e0 + first * (e1 - e0), 4) + 0.0,
            round(n0 + first * (n1 - n0), 4) + 0.0,
            round(e0 + last * (e1 - e0), 4) + 0.0,
            round(n0 + last * (n1 - n0), 4) + 0.0,
        )

    def along(self, e: FloatArray, n: FloatArray) -> FloatArray:
        """Return how far along the lane places lie, m from its start peg."""
        e0, n0, e1, n1 = self.ends
        return ((e - e0) * (e1 - e0) + (n - n0) * (n1 - n0)) / self.lane_m

    def line(self) -> shapely.LineString:
        """Return the part as a line."""
        places = self.places()
        return shapely.LineString([places[:2], places[2:]])


def unswum_parts(
    lanes: pd.DataFrame, readings: pd.DataFrame, listened_m: float = 0.0
) -> list[UnswumPart]:
    """Return the parts of the lanes that no pass has readings along.

    Parameters
    ----------
    lanes : pandas.DataFrame
        ``lane, start_e, start_n, end_e, end_n`` (m).
    readings : pandas.DataFrame
        ``lane, distance_m`` from the lane's start peg.
    listened_m : float
        Readings this near each other count as one unbroken look, as in `coverage`.

    Returns
    -------
    list of UnswumPart
        In the order of `lanes`. Stretches of 1.5 m and less are readings left out, not parts.
        A lane with single readings far apart counts as unswum between its ends.
    """
    taken = {str(lane): own for lane, own in readings.groupby("lane")["distance_m"]}
    most = max(_LEAST_M, listened_m)
    parts = []
    places = lanes[["start_e", "start_n", "end_e", "end_n"]].to_numpy(dtype=float)
    for lane, (e0, n0, e1, n1) in zip(lanes["lane"].astype(str), places.tolist(), strict=True):
        own, ends = taken.get(lane), (e0, n0, e1, n1)
        length = float(np.hypot(ends[2] - ends[0], ends[3] - ends[1]))
        for start, end in _without(None if own is None else own.to_numpy(float), length, most):
            parts.append(UnswumPart(lane, ends, start, end))
    return parts


def parts_clear_of(
    parts: Sequence[UnswumPart], barred: BaseGeometry | None, least_m: float
) -> list[UnswumPart]:
    """Return what keep-outs leave of parts of lanes: they may have been found after the plan.

    Parameters
    ----------
    parts : sequence of UnswumPart
    barred : shapely geometry or None
        Keep-outs, grown by the margin to keep from them.
    least_m : float
        Shorter pieces are left out, m.

    Returns
    -------
    list of UnswumPart
    """
    if barred is None:
        return list(parts)
    clear = []
    for part in parts:
        pieces = shapely.get_parts(shapely.difference(part.line(), barred))
        for ends in (shapely.get_coordinates(piece) for piece in pieces):
            along = np.sort(part.along(ends[[0, -1], 0], ends[[0, -1], 1]))
            if along[1] - along[0] >= least_m:
                clear.append(replace(part, from_m=float(along[0]), to_m=float(along[1])))
    return clear


def _without(
    distances: FloatArray | None, length: float, most: float
) -> Iterator[tuple[float, float]]:
    """Yield the stretches of a lane, longer than `most`, without readings; those that meet, one."""
    inner = np.empty(0) if distances is None else distances[np.isfinite(distances)]
    at = np.unique(np.clip(np.concatenate([[0.0], inner, [length]]), 0.0, length))
    wide = np.diff(at) > most
    edges = np.flatnonzero(np.diff(np.concatenate([[False], wide, [False]]).astype(np.int8)))
    for first, past in edges.reshape(-1, 2):
        yield float(at[first]), float(at[past])


def lanes_of_gaps(
    gaps: pd.DataFrame, lanes: pd.DataFrame | None, parts: list[UnswumPart]
) -> list[str]:
    """Return for each gap which lanes it belongs to: those not swum in it, else the nearest two.

    Parameters
    ----------
    gaps : pandas.DataFrame
        With ``e``, ``n`` and ``outline_wkt``.
    lanes : pandas.DataFrame or None
        The survey's lanes; without them nothing can be named.
    parts : list of UnswumPart

    Returns
    -------
    list of str
        ``not swum: L05 whole; L19 from 15.5 to 21.5 m`` or ``between L07 and L08``.
    """
    if lanes is None or lanes.empty:
        return [""] * len(gaps)
    ends = lanes[["start_e", "start_n", "end_e", "end_n"]].to_numpy(dtype=float)
    lines = shapely.linestrings(ends.reshape(-1, 2, 2))
    names = lanes["lane"].astype(str).to_numpy()
    drawn = [part.line() for part in parts]
    said = []
    for wkt, e, n in gaps[["outline_wkt", "e", "n"]].itertuples(index=False):
        shape = shapely.from_wkt(wkt)
        inside = [
            part.words
            for part, line in zip(parts, drawn, strict=True)
            if line.intersection(shape).length > 0.5 * _TAPE_M
        ]
        if inside:
            said.append(f"not swum: {'; '.join(inside)}")
            continue
        nearest = np.argsort(shapely.distance(lines, shapely.Point(e, n)), kind="stable")[:2]
        said.append(
            f"between {' and '.join(sorted(names[nearest]))}"
            if len(nearest) > 1
            else f"beside {names[0]}"
        )
    return said
