"""Lanes that lie anywhere, in an order that leaves little to swim between them."""

from itertools import permutations, product

import numpy as np
import pandas as pd
import pytest

from detect.lanes.swim_order import in_short_order


def lanes_anywhere(count, seed):
    rng = np.random.default_rng(seed)
    start, angle = rng.uniform(0, 30, (count, 2)), rng.uniform(0, 2 * np.pi, count)
    end = start + rng.uniform(1, 8, count)[:, None] * np.column_stack(
        [np.sin(angle), np.cos(angle)]
    )
    return pd.DataFrame(
        np.hstack([start, end]), columns=["start_e", "start_n", "end_e", "end_n"]
    ).assign(lane=[f"F{k + 1:02d}" for k in range(count)])


def swum_between(ends, order, back):
    """Metres between lanes, added up by hand."""
    total, at = 0.0, None
    for lane in order:
        first, last = (ends[lane, 2:], ends[lane, :2]) if back[lane] else np.split(ends[lane], 2)
        if at is not None:
            total += np.hypot(*(first - at))
        at = last
    return total


def as_swum(lanes):
    ends = lanes[["start_e", "start_n", "end_e", "end_n"]].to_numpy()
    return swum_between(
        ends, np.argsort(lanes["order"].to_numpy()), lanes["direction"].eq("back").to_numpy()
    )


def test_five_lanes_are_hardly_longer_than_the_shortest_of_all_orders():
    """Every order and every way, 3840 of each, counted out."""
    longer = []
    for seed in range(12):
        lanes = lanes_anywhere(5, seed)
        ends = lanes[["start_e", "start_n", "end_e", "end_n"]].to_numpy()
        shortest = min(
            swum_between(ends, order, back)
            for order in permutations(range(5))
            for back in product([False, True], repeat=5)
        )
        longer.append(as_swum(in_short_order(lanes)) / shortest)
    assert min(longer) >= 1.0 - 1e-9  # nothing is shorter than the shortest
    assert np.mean(longer) < 1.03
    assert max(longer) < 1.15


@pytest.mark.parametrize("count", [0, 1, 2, 40])
def test_each_lane_is_swum_once(count):
    ordered = in_short_order(lanes_anywhere(count, 3))
    assert sorted(ordered["order"]) == list(range(1, count + 1))
    assert set(ordered["direction"]) <= {"out", "back"}
    assert ordered["lane"].tolist() == [f"F{k + 1:02d}" for k in range(count)]


def test_lanes_side_by_side_are_swum_to_and_fro():
    """Metres apart and ten long, in any order of rows: a metre to each next one."""
    rows = [4, 0, 2, 1, 3]
    lanes = pd.DataFrame(
        {"start_e": rows, "start_n": 0.0, "end_e": rows, "end_n": 10.0, "lane": list("abcde")}
    )
    assert as_swum(in_short_order(lanes)) == pytest.approx(4.0)
