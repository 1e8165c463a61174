"""Normal scores: ranks, exact moments back, and the facts of check_values.md 1.6."""

from __future__ import annotations

from math import factorial

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import norm

from detect.geostat import GeostatError
from detect.geostat.normal_scores import NormalScores


@pytest.fixture(scope="module")
def lognormal() -> NormalScores:
    """``exp(y)`` tabulated so finely that straight lines between differ from it by 1e-6."""
    y = np.linspace(-9.0, 11.0, 20_001)
    return NormalScores(y, np.exp(y))


def test_scores_of_five() -> None:
    # check_values.md 1.6: Blom (r - 3/8) / (n + 1/4); Hazen (r - 1/2) / n
    values = [3.0, 10.0, 1.0, 30.0, 100.0]
    blom = NormalScores.of(values, plotting="blom").forward(np.sort(values))
    hazen = NormalScores.of(values).forward(np.sort(values))
    np.testing.assert_allclose(blom[:3], [-1.17976112, -0.49720057, 0.0], atol=5e-9)
    np.testing.assert_allclose(hazen[:3], [-1.28155157, -0.52440051, 0.0], atol=5e-9)


def test_lognormal_moments(lognormal) -> None:
    # check_values.md 1.6, mu = 0, sigma^2 = 1: mean 1.6487212707, variance 4.6707742705
    mean, variance = lognormal.back_moments([0.0], [1.0])
    assert mean[0] == pytest.approx(1.6487212707, rel=1e-6)
    assert variance[0] == pytest.approx(4.6707742705, rel=1e-6)
    assert np.sqrt(variance[0]) / mean[0] == pytest.approx(1.3108324944, rel=1e-6)
    # closed form at other means and variances: lognormal kriging back-transform
    m, v = np.array([-1.0, 0.3, 1.2]), np.array([0.01, 0.4, 0.9])
    mean, variance = lognormal.back_moments(m, v)
    np.testing.assert_allclose(mean, np.exp(m + v / 2), rtol=1e-6)
    np.testing.assert_allclose(variance, np.exp(2 * m + v) * np.expm1(v), rtol=1e-5)


def test_lognormal_skewness_by_quadrature() -> None:
    # check_values.md 1.6: skewness 6.1848771386, here from the same density by quad
    m3, _ = quad(lambda y: (np.exp(y) - np.exp(0.5)) ** 3 * norm.pdf(y), -12, 14, limit=200)
    assert m3 / 4.6707742705**1.5 == pytest.approx(6.1848771386, rel=1e-8)


def test_lognormal_covariance(lognormal) -> None:
    # check_values.md 1.6: rho = 0.5 gives e (e^0.5 - 1) = 1.7634072419, correlation 0.3775406688
    covariance = float(lognormal.covariance(0.5))
    assert covariance == pytest.approx(1.7634072419, rel=1e-6)
    assert covariance / 4.6707742705 == pytest.approx(0.3775406688, rel=1e-6)


def test_hermite_coefficients_of_the_exponential(lognormal) -> None:
    # check_values.md 1.6: e^0.5 / sqrt(n!)
    expected = [np.exp(0.5) / np.sqrt(factorial(n)) for n in range(12)]
    np.testing.assert_allclose(lognormal.hermite(11), expected, rtol=2e-5)
    np.testing.assert_allclose(
        lognormal.hermite(4), [1.648721, 1.648721, 1.165822, 0.673088, 0.336544], atol=2e-6
    )
    assert (lognormal.hermite(40)[1:] ** 2).sum() == pytest.approx(4.6707742705, rel=1e-6)


@pytest.mark.parametrize(
    ("rho", "expected"), [(0.25, 0.0402153116), (0.5, 1 / 12), (0.9, 0.1782168534)]
)
def test_median_indicator_covariance(rho, expected) -> None:
    # check_values.md 1.6: asin(rho) / 2 pi; the indicator as a very steep straight piece
    step = NormalScores(np.array([-5e-7, 5e-7]), np.array([0.0, 1.0]))
    assert float(step.covariance(rho, 400)) == pytest.approx(expected, abs=1e-6)


