"""Nested and anisotropic fits, and the choice among all candidates by what was left out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from detect.geostat import GeostatError, Variogram, choice, experimental_variogram, fit_variogram
from detect.geostat.choice import choose_variogram
from detect.geostat.model import point_model
from detect.geostat.nested import fit_anisotropic, fit_nested


def field(v: Variogram, points: np.ndarray, seed: int = 0) -> np.ndarray:
    lag = points[:, None] - points[None]
    k = v.covariance(lag[..., 0], lag[..., 1])
    return np.linalg.cholesky(k) @ np.random.default_rng(seed).normal(size=len(points))


def lanes(count: int = 12, spacing: float = 1.5, step: float = 0.5):
    n, e = np.meshgrid(np.arange(0, 15, step), np.arange(count) * spacing)
    points = np.column_stack([e.ravel(), n.ravel()])
    points += np.random.default_rng(1).normal(0, 0.05, points.shape)
    return points, np.repeat(np.arange(count), len(points) // count)


@pytest.mark.parametrize("models", [("spherical", "spherical"), ("exponential", "spherical")])
def test_nested_recovers_its_own_model(models) -> None:
    lags = np.linspace(0.25, 20, 40)
    truth = Variogram.nested(
        [Variogram(models[0], 0.2, 0.8, 1.5), Variogram(models[1], 0.0, 1.5, 14.0)]
    )
    bins = pd.DataFrame(
        {"pairs": 500, "lag_m": lags, "semivariance": truth.semivariance(lags, 0.0)}
    )
    fit = fit_nested(bins, models)
    assert fit.variogram.nugget == pytest.approx(0.2, abs=2e-3)
    short, long = fit.variogram.parts
    assert (short.partial_sill, short.range_m) == pytest.approx((0.8, 1.5), rel=5e-3)
    assert (long.partial_sill, long.range_m) == pytest.approx((1.5, 14.0), rel=5e-3)
    assert fit.weighted_sse < fit_variogram(bins, "best").weighted_sse


def test_nested_falls_back_on_one_structure() -> None:
    lags = np.linspace(0.5, 15, 20)
    one = Variogram("spherical", 0.1, 1.0, 6.0).semivariance(lags, 0.0)
    bins = pd.DataFrame({"pairs": 500, "lag_m": lags, "semivariance": one})
    fit = fit_nested(bins)
    np.testing.assert_allclose(fit.variogram.semivariance(lags, 0.0), one, atol=1e-3)
    few = fit_nested(bins.iloc[:6])
    assert few.poor
    assert any("too few lags" in note for note in few.notes)
    with pytest.raises(GeostatError, match="cubic"):
        fit_nested(bins, ("cubic", "spherical"))


def test_anisotropy_from_directional_variograms() -> None:
    truth = Variogram("exponential", 0.3, 1.0, 5.0, anisotropy_ratio=0.4, azimuth_deg=110.0)
    lags = np.linspace(0.5, 12, 16)
    frames = []
    for azimuth in (0.0, 45.0, 90.0, 135.0):
        theta = np.radians(azimuth)
        gamma = truth.semivariance(lags * np.sin(theta), lags * np.cos(theta))
        frame = pd.DataFrame({"pairs": 300, "lag_m": lags, "semivariance": gamma})
        frame.attrs["azimuth_deg"] = azimuth
        frames.append(frame)
    v = fit_anisotropic(frames, "exponential").variogram
    assert v.azimuth_deg == pytest.approx(110.0, abs=0.1)
    assert v.anisotropy_ratio == pytest.approx(0.4, abs=2e-3)
    assert v.range_m == pytest.approx(5.0, rel=5e-3)
    assert v.nugget == pytest.approx(0.3, abs=2e-3)
    with pytest.raises(GeostatError, match="three azimuths"):
        fit_anisotropic(frames[:2])


def test_anisotropy_of_meuse_is_that_of_its_bins(meuse) -> None:
    # check_values.md 1.3: the longest range of ln zinc lies along 45 degrees, along the river
    frames = [experimental_variogram(*meuse, azimuth_deg=a) for a in (0.0, 45.0, 90.0, 135.0)]
    v = fit_anisotropic(frames, "spherical").variogram
    assert v.azimuth_deg == pytest.approx(45.0, abs=20.0)
    assert v.anisotropy_ratio < 0.8


def test_a_long_axis_is_taken_when_lanes_bear_it_out() -> None:
    points, lane = lanes()
    truth = Variogram("spherical", 0.1, 1.0, 12.0, anisotropy_ratio=0.25, azimuth_deg=90.0)
    values = field(truth, points)
    fit = choose_variogram(points, values, groups=lane, width_m=0.5, cutoff_m=8.0)
    assert fit.comparison is not None
    assert fit.variogram.anisotropy_ratio < 0.6
    assert abs((fit.variogram.azimuth_deg - 90.0 + 90.0) % 180.0 - 90.0) < 15.0
    assert "lanes left out" in fit.notes[0]
    assert "gains" in fit.notes[0]
    best = fit.comparison.loc[fit.comparison["gain"].idxmax()]
    assert best["gain"] > best["gain_error"]
    assert len(fit.experimental)


def test_the_rule_of_one_standard_error() -> None:
    # forty readings on four lanes; a gain counts against its scatter from lane to lane
    lane = np.repeat(np.arange(4), 10)
    even, uneven = np.full(40, 0.1), np.repeat([0.9, -0.4, -0.4, 0.3], 10)
    assert choice.gain_over(even, np.zeros(40), lane) == pytest.approx((0.1, 0.0))
    mean, error = choice.gain_over(uneven, np.zeros(40), lane)
    assert (mean, error) == pytest.approx((0.1, np.sqrt(0.64 + 0.25 + 0.25 + 0.04) / 4))

    points, values = lanes()[0][:40], np.arange(40.0)
    places = choice.Places.of(points, values, lane, "constant")
    places = replace(places, clusters=lane, blocks=[np.arange(40)])
    bins = experimental_variogram(points, values)
    plain = fit_variogram(bins, "exponential")
    other = replace(fit_variogram(bins, "spherical"), poor=False)
    for gain, sound, kept in ((even, True, other), (uneven, True, plain), (even, False, plain)):
        tried = [(replace(plain, poor=False), np.zeros(40)), (replace(other, poor=not sound), gain)]
        fit = choice._pick(tried, places, bins, "lanes")
        assert fit.variogram == kept.variogram
        assert ("gains 0.100" in fit.notes[0]) == (kept is other)


def test_few_probes_keep_their_plain_fit_and_its_warning() -> None:
    rng = np.random.default_rng(4)
    points = rng.uniform(0, 25, (15, 2))
    fit = choose_variogram(points, rng.normal(size=15))
    assert fit.poor
    assert fit.comparison is None


def test_drift_is_taken_off_the_bins() -> None:
    rng = np.random.default_rng(5)
    points = rng.uniform(0, 20, (120, 2))
    values = 3.0 + 0.8 * points[:, 0] + field(Variogram("exponential", 0.02, 0.3, 2.0), points)
    fit = choose_variogram(points, values, drift="linear")
    assert fit.variogram.sill < 1.0
    assert fit.variogram.practical_range_m < 20.0


def test_point_model_takes_the_chosen_variogram_and_its_error() -> None:
    points, lane = lanes()
    points = np.r_[points, points[:40]]  # a lane and a bit swum twice
    lane = np.r_[lane, lane[:40]]
    rng = np.random.default_rng(6)
    truth = field(Variogram("spherical", 0.0, 1.0, 5.0), points[:-40])
    values = np.r_[truth, truth[:40]] + 0.3 * rng.normal(size=len(points))
    model = point_model(points, values, groups=lane)
    assert model.fit is not None
    assert model.repeats.max() == 2
    assert model.measurement_sd == pytest.approx(0.3, abs=0.1)
    assert model.variogram.nugget == 0.0
    with pytest.raises(GeostatError, match="group labels"):
        point_model(points, values, groups=lane[:-1])
