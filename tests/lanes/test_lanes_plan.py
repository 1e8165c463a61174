"""Lanes over the site: nothing between them is left out, and nothing runs through a keep-out."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import shapely

from detect.lanes import pack_dives, plan_lanes
from detect.lanes.plan import advised_cross_lanes, is_cross, letters, rope_number
from detect.survey.errors import SurveyError
from detect.survey.frame import Frame

BOX = shapely.box(0, 0, 30, 20)


def as_lines(lanes):
    ends = lanes[["start_e", "start_n", "end_e", "end_n"]].to_numpy()
    return [shapely.LineString(row.reshape(2, 2)) for row in ends]


def off_lane(points, lane):
    """Distance across a lane, and past its ends (0 abeam of it)."""
    start = np.array([lane.start_e, lane.start_n])
    along_unit = (np.array([lane.end_e, lane.end_n]) - start) / lane.length_m
    along = (points - start) @ along_unit
    across = (points - start) @ np.array([along_unit[1], -along_unit[0]])
    return across, np.abs(along - np.clip(along, 0, lane.length_m))


def scattered(polygon, count=4000, seed=3):
    rng = np.random.default_rng(seed)
    e_min, n_min, e_max, n_max = polygon.bounds
    e, n = rng.uniform(e_min, e_max, count), rng.uniform(n_min, n_max, count)
    inside = shapely.intersects_xy(polygon, e, n)
    return np.column_stack([e[inside], n[inside]])


def test_a_plain_rectangle():
    """30 x 20 m and a metre all round, lanes 1 m apart up and down: 32 of 22 m."""
    lanes = plan_lanes(BOX, 1.0, bearing_deg=0.0)
    assert len(lanes) == 32
    assert lanes["lane"].iloc[[0, 31]].tolist() == ["L01", "L32"]
    assert lanes["length_m"].unique().tolist() == [22.0]
    np.testing.assert_allclose(lanes["start_e"], np.arange(32) - 0.5)
    assert lanes["start_n"].unique().tolist() == [-1.0]
    assert lanes["order"].tolist() == list(range(1, 33))
    assert lanes["direction"].tolist() == ["out", "back"] * 16
    assert lanes.attrs["spacing_m"] == pytest.approx(1.0)


@pytest.mark.parametrize("bearing", [0.0, 37.0, 90.0, 201.0, None])
@pytest.mark.parametrize("overlap", [0.0, 0.3, 1.5])
def test_every_point_of_the_site_has_a_lane_on_each_side(bearing, overlap, heron_skerry):
    spacing = 1.7
    lanes = plan_lanes(heron_skerry, spacing, bearing_deg=bearing, overlap_m=overlap)
    assert lanes.attrs["spacing_m"] <= spacing + 1e-9
    points = scattered(heron_skerry)
    left, right = np.full(len(points), np.inf), np.full(len(points), np.inf)
    for lane in lanes.itertuples():
        across, past = off_lane(points, lane)
        abeam = past < 1e-3
        left = np.where(abeam & (across >= -1e-3), np.minimum(left, across), left)
        right = np.where(abeam & (across <= 1e-3), np.minimum(right, -across), right)
    assert np.all(left + right <= spacing + 1e-2)


@pytest.mark.parametrize("bearing", [0.0, 37.0, 84.3])
def test_every_point_of_the_margin_is_within_half_a_spacing(bearing, heron_skerry):
    spacing = 1.7
    lanes = plan_lanes(heron_skerry, spacing, bearing_deg=bearing, overlap_m=1.0)
    points = scattered(heron_skerry.buffer(1.0, join_style="mitre"))
    nearest = np.full(len(points), np.inf)
    for lane in lanes.itertuples():
        across, past = off_lane(points, lane)
        nearest = np.where(past < 1e-3, np.minimum(nearest, np.abs(across)), nearest)
    assert nearest.max() <= spacing / 2 + 1e-3


def test_swath_of_the_lanes_covers_the_site_by_area(heron_skerry):
    """By shapely: lanes as strips one spacing wide leave nothing of the site uncovered, and do
    not sweep much more than the margin around it."""
    lanes = plan_lanes(heron_skerry, 1.3, overlap_m=1.0)
    half = lanes.attrs["spacing_m"] / 2
    swath = shapely.union_all([line.buffer(half, cap_style="flat") for line in as_lines(lanes)])
    grown = heron_skerry.buffer(1.0, join_style="mitre")
    assert heron_skerry.difference(swath.buffer(1e-3)).area == pytest.approx(0.0, abs=1e-6)
    assert grown.area < swath.area < 1.15 * grown.area


def test_lanes_are_cut_at_keep_outs():
    wreck = SimpleNamespace(name="boiler", reason="sharp", polygon=shapely.box(10, 8, 14, 12))
    lanes = plan_lanes(BOX, 1.0, bearing_deg=90.0, keep_outs=[wreck])
    for line in as_lines(lanes):
        assert line.intersection(wreck.polygon).length < 1e-6
    cut = lanes[lanes["lane"].str.startswith("L11")]
    assert cut["lane"].tolist() == ["L11a", "L11b"]
    np.testing.assert_allclose(cut[["start_e", "end_e"]], [[-1, 10], [14, 31]])
    whole = plan_lanes(BOX, 1.0, bearing_deg=90.0)
    assert whole["length_m"].sum() - lanes["length_m"].sum() == pytest.approx(4 * 4.0)


def test_a_cut_lane_swum_back_is_swum_from_its_far_piece():
    lanes = plan_lanes(BOX, 1.0, bearing_deg=90.0, keep_outs=[shapely.box(10, 8, 14, 12)])
    swum = lanes.sort_values("order")
    assert sorted(lanes["order"]) == list(range(1, len(lanes) + 1))
    rope = swum["lane"].map(rope_number)
    for _, pieces in swum.groupby(rope, sort=False):
        places = pieces["start_e"].tolist()
        assert places == sorted(places, reverse=pieces["direction"].iloc[0] == "back")
    assert rope.drop_duplicates().is_monotonic_increasing


def test_short_pieces_are_left_out_and_said():
    lanes = plan_lanes(BOX, 1.0, bearing_deg=90.0, keep_outs=[shapely.box(-0.6, 5, 12, 7)])
    assert lanes["length_m"].min() >= 0.5
    assert len(lanes.attrs["notes"]) == 2
    assert "0.40 m long at -0.8 E" in lanes.attrs["notes"][0]


def test_the_best_bearing_costs_least_of_all_degrees(heron_skerry):
    best = plan_lanes(heron_skerry, 2.0, turn_cost_m=6.0)

    def cost(lanes):
        return lanes["length_m"].sum() + 6.0 * len(lanes)

    others = [cost(plan_lanes(heron_skerry, 2.0, bearing_deg=b)) for b in range(0, 180, 6)]
    assert cost(best) <= min(others) + 6.0  # a lane more or less hangs on rounding up
    long_side = plan_lanes(shapely.box(0, 0, 60, 15), 1.0)
    assert long_side.attrs["bearing_deg"] == 90.0


def test_two_lobes_are_not_joined_across_a_wide_gap():
    horseshoe = shapely.Polygon(
        [(0, 0), (30, 0), (30, 20), (22, 20), (22, 6), (8, 6), (8, 20), (0, 20)]
    )
    lanes = plan_lanes(horseshoe, 1.0, bearing_deg=90.0, overlap_m=0.5)
    assert {"L01a", "L01b"} <= set(lanes["lane"])  # from the north, where the legs are
    assert lanes["lane"].iloc[-1] == f"L{lanes['lane'].map(rope_number).nunique()}"
    over = [line.difference(horseshoe.buffer(1.1, join_style="mitre")) for line in as_lines(lanes)]
    assert sum(line.length for line in over) == pytest.approx(0.0, abs=1e-6)


def test_the_same_plan_every_time(heron_skerry):
    first = plan_lanes(heron_skerry, 1.1, keep_outs=[shapely.box(5, 5, 7, 8)])
    again = plan_lanes(heron_skerry, 1.1, keep_outs=[shapely.box(5, 5, 7, 8)])
    pd.testing.assert_frame_equal(first, again)


def test_absurd_plans_are_refused(heron_skerry):
    with pytest.raises(SurveyError, match=r"survey\.toml, key lanes\.spacing_m"):
        plan_lanes(heron_skerry, 0.002)
    with pytest.raises(ValueError, match="spacing"):
        plan_lanes(heron_skerry, 0.0)
    with pytest.raises(ValueError, match="outline"):
        plan_lanes(shapely.Polygon([(0, 0), (1, 1), (1, 0), (0, 1)]), 1.0)


def test_piece_letters():
    assert [letters(k) for k in (0, 1, 25, 26, 27)] == ["a", "b", "z", "aa", "ab"]
    assert rope_number("L03b") == rope_number("L03") == "L03"
    assert rope_number("north") == "north"


def test_cross_lanes_meet_every_lane_and_are_swum_last(heron_skerry):
    lanes = plan_lanes(heron_skerry, 1.5, bearing_deg=90.0, cross_lanes=3)
    across = is_cross(lanes)
    assert lanes.loc[across, "lane"].tolist() == ["X01", "X02", "X03"]
    assert lanes["order"].tolist() == list(range(1, len(lanes) + 1))
    assert (lanes.loc[across, "bearing_deg"] == 0.0).all()
    lines = shapely.linestrings(
        lanes[["start_e", "start_n", "end_e", "end_n"]].to_numpy().reshape(-1, 2, 2)
    )
    met = [shapely.intersects(line, lines[across]).sum() for line in lines[~across]]
    # Lanes at the ends of a slanted side are short; all others cross each of the three.
    assert np.mean(np.array(met) == 3) > 0.7
    # Evenly spread over the site's 36 m from west to east: at 1/6, 3/6 and 5/6 of it.
    np.testing.assert_allclose(lanes.loc[across, "start_e"], -2 + 36 * np.array([1, 3, 5]) / 6)


def test_cross_lanes_keep_out_too():
    keep_out = shapely.box(10, 8, 20, 12)
    lanes = plan_lanes(
        shapely.box(0, 0, 30, 20), 2.0, bearing_deg=90.0, keep_outs=[keep_out], cross_lanes=1
    )
    assert lanes.loc[is_cross(lanes), "lane"].tolist() == ["X01a", "X01b"]
    assert lanes.loc[is_cross(lanes), "end_n"].tolist() == [8.0, 21.0]


def test_how_many_cross_lanes_are_advised():
    """One for every ten spacings (the 30 d against 3 d of S-44's example), two at least."""
    assert advised_cross_lanes(plan_lanes(shapely.box(0, 0, 60, 15), 1.0, bearing_deg=90.0)) == 6
    assert advised_cross_lanes(plan_lanes(shapely.box(0, 0, 8, 6), 1.0, bearing_deg=90.0)) == 2


def test_the_best_bearing_needs_the_fewest_dives(heron_skerry, dive_day):
    """Packed into dives, no bearing every ten degrees takes fewer."""
    day, frame = dive_day(), Frame(grid_north_deg=0.0)
    dive_m = (day.bottom_time_min - day.setup_min) * day.swim_speed_m_per_min
    keep = {"turn_cost_m": 6.0, "dive_m": dive_m}

    def dives(lanes):
        return pack_dives(lanes, day, frame)["dive"].nunique()

    best = dives(plan_lanes(heron_skerry, 1.5, **keep))
    every = [dives(plan_lanes(heron_skerry, 1.5, bearing_deg=float(b), **keep))
             for b in range(0, 180, 10)]  # fmt: skip
    assert best <= min(every)
