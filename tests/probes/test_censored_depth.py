"""Probes that ran out: what they say, and what ignoring them costs."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from detect.geostat import Kriging, Variogram
from detect.probes import (
    CensoredFit,
    contact_depth,
    fit_censored,
    kaplan_meier,
    median_depth,
)
from detect.probes.truncated import agreement, draw_above, expectation_propagation

DATA = Path(__file__).parents[1] / "data"
# made-up depths of check_values.md 7; scipy and R survreg agree on the censored normal
DEPTH = np.array([0.42, 0.55, 0.61, 0.70, 0.78, 0.83, 0.95, 1.2, 1.2, 1.2])
RAN_OUT = np.arange(10) >= 7
FAR_APART = np.column_stack([1000.0 * np.arange(10), np.zeros(10)])


def test_kaplan_meier_of_the_remission_times():
    # Freireich 1963, n = 21, 9 events; R survfit and scipy's ecdf (check_values.md 7)
    table = pd.read_csv(DATA / "censored_6mp.csv")
    time, event = table.iloc[:, 0].to_numpy(float), table.iloc[:, 1].to_numpy(bool)
    found = kaplan_meier(time, ~event).set_index("depth_m")
    expected = [0.857143, 0.806723, 0.752941, 0.690196, 0.627451, 0.537815, 0.448179]
    greenwood = [0.076360, 0.086935, 0.096350, 0.106815, 0.114054, 0.128234, 0.134591]
    np.testing.assert_allclose(found["deeper"], expected, atol=1e-6)
    np.testing.assert_allclose(found["deeper_se"], greenwood, atol=1e-6)
    assert list(found.index) == [6, 7, 10, 13, 16, 22, 23]
    assert median_depth(time, ~event) == 23


def test_kaplan_meier_1958_and_a_table_that_ends_at_nothing():
    # Kaplan & Meier 1958 (data from memory): deaths .8 3.1 5.4 9.2, losses 1.0 2.7 7.0 12.1
    time = [0.8, 3.1, 5.4, 9.2, 1.0, 2.7, 7.0, 12.1]
    found = kaplan_meier(time, [False] * 4 + [True] * 4)
    np.testing.assert_allclose(found["deeper"], [0.875, 0.7, 0.525, 0.2625])
    # Bewick 2004, table 2 (opened, check_values.md 7)
    found = kaplan_meier([1, 1, 4, 5, 6, 9, 9, 22], [0, 0, 0, 0, 1, 0, 1, 0])
    np.testing.assert_allclose(found["deeper"], [0.75, 0.625, 0.5, 1 / 3, 0], atol=1e-12)
    assert median_depth([1.0, 2.0, 2.0], [False, True, True]) is None


def test_without_spatial_correlation_it_is_the_censored_normal():
    # mu .907426, sd .370952, log likelihood -5.992807 (check_values.md 7)
    fit = fit_censored(FAR_APART, DEPTH, RAN_OUT, "spherical", range_bounds=(1.0, 1.001))
    assert fit.mean == pytest.approx(0.907426, abs=2e-6)
    total = np.sqrt(fit.variogram.partial_sill + fit.error_sd**2)
    assert total == pytest.approx(0.370952, abs=2e-6)
    assert fit.log_likelihood == pytest.approx(-5.992807, abs=1e-6)
    # both naive means are too shallow
    assert DEPTH.mean() == pytest.approx(0.844)
    assert DEPTH[~RAN_OUT].mean() == pytest.approx(0.691429, abs=1e-6)


def test_without_spatial_correlation_the_map_is_the_censored_mean():
    # scipy's maximum likelihood of the same sample, far from any probe
    rng = np.random.default_rng(4)
    truth = rng.normal(0.9, 0.3, 200)
    ran_out = truth > 1.0
    depth = np.minimum(truth, 1.0)
    points = np.column_stack([1000.0 * np.arange(200), np.zeros(200)])
    sample = stats.CensoredData.right_censored(depth, ran_out)
    mu, sd = stats.norm.fit(sample)
    short = Variogram(model="spherical", partial_sill=sd**2 - 0.01, range_m=1.0)
    model = contact_depth(points, depth, ran_out, fit=CensoredFit(mu, short, 0.1, 0.0))
    estimate, _ = model.at(np.array([[-500.0, 0.0]]))
    assert estimate[0] == pytest.approx(mu, abs=0.01)
    assert depth.mean() < mu - 0.05


def test_tobins_likelihood_is_highest_where_r_finds_it():
    # Tobin 1958, Econometrica 26, data as in R's survival 3.5-3: 15.144866361, -.129059284,
    # -.045541663, scale 5.57254, log likelihood -28.9 (check_values.md 7). Nothing bought,
    # censored from below at 0, is a depth past 0 upside down
    bought, age, quant = np.loadtxt(DATA / "tobin.csv", delimiter=",", skiprows=1).T
    out = bought == 0

    def likelihood(a, b, c, scale):
        mean = a + b * age + c * quant
        of_bought = stats.norm.logpdf(bought[~out], mean[~out], scale).sum()
        independent = scale**2 * np.eye(out.sum())
        sites = expectation_propagation(-mean[out], independent, np.zeros(out.sum()))
        return of_bought + sites.log_probability

    best = np.array([15.144866361, -0.129059284, -0.045541663, 5.57254])
    assert likelihood(*best) == pytest.approx(-28.9, abs=0.05)
    for i in range(4):
        for step in (-0.02, 0.02):
            assert likelihood(*(best * (1 + step * (np.arange(4) == i)))) < likelihood(*best)


def test_probability_of_exceeding_all_limits_against_integration():
    # scipy's integration of the multivariate normal (Genz)
    rng = np.random.default_rng(0)
    root = rng.normal(size=(5, 10))
    covariance = root @ root.T / 10
    mean, limits = rng.normal(size=5), 0.5 * rng.normal(size=5)
    found = expectation_propagation(mean, covariance, limits).log_probability
    exact = np.log(stats.multivariate_normal(-mean, covariance).cdf(-limits))
    assert found == pytest.approx(exact, abs=0.01)


def test_gibbs_draws_have_the_moments_of_the_cut_off_normal():
    # Z > 0 and Z > 1 (check_values.md 7)
    limits = np.array([0.0, 1.0])
    start = expectation_propagation(np.zeros(2), np.eye(2), limits)
    draws = np.vstack(
        [draw_above(np.zeros(2), np.eye(2), limits, seed, start).values for seed in range(20)]
    )
    np.testing.assert_allclose(draws.mean(axis=0), [0.7978845608, 1.5251352762], atol=0.015)
    assert draws[:, 0].var() == pytest.approx(0.3633802276, abs=0.015)


def test_gibbs_draws_of_correlated_elements_against_rejection():
    covariance = np.array([[1.0, 0.8], [0.8, 1.0]])
    limits = np.array([0.5, 1.0])
    start = expectation_propagation(np.zeros(2), covariance, limits)
    draws = np.vstack(
        [draw_above(np.zeros(2), covariance, limits, seed, start).values for seed in range(20)]
    )
    plain = np.random.default_rng(1).multivariate_normal(np.zeros(2), covariance, 400_000)
    kept = plain[(plain > limits).all(axis=1)]
    np.testing.assert_allclose(draws.mean(axis=0), kept.mean(axis=0), atol=0.02)
    np.testing.assert_allclose(np.cov(draws.T), np.cov(kept.T), atol=0.02)


def test_chains_that_disagree_are_noticed():
    rng = np.random.default_rng(2)
    chains = rng.normal(size=(40, 16, 1))
    r_hat, effective = agreement(chains)
    assert r_hat < 1.05
    assert effective > 200
    apart, few = agreement(chains + np.arange(16)[None, :, None])
    assert apart > 2.0
    assert few < 60


def hull(seed):
    """A hull of known variogram under 80 probes; 4 in 10 run out; and 40 places to be asked."""
    rng = np.random.default_rng(seed)
    points = rng.uniform(0.0, [30.0, 20.0], (120, 2))
    field = Variogram(model="exponential", partial_sill=0.09, range_m=8.0 / 3.0)
    lag = points[:, None] - points
    root = np.linalg.cholesky(field.covariance(lag[..., 0], lag[..., 1]) + 1e-10 * np.eye(120))
    truth = 1.2 + root @ rng.standard_normal(120)
    pushed = truth[:80] + 0.05 * rng.standard_normal(80)
    longest = np.quantile(pushed, 0.6)
    return points, np.minimum(pushed, longest), pushed > longest, truth[80:], field


def test_stops_taken_for_what_they_say_are_not_biased_and_the_others_are_shallow():
    ours, dropped, taken = [], [], []
    for seed in range(12):
        points, depth, ran_out, truth, field = hull(seed)
        probes, asked = points[:80], points[80:]
        known = CensoredFit(1.2, field, 0.05, 0.0)
        ours.append(contact_depth(probes, depth, ran_out, fit=known).at(asked)[0] - truth)
        for some, into in ((~ran_out, dropped), (np.ones(80, bool), taken)):
            plain = Kriging(probes[some], depth[some], field, measurement_sd=0.05)
            into.append(plain.at(asked)[0] - truth)
    assert abs(np.mean(ours)) < 0.03
    assert np.mean(dropped) < -0.10
    assert np.mean(taken) < -0.05


def test_squares_drawn_have_the_moments_of_the_estimate():
    points, depth, ran_out, _, _ = hull(3)
    model = contact_depth(points[:80], depth, ran_out)
    centres = np.array([[5.0, 5.0], [15.0, 10.0], [25.0, 15.0]])
    mean, variance = model.squares(centres, 2.0)
    again, again_variance, drawn = model.draw_squares(centres, 2.0, 6000, np.random.default_rng(0))
    np.testing.assert_allclose(again, mean, atol=1e-9)
    np.testing.assert_allclose(again_variance, variance, rtol=0.01)
    np.testing.assert_allclose(drawn.mean(axis=0), mean, atol=0.02)
    np.testing.assert_allclose(drawn.var(axis=0), variance, rtol=0.1)
    assert len(model.members) == 6
    assert "split R-hat" in " ".join(model.in_words())


def test_where_no_probe_ran_out_nothing_is_drawn():
    points, depth, _, _, _ = hull(1)
    model = contact_depth(points[:80], depth, np.zeros(80, bool))
    assert model.members[0].draws is None
    assert "no probe ran out" in list(model.in_words())
