"""Loudness there and back: against scipy's Johnson distribution and against draws."""

import numpy as np
import pytest
from scipy import stats

from detect.readings.compressed import loudness, mean_signal_moments, signal_moments, signal_of


def test_loudness_is_linear_in_the_noise_and_logarithmic_above_it():
    assert loudness(0.01, 1.0) == pytest.approx(0.01, rel=1e-4)
    # asinh(x) -> ln(2x): a hundredfold signal adds ln(100)
    assert loudness(1e5, 1.0) - loudness(1e3, 1.0) == pytest.approx(np.log(100), rel=1e-5)
    np.testing.assert_allclose(loudness([-5.0, 5.0], 2.0), [-1.6472311, 1.6472311])


def test_loudness_does_not_depend_on_the_unit():
    signal = np.array([0.3, 12.0, 250.0])
    np.testing.assert_allclose(loudness(1000 * signal, 1000 * 1.1), loudness(signal, 1.1))


def test_signal_of_undoes_loudness():
    signal = np.array([-3.0, 0.0, 0.2, 400.0])
    np.testing.assert_allclose(signal_of(loudness(signal, 1.7), 1.7), signal, atol=1e-12)


@pytest.mark.parametrize(("mean", "variance"), [(0.0, 0.3), (2.0, 0.5), (-1.0, 1.2), (5.0, 0.01)])
def test_moments_are_those_of_johnsons_distribution(mean, variance):
    # scipy.stats.johnsonsu(a, b): a + b asinh(x) is standard normal
    b = 1.0 / np.sqrt(variance)
    reference = stats.johnsonsu(-mean * b, b, scale=2.5)
    found = signal_moments(mean, variance, 2.5)
    np.testing.assert_allclose(found, reference.stats("mv"), rtol=1e-9)


def test_the_mean_lies_above_the_median_of_a_positive_signal():
    mean, _ = signal_moments(2.0, 0.5, 1.0)
    assert mean > signal_of(2.0, 1.0)


def test_one_point_is_a_mean_of_one():
    mean, variance = mean_signal_moments(
        np.array([[2.0]]), np.array([[[0.4]]]), np.array([1.0]), 3.0
    )
    np.testing.assert_allclose([mean[0], variance[0]], signal_moments(2.0, 0.4, 3.0), rtol=1e-12)


def test_the_mean_of_an_area_is_that_of_its_draws():
    rng = np.random.default_rng(1)
    root = rng.normal(size=(4, 4)) * 0.4
    loud, covariance = np.array([0.5, 1.0, 2.0, -0.5]), root @ root.T
    weights = np.array([0.1, 0.4, 0.3, 0.2])
    mean, variance = mean_signal_moments(loud[None], covariance[None], weights, 2.0)
    drawn = 2.0 * np.sinh(rng.multivariate_normal(loud, covariance, 400_000)) @ weights
    assert mean[0] == pytest.approx(drawn.mean(), rel=0.01)
    assert np.sqrt(variance[0]) == pytest.approx(drawn.std(), rel=0.02)
