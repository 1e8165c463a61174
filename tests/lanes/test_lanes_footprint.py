"""What one coil can see."""

from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import brentq
from scipy.stats import norm

from detect.lanes import deepest_detectable, footprint, look_probability, response_ratio
from detect.lanes.footprint import Look

TABLE = pd.read_csv(Path(__file__).parents[1] / "data" / "coil_B2_halfwidth.csv")
A = 0.14


def relative(rho, z, coil):
    return float(response_ratio(rho, z, coil()) / response_ratio(0.0, z, coil()))


@pytest.mark.parametrize("row", list(TABLE.itertuples()), ids=lambda r: f"z={r.z_over_a}a")
def test_half_widths_of_the_response(row, coil):
    """check_values 3.2, coil_B2_halfwidth.csv: where |B|^2 falls to 50 and 10 % of the centre."""
    z = row.z_over_a * A
    for share, expected in ((0.5, row.R50_over_a), (0.1, row.R10_over_a)):
        width = brentq(lambda rho, s=share: relative(rho, z, coil) - s, 0.9 * A, 20 * A) / A
        assert width == pytest.approx(expected, abs=2e-8)


@pytest.mark.parametrize("row", list(TABLE.itertuples()), ids=lambda r: f"z={r.z_over_a}a")
def test_off_centre_peak_near_the_coil(row, coil):
    """check_values 3.2: peak over centre, and where it lies; the running maximum holds it."""
    look = Look.of(coil(coil_height_m=0.0, burial_depth_m=row.z_over_a * A))
    centre = float(look.ratio(0.0))
    assert float(look.best_ratio(0.0)) / centre == pytest.approx(row.peak_over_centre, abs=1e-5)
    rho = np.linspace(0, 3 * A, 30_001)
    assert rho[np.argmax(look.ratio(rho))] / A == pytest.approx(row.r_peak_over_a, abs=2e-4)
    np.testing.assert_allclose(
        look.best_ratio(rho), np.maximum.accumulate(look.ratio(rho)[::-1])[::-1], rtol=1e-6
    )


@pytest.mark.parametrize("row", list(TABLE.itertuples()), ids=lambda r: f"z={r.z_over_a}a")
def test_fall_on_the_axis(row, coil):
    """check_values 3.2: (1 + (z/a)^2)^-3, relative to the coil's centre."""
    ratio = response_ratio(0.0, row.z_over_a * A, coil()) / response_ratio(0.0, 0.0, coil())
    assert ratio == pytest.approx(row.onaxis_B2_rel_to_z0, rel=1e-4)


def test_signal_from_sixty_to_thirty_centimetres(coil):
    """check_values 3.2: coil radius 0.14 m, z = 0.6 to z = 0.3."""
    ratio = response_ratio(0.0, 0.6, coil()) / response_ratio(0.0, 0.3, coil())
    assert ratio == pytest.approx(0.0240687, abs=5e-8)


def test_far_field_half_width(coil):
    """check_values 3.2: for z much larger than a, |B|^2 halves at 0.4517683442 z."""
    z = 400 * A
    width = brentq(lambda rho: relative(rho, z, coil) - 0.5, 0.1 * z, z) / z
    assert width == pytest.approx(0.4517683442, abs=1e-5)


def test_footprint_shrinks_with_depth_to_nothing(coil):
    widths = [footprint(coil(), depth) for depth in (0.0, 0.1, 0.2, 0.3, 0.34, 0.36)]
    assert all(a > b for a, b in pairwise(widths))
    assert widths[-1] == 0.0
    assert footprint(coil(), 0.35 - 1e-6) < 0.01  # the air range itself


def test_footprint_is_where_the_signal_meets_the_threshold(coil):
    reach = footprint(coil())
    assert float(response_ratio(reach, 0.3, coil())) == pytest.approx(1.0, abs=1e-9)
    assert footprint(coil(sweep_half_width_m=0.8)) == pytest.approx(reach + 0.8)


def test_half_at_the_air_range_and_nothing_far_away():
    """By definition of air_range_m; a target infinitely far is never found, whatever alarms."""
    for snr in (1.0, 2.0, 3.0, 6.0, 20.0):
        p = look_probability([0.0, 1.0, np.inf], snr)
        np.testing.assert_allclose(p, [0.0, 0.5, 1.0], atol=1e-12)


def test_close_to_the_plain_normal_curve():
    """Phi(k (r - 1)) is the alarm rate; the floor taken off moves it by less than the floor."""
    r = np.linspace(0, 3, 61)
    plain = norm.cdf(3.0 * (r - 1.0))
    assert np.max(np.abs(look_probability(r, 3.0) - plain)) < 1.0005 * norm.cdf(-3.0)


def test_deepest_depth_is_where_the_promise_is_just_met(coil):
    deepest = deepest_detectable(coil())
    ratio = response_ratio(0.0, 0.1 + deepest, coil())
    assert float(look_probability(ratio, 3.0)) == pytest.approx(0.9, abs=1e-12)


def test_deepest_depth_where_the_peak_is_off_the_axis(coil):
    """So near the coil that the winding, not the centre, hears best: searched on the peak."""
    near = coil(coil_height_m=0.0, air_range_m=0.05, required_pod=0.999)
    look = Look.of(near, deepest_detectable(near))
    assert look.distance_m < 0.6 * A
    assert float(look_probability(look.best_ratio(0.0), 3.0)) == pytest.approx(0.999, abs=1e-9)


def test_a_coil_carried_too_high_is_told_by_how_much(coil):
    high = coil(coil_height_m=0.6)
    assert deepest_detectable(high) == pytest.approx(deepest_detectable(coil()) - 0.5)
    assert deepest_detectable(high) < 0


def test_numbers_out_of_range_are_refused(coil):
    with pytest.raises(ValueError, match="distance_m"):
        footprint(coil(), -0.2)
