"""A pair passes a keep-out on one side; where its lanes lie to either side, that is said."""

import numpy as np
import pandas as pd
import pytest
import shapely

from detect.lanes import Ways, pack_dives, plan_lanes
from detect.lanes.ways import read_via
from detect.survey.frame import Frame

FRAME = Frame(grid_north_deg=0.0, magnetic_declination_deg=0.0)
BOX = shapely.box(0, 0, 10, 4)


def parts_at(packed, keep_out):
    """Goes of a pair whose two tracks, as one polygon by shapely, hold the keep-out's middle."""
    parted, last = [], {}
    for (dive, _), own in packed.groupby(["dive", goes(packed)], sort=False):
        tracks = {1: [], 2: []}
        for swim in own.itertuples():
            start, end = (swim.from_e, swim.from_n), (swim.to_e, swim.to_n)
            if (dive, swim.diver) in last:
                tracks[swim.diver] += [last[dive, swim.diver], *read_via(swim.via)]
            tracks[swim.diver] += [start, end]
            last[dive, swim.diver] = end
        if tracks[1] and tracks[2]:
            loop = shapely.Polygon([*tracks[1], *tracks[2][::-1]]).buffer(0)
            if loop.contains(shapely.centroid(keep_out)):
                parted.append((dive, int(own["order"].min())))
    return parted


def goes(packed):
    """Number the goes: each begins with a swim of the first diver of a new lane."""
    rope = packed["lane"].str[:3]
    begun = (packed["diver"] == 1) & ~rope.duplicated()
    return begun.cumsum()


def pair_round_a_box():
    """L01a, L01b and L02a, L02b: cut by a box, its middle between them; swum from the north."""
    rows = [
        ("L01a", 4.0, 4.0, 4.0, 10.0, 1, "out"),
        ("L01b", 4.0, 0.0, 4.0, -6.0, 2, "out"),
        ("L02a", 6.0, 4.0, 6.0, 10.0, 3, "out"),
        ("L02b", 6.0, 0.0, 6.0, -6.0, 4, "out"),
    ]
    names = ["lane", "start_e", "start_n", "end_e", "end_n", "order", "direction"]
    return pd.DataFrame(rows, columns=names)


def test_both_go_round_the_side_that_costs_less(dive_day):
    """By hand: from (4, 10) to (4, 0) by the west 7.21 + 4 + 4; the other's from (6, 10) likewise.

    Each by the nearer side they part; together one goes by the corners of the other side, from
    (4, 10) by (10, 4) and (10, 0), or from (6, 10) by (0, 4) and (0, 0).
    """
    near = np.hypot(4, 6) + 4 + 4
    far = np.hypot(6, 6) + 4 + 6
    assert Ways([BOX]).between((4, 10), (4, 0)).length_m == pytest.approx(near)
    packed = pack_dives(
        pair_round_a_box(), dive_day(divers_on_lane=2, bottom_time_min=100), FRAME, [BOX]
    )
    second = packed[packed["order"] == 2].set_index("diver")["transit_m"]
    assert sorted(second) == pytest.approx([near, far])
    assert packed["parted_at"].eq("").all()
    assert not parts_at(packed, BOX)
    sides = {via[0][0] for via in map(read_via, packed.loc[packed["order"] == 2, "via"])}
    assert len(sides) == 1


def test_lanes_on_either_side_of_a_keep_out_part_the_pair_and_it_is_said(dive_day):
    lanes = pd.DataFrame(
        {"lane": ["L01", "L02"], "start_e": [-1.0, 11.0], "start_n": -5.0, "end_n": 9.0}
    ).assign(end_e=lambda table: table["start_e"])
    packed = pack_dives(lanes, dive_day(divers_on_lane=2), FRAME, [BOX])
    assert [read_via(cell) for cell in packed["parted_at"]] == [[(5.0, 2.0)]] * 2
    assert any("D01 1 (dive and order)" in note for note in packed.attrs["notes"])
    alone = pack_dives(lanes, dive_day(), FRAME, [BOX])
    assert alone["parted_at"].eq("").all()


@pytest.mark.parametrize("bearing", [0.0, 30.0, 75.0, 90.0])
@pytest.mark.parametrize("spacing", [0.8, 1.1])
def test_on_a_site_every_pair_that_parts_is_told_and_ways_stay_clear(bearing, spacing, dive_day):
    site = shapely.box(0, 0, 26, 16)
    rock = shapely.Polygon([(9, 5), (14, 6), (15, 9), (10, 10)])
    lanes = plan_lanes(site, spacing, bearing_deg=bearing, keep_outs=[rock])
    packed = pack_dives(lanes, dive_day(divers_on_lane=2), FRAME, [rock])
    told = packed[packed["parted_at"].ne("")].drop_duplicates(["dive", "parted_at"])
    assert parts_at(packed, rock) == [(s.dive, s.order) for s in told.itertuples()]
    core = rock.buffer(-0.01)
    last = {}
    for swim in packed.itertuples():
        before = last.get((swim.dive, swim.diver))
        if before is not None:
            way = shapely.LineString([before, *read_via(swim.via), (swim.from_e, swim.from_n)])
            assert not shapely.intersects(core, way)
            assert swim.transit_m == pytest.approx(way.length, abs=0.02)
        last[swim.dive, swim.diver] = (swim.to_e, swim.to_n)


def test_the_other_side_is_the_shortest_way_there():
    """By hand, (1, 5) to (1, -1): by the west 2 hypot(1, 1) + 4, by the east 2 hypot(9, 1) + 4."""
    ways = Ways([BOX])
    assert ways.between((1, 5), (1, -1)).length_m == pytest.approx(2 * np.hypot(1, 1) + 4)
    other = ways.other_side((1, 5), (1, -1), ways.parts[0])
    assert other.length_m == pytest.approx(2 * np.hypot(9, 1) + 4)
    assert {e for e, _ in other.via} == {10.0}
    # Where another keep-out closes the other side there is none.
    shut = Ways([BOX, shapely.box(10, -2e4, 11, 2e4)])
    assert shut.other_side((1, 5), (1, -1), shut.parts[0]) is None
