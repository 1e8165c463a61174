"""Loudness, the lag rule, and the merging of repeats behind the signal map."""

import numpy as np
import pytest

from detect.geostat import Kriging, Variogram
from detect.geostat.model import merge_repeats, point_model
from detect.readings.signal import lag_rule, loudness, loudness_scale


def test_loudness_is_linear_in_the_noise_and_logarithmic_above_it():
    assert loudness(0.01, 1.0) == pytest.approx(0.01, rel=1e-4)
    # asinh(x) -> ln(2x): a hundredfold signal adds ln(100)
    assert loudness(1e5, 1.0) - loudness(1e3, 1.0) == pytest.approx(np.log(100), rel=1e-5)
    np.testing.assert_allclose(loudness([-5.0, 5.0], 2.0), [-1.6472311, 1.6472311])


def test_loudness_does_not_depend_on_the_unit():
    signal = np.array([0.3, 12.0, 250.0])
    np.testing.assert_allclose(loudness(1000 * signal, 1000 * 1.1), loudness(signal, 1.1))


@pytest.mark.parametrize(
    ("signal", "noise", "scale"),
    [([1.0, 5.0], 0.5, 0.5), ([1.0, 5.0], np.nan, 2.0), ([3.0, 3.0], 0.0, 1.0)],
)
def test_scale_falls_back_where_noise_is_not_known(signal, noise, scale):
    assert loudness_scale(np.array(signal), noise) == scale


def test_lag_rule_takes_the_step_along_a_lane():
    e, n = np.meshgrid(np.arange(0, 30, 1.0), np.arange(0, 20, 0.25))
    width, cutoff = lag_rule(np.column_stack([e.ravel(), n.ravel()]))
    assert width == pytest.approx(0.25)
    assert cutoff == pytest.approx(6.0)


def test_lag_rule_never_passes_a_third_of_the_site():
    width, cutoff = lag_rule(np.random.default_rng(0).uniform(0, 3, (20, 2)))
    assert cutoff <= np.hypot(3, 3) / 3
    assert 0 < width <= cutoff / 8 + 1e-12


def test_merging_repeats_is_the_same_kriging():
    # means of m repeats with error sd / sqrt(m) against all repeats with error sd each: closed form
    rng = np.random.default_rng(2)
    places = rng.uniform(0, 10, (12, 2))
    points = np.concatenate([places, places[:5], places[:2]])
    values = rng.normal(size=len(points))
    model = Variogram(model="spherical", nugget=0.0, partial_sill=1.0, range_m=6.0)
    merged, mean, repeats = merge_repeats(points, values)
    assert repeats.tolist() == [3, 3, 2, 2, 2] + [1] * 7
    nodes = rng.uniform(0, 10, (8, 2))
    few = Kriging(merged, mean, model, measurement_sd=0.5 / np.sqrt(repeats)).at(nodes)
    all_of_them = Kriging(points, values, model, measurement_sd=0.5).at(nodes)
    np.testing.assert_allclose(few, all_of_them, rtol=1e-9)


def test_a_given_model_keeps_its_nugget_and_filters_nothing():
    rng = np.random.default_rng(3)
    points, values = rng.uniform(0, 10, (30, 2)), rng.normal(size=30)
    given = Variogram(model="spherical", nugget=0.3, partial_sill=0.7, range_m=4.0)
    model = point_model(points, values, variogram=given)
    assert model.variogram == given
    assert model.measurement_sd == 0.0
    estimate, variance = model.kriging.at(points)
    np.testing.assert_allclose(estimate, values, atol=1e-9)
    np.testing.assert_allclose(variance, 0.0, atol=1e-9)


def test_pure_noise_is_mapped_as_its_mean_with_its_variance():
    rng = np.random.default_rng(4)
    points, values = rng.uniform(0, 30, (300, 2)), rng.normal(5.0, 2.0, 300)
    model = point_model(points, values)
    estimate, variance = model.kriging.at(np.array([[15.0, 15.0]]))
    assert estimate[0] == pytest.approx(5.0, abs=1.0)
    assert variance[0] > 0
