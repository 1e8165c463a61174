"""Loudness, the lag rule, and the merging of repeats behind the signal map."""

import numpy as np
import pandas as pd
import pytest

from detect.geostat import Kriging, Variogram
from detect.geostat.blocks import Support
from detect.geostat.model import merge_repeats, point_model
from detect.readings.signal import lag_rule, loudness_scale, signal_model


@pytest.mark.parametrize(
    ("signal", "noise", "scale"),
    [([1.0, 5.0], 0.5, 0.5), ([1.0, 5.0], np.nan, 2.0), ([3.0, 3.0], 0.0, 1.0)],
)
def test_scale_falls_back_where_noise_is_not_known(signal, noise, scale):
    assert loudness_scale(np.array(signal), noise) == scale


def lanes_over(field, noise=1.0, seed=5):
    """Readings of a field (e, n) -> signal on lanes 1 m apart, swum north, with noise."""
    n, e = np.meshgrid(np.arange(0, 12, 0.3), np.arange(0, 12, 1.0))
    e, n = e.ravel(), n.ravel()
    rng = np.random.default_rng(seed)
    return pd.DataFrame(
        {
            "e": e,
            "n": n,
            "lane": [f"L{x:.0f}" for x in e],
            "signal": field(e, n) + rng.normal(0, noise, e.size),
            "heading_deg": 0.0,
            "used": True,
            "silent": False,
        }
    )


def spiky(e, n):
    """Nails near the coil: a few peaks some hundred times the noise."""
    at = np.random.default_rng(8).uniform(0, 12, (25, 2))
    size = np.exp(np.random.default_rng(9).normal(3.0, 1.5, 25))
    square = (e[:, None] - at[:, 0]) ** 2 + (n[:, None] - at[:, 1]) ** 2
    return (size / (1.0 + square / 0.4**2) ** 3).sum(axis=1)


def test_a_spiky_signal_is_brought_back_from_loudness():
    model = signal_model(lanes_over(spiky), 1.0)
    assert model.kriged == "loudness"
    assert model.choice.table.set_index("scale")["score"].idxmin() == "loudness"
    loud, variance = model.loudness.kriging.at(model.loudness.points)
    signal, signal_variance = model.signal_at(model.loudness.points, loud, variance)
    assert (signal_variance > 0).all()
    assert np.corrcoef(signal, np.sinh(loud))[0, 1] > 0.9


def test_a_gaussian_field_is_kriged_as_read():
    smooth = lambda e, n: 40.0 + 12.0 * np.sin(e / 2.0) * np.cos(n / 3.0)  # noqa: E731
    model = signal_model(lanes_over(smooth), 1.0)
    assert model.kriged == "signal"


def test_what_the_survey_folder_settles_is_not_chosen():
    given = Variogram(model="exponential", nugget=1.0, partial_sill=50.0, range_m=1.0)
    for settled in ({"variogram": given}, {"measurement_sd": 1.0}):
        model = signal_model(lanes_over(spiky), 1.0, **settled)
        assert model.kriged == "signal"
        assert model.choice is None


@pytest.mark.parametrize("neighbours", [0, 24])
def test_squares_brought_back_are_the_means_of_draws(neighbours):
    # outside of the closed form: conditional realisations at the same points, averaged after sinh
    model = signal_model(lanes_over(spiky), 1.0, neighbours=neighbours)
    centre = np.array([[3.0, 5.0], [8.0, 7.0]])
    support = Support.square(2.0)
    nodes = (centre[:, None] + support.offsets).reshape(-1, 2)
    drawn = model.loudness.kriging.simulate(nodes, 4000, seed=3)
    means = (model.scale * np.sinh(drawn)).reshape(4000, 2, -1) @ support.weights
    estimate, variance = model.squares(centre, 2.0)
    off = (estimate - means.mean(axis=0)) / means.std(axis=0)
    assert np.abs(off).max() < 4.0 / np.sqrt(4000)
    np.testing.assert_allclose(np.sqrt(variance), means.std(axis=0), rtol=0.15)


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
