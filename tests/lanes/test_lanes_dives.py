"""Lanes packed into dives."""

from itertools import combinations, pairwise

import numpy as np
import pandas as pd
import pytest
import shapely

from detect.lanes import dive_totals, pack_dives, plan_lanes
from detect.survey.errors import SurveyError
from detect.survey.frame import Frame

FRAME = Frame(grid_north_deg=20.0, magnetic_declination_deg=3.0)


def lanes_of(lengths):
    return pd.DataFrame(
        {
            "lane": [f"L{k + 1:02d}" for k in range(len(lengths))],
            "start_e": np.arange(len(lengths), dtype=float),
            "start_n": 0.0,
            "end_e": np.arange(len(lengths), dtype=float),
            "end_n": lengths,
        }
    )


def test_to_and_fro_on_three_norths(dive_day):
    """Grid 0, grid north at 20 true, declination 3 east: 20 true, 17 by compass; and back."""
    packed = pack_dives(lanes_of([30.0, 30.0]), dive_day(), FRAME)
    assert packed["direction"].tolist() == ["out", "back"]
    assert packed["grid_deg"].tolist() == [0.0, 180.0]
    np.testing.assert_allclose(packed["true_deg"], [20.0, 200.0])
    np.testing.assert_allclose(packed["magnetic_deg"], [17.0, 197.0])
    assert packed[["from_n", "to_n"]].to_numpy().tolist() == [[0.0, 30.0], [30.0, 0.0]]
    assert packed["minutes"].tolist() == [6.0, 6.0]  # 30 m at 6 m/min and a turn of 1 min


def test_a_dive_is_filled_and_not_overfilled(dive_day):
    """35 minutes for lanes of 6 minutes: five a dive."""
    packed = pack_dives(lanes_of([30.0] * 12), dive_day(), FRAME)
    assert packed.groupby("dive").size().tolist() == [5, 5, 2]
    assert packed["dive"].iloc[[0, -1]].tolist() == ["D01", "D03"]
    assert packed["order"].tolist() == [1, 2, 3, 4, 5, 1, 2, 3, 4, 5, 1, 2]
    assert (packed["split"] == "").all()


@pytest.mark.parametrize("seed", range(6))
def test_no_packing_in_this_order_takes_fewer_dives(seed, dive_day):
    """Every way of cutting the sequence into dives, enumerated."""
    lengths = np.random.default_rng(seed).uniform(20, 150, 9)
    packed = pack_dives(lanes_of(lengths), dive_day(), FRAME)

    lanes_end = np.array([[0.0, length] for length in lengths])
    lanes_end[1::2] = lanes_end[1::2, ::-1]  # swum back

    def minutes(first, last):
        """Lanes first to last - 1 in one dive: a turn, or the swim to the next if longer."""
        swim = lengths[first:last].sum() / 6.0 + 1.0
        ways = [
            np.hypot(lanes_end[k][0] - lanes_end[k - 1][1], 1.0) for k in range(first + 1, last)
        ]
        return swim + sum(max(1.0, way / 6.0) for way in ways)

    def fits(cuts):
        return all(minutes(a, b) <= 35.0 for a, b in pairwise([0, *cuts, 9]))

    fewest = next(
        k + 1 for k in range(9) if any(fits(cuts) for cuts in combinations(range(1, 9), k))
    )
    assert packed["dive"].nunique() == fewest
    assert packed.groupby("dive")["minutes"].sum().max() <= 35.0


def test_a_lane_longer_than_a_dive_is_split_and_said(dive_day):
    """(35 - 1) min x 6 m/min = 204 m fit a dive; 500 m take three parts, swum one after another."""
    packed = pack_dives(lanes_of([10.0, 500.0]), dive_day(), FRAME)
    assert packed["split"].tolist() == ["", "1 of 3", "2 of 3", "3 of 3"]
    parts = packed.iloc[1:]
    assert parts["length_m"].sum() == pytest.approx(500.0)
    np.testing.assert_allclose(parts["from_n"], [500, 1000 / 3, 500 / 3])  # the lane is swum back
    np.testing.assert_allclose(parts["to_n"], [1000 / 3, 500 / 3, 0], atol=1e-9)
    assert packed.groupby("dive")["minutes"].sum().max() <= 35.0


