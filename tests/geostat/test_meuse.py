"""155 zinc readings, ln(ppm), against the R package gstat: check_values.md 1.2 and 1.3."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from detect.geostat import (
    Kriging,
    Variogram,
    experimental_variogram,
    fit_variogram,
    leave_one_out_scores,
)
from detect.geostat.blocks import Support, within_square
from detect.geostat.covariance import cross_covariance

DATA = Path(__file__).parents[1] / "data"


def test_data(meuse) -> None:
    assert meuse.values.mean() == pytest.approx(5.885775852, abs=5e-10)
    assert meuse.values.var(ddof=1) == pytest.approx(0.5211122601, abs=5e-11)


def test_points(meuse, meuse_model, meuse_nodes) -> None:
    estimate, variance = Kriging(*meuse, meuse_model).at(meuse_nodes[["x", "y"]])
    np.testing.assert_allclose(estimate, meuse_nodes.ok_pred, atol=1e-10)
    np.testing.assert_allclose(variance, meuse_nodes.ok_var, atol=1e-11)


def test_blocks_after_the_stated_correction(meuse, meuse_model, meuse_nodes) -> None:
    # gstat takes the within-block covariance from the 4x4 points, each against itself as well; its
    # rounding leaves 1e-8 in estimates and 1e-6 in variances (check_values.md 1.2).
    estimate, variance = Kriging(*meuse, meuse_model).blocks(meuse_nodes[["x", "y"]], 40.0)
    square = Support.square(40.0)
    rule = square.weights @ cross_covariance(meuse_model, square.offsets, square.offsets)
    correction = within_square(meuse_model, 40.0) - float(rule @ square.weights)
    np.testing.assert_allclose(estimate, meuse_nodes.blk40_pred, atol=2e-8)
    np.testing.assert_allclose(variance, meuse_nodes.blk40_var + correction, atol=1e-7)


def test_leave_one_out(meuse, meuse_model) -> None:
    estimate, variance = Kriging(*meuse, meuse_model).leave_one_out()
    residual = meuse.values - estimate
    np.testing.assert_allclose(residual[:3], [0.1613187334, 0.2731057589, 0.1648871333], atol=1e-10)
    scores = leave_one_out_scores(meuse.values, estimate, variance)
    assert scores.mean_error == pytest.approx(-2.1114846e-05, abs=1e-11)
    assert scores.rmse == pytest.approx(0.3918052422, abs=1e-10)
    assert scores.mae == pytest.approx(0.2921531840, abs=1e-10)
    assert scores.mean_squared_standardised == pytest.approx(0.8183264731, abs=1e-9)
    assert scores.correlation == pytest.approx(0.8393470025, abs=1e-10)
    assert scores.n == 155
    z = residual / np.sqrt(variance)
    assert z.std(ddof=1) == pytest.approx(0.9075462814, abs=1e-9)


def test_twenty_neighbours(meuse, meuse_model, meuse_nodes) -> None:
    # gstat nmax=20, node 1 (that one implementation)
    kriging = Kriging(*meuse, meuse_model, neighbours=20, neighbourhood="own")
    estimate, variance = kriging.at(meuse_nodes[["x", "y"]].iloc[:1])
    assert estimate[0] == pytest.approx(6.54690409407, abs=1e-10)
    assert variance[0] == pytest.approx(0.344716027316, abs=1e-10)


def test_indicator(meuse, meuse_nodes) -> None:
    below = (np.exp(meuse.values) < 500).astype(float)
    assert below.mean() == pytest.approx(0.6322580645, abs=1e-10)
    model = Variogram("spherical", nugget=0.05, partial_sill=0.20, range_m=900.0)
    estimate, _ = Kriging(meuse.points, below, model).at(meuse_nodes[["x", "y"]])
    # gstat only: nodes 1 and 5 of the table
    assert estimate[0] == pytest.approx(0.23339838824, abs=1e-10)
    assert estimate[4] == pytest.approx(0.00813303953, abs=1e-10)


def test_anisotropic_points(meuse, meuse_nodes) -> None:
    # check_values.md 1.3, by hand and by gstat
    model = Variogram("spherical", 0.05, 0.59, 1200.0, anisotropy_ratio=0.4, azimuth_deg=45.0)
    estimate, variance = Kriging(*meuse, model).at(meuse_nodes[["x", "y"]].iloc[:2])
    np.testing.assert_allclose(estimate, [6.65664143543, 6.33798399297], atol=1e-10)
    np.testing.assert_allclose(variance, [0.287713356890, 0.174586941865], atol=1e-11)


def test_variogram_bins(meuse) -> None:
    frame = experimental_variogram(*meuse)
    expected = pd.read_csv(DATA / "meuse_logzinc_variogram_gstat.csv")
    assert frame.attrs["cutoff_m"] == pytest.approx(1596.62262, abs=5e-6)
    assert frame.attrs["width_m"] == pytest.approx(106.441508, abs=5e-7)
    assert frame.pairs.tolist() == expected["np"].tolist()
    np.testing.assert_allclose(frame.lag_m, expected["dist"], rtol=1e-12)
    np.testing.assert_allclose(frame.semivariance, expected["gamma"], rtol=1e-12)


def test_directional_bins(meuse) -> None:
    # check_values.md 1.3: the bin near 478 m, 45 against 135 degrees
    for azimuth, pairs, gamma in ((45.0, 172, 0.2573), (135.0, 99, 0.6437)):
        frame = experimental_variogram(*meuse, azimuth_deg=azimuth)
        near = frame.iloc[(frame.lag_m - 478).abs().argmin()]
        assert near.pairs == pairs
        assert near.semivariance == pytest.approx(gamma, abs=5e-5)


def test_fitted_model(meuse) -> None:
    # gstat 0.05066243, 0.59060780, 897.0209; from other starts 0.05065971, 0.59060511, 897.0011:
    # its search stops early. Ours is at least as good by its own criterion.
    frame = experimental_variogram(*meuse)
    fit = fit_variogram(frame, "spherical")
    assert fit.variogram.nugget == pytest.approx(0.05066243, abs=5e-6)
    assert fit.variogram.partial_sill == pytest.approx(0.59060780, abs=5e-6)
    assert fit.variogram.range_m == pytest.approx(897.0209, abs=0.02)
    assert not fit.poor
    assert fit.at_bound == ()
    assert fit.notes == ()
    for other in ((0.05066242682, 0.59060780221, 897.0209098), (0.05065971, 0.59060511, 897.0011)):
        model = Variogram("spherical", *other)
        gap = frame.semivariance - model.semivariance(frame.lag_m, 0.0)
        assert fit.weighted_sse <= (frame.pairs / frame.lag_m**2 * gap**2).sum()
