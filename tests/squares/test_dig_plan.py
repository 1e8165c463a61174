"""The choice within the hours, against published knapsacks and brute force."""

import itertools
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from detect.squares import EffortRates, best_subset, cost_interval, plan_dig
from detect.squares.dig_plan import sharing_a_side

DATA = Path(__file__).parents[1] / "data"
# J. Burkardt's set of 0-1 knapsacks; labels from memory, optima enumerated (check_values.md 8)
KNAPSACKS = json.loads((DATA / "knapsack.json").read_text(encoding="utf-8"))
OPTIMUM = {"P01": 309, "P02": 51, "P03": 150, "P05": 900, "P06": 1735, "P07": 1458}


@pytest.mark.parametrize("name", sorted(OPTIMUM))
def test_published_knapsacks(name):
    instance = KNAPSACKS[name]
    weight = np.array(instance["w"], float)
    value = np.array(instance["v"], float)
    capacity = float(instance["cap"])
    chosen, gap = best_subset(value, weight, capacity)
    assert value[chosen].sum() == pytest.approx(OPTIMUM[name])
    assert weight[chosen].sum() <= capacity
    assert gap == pytest.approx(0.0, abs=1e-9)


def test_brute_force_with_a_largest_number():
    rng = np.random.default_rng(9)
    value, cost = rng.uniform(size=10), rng.uniform(1, 5, 10)
    best = max(
        value[list(some)].sum()
        for count in range(4)
        for some in itertools.combinations(range(10), count)
        if cost[list(some)].sum() <= 9.0
    )
    chosen, _ = best_subset(value, cost, 9.0, most=3)
    assert value[chosen].sum() == pytest.approx(best)


def test_joined_trenches_against_brute_force():
    rng = np.random.default_rng(4)
    e, n = (axis.ravel() for axis in np.meshgrid(np.arange(4.0), np.arange(3.0)))
    table = pd.DataFrame({"e_min": 2.0 * e, "n_min": 2.0 * n, "size_m": 2.0})
    pairs = sharing_a_side(table)
    assert len(pairs) == 3 * 3 + 4 * 2
    value, cost = rng.uniform(size=12), rng.uniform(1, 3, 12)
    sets = ((np.arange(2**12)[:, None] >> np.arange(12)) & 1).astype(bool)
    worth = sets @ value + 0.3 * (sets[:, pairs[:, 0]] & sets[:, pairs[:, 1]]).sum(axis=1)
    best = worth[(sets @ cost <= 9.0) & (sets.sum(axis=1) <= 5)].max()
    chosen, gap = best_subset(value, cost, 9.0, 5, pairs, bonus=0.3)
    found = value[chosen].sum() + 0.3 * chosen[pairs].all(axis=1).sum()
    assert found == pytest.approx(best)
    assert cost[chosen].sum() <= 9.0
    assert gap == pytest.approx(0.0, abs=1e-9)


def test_the_wish_for_joined_trenches_moves_the_choice():
    squares = ranked([1.0, 0.9, 0.85], [5, 5, 5]).assign(
        e_min=[0.0, 20.0, 2.0], n_min=0.0, size_m=2.0
    )
    apart = plan_dig(squares, 10, 0.0)
    joined = plan_dig(squares, 10, 0.0, joined_bonus=0.2)
    assert list(apart.table["square"]) == ["A1", "A2"]
    assert list(joined.table["square"]) == ["A1", "A3"]
    assert joined.joins == 1
    assert joined.value == pytest.approx(1.85 + 0.2)


def test_what_one_more_dive_day_would_buy():
    plan = plan_dig(ranked([0.9, 0.8, 0.7], [5, 5, 5]), 10, 0.0, dive_day_h=5.0)
    assert plan.next_day == ("A3",)
    assert plan.next_day_value == pytest.approx(0.7)
    assert plan.next_day_top_k == pytest.approx(0.9)