def test_the_plan_order_is_followed(dive_day):
    lanes = plan_lanes(
        shapely.box(0, 0, 30, 20), 2.0, bearing_deg=90.0, keep_outs=[shapely.box(10, 8, 14, 12)]
    )
    packed = pack_dives(lanes, dive_day(), FRAME)
    assert packed["lane"].tolist() == lanes.sort_values("order")["lane"].tolist()
    steps = np.hypot(
        packed["from_e"].to_numpy()[1:] - packed["to_e"].to_numpy()[:-1],
        packed["from_n"].to_numpy()[1:] - packed["to_n"].to_numpy()[:-1],
    )
    assert steps.max() <= 4.0 + 1e-9  # across to the next lane, or around the keep-out
    assert packed["length_m"].sum() == pytest.approx(lanes["length_m"].sum())


def test_more_divers_cost_hours_and_save_no_dive(dive_day):
    lanes = lanes_of([30.0] * 12)
    two = dive_totals(pack_dives(lanes, dive_day(divers=2), FRAME), dive_day(divers=2))
    four = dive_totals(pack_dives(lanes, dive_day(divers=4), FRAME), dive_day(divers=4))
    assert two.dives == four.dives == 3
    assert two.bottom_min == pytest.approx(3 * 5 + 12 * 6)
    assert two.diver_hours == pytest.approx(2 * 87 / 60)
    assert four.diver_hours == pytest.approx(2 * two.diver_hours)


def test_no_time_to_swim_is_refused_in_words(dive_day):
    with pytest.raises(SurveyError, match="no time to swim") as caught:
        pack_dives(lanes_of([30.0]), dive_day(bottom_time_min=6.0), FRAME)
    assert caught.value.problems[0].column == "dives.bottom_time_min"


def test_a_long_way_to_the_next_lane_is_counted(dive_day):
    """18 m from the end of one to the start of the other: 3 min at 6 m/min, not a turn of 1."""
    apart = lanes_of([30.0, 30.0]).assign(start_e=[0.0, 18.0], end_e=[0.0, 18.0])
    packed = pack_dives(apart, dive_day(), FRAME)
    assert packed["transit_m"].tolist() == [0.0, 18.0]
    assert packed["minutes"].tolist() == [6.0, 8.0]


