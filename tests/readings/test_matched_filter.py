"""The matched filter: against plain least squares, against noise, and told in parts."""

import numpy as np
import pytest
from planted import DETECTOR, THRESHOLD
from scipy.stats import kstest

from detect.lanes import response_ratio
from detect.readings.matched_filter import LEFTOVER, MatchedFilter
from detect.readings.sources import Sources

POINTS = np.stack(np.meshgrid(np.arange(0.0, 4.1, 0.25), np.arange(0.0, 4.1, 0.5)), -1).reshape(
    -1, 2
)
SOURCES = Sources(
    np.array([[1.0, 1.1], [2.3, 2.0], [3.1, 0.9]]), np.array([0.2, 0.5]), np.arange(3)
)


def test_it_is_the_best_strength_over_its_standard_deviation():
    # reference: numpy's least squares of each source alone, readings divided by their errors, with
    # the exact response
    rng = np.random.default_rng(1)
    left, variance = rng.normal(1.0, 2.0, len(POINTS)), rng.uniform(0.5, 4.0, len(POINTS))
    added = rng.uniform(0.0, 8.0, len(POINTS))
    listen = MatchedFilter(POINTS, SOURCES, DETECTOR, 1.0)
    listen.hear(left, variance, added)
    error = np.sqrt(variance + (LEFTOVER * added) ** 2)
    for number, (e, n, depth) in enumerate(listen.places):
        rho = np.hypot(POINTS[:, 0] - e, POINTS[:, 1] - n)
        response = np.where(rho <= 1.5, response_ratio(rho, 0.12 + depth, DETECTOR), 0.0)
        response *= THRESHOLD
        strength = np.linalg.lstsq((response / error)[:, None], left / error, rcond=None)[0][0]
        sd = 1.0 / np.linalg.norm(response / error)
        assert listen.z[number] == pytest.approx(strength / sd, abs=1e-4)
        row = listen.target(number)
        np.testing.assert_array_equal(row[:3], (e, n, depth))
        assert row[3] == pytest.approx(np.log(max(strength, 1e-3)), abs=1e-3)


def test_of_noise_it_is_standard_normal():
    rng, listen = np.random.default_rng(2), MatchedFilter(POINTS, SOURCES, DETECTOR, 1.0)
    none, z = np.zeros(len(POINTS)), []
    for _ in range(400):
        listen.hear(rng.normal(0.0, 2.0, len(POINTS)), none + 4.0, none)
        z.append(listen.z[0])
    assert kstest(z, "norm").pvalue > 0.01


def test_told_in_parts_it_says_the_same():
    rng = np.random.default_rng(3)
    left, variance, added = rng.uniform(0.5, 5.0, (3, len(POINTS)))
    whole, parts = (MatchedFilter(POINTS, SOURCES, DETECTOR, 1.0) for _ in range(2))
    parts.hear(left, variance, added)
    for _ in range(3):
        changed = rng.choice(len(POINTS), 20, replace=False)
        left[changed] -= rng.uniform(0.0, 2.0, 20)
        added[changed] += rng.uniform(0.0, 2.0, 20)
        parts.hear(left, variance, added, changed)
    whole.hear(left, variance, added)
    np.testing.assert_allclose(parts.z, whole.z, atol=1e-10)
