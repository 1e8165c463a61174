"""On 200 drawn fields with a known model, 90 % intervals of square means hold 88 to 92 %.

The truth is drawn with a plain Cholesky factor at 100 points of each square and averaged (25 would
leave a twentieth of the kriging variance in the truth); the same, larger, with more models and with
fitted ones, is tests/benchmarks/geostat_coverage.py.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from detect.geostat import Kriging, Variogram


@pytest.mark.parametrize("neighbours", [None, 32])
@pytest.mark.parametrize(
    "model",
    [
        Variogram("spherical", 0.1, 0.9, 6.0),
        Variogram("exponential", 0.1, 0.9, 3.0, anisotropy_ratio=0.5, azimuth_deg=70.0),
    ],
    ids=lambda v: v.model,
)
def test_intervals_of_square_means(model, neighbours) -> None:
    rng = np.random.default_rng(0)
    n, e = np.meshgrid(np.arange(0.25, 10, 0.6), np.arange(0.5, 10, 1.5))  # lanes
    points = np.column_stack([e.ravel(), n.ravel()]) + rng.normal(0, 0.05, (n.size, 2))
    middle = np.arange(1.0, 10.0, 2.0)
    centres = np.stack(np.meshgrid(middle, middle), axis=-1).reshape(-1, 2)
    fine = np.stack(np.meshgrid(*[np.arange(-0.9, 1.0, 0.2)] * 2), axis=-1).reshape(-1, 2)
    everywhere = np.r_[points, (centres[:, None] + fine).reshape(-1, 2)]
    lag = everywhere[:, None] - everywhere[None]
    k = model.structure_covariance(lag[..., 0], lag[..., 1]) + 1e-9 * np.eye(len(everywhere))
    field = (np.linalg.cholesky(k) @ rng.normal(size=(len(k), 200))).T
    truth = field[:, len(points) :].reshape(200, len(centres), -1).mean(axis=2)
    error = np.sqrt(model.nugget + 0.3**2) * rng.normal(size=(200, len(points)))
    readings = field[:, : len(points)] + error

    kriging = Kriging(points, readings[0], model, 0.3, neighbours)
    estimate, variance = kriging.blocks(centres, 2.0)
    weights = kriging.weights(centres, 2.0)
    np.testing.assert_allclose(weights @ readings[0], estimate, atol=1e-8)
    z = (truth - readings @ weights.T) / np.sqrt(variance)
    inside = np.mean(np.abs(z) <= norm.ppf(0.95), axis=1)
    assert 0.88 <= inside.mean() <= 0.92
    assert inside.std() / np.sqrt(200) < 0.007  # so that the bounds above mean something
    assert np.mean(z**2) == pytest.approx(1.0, abs=0.06)
