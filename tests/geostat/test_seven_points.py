"""The seven-point example of Isaaks & Srivastava 1989, ch. 12: check_values.md 1.1."""

from __future__ import annotations

import numpy as np
import pytest

from detect.geostat import Kriging, Variogram
from detect.geostat.blocks import within_square

TARGET = np.array([[65.0, 137.0]])
BOOK = Variogram("exponential", partial_sill=10.0, range_m=1 / 0.3)

#: model, estimate, variance, tolerance: recomputed by numpy, PyKrige and GSTools (check_values.md)
MODELS = {
    "book": (BOOK, 592.7289427897, 8.9560527887, 1e-9),
    "sill doubled": (Variogram("exponential", 0, 20, 1 / 0.3), 592.7289, 17.9121, 6e-5),
    "gaussian": (Variogram("gaussian", 0, 10, 10 / np.sqrt(3)), 559.3700, 4.7806, 6e-5),
    "half nugget": (Variogram("exponential", 5, 5, 1 / 0.3), 596.7770, 10.3059, 6e-5),
    "pure nugget": (Variogram("exponential", 10, 0, 1 / 0.3), 603.7143, 11.4286, 6e-5),
    "longer range": (Variogram("exponential", 0, 10, 1 / 0.15), 572.3899, 5.7585, 6e-5),
}


@pytest.mark.parametrize("name", MODELS)
def test_estimate_and_variance(seven, name) -> None:
    model, estimate, variance, tolerance = MODELS[name]
    got = Kriging(*seven, model).at(TARGET)
    assert got[0][0] == pytest.approx(estimate, abs=tolerance)
    assert got[1][0] == pytest.approx(variance, abs=tolerance)


def test_weights_and_lagrange_parameter(seven) -> None:
    weights = Kriging(*seven, BOOK).weights(TARGET)[0]
    expected = [0.172937, 0.317794, 0.128734, 0.086397, 0.151128, 0.057235, 0.085776]
    np.testing.assert_allclose(weights, expected, atol=6e-7)
    # as printed in the book, from memory: three decimals
    np.testing.assert_allclose(
        weights, [0.173, 0.318, 0.129, 0.086, 0.151, 0.057, 0.086], atol=5.1e-4
    )
    lag = seven.points[:, None] - seven.points[None]
    c0 = BOOK.covariance(*(seven.points - TARGET).T)
    mu = c0 - BOOK.covariance(lag[..., 0], lag[..., 1]) @ weights
    np.testing.assert_allclose(mu, -0.9066166190, atol=1e-9)


def test_gaussian_has_three_negative_weights(seven) -> None:
    assert (Kriging(*seven, MODELS["gaussian"][0]).weights(TARGET) < 0).sum() == 3


def test_block_by_gauss_legendre(seven) -> None:
    # check_values.md 1.1: 4x4 Gauss-Legendre 580.1945969; its variance counts each point against
    # itself, where ours integrates the within-block covariance.
    estimate, variance = Kriging(*seven, BOOK).blocks(TARGET, 10.0)
    assert estimate[0] == pytest.approx(580.1945969, abs=6e-8)
    nodes, w = np.polynomial.legendre.leggauss(4)
    e, n = (g.ravel() * 5.0 for g in np.meshgrid(nodes, nodes))
    w = np.outer(w, w).ravel() / 4
    rule = w @ BOOK.covariance(e[:, None] - e, n[:, None] - n) @ w
    assert variance[0] - within_square(BOOK, 10.0) + rule == pytest.approx(1.9523292099, abs=1e-9)
    # 30x30 regular points see nearly the same block
    assert estimate[0] == pytest.approx(580.8223298, abs=1.0)
    assert variance[0] == pytest.approx(1.8215718932, abs=0.05)


@pytest.mark.parametrize(
    ("side", "points", "estimate", "variance"),
    [
        (10.0, 2, 588.9393229506, 2.6662),
        (10.0, 4, 580.5867190495, 1.9895865451),
        (10.0, 30, 580.8223298, 1.8215718932),
        (2.0, 4, 592.4278968953, 6.4241743947),
    ],
)
def test_block_as_mean_of_points(seven, plain_kriging, side, points, estimate, variance) -> None:
    # Regular discretisations: the estimate is the mean of the point estimates (the invariant), the
    # variance that of the joint posterior of the points.
    kriging = Kriging(*seven, BOOK)
    u = (np.arange(points) + 0.5) / points * side - side / 2
    offsets = np.stack(np.meshgrid(u, u), axis=-1).reshape(-1, 2)
    assert kriging.at(TARGET + offsets)[0].mean() == pytest.approx(estimate, abs=2e-7)
    plain = plain_kriging(*seven, BOOK, TARGET, offsets=offsets)
    assert plain[0][0] == pytest.approx(estimate, abs=2e-7)
    assert plain[1][0] == pytest.approx(variance, abs=5e-5 if points == 2 else 2e-9)
