"""Leave-one-out in closed form equals leaving out and fitting again."""

from __future__ import annotations

import numpy as np
import pytest

from detect.geostat import GeostatError, Kriging, Variogram, leave_one_out_scores


@pytest.mark.parametrize("drift", ["constant", "linear", "quadratic"])
@pytest.mark.parametrize("neighbours", [None, 12])
@pytest.mark.parametrize("sd", ["exact", "noisy", "repeated"])
def test_equals_refitting(lanes, drift, neighbours, sd) -> None:
    points, values = lanes.points[:45].copy(), lanes.values[:45]
    error = None if sd == "exact" else np.linspace(0.1, 0.4, 45)
    if sd == "repeated":
        points[5] = points[4]
        points[30] = points[31]
    v = Variogram("spherical", 0.05, 1.0, 5.0)
    own = {"neighbours": neighbours, "drift": drift, "neighbourhood": "own"}
    estimate, variance = Kriging(points, values, v, error, **own).leave_one_out()
    for i in range(45):
        others = np.arange(45) != i
        rest = None if error is None else error[others]
        again = Kriging(points[others], values[others], v, rest, **own)
        one, one_variance = again.at(points[i])
        assert estimate[i] == pytest.approx(one[0], abs=1e-9)
        own_error = 0.0 if error is None else error[i] ** 2
        assert variance[i] == pytest.approx(one_variance[0] + own_error, abs=1e-9)


def test_simple_kriging(lanes) -> None:
    v = Variogram("exponential", 0.05, 1.0, 2.0)
    points, values = lanes.points[:30], lanes.values[:30]
    estimate, variance = Kriging(points, values, v, mean=0.4).leave_one_out()
    others = np.arange(30) != 7
    one, one_variance = Kriging(points[others], values[others], v, mean=0.4).at(points[7])
    assert estimate[7] == pytest.approx(one[0], abs=1e-10)
    assert variance[7] == pytest.approx(one_variance[0], abs=1e-10)


def test_right_model_gives_honest_scores() -> None:
    # a field drawn from the model: standardised errors average 1, 90 % intervals hold 90 %
    rng = np.random.default_rng(5)
    points = rng.uniform(0, 30, (500, 2))
    v = Variogram("spherical", 0.1, 0.9, 8.0)
    lag = points[:, None] - points[None]
    values = np.linalg.cholesky(v.covariance(lag[..., 0], lag[..., 1])) @ rng.normal(size=500)
    scores = leave_one_out_scores(values, *Kriging(points, values, v).leave_one_out())
    assert scores.mean_squared_standardised == pytest.approx(1.0, abs=0.15)
    assert scores.coverage_90 == pytest.approx(0.90, abs=0.04)
    wrong = Kriging(points, values, Variogram("spherical", 0.0, 0.3, 8.0)).leave_one_out()
    assert leave_one_out_scores(values, *wrong).mean_squared_standardised > 2


def test_scores_by_hand() -> None:
    scores = leave_one_out_scores([1.0, 2.0, 4.0], [1.5, 2.0, 3.0], [0.25, 1.0, 0.25])
    assert scores.mean_error == pytest.approx((-0.5 + 0 + 1) / 3)
    assert scores.rmse == pytest.approx(np.sqrt(1.25 / 3))
    assert scores.mae == pytest.approx(0.5)
    assert scores.mean_squared_standardised == pytest.approx((1 + 0 + 4) / 3)
    assert scores.coverage_90 == pytest.approx(2 / 3)  # 1.0 is outside 1.645 * 0.5
    assert np.isnan(leave_one_out_scores([1, 1], [1, 2], [1, 1]).correlation)


def test_too_few_readings() -> None:
    v = Variogram("spherical", 0.0, 1.0, 3.0)
    with pytest.raises(GeostatError, match="too few"):
        Kriging([[0, 0]], [1.0], v).leave_one_out()
    points = [[0, 0], [1, 0], [0, 1]]
    with pytest.raises(GeostatError, match="too few"):
        Kriging(points, [1.0, 2.0, 3.0], v, drift="linear").leave_one_out()
    with pytest.raises(GeostatError, match="positive"):
        leave_one_out_scores([1.0], [1.0], [0.0])
