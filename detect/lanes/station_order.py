"""In which order probe stations are visited, and the way from one to the next round keep-outs."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise
from typing import Any

import pandas as pd

from detect.lanes.swim_order import in_short_order
from detect.lanes.ways import Way, Ways, written_via

NO_WAY = "no way"
"""What stands for a way where keep-outs leave none along the bed."""
# Of more stations another order than row by row takes memory by their number squared.
_MOST_REORDERED = 400
_WORTH = 0.05


def in_visiting_order(stations: pd.DataFrame, keep_outs: Iterable[Any] = ()) -> pd.DataFrame:
    """Return stations named in an order that is short to swim, with the ways between them.

    Parameters
    ----------
    stations : pandas.DataFrame
        As `detect.lanes.probe_stations` returns: ``station, e, n`` (m), row by row.
    keep_outs : iterable
        Polygons, or records with a ``polygon`` attribute, through which nobody swims; no station
        lies in one.

    Returns
    -------
    pandas.DataFrame
        ``station`` (the same names, in the new order), ``e, n`` (m), ``via`` (where the way from
        the station before turns, "e n; e n", m; blank where it is straight, "no way" where
        keep-outs leave none); ``attrs`` as given.

    Notes
    -----
    Row by row, to and fro, is short on open ground. Where a way between two stations so turns
    round a keep-out, the order of `in_short_order` (straight distances) is tried, and taken where
    it is shorter by a twentieth, both measured along their ways round the keep-outs: rows are
    easier to follow. Limit: no proof that no order is shorter; more than 400 stations stay row by
    row.
    """
    attrs, barred = dict(stations.attrs), Ways(keep_outs)
    ways = _between(stations, barred)
    if any(way.via or not way.clear for way in ways) and len(stations) <= _MOST_REORDERED:
        ends = {"start_e": "e", "start_n": "n", "end_e": "e", "end_n": "n"}
        points = stations.assign(**{end: stations[at] for end, at in ends.items()})
        other = in_short_order(points).sort_values("order")[["station", "e", "n"]]
        other_ways = _between(other, barred)
        if _worth_it(other_ways, ways):
            stations, ways = other.assign(station=stations["station"].to_numpy()), other_ways
    via = [NO_WAY if not way.clear else written_via(way.via) for way in ways]
    ordered = stations.assign(via=["", *via][: len(stations)]).reset_index(drop=True)
    ordered.attrs = attrs
    return ordered


def _between(stations: pd.DataFrame, ways: Ways) -> list[Way]:
    """Return the way from each station to the next."""
    places = zip(stations["e"].astype(float), stations["n"].astype(float), strict=True)
    return [ways.between(start, end) for start, end in pairwise(places)]


def _worth_it(other: list[Way], rows: list[Way]) -> bool:
    """Return whether another order is better than row by row by enough to take it."""
    unreached, unreached_by_rows = (sum(not way.clear for way in ways) for ways in (other, rows))
    if unreached != unreached_by_rows:
        return unreached < unreached_by_rows
    shorter = sum(way.length_m for way in other)
    return shorter < (1.0 - _WORTH) * sum(way.length_m for way in rows)
