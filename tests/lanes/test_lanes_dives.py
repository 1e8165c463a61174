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
    minutes = lengths / 6.0 + 1.0
    packed = pack_dives(lanes_of(lengths), dive_day(), FRAME)

    def fits(cuts):
        edges = [0, *cuts, 9]
        return all(minutes[a:b].sum() <= 35.0 for a, b in pairwise(edges))

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
