"""The order of probe stations: all of them, short to swim, through no keep-out."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest
import shapely

from detect.lanes import in_visiting_order, probe_stations
from detect.lanes.station_order import NO_WAY
from detect.lanes.ways import Ways, read_via

SITE = shapely.box(0, 0, 30, 20)
WALL = shapely.box(14, 1, 16, 19)


def rows(*keep_outs: shapely.Polygon) -> pd.DataFrame:
    return probe_stations(SITE, 3.0, 0.9, keep_outs)


def lines(stations: pd.DataFrame) -> list[shapely.LineString]:
    """The ways as they are told: straight, or by the places at which they turn."""
    pairs = itertools.pairwise(stations.itertuples())
    return [shapely.LineString([(a.e, a.n), *read_via(b.via), (b.e, b.n)]) for a, b in pairs]


def test_on_open_ground_stations_stay_row_by_row() -> None:
    stations = rows()
    ordered = in_visiting_order(stations)
    pd.testing.assert_frame_equal(ordered[["station", "e", "n"]], stations)
    assert (ordered["via"] == "").all()
    assert ordered.attrs == stations.attrs


@pytest.mark.parametrize(
    "keep_outs",
    [
        [WALL],
        [shapely.box(5, 4, 9, 12), shapely.box(18, 8, 24, 17)],
        [shapely.Point(12, 9).buffer(4)],
    ],
)
def test_every_station_once_and_no_way_through_a_keep_out(keep_outs: list) -> None:
    stations = rows(*keep_outs)
    ordered = in_visiting_order(stations, keep_outs)
    assert list(ordered["station"]) == list(stations["station"])
    places = [sorted(zip(table["e"], table["n"], strict=True)) for table in (ordered, stations)]
    assert places[0] == places[1]
    # Turning places are told to the centimetre.
    inside = shapely.union_all(keep_outs).buffer(-0.02)
    assert not shapely.intersects(inside, lines(ordered)).any()


def test_a_wall_is_not_gone_round_once_a_row() -> None:
    """Of two sides of a wall one is done before the other."""
    stations = rows(WALL)
    ordered = in_visiting_order(stations, [WALL])
    crossed = np.count_nonzero(np.diff(ordered["e"].to_numpy() > 15.0))
    assert crossed <= 4 < np.count_nonzero(np.diff(stations["e"].to_numpy() > 15.0))
    ways = Ways([WALL])
    places = list(zip(stations["e"], stations["n"], strict=True))
    row_by_row = sum(ways.between(a, b).length_m for a, b in itertools.pairwise(places))
    assert sum(line.length for line in lines(ordered)) < 0.95 * row_by_row


def test_a_station_walled_in_is_told() -> None:
    ring = shapely.box(10, 5, 20, 15).difference(shapely.box(11, 6, 19, 14))
    ordered = in_visiting_order(rows(ring), [ring])
    walled = shapely.contains_xy(shapely.box(11, 6, 19, 14), ordered["e"], ordered["n"])
    changes = np.flatnonzero(np.diff(walled)) + 1
    assert list(np.flatnonzero(ordered["via"] == NO_WAY)) == list(changes)
    assert len(changes) > 0


@pytest.mark.parametrize("count", [0, 1, 2])
def test_few_stations(count: int) -> None:
    ordered = in_visiting_order(rows().head(count), [WALL])
    assert len(ordered) == count
    assert list(ordered.columns) == ["station", "e", "n", "via"]
