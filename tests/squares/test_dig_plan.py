"""The choice within the hours, against published knapsacks and brute force."""

import itertools
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from detect.squares import best_subset, plan_dig

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
