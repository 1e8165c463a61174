"""The shortest way round keep-outs, held against geometry done by hand and by enumeration."""

from itertools import chain, product

import numpy as np
import pandas as pd
import pytest
import shapely

from detect.lanes import Ways, pack_dives, plan_lanes, ways_between
from detect.survey.frame import Frame

BLOCK = shapely.box(0, 0, 10, 4)


def along(start, way, end):
    return shapely.LineString([start, *way.via, end])


def test_what_is_free_is_straight():
    ways = Ways([BLOCK])
    assert ways.between((-1, 5), (11, 5)).via == ()
    assert ways.between((-3, -4), (0, 0)).length_m == pytest.approx(5.0)
    assert Ways().between((0, 0), (30, 40)).length_m == pytest.approx(50.0)


def test_round_a_box():
    """From the middle of one end to that of the other: 2 m up, 10 m along, 2 m down."""
    way = Ways([BLOCK]).between((0, 2), (10, 2))
    assert way.length_m == pytest.approx(14.0)
    assert set(way.via) in ({(0, 0), (10, 0)}, {(0, 4), (10, 4)})


@pytest.mark.parametrize("away", [1.5, 3.0, 10.0])
def test_round_a_circle(away):
    """Two tangents and the arc between them: 2 sqrt(d² - r²) + r (π - 2 arccos(r/d)), r = 1."""
    circle = shapely.Point(0, 0).buffer(1.0, quad_segs=32)
    way = Ways([circle]).between((-away, 0), (away, 0))
    exact = 2 * np.sqrt(away**2 - 1) + np.pi - 2 * np.arccos(1 / away)
    assert way.length_m == pytest.approx(exact, rel=1e-3)


@pytest.mark.parametrize("seed", range(5))
def test_no_chain_of_corners_is_shorter(seed):
    """Three boxes in a row: every chain of none, one or two corners of each, enumerated."""
    rng = np.random.default_rng(seed)
    boxes = [
        shapely.box(4 * k + 1, low, 4 * k + 3, low + 5)
        for k, low in enumerate(rng.uniform(-4, 0, 3))
    ]
    core = shapely.union_all(boxes).buffer(-1e-6)
    start, end = (0.0, 0.0), (13.0, 0.0)
    lines = [
        shapely.LineString([start, *chain.from_iterable(corners), end])
        for corners in product(*(past(box) for box in boxes))
    ]
    shortest = min(line.length for line in lines if not line.intersects(core))
    way = Ways(boxes).between(start, end)
    assert way.length_m == pytest.approx(shortest)
    assert along(start, way, end).length == pytest.approx(shortest)
    assert not along(start, way, end).intersects(core)


def past(box):
    """Ways past a box from west to east: by no corner of it, by one, by one and then another."""
    west, south, east, north = box.bounds
    left, right = ((west, south), (west, north)), ((east, south), (east, north))
    return [(), *((corner,) for corner in (*left, *right)), *product(left, right)]


def test_a_place_shut_in_has_no_way_and_it_is_said(dive_day):
    ring = shapely.box(-5, -5, 15, 9).difference(shapely.box(-1, -1, 11, 5))
    way = Ways([ring]).between((0, 0), (30, 0))
    assert not way.clear
    assert way.length_m == pytest.approx(30.0)
    lanes = pd.DataFrame(
        {"lane": ["L01", "L02"], "start_e": [0.0, 30.0], "start_n": 0.0, "end_e": [0.0, 30.0],
         "end_n": [4.0, 4.0]}
    )  # fmt: skip
    packed = pack_dives(lanes, dive_day(), Frame(), [ring])
    assert "no way to lane L02" in packed.attrs["notes"][0]


def test_a_keep_out_traced_with_very_many_corners_is_only_rounded_off_outwards():
    angle = np.linspace(0, 2 * np.pi, 4000, endpoint=False)
    radius = 5.0 + 0.3 * np.sin(40 * angle)
    traced = shapely.Polygon(np.column_stack([radius * np.cos(angle), radius * np.sin(angle)]))
    on_its_edge = Ways([traced]).between(tuple(traced.exterior.coords[30]), (8, 0))
    assert on_its_edge.clear
    way = Ways([traced]).between((-8, 0), (8, 0))
    assert not along((-8, 0), way, (8, 0)).intersects(traced.buffer(-1e-6))
    assert way.length_m == pytest.approx(
        Ways([traced.convex_hull]).between((-8, 0), (8, 0)).length_m, abs=0.3
    )


def test_dives_go_round_keep_outs_and_pay_for_it(dive_day):
    """Lanes along 30 m with a block of 10 x 5 m in their middle: nobody swims through it."""
    block = shapely.box(10, 7.5, 20, 12.5)
    lanes = plan_lanes(shapely.box(0, 0, 30, 20), 2.0, bearing_deg=90.0, keep_outs=[block])
    straight = pack_dives(lanes, dive_day(), Frame())
    round_it = pack_dives(lanes, dive_day(), Frame(), [block])
    assert (straight["via"] == "").all()
    assert (round_it["via"] != "").any()
    for _, places in ways_between(round_it):
        assert not shapely.LineString(places).intersects(block.buffer(-0.01))
    assert any(
        shapely.LineString(places).intersects(block.buffer(-0.01))
        for _, places in ways_between(straight)
    )
    first = round_it[round_it["via"] != ""].iloc[0]
    assert first["transit_m"] > 10.0
    assert first["minutes"] == pytest.approx(first["length_m"] / 6 + first["transit_m"] / 6)
    assert round_it["minutes"].sum() > straight["minutes"].sum()
    assert round_it.groupby("dive")["minutes"].sum().max() <= 35.0 + 1e-9