class TestPairs:
    def test_two_divers_swim_neighbouring_lanes_side_by_side(self, dive_day):
        """Twelve lanes of 6 min: six pairs, five in the first dive's 35 min."""
        packed = pack_dives(lanes_of([30.0] * 12), dive_day(divers_on_lane=2), FRAME)
        assert packed["lane"].tolist() == [f"L{k:02d}" for k in range(1, 13)]
        assert packed["diver"].tolist() == [1, 2] * 6
        assert packed["direction"].tolist() == ["out", "out", "back", "back"] * 3
        assert packed["dive"].tolist() == ["D01"] * 10 + ["D02"] * 2
        assert packed["order"].tolist() == [1, 1, 2, 2, 3, 3, 4, 4, 5, 5, 1, 1]
        assert packed.groupby("dive")["minutes"].sum().tolist() == [30.0, 6.0]

    def test_the_pair_takes_as_long_as_its_longer_lane(self, dive_day):
        packed = pack_dives(lanes_of([30.0, 60.0]), dive_day(divers_on_lane=2), FRAME)
        assert packed["minutes"].tolist() == [0.0, 11.0]
        assert packed["transit_m"].tolist() == [0.0, 0.0]

    def test_a_lane_left_over_and_a_lane_too_long_are_swum_alone(self, dive_day):
        packed = pack_dives(lanes_of([30.0, 30.0, 500.0]), dive_day(divers_on_lane=2), FRAME)
        assert packed["split"].tolist() == ["", "", "1 of 3", "2 of 3", "3 of 3"]
        assert packed["diver"].tolist() == [1, 2, 1, 1, 1]

    def test_pieces_of_a_cut_lane_are_swum_in_the_order_they_come(self, dive_day):
        lanes = plan_lanes(
            shapely.box(0, 0, 30, 8), 2.0, bearing_deg=90.0, keep_outs=[shapely.box(10, 3, 14, 5)]
        )
        packed = pack_dives(lanes, dive_day(divers_on_lane=2), FRAME)
        for _, own in packed.groupby(["dive", "diver"]):
            ways = np.hypot(
                own["from_e"].to_numpy()[1:] - own["to_e"].to_numpy()[:-1],
                own["from_n"].to_numpy()[1:] - own["to_n"].to_numpy()[:-1],
            )
            assert ways.max() <= 4.0 + 1e-9  # past the keep-out, or on by two lanes
        assert sorted(packed["lane"]) == sorted(lanes["lane"])

    @pytest.mark.parametrize("main", [3, 4])
    def test_a_pair_swims_the_same_way_and_never_a_lane_with_one_that_crosses_it(
        self, main, dive_day
    ):
        """Two lanes too long to be swum at once, then others; cross lanes pair among themselves."""
        lanes = lanes_of([80.0, 200.0, *[30.0] * (main - 2), *[20.0] * 4])
        lanes.loc[lanes.index[main:], "lane"] = [f"X{k:02d}" for k in range(1, 5)]
        packed = pack_dives(lanes, dive_day(divers_on_lane=2), FRAME)
        paired = packed[packed.duplicated(["dive", "order"], keep=False)]
        assert len(paired) >= 4
        assert packed.equals(packed.sort_values(["dive", "order", "diver"]))
        for _, own in paired.groupby(["dive", "order"]):
            assert own["diver"].tolist() == [1, 2]
            assert own["direction"].nunique() == own["lane"].str[0].nunique() == 1
            assert own["grid_deg"].nunique() == 1

    def test_half_the_dives_or_little_more(self, dive_day, heron_skerry):
        lanes = plan_lanes(heron_skerry, 1.0, bearing_deg=90.0)
        alone = dive_totals(pack_dives(lanes, dive_day(), FRAME), dive_day())
        paired = dive_totals(pack_dives(lanes, dive_day(divers_on_lane=2), FRAME), dive_day())
        assert paired.lane_m == pytest.approx(alone.lane_m)
        assert alone.dives / 2 <= paired.dives <= alone.dives / 2 + 1


@pytest.mark.parametrize("count", [1, 2, 3, 4])
@pytest.mark.parametrize("lanes_before", [3, 4])
def test_cross_lanes_begin_where_the_other_lanes_end(count, lanes_before, dive_day):
    """No order to and fro takes less: each of the four written out, under names that bind."""
    site = shapely.box(0, 0, 30, lanes_before - 1)
    lanes = plan_lanes(site, 1.5, bearing_deg=90.0, cross_lanes=count)
    packed = pack_dives(lanes, dive_day(bottom_time_min=300), FRAME)
    across = lanes["lane"].str.startswith("X")
    by_hand = []
    for step, first in ((1, "out"), (1, "back"), (-1, "out"), (-1, "back")):
        listed = lanes[across].iloc[::step]
        other = {"out": "back", "back": "out"}[first]
        listed = listed.assign(
            lane=listed["lane"].str.replace("X", "Y"),  # no cross lane by its name: order is kept
            order=range(1000, 1000 + count),
            direction=[first if k % 2 == 0 else other for k in range(count)],
        )
        told = pack_dives(pd.concat([lanes[~across], listed]), dive_day(bottom_time_min=300), FRAME)
        assert told["lane"].tolist()[-count:] == listed["lane"].tolist()
        by_hand.append(told["transit_m"].sum())
    assert packed["transit_m"].sum() == pytest.approx(min(by_hand))
    assert count == 1 or max(by_hand) > min(by_hand) + 5.0