def test_the_cost_of_squares_whose_sediment_is_deep_together():
    # hours of a square 1 + 4 d / 2 + 0.5, budget 9: two squares under the same depth d take
    # 3 + 4 d, more than 9 where d > 1.5
    depth = np.linspace(0.5, 2.0, 151)
    rates = EffortRates(2.0, setup_h=1.0, recording_h=0.5)
    together = cost_interval(np.column_stack([depth, depth]), 2.0, rates, 9.0)
    assert together.hours_p05 == pytest.approx(3.0 + 4.0 * 0.575)
    assert together.sediment_p95_m3 == pytest.approx(8.0 * 1.925)
    assert together.overrun == pytest.approx(50 / 151)
    apart = cost_interval(np.column_stack([depth, depth[::-1]]), 2.0, rates, 9.0)
    assert apart.hours_p95 - apart.hours_p05 == pytest.approx(0.0, abs=1e-9)


def test_opened_squares_are_no_longer_closed():
    squares = ranked([0.9] * 8 + [np.nan] * 2, [1.0] * 10, ["open"] * 8 + ["opened"] * 2)
    assert len(plan_dig(squares, budget_h=100, reserve_fraction=0.3).table) == 5


def test_one_more_dive_day_may_drop_a_square_for_two_others():
    plan = plan_dig(ranked([1.0, 0.9, 0.8], [10, 7, 7]), 10, 0.0, dive_day_h=4.0)
    assert list(plan.table["square"]) == ["A1"]
    assert plan.next_day == ("A2", "A3")
    assert plan.next_day_drops == ("A1",)
    none = plan_dig(ranked([1.0, 0.9], [10, 7]), 0.0, 0.0, dive_day_h=8.0)
    assert none.table.empty
    assert (none.candidates, none.cheapest_h, none.next_day) == (2, 7.0, ("A2",))


def ranked(score, effort, status=None, p_top_k=0.9):
    count = len(score)
    return pd.DataFrame(
        {
            "square": [f"A{i + 1}" for i in range(count)],
            "rank": pd.array(range(1, count + 1), dtype="Int64"),
            "status": status or ["open"] * count,
            "effort_h": np.asarray(effort, float),
            "sediment_m3": np.asarray(effort, float) / 4,
            "score": np.asarray(score, float),
            "p_top_k": p_top_k,
            "reason": "because",
        }
    )


def test_a_dear_first_square_gives_way_to_two_good_ones():
    plan = plan_dig(ranked([0.9, 0.8, 0.7], [10, 6, 4]), budget_h=10, reserve_fraction=0.0)
    assert list(plan.table["square"]) == ["A2", "A3"]
    assert plan.value == pytest.approx(1.5)
    assert plan.list_value == pytest.approx(0.9)
    assert plan.hours == pytest.approx(10.0)
    assert list(plan.table["cumulative_h"]) == [6.0, 10.0]


def test_the_reserve_fraction_stays_closed():
    plan = plan_dig(ranked([0.9] * 10, [1.0] * 10), budget_h=100, reserve_fraction=0.3)
    assert len(plan.table) == 7


def test_kept_out_squares_are_never_in_the_plan():
    squares = ranked([0.9, np.nan, np.nan], [1, 1, 1], ["open", "reserve", "unsurveyed"])
    plan = plan_dig(squares, budget_h=100, reserve_fraction=0.0)
    assert list(plan.table["square"]) == ["A1"]


def test_no_hours_no_squares():
    plan = plan_dig(ranked([0.9, 0.5], [3, 2]), budget_h=0.0, reserve_fraction=0.0)
    assert plan.table.empty
    assert plan.hours == 0.0


def test_a_square_below_the_average_is_not_disturbed():
    plan = plan_dig(ranked([0.9, -0.2], [3, 2]), budget_h=50.0, reserve_fraction=0.0)
    assert list(plan.table["square"]) == ["A1"]


def test_hours_left_over_are_no_reason_to_open_a_doubtful_square():
    squares = ranked([0.9, 0.4], [3, 2], p_top_k=[0.95, 0.2])
    plan = plan_dig(squares, budget_h=50.0, reserve_fraction=0.0)
    assert list(plan.table["square"]) == ["A1"]
    assert plan.expected_top_k == pytest.approx(0.95)