def test_back_moments_against_quadrature_and_draws() -> None:
    rng = np.random.default_rng(0)
    values = rng.gamma(0.7, 5.0, 60)
    scale = NormalScores.of(values, low=0.0, high=60.0)
    m, v = np.array([-1.0, 0.0, 1.5, 2.8]), np.array([0.2, 1.0, 0.5, 1.3])
    mean, variance = scale.back_moments(m, v)
    nodes, weights = np.polynomial.hermite_e.hermegauss(180)  # kinks leave it three digits or so
    z = scale.back(m[:, None] + np.sqrt(v)[:, None] * nodes)
    expected = z @ weights / weights.sum()
    np.testing.assert_allclose(mean, expected, rtol=5e-3)
    np.testing.assert_allclose(
        variance, z**2 @ weights / weights.sum() - expected**2, rtol=0.02, atol=1e-4
    )
    for i in range(4):
        draws = scale.back(rng.normal(m[i], np.sqrt(v[i]), 400_000))
        assert mean[i] == pytest.approx(draws.mean(), abs=5 * draws.std() / 632)
        assert variance[i] == pytest.approx(draws.var(), rel=0.03)


@given(seed=st.integers(0, 1000), count=st.integers(2, 40), unit=st.floats(0.01, 100))
@settings(max_examples=40, deadline=None)
def test_invariants(seed, count, unit) -> None:
    rng = np.random.default_rng(seed)
    values = rng.gamma(0.5, 1.0, count)
    weights = rng.uniform(0.1, 2.0, count)
    scale = NormalScores.of(values, weights)
    np.testing.assert_allclose(scale.back(scale.forward(values)), values, rtol=1e-9)
    assert (np.diff(scale.back(np.linspace(-6, 6, 50))) >= 0).all()
    m, v = rng.normal(size=5), rng.uniform(0, 2, 5)
    mean, variance = scale.back_moments(m, v)
    assert (mean >= values.min() - 1e-9).all()
    assert (mean <= values.max() + 1e-9).all()
    assert (variance <= np.ptp(values) ** 2 / 4 + 1e-9).all()  # Popoviciu's bound
    other = NormalScores.of(unit * values, weights).back_moments(m, v)
    np.testing.assert_allclose(other[0], unit * mean, rtol=1e-9)
    np.testing.assert_allclose(other[1], unit**2 * variance, rtol=1e-6, atol=1e-12 * unit**2)


def test_certain_scores_come_back_as_they_are() -> None:
    scale = NormalScores.of([1.0, 2.0, 5.0, 9.0])
    mean, variance = scale.back_moments(scale.forward([2.0, 5.0]), [0.0, 0.0])
    np.testing.assert_allclose(mean, [2.0, 5.0], atol=1e-10)
    np.testing.assert_allclose(variance, 0.0, atol=1e-15)


def test_ties_weights_and_tails() -> None:
    scale = NormalScores.of([0.0, 0.0, 1.0, 2.0])
    assert scale.forward(0.0) == pytest.approx(norm.ppf(0.25))
    # a reading of weight 3 is three readings
    np.testing.assert_allclose(
        NormalScores.of([1.0, 2.0, 4.0], [3.0, 1.0, 1.0]).scores,
        NormalScores.of([1.0, 1.0, 1.0, 2.0, 4.0]).scores,
    )
    tailed = NormalScores.of([1.0, 2.0, 4.0], low=0.0, high=10.0)
    assert tailed.back([-6.0, 6.0]).tolist() == [0.0, 10.0]
    assert NormalScores.of([1.0, 2.0, 4.0]).back([-6.0, 6.0]).tolist() == [1.0, 4.0]


def test_what_has_no_scores_is_named() -> None:
    for arguments, named in (
        (([1.0, 1.0],), "alike"),
        (([1.0, np.nan],), "NaN"),
        (([1.0, 2.0], [-1.0, 2.0]), "negative"),
    ):
        with pytest.raises(GeostatError, match=named):
            NormalScores.of(*arguments)
    with pytest.raises(GeostatError, match="low"):
        NormalScores.of([1.0, 2.0], low=1.5)
    with pytest.raises(GeostatError, match="high"):
        NormalScores.of([1.0, 2.0], high=1.5)
    with pytest.raises(GeostatError, match="plotting"):
        NormalScores.of([1.0, 2.0], plotting="tukey")
    with pytest.raises(GeostatError, match="variances"):
        NormalScores.of([1.0, 2.0]).back_moments([0.0], [-1.0])
