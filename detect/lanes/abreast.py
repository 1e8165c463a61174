"""Two divers abreast: they pass a keep-out on one side, within reach of each other."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from detect.lanes.ways import Point, Way, Ways

# Keep-outs dealt with in one go of a pair: a way round more of them is told as it is.
_MOST_TURNED = 4


@dataclass(frozen=True)
class Leg:
    """A swim of one of the pair, and the way to it.

    Attributes
    ----------
    diver : int
    start, end : (e, n)
        Of the swim, m.
    before : (e, n) or None
        Where the way to it begins; None on a diver's first of a dive.
    way : Way
    """

    diver: int
    start: Point
    end: Point
    before: Point | None
    way: Way

    @property
    def places(self) -> list[Point]:
        """Places from where the way begins to the end of the swim, m."""
        begun = [] if self.before is None else [self.before, *self.way.via]
        return [*begun, self.start, self.end]


def together(legs: Sequence[Leg], ways: Ways) -> tuple[list[Leg], list[BaseGeometry]]:
    """Return the legs of a pair with ways that keep the two on one side of keep-outs.

    Parameters
    ----------
    legs : sequence of Leg
        What a pair swims at one time, in order.
    ways : Ways

    Returns
    -------
    legs : list of Leg
    parting : list of shapely geometry
        Keep-outs that the two pass on either side all the same, as where their lanes do.

    Notes
    -----
    Where each diver's track is closed by the lines from the one to the other at both ends, the two
    part at a keep-out when that loop winds round it. The way of one of them is then led round its
    other side, whichever costs the slower diver least; never farther than once round the keep-out
    more. Limit: seen from above, and over the whole go: the two are not held side by side.
    """
    kept, done = list(legs), 0
    while done < _MOST_TURNED:
        parting = _parting(kept, ways)
        if not parting:
            break
        done += 1
        tried = [
            [*kept[:k], replace(leg, way=other), *kept[k + 1 :]]
            for k, leg in enumerate(kept)
            if leg.before is not None and leg.way.via
            for other in [ways.other_side(leg.before, leg.start, parting[0])]
            if other is not None
            and other.length_m <= leg.way.length_m + float(shapely.length(parting[0]))
        ]
        better = [one for one in tried if len(_parting(one, ways)) < len(parting)]
        if not better:
            break
        kept = min(better, key=_effort)
    return kept, _parting(kept, ways)


def _effort(legs: Sequence[Leg]) -> tuple[float, float]:
    """Return the metres between lanes of the slower diver, and of both."""
    metres = {
        diver: sum(leg.way.length_m for leg in legs if leg.diver == diver) for diver in (1, 2)
    }
    return round(max(metres.values()), 6), round(sum(metres.values()), 6)


def _parting(legs: Sequence[Leg], ways: Ways) -> list[BaseGeometry]:
    """Return the keep-outs that the two tracks pass on either side."""
    tracks: Mapping[int, list[Point]] = {1: [], 2: []}
    for leg in legs:
        tracks[leg.diver].extend(leg.places)
    loop = np.array([*tracks[1], *tracks[2][::-1]], dtype=float)
    return [part for part in ways.parts if _winds_round(loop, part)]


def _winds_round(loop: np.ndarray, part: BaseGeometry) -> bool:
    """Return whether a loop goes round a place within a keep-out: its angle from there adds up."""
    middle = shapely.get_coordinates(shapely.point_on_surface(part))[0]
    angle = np.arctan2(*(loop - middle).T)
    turns = np.diff(np.append(angle, angle[0]))
    return bool(round(float(np.sum((turns + np.pi) % (2 * np.pi) - np.pi)) / (2 * np.pi)) != 0)
