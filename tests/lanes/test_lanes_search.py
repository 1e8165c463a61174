"""Parallel lanes, against the laws of search theory."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from detect.lanes import (
    coverage_factor,
    definite_range_pod,
    detection_probability,
    inverse_cube_pod,
    lane_pod,
    random_pod,
    sweep_width,
)
from detect.lanes.footprint import Look
from detect.lanes.lateral import lateral_curve

TABLE = pd.read_csv(Path(__file__).parents[1] / "data" / "pod_coverage.csv")


def inverse_cube(offset, width=1.0):
    """Koopman's law: p(x) = 1 - exp(-W^2 / 4 pi x^2), of sweep width W (check_values 2)."""
    return -np.expm1(-(width**2) / (4 * np.pi * np.maximum(np.square(offset), 1e-300)))


@pytest.mark.parametrize("row", list(TABLE.itertuples()), ids=lambda r: f"C={r.coverage}")
def test_laws_of_search_theory(row):
    """check_values 2, pod_coverage.csv (Koopman 1946, 1980)."""
    assert float(definite_range_pod(row.coverage)) == pytest.approx(row.definite_range, abs=1e-11)
    assert float(inverse_cube_pod(row.coverage)) == pytest.approx(row.inverse_cube, abs=1e-11)
    assert float(random_pod(row.coverage)) == pytest.approx(row.random, abs=1e-11)


@pytest.mark.parametrize("row", list(TABLE.itertuples()), ids=lambda r: f"C={r.coverage}")
def test_inverse_cube_lanes_average_to_the_error_function(row):
    """Derived, not evaluated: lanes of the law, averaged across, give erf(sqrt(pi)/2 C)."""
    spacing = 1.0 / row.coverage
    offsets = (np.arange(400) + 0.5) / 400 * spacing
    mean = lane_pod(inverse_cube, spacing, offsets).mean()
    assert mean == pytest.approx(row.inverse_cube, abs=1e-8)


def test_inverse_cube_lanes_at_each_offset():
    """check_values 2: 1 - exp(-(W^2/4 pi) pi^2 / (S sin(pi x / S))^2)."""
    spacing, offsets = 0.8, np.linspace(0.01, 1.55, 40)
    expected = -np.expm1(-np.pi / 4 / (spacing * np.sin(np.pi * offsets / spacing)) ** 2)
    np.testing.assert_allclose(lane_pod(inverse_cube, spacing, offsets), expected, atol=1e-8)


def test_definite_range_lanes():
    """Certain out to R and nothing beyond: the share of the ground within R of a lane."""

    def definite(offset):
        return (np.abs(offset) < 0.4).astype(float)

    offsets = (np.arange(1000) + 0.5) / 1000 * 2.0
    assert lane_pod(definite, 2.0, offsets).mean() == pytest.approx(0.4, abs=1e-3)
    assert lane_pod(definite, 0.7, offsets).min() == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("curve", "width"),
    [
        (inverse_cube, 1.0),
        (lambda x: np.exp(-0.5 * (x / 0.02) ** 2), 0.02 * 2.5066282746),
        (lambda x: 0.6 * (np.abs(x) < 3.0), 3.6),
    ],
)
def test_sweep_widths(curve, width):
    """check_values 2: inverse cube W, Gaussian s sqrt(2 pi), uniform 2 p R."""
    assert sweep_width(curve) == pytest.approx(width, rel=1e-6)


@pytest.mark.parametrize(
    ("pod", "cube", "random"),
    [
        (0.5, 0.5381649581, 0.6931),
        (0.8, 1.0225302080, 1.6094),
        (0.9, 1.3124033137, 2.3026),
        (0.95, 1.5638250030, 2.9957),
        (0.99, 2.0552144326, 4.6052),
    ],
)
def test_coverage_that_a_pod_asks_for(pod, cube, random):
    """check_values 2, inverses."""
    assert float(inverse_cube_pod(cube)) == pytest.approx(pod, abs=1e-9)
    assert float(random_pod(random)) == pytest.approx(pod, abs=3e-5)  # printed to 4 decimals


def test_two_independent_passes_at_coverage_one():
    """check_values 2: 0.9558616014 by the inverse-cube law, 0.8646647168 at random."""
    assert 1 - (1 - float(inverse_cube_pod(1.0))) ** 2 == pytest.approx(0.9558616014, abs=1e-9)
    assert 1 - (1 - float(random_pod(1.0))) ** 2 == pytest.approx(0.8646647168, abs=1e-9)


def test_a_coil_lies_between_chance_and_certainty(coil):
    """Well-kept lanes beat random search and cannot beat the definite range."""
    curve = lateral_curve(Look.of(coil()))
    for spacing in (0.4, 0.6, 0.9, 1.5):
        c = coverage_factor(curve.sweep_width_m, spacing)
        mean = lane_pod(curve, spacing, (np.arange(200) + 0.5) / 200 * spacing).mean()
        assert random_pod(c) < mean < definite_range_pod(c) + 1e-9


def test_lanes_lost_by_far_are_a_random_search(coil):
    """A line error of many spacings: 1 - exp(-C) as spacing shrinks against the footprint...

    each pass then sees a given target with a small probability, and there are many.
    """
    curve = lateral_curve(Look.of(coil(line_error_m=20.0)))
    for spacing in (0.25, 0.5, 1.0):
        pods = lane_pod(curve, spacing, [0.0, spacing / 3, spacing / 2])
        np.testing.assert_allclose(pods, random_pod(curve.sweep_width_m / spacing), atol=3e-3)


def test_tabled_sweep_width_is_the_integral(coil):
    curve = lateral_curve(Look.of(coil()))
    assert curve.sweep_width_m == pytest.approx(sweep_width(curve), rel=1e-7)
    assert sweep_width(lambda y: detection_probability(y, coil())) > 0


def test_what_has_no_sweep_width_is_refused():
    with pytest.raises(ValueError, match="sweep width"):
        lane_pod(lambda x: 0.1 / (1 + np.abs(x)), 1.0, [0.0])
    with pytest.raises(ValueError, match="spacing"):
        lane_pod(inverse_cube, 0.0, [0.0])
