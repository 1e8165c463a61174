"""Rows of check_values.md section 1 that belong to no method's own file."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

from detect.geostat import Kriging, Variogram
from detect.geostat.blocks import Support


def test_zinc(meuse) -> None:
    # 1.2: median, mean and sd of the readings whose logarithms are used throughout
    zinc = np.exp(meuse.values)
    assert np.median(zinc) == pytest.approx(326.0, abs=1e-9)
    assert zinc.mean() == pytest.approx(469.7161290, abs=5e-8)
    assert zinc.std(ddof=1) == pytest.approx(367.0737877, abs=5e-8)


def test_mean_variogram_of_a_segment() -> None:
    # 1.6: spherical, L / a = 0.5: L / (2 a) - L^3 / (20 a^3) = 0.24375; mean distance L / 3
    v = Variogram("spherical", 0.0, 1.0, 2.0)
    mean, _ = quad(lambda h: 2 * (1 - h) * float(v.semivariance(h, 0.0)), 0, 1)
    assert mean == pytest.approx(0.24375, abs=1e-10)
    far = Variogram("spherical", 0.0, 1.0, 1e5)  # as good as a straight line of slope 1.5 / a
    mean, _ = quad(lambda h: 2 * (1 - h) * float(far.semivariance(h, 0.0)), 0, 1, epsabs=0)
    assert mean * 1e5 / 1.5 == pytest.approx(1 / 3, rel=1e-8)


def test_mean_variogram_of_a_circle() -> None:
    # 1.6: mean distance of two random points in a circle of radius 1: 128 / (45 pi)
    far = Variogram("spherical", 0.0, 1.0, 1e5)

    def density(h: float) -> float:  # of the distance of two points in the unit circle
        return 4 * h / np.pi * (np.arccos(h / 2) - h / 2 * np.sqrt(1 - h * h / 4))

    mean, _ = quad(lambda h: density(h) * float(far.semivariance(h, 0.0)), 0, 2, epsabs=0)
    assert mean * 1e5 / 1.5 == pytest.approx(0.905414787, rel=1e-8)


def test_weights_of_three_decimals(seven) -> None:
    # 1.1: the printed weights (book, from memory) give 592.619, so an estimate from them is good to
    # 0.11 only, and it is the weights that are to be compared
    printed = np.array([0.173, 0.318, 0.129, 0.086, 0.151, 0.057, 0.086])
    assert printed @ seven.values == pytest.approx(592.619, abs=5e-4)
    v = Variogram("exponential", 0.0, 10.0, 1 / 0.3)
    weights = Kriging(seven.points, seven.values, v).weights([[65, 137]])[0]
    assert np.abs(weights - printed).max() < 5e-4


def test_nugget_within_a_block(meuse, meuse_model, meuse_nodes) -> None:
    # 1.2: with the nugget on the diagonal of the 4 x 4 points the variance of a block would rise by
    # nugget * sum(w^2) = 0.0038, at the first node to 0.25310687. Here and in gstat it does not.
    weights = Support.square(40.0).weights
    rise = meuse_model.nugget * (weights**2).sum()
    assert rise == pytest.approx(0.0038, abs=5e-5)
    first = meuse_nodes.iloc[0]
    assert first["blk40_var"] + rise == pytest.approx(0.25310687, abs=5e-8)
    _, variance = Kriging(*meuse, meuse_model).blocks(first[["x", "y"]].to_numpy(float), 40.0)
    assert variance[0] == pytest.approx(first["blk40_var"], abs=1e-3)
