"""Which scale predicts lanes best: skewed fields want their scores, normal ones do not."""

from __future__ import annotations

import numpy as np
import pytest

from detect.geostat import Variogram
from detect.geostat.scales import Scale, _quantile_loss, compare_scales


def lanes_with(transform, seed: int = 0):
    """Fourteen lanes 1.5 m apart over a spherical field, bent by ``transform``."""
    rng = np.random.default_rng(seed)
    n, e = np.meshgrid(np.arange(0, 15, 0.75), np.arange(14) * 1.5)
    points = np.column_stack([e.ravel(), n.ravel()]) + rng.normal(0, 0.05, (280, 2))
    v = Variogram("spherical", 0.0, 1.0, 6.0)
    lag = points[:, None] - points[None]
    field = np.linalg.cholesky(v.covariance(lag[..., 0], lag[..., 1])) @ rng.normal(size=280)
    return points, transform(field + 0.1 * rng.normal(size=280)), np.repeat(np.arange(14), 20)


def test_skewed_readings_are_better_as_scores() -> None:
    points, values, lane = lanes_with(lambda y: np.exp(1.5 * y))
    choice = compare_scales(points, values, groups=lane, width_m=0.75, cutoff_m=8.0)
    assert choice.name == "normal scores"
    table = choice.table.set_index("scale")
    assert table.loc["normal scores", "score"] < table.loc["as read", "score"]
    assert abs(table.loc["normal scores", "coverage_90"] - 0.9) < 0.08
    assert "gain" in choice.why


def test_normal_readings_stay_as_they_are() -> None:
    points, values, lane = lanes_with(lambda y: 3.0 + 2.0 * y, seed=1)
    choice = compare_scales(points, values, groups=lane, width_m=0.75, cutoff_m=8.0)
    gain = choice.table["gain"].iloc[1]
    assert abs(gain) < 0.05 * choice.table["score"].iloc[0]
    straight = {"twice": Scale(lambda z: 2.0 * z + 1.0, lambda y: (y - 1.0) / 2.0)}
    choice = compare_scales(points, values, straight, width_m=0.75, cutoff_m=8.0)
    assert choice.name == "as read"
    assert choice.table["score"].iloc[1] == pytest.approx(choice.table["score"].iloc[0], rel=1e-6)


def test_quantile_loss_is_the_ranked_probability_score() -> None:
    # closed form for a normal prediction: Gneiting & Raftery 2007, eq. 21 (from memory)
    from scipy.stats import norm

    as_read = Scale(np.asarray, np.asarray)
    z, mean, sd = np.array([-1.0, 0.2, 3.0]), np.array([0.0, 0.5, 1.0]), np.array([1.0, 0.3, 2.0])
    x = (z - mean) / sd
    crps = sd * (x * (2 * norm.cdf(x) - 1) + 2 * norm.pdf(x) - 1 / np.sqrt(np.pi))
    np.testing.assert_allclose(_quantile_loss(as_read, z, mean, sd**2), crps, rtol=0.02)
