"""Evidence drawn together: nothing about a square changes but what goes with what."""

import numpy as np
import pytest

from detect.squares.sources import draw_shares
from detect.squares.together import (
    STRENGTH_WITH_SIGNAL,
    contact_with_depth,
    follow,
    together,
)


def draws(seed, skewed=False):
    """4,000 draws of three squares, the first two alike."""
    rng = np.random.default_rng(seed)
    z = rng.standard_normal((4000, 3))
    z[:, 1] = 0.8 * z[:, 0] + 0.6 * z[:, 1]
    return np.exp(z) if skewed else np.array([1.0, 2.0, 3.0]) + z


@pytest.mark.parametrize("correlation", [-0.8, 0.0, 0.5, 0.95])
def test_every_square_keeps_its_draws_and_gains_the_correlation(correlation):
    own, leader = draws(1, skewed=True), draws(2)
    found = follow(own, leader, correlation)
    np.testing.assert_array_equal(np.sort(found, axis=0), np.sort(own, axis=0))
    for square in range(3):
        # exp is monotone: the logarithms are normal, and correlate as asked
        got = np.corrcoef(np.log(found[:, square]), leader[:, square])[0, 1]
        assert got == pytest.approx(correlation, abs=0.04)


def test_neighbours_stay_alike():
    found = follow(draws(1), draws(2), 0.5)
    assert np.corrcoef(found[:, 0], found[:, 1])[0, 1] == pytest.approx(0.8, abs=0.03)
    assert np.corrcoef(found[:, 0], found[:, 2])[0, 1] == pytest.approx(0.0, abs=0.05)


def test_the_spread_of_a_weighted_sum_in_closed_form():
    # var(0.75 x + 0.25 y) = 0.5625 + 0.0625 + 2 * 0.75 * 0.25 * rho, variances 1
    total = 0.75 * follow(draws(1), draws(2), 0.5) + 0.25 * draws(2)
    np.testing.assert_allclose(total.var(axis=0), 0.5625 + 0.0625 + 0.1875, rtol=0.06)


@pytest.mark.parametrize("share", [0.1, 0.5, 0.6, 0.9])
def test_contact_and_depth_correlate_as_drawing_them_says(share):
    from scipy.stats import norm

    depth = np.random.default_rng(7).standard_normal(400_000)
    met = depth < norm.ppf(share)
    assert contact_with_depth(share) == pytest.approx(np.corrcoef(met, depth)[0, 1], abs=0.006)


def test_contact_and_depth_in_closed_form():
    # half of the probes met something: -sqrt(2 / pi)
    assert contact_with_depth(0.5) == pytest.approx(-np.sqrt(2.0 / np.pi))
    assert contact_with_depth(0.0) == contact_with_depth(1.0) == 0.0


def test_only_what_shares_its_data_is_drawn_together():
    names = ("signal", "strength", "contact", "overburden", "pod")
    alone = {name: draws(i) for i, name in enumerate(names)}
    joint = together(alone, contact_share=0.5)
    for name in ("signal", "contact", "pod"):
        assert joint[name] is alone[name]

    def common(one, other):
        return np.corrcoef(joint[one][:, 0], joint[other][:, 0])[0, 1]

    assert common("signal", "strength") == pytest.approx(STRENGTH_WITH_SIGNAL, abs=0.04)
    assert common("contact", "overburden") == pytest.approx(-np.sqrt(2 / np.pi), abs=0.04)
    assert common("signal", "overburden") == pytest.approx(0.0, abs=0.05)
    assert together({"overburden": alone["overburden"]}, None).keys() == {"overburden"}


@pytest.mark.parametrize("correlation", [0.0, 0.9])
def test_drawn_shares_keep_mean_and_deviation_within_0_and_1(correlation):
    mean, sd = np.array([0.3, 0.9, 1.2]), np.array([0.1, 0.25, 0.1])
    covariance = np.outer(sd, sd) * (correlation + (1.0 - correlation) * np.eye(3))
    drawn = draw_shares(mean, covariance, 0.01, 20_000, np.random.default_rng(1))
    assert drawn.min() >= 0.0
    assert drawn.max() <= 1.0
    np.testing.assert_allclose(drawn[:, :2].mean(axis=0), [0.3, 0.9], atol=0.005)
    np.testing.assert_allclose(drawn[:, :2].std(axis=0), sd[:2], rtol=0.03)
    # an estimate past 1 is not taken to be surer than probes that all agree
    assert drawn[:, 2].mean() == pytest.approx(0.99, abs=0.004)
    # normal scores correlate as asked
    ranks = np.argsort(np.argsort(drawn[:, :2], axis=0), axis=0)
    spearman = 6.0 / np.pi * np.arcsin(correlation / 2.0)
    assert np.corrcoef(ranks.T)[0, 1] == pytest.approx(spearman, abs=0.03)
