"""Metal in a square told twice: each way by hand, and their middle between both."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm, poisson

from detect.squares.metal import (
    A_FIND,
    AS_TAKEN,
    FAINT_SHARE,
    LEAST,
    chance_of_metal,
    strength_of_targets,
    told_twice,
)

LAYOUT = pd.DataFrame({"e_min": [0.0, 2.0, 4.0], "n_min": 0.0, "size_m": 2.0})


def picked(**columns):
    """One anomaly in the middle of the second square."""
    one = {"e": 3.0, "n": 1.0, "position_sd_m": 0.1, "neighbour_m": 3.0}
    return pd.DataFrame([one | {"strength_low": 0.5, "strength_high": 8.0} | columns])


def test_a_target_counts_a_quarter_up_its_range_where_it_lies():
    # 0.5 to 8 is four doublings: one of them up
    np.testing.assert_allclose(strength_of_targets(LAYOUT, picked()), [0.0, 1.0, 0.0], atol=1e-12)


def test_a_target_in_a_crowd_counts_as_if_it_stood_alone():
    # its range reaches five times as low for its neighbours, and what it adds is with them
    found = strength_of_targets(LAYOUT, picked(neighbour_m=1.0, strength_low=0.1))
    np.testing.assert_allclose(found, [0.0, 1.0, 0.0], atol=1e-12)


def test_a_target_in_doubt_is_shared_by_the_squares_it_may_lie_in():
    # reference: scipy.stats.norm
    found = strength_of_targets(LAYOUT, picked(e=2.1, position_sd_m=0.3))
    across = norm.cdf([2.0, 4.0, 6.0], 2.1, 0.3) - norm.cdf([0.0, 2.0, 4.0], 2.1, 0.3)
    up = norm.cdf(2.0, 1.0, 0.3) - norm.cdf(0.0, 1.0, 0.3)
    np.testing.assert_allclose(found, 1.0 * across * up)


def test_a_target_without_a_range_does_not_count():
    assert strength_of_targets(LAYOUT, picked(strength_low=np.nan)).sum() == 0.0
    assert strength_of_targets(LAYOUT, picked().iloc[:0]).sum() == 0.0


def test_the_middle_lies_between_both_and_nothing_stays_nothing():
    by_sources, by_targets = np.array([0.0, 2.0, 5.0, 0.0]), np.array([0.0, 2.0, 1.0, 3.0])
    found = told_twice(by_sources, by_targets)
    assert found[:2] == pytest.approx([0.0, 2.0])
    assert (found[2:] > np.minimum(by_sources, by_targets)[2:]).all()
    assert (found[2:] < np.maximum(by_sources, by_targets)[2:]).all()
    assert found[3] == pytest.approx(np.sqrt(LEAST * (3.0 + LEAST)) - LEAST)


class TestChanceOfMetal:
    def test_by_hand(self):
        # two targets in the second square, 0.8 and 0.5 likely to be real, nine in ten as taken
        two = pd.concat([picked(q_value=0.2), picked(q_value=0.5)])
        found = chance_of_metal(LAYOUT, two, np.array([0.0, 0.0, 3.0]))
        faint = np.exp(-FAINT_SHARE * (0.8 + 0.5) / 3)
        np.testing.assert_allclose(
            found, 1.0 - faint * np.array([1.0, 0.28 * 0.55, np.exp(-3.0 / A_FIND)]), atol=1e-9
        )

    def test_a_poisson_number_of_finds(self):
        # reference: scipy.stats.poisson, the chance of none
        none = poisson.pmf(0, 4.0 / A_FIND)
        alone = chance_of_metal(LAYOUT, picked(q_value=0.0).iloc[:0], np.full(3, 4.0))
        np.testing.assert_allclose(alone, 1.0 - none)

    def test_it_is_right_as_often_as_it_says(self):
        # targets that are real as often as 0.9 (1 - q) says, each at its place
        rng = np.random.default_rng(4)
        squares = pd.DataFrame({"e_min": 2.0 * np.arange(4000), "n_min": 0.0, "size_m": 2.0})
        lies = rng.integers(0, 4000, 2500)
        q = rng.uniform(0.0, 1.0, 2500)
        picks = pd.DataFrame({"e": 2.0 * lies + 1.0, "n": 1.0, "position_sd_m": 0.1, "q_value": q})
        chance = chance_of_metal(squares, picks, np.zeros(4000))
        held = np.bincount(lies[rng.random(2500) < AS_TAKEN * (1 - q)], minlength=4000) > 0
        for low in (0.2, 0.4, 0.6, 0.8):
            some = (chance >= low) & (chance < low + 0.2)
            assert held[some].mean() == pytest.approx(chance[some].mean(), abs=0.12)
