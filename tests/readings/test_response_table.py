"""The table of a coil's response against the exact field, and against magpylib."""

import magpylib
import numpy as np
import pytest
from planted import DETECTOR

from detect.lanes import response_ratio
from detect.readings.response_table import FARTHEST_M, response_table
from detect.survey.settings import Detector

COILS = {
    "hand-held": DETECTOR,
    "small": Detector(coil_diameter_m=0.15, coil_height_m=0.05, air_range_m=0.45),
    "frame": Detector(coil_diameter_m=1.0, coil_height_m=0.3, air_range_m=2.5),
}


@pytest.mark.parametrize(
    ("coil", "least", "most", "within"),
    [
        ("hand-held", 0.03, 0.06, 2e-3),
        ("hand-held", 0.06, 0.12, 4e-4),
        ("hand-held", 0.12, 0.25, 1e-4),
        ("hand-held", 0.25, 1.6, 2e-5),
        ("small", 0.06, 0.12, 4e-4),
        ("small", 0.12, 1.5, 1e-4),
        ("frame", 0.3, 1.8, 1e-4),
    ],
)
def test_the_table_holds_to_the_exact_response(coil, least, most, within):
    rng = np.random.default_rng(1)
    rho, height = rng.uniform(0.0, FARTHEST_M, 20_000), rng.uniform(least, most, 20_000)
    table, exact = response_table(COILS[coil]), response_ratio(rho, height, COILS[coil])
    np.testing.assert_allclose(table(rho, height), exact, rtol=within)
    np.testing.assert_allclose(table.with_slopes(rho, height)[0], exact, rtol=within)


def test_the_table_holds_to_magpylib():
    # magpylib 5, Circle: |B|^2 over that on the axis at the air range
    rng = np.random.default_rng(3)
    rho, height = rng.uniform(0.0, 2.0, 2000), rng.uniform(0.12, 1.6, 2000)
    circle = magpylib.current.Circle(current=1.0, diameter=0.28)
    field = circle.getB(np.column_stack([rho, np.zeros(rho.size), height]))
    expected = np.sum(field**2, axis=1) / circle.getB((0.0, 0.0, 0.75))[2] ** 2
    ours = response_table(DETECTOR)(rho, height)
    np.testing.assert_allclose(ours, expected, rtol=1e-4)


@pytest.mark.parametrize("air_range_m", [0.75, 6.0, 50.0])
def test_the_table_goes_as_far_as_the_coil_hears(air_range_m):
    detector = Detector(coil_diameter_m=0.28, air_range_m=air_range_m)
    rng = np.random.default_rng(4)
    rho, height = rng.uniform(0.1, 2.0 * air_range_m, (2, 20_000))
    height = height.clip(min=0.25)
    ours, exact = response_table(detector)(rho, height), response_ratio(rho, height, detector)
    np.testing.assert_allclose(ours, exact, rtol=2e-5)


def test_distances_broadcast():
    table, rho = response_table(DETECTOR), np.linspace(0.0, 2.0, 7)
    height = np.array([0.2, 0.5])
    whole = table(rho, height[:, None])
    np.testing.assert_array_equal(whole, [table(rho, 0.2), table(rho, 0.5)])


def test_slopes_of_the_table_are_those_of_the_response():
    rng = np.random.default_rng(2)
    rho, height, step = rng.uniform(0.01, 1.5, 2000), rng.uniform(0.25, 1.5, 2000), 1e-5
    value, by_rho, by_height = response_table(DETECTOR).with_slopes(rho, height)

    def slope(off, up):
        ahead, behind = (
            response_ratio(rho + s * off, height + s * up, DETECTOR) for s in (step, -step)
        )
        return (ahead - behind) / (2.0 * step)

    # as shares of the value per metre; the steepest falls by a factor of e in 0.1 m
    np.testing.assert_allclose(by_rho / value, slope(1, 0) / value, atol=0.02)
    np.testing.assert_allclose(by_height / value, slope(0, 1) / value, atol=0.02)
