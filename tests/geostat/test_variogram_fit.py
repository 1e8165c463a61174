"""Experimental variograms and fits, on layouts made to go wrong as well."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from detect.geostat import (
    GeostatError,
    Variogram,
    experimental_variogram,
    fit_variogram,
)


def bins_of(variogram: Variogram, lags: np.ndarray, pairs: int = 400) -> pd.DataFrame:
    return pd.DataFrame(
        {"pairs": pairs, "lag_m": lags, "semivariance": variogram.semivariance(lags, 0.0)}
    )


def test_lanes_seen_along_and_across() -> None:
    # lanes 2 m apart, read every 0.25 m, a field that changes faster across than along
    n, e = np.meshgrid(np.arange(0, 20, 0.25), np.arange(0, 20, 2.0))
    points = np.column_stack([e.ravel(), n.ravel()])
    values = np.sin(points[:, 0]) + 0.1 * np.sin(points[:, 1])
    along = experimental_variogram(points, values, azimuth_deg=0.0, tolerance_deg=5, cutoff_m=5)
    across = experimental_variogram(points, values, azimuth_deg=90.0, tolerance_deg=5, cutoff_m=5)
    assert along.lag_m.iloc[0] < 0.5
    assert across.lag_m.iloc[0] >= 2.0
    assert across.semivariance.iloc[0] > 5 * along.semivariance.max()


@pytest.mark.parametrize("model", ["spherical", "exponential", "gaussian", "matern"])
def test_recovers_its_own_model(model) -> None:
    truth = Variogram(model, 0.2, 1.3, 4.0)
    fit = fit_variogram(bins_of(truth, np.linspace(0.5, 18, 15)), model)
    assert fit.variogram.nugget == pytest.approx(0.2, abs=1e-6)
    assert fit.variogram.partial_sill == pytest.approx(1.3, rel=1e-5)
    assert fit.variogram.range_m == pytest.approx(4.0, rel=1e-5)
    assert not fit.poor
    assert fit_variogram(bins_of(truth, np.linspace(0.5, 18, 15)), "best").variogram.model == model


def test_standard_errors_meet_the_scatter_of_fits() -> None:
    truth, lags = Variogram("exponential", 0.2, 1.0, 3.0), np.linspace(0.5, 15, 20)
    rng = np.random.default_rng(0)
    fits = []
    for _ in range(60):
        frame = bins_of(truth, lags)
        frame["semivariance"] += rng.normal(0, 0.01 * lags)  # sd as the weights assume
        fits.append(fit_variogram(frame, "exponential"))
    ranges = [f.variogram.range_m for f in fits]
    stated = np.median([f.standard_errors["range_m"] for f in fits])
    assert stated == pytest.approx(np.std(ranges), rel=0.35)


def test_parameters_at_their_bounds_are_flagged() -> None:
    lags = np.linspace(1, 10, 12)
    straight = pd.DataFrame({"pairs": 500, "lag_m": lags, "semivariance": lags})
    fit = fit_variogram(straight, "spherical")
    assert "range_m" in fit.at_bound
    assert fit.poor
    assert any("bound" in note for note in fit.notes)
    assert fit.variogram.range_m <= 20.0 + 1e-6

    flat = pd.DataFrame({"pairs": 500, "lag_m": lags, "semivariance": 2.0})
    fit = fit_variogram(flat, "exponential")
    assert fit.poor
    assert fit.variogram.sill == pytest.approx(2.0, rel=0.05)

    truth = Variogram("spherical", 0.5, 1.0, 5.0)
    fit = fit_variogram(bins_of(truth, lags), "spherical", max_nugget=0.2)
    assert fit.at_bound == ("nugget",)
    assert fit.variogram.nugget == pytest.approx(0.2)
    assert np.isnan(fit.standard_errors["nugget"])
    fit = fit_variogram(bins_of(truth, lags), "spherical", range_bounds=(1.0, 3.0))
    assert "range_m" in fit.at_bound
    assert fit.variogram.range_m == pytest.approx(3.0)


def test_twenty_probes_still_give_a_model_and_a_warning() -> None:
    rng = np.random.default_rng(4)
    points = rng.uniform(0, 25, (20, 2))
    values = 1.5 + 0.4 * np.sin(points[:, 0] / 5)
    fit = fit_variogram(experimental_variogram(points, values), "best")
    assert fit.poor
    assert any("pairs" in note for note in fit.notes)
    assert 0.0 < fit.variogram.sill < 10 * values.var()
    assert fit.variogram.practical_range_m < 50


@pytest.mark.parametrize("count", [2, 3])
def test_next_to_nothing_falls_back_visibly(count) -> None:
    points = np.array([[0.0, 0], [3, 0], [0, 4]])[:count]
    values = np.array([1.0, 2.0, 4.0])[:count]
    fit = fit_variogram(experimental_variogram(points, values, cutoff_m=10.0), "best")
    assert fit.fallback or fit.poor
    assert fit.notes
    assert fit.variogram.sill > 0


def test_constant_readings_fall_back_visibly() -> None:
    points = np.random.default_rng(0).uniform(0, 9, (40, 2))
    fit = fit_variogram(experimental_variogram(points, np.full(40, 3.0)))
    assert fit.fallback
    assert fit.poor
    assert "assumed" in fit.notes[0]


def test_gaussian_without_a_nugget_is_not_chosen() -> None:
    lags = np.linspace(0.5, 15, 15)
    fit = fit_variogram(bins_of(Variogram("gaussian", 0.0, 1.0, 4.0), lags), "best")
    assert fit.variogram.model != "gaussian"
    assert "unstable" in fit.notes[0]


def test_errors_are_named() -> None:
    frame = bins_of(Variogram("spherical", 0, 1, 3), np.linspace(1, 9, 9))
    with pytest.raises(GeostatError, match="cubic"):
        fit_variogram(frame, "cubic")
    with pytest.raises(GeostatError, match="lag_m"):
        fit_variogram(frame.drop(columns="lag_m"))
    with pytest.raises(GeostatError, match="NaN"):
        fit_variogram(frame.assign(semivariance=np.nan))
    with pytest.raises(GeostatError, match="range_bounds"):
        fit_variogram(frame, range_bounds=(3.0, 1.0))
    with pytest.raises(GeostatError, match="one place"):
        experimental_variogram([[1, 1], [1, 1]], [1, 2])
    with pytest.raises(GeostatError, match="two readings"):
        experimental_variogram([[1, 1]], [1])
    with pytest.raises(GeostatError, match="width_m"):
        experimental_variogram([[1, 1], [2, 2]], [1, 2], width_m=0.0)
