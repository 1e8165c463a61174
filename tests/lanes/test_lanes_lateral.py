"""The lateral range curve, against brute force: a diver simulated, and plain quadrature."""

from itertools import pairwise

import numpy as np
import pytest
from scipy.special import ndtr, ndtri

from detect.lanes import detection_probability, look_probability, response_ratio
from detect.lanes.footprint import Look
from detect.lanes.lateral import lateral_curve, pass_table


def quadrature(offset, detector):
    """The definition, integrated by Gauss-Legendre piece by piece between the kinks."""
    look = Look.of(detector)
    sweep, sigma = look.sweep_half_width_m, look.line_error_m
    edge = sweep + look.reach(1.0)
    kinks = [offset + s * k for s in (-1, 1) for k in (sweep, edge, 0.9 * edge, 1.1 * edge)]
    inside = [k for k in kinks if abs(k) < 7 * sigma]
    edges = sorted([*np.linspace(-7 * sigma, 7 * sigma, 60), *inside])
    x, weight = np.polynomial.legendre.leggauss(40)
    total = 0.0
    for a, b in pairwise(edges):
        drift = 0.5 * (a + b) + 0.5 * (b - a) * x
        rho = np.maximum(np.abs(offset - drift) - sweep, 0.0)
        sharp = look_probability(look.best_ratio(rho), look.threshold_snr)
        total += 0.5 * (b - a) * weight @ (sharp * np.exp(-0.5 * (drift / sigma) ** 2))
    return total / (sigma * np.sqrt(2 * np.pi))


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"line_error_m": 0.5},
        {"line_error_m": 2e-4},
        {"sweep_half_width_m": 0.8, "line_error_m": 0.05},
        {"threshold_snr": 20.0, "line_error_m": 0.01},
        {"coil_height_m": 0.02, "burial_depth_m": 0.03, "air_range_m": 0.06},
    ],
    ids=str,
)
def test_curve_is_accurate_to_a_millionth(changes, coil):
    detector = coil(**changes)
    offsets = np.array([0.0, 0.1, 0.25, 0.4, 0.9, 1.2])
    expected = [quadrature(y, detector) for y in offsets]
    np.testing.assert_allclose(detection_probability(offsets, detector), expected, atol=1e-6)


@pytest.mark.parametrize("sweep", [0.0, 0.4])
def test_a_simulated_diver_finds_as_often(sweep, coil):
    """Brute force: a line error drawn for each pass, the coil moved along (and swung across) in
    centimetre steps, noise on its best signal; alarms beyond the noise's own are detections."""
    detector = coil(sweep_half_width_m=sweep)
    rng = np.random.default_rng(7)
    passes, k = 60_000, 3.0
    floor = ndtr(-k)
    gain = 1 + ndtri(0.5 * (1 + floor)) / k  # so that the air range is met half of the time
    along = np.arange(-1.0, 1.0, 0.01)[:, None]
    swing = np.arange(-sweep, sweep + 1e-9, 0.01)[None, :]
    # Best signal of a pass by its true offset, tabled from the path itself.
    true_offset = np.linspace(0, 2, 201)
    heard = np.array(
        [response_ratio(np.hypot(along, u - swing), 0.3, detector).max() for u in true_offset]
    )
    for offset in (0.0, 0.2 + sweep, 0.35 + sweep):
        drift = rng.normal(0.0, 0.1, passes)
        signal = gain * np.interp(np.abs(offset - drift), true_offset, heard)
        alarms = np.mean(signal + rng.normal(0.0, 1 / k, passes) > 1.0)
        found = (alarms - floor) / (1 - floor)
        error = np.sqrt(found * (1 - found) / passes)
        expected = float(detection_probability(offset, detector))
        assert abs(found - expected) < 4 * error + 1e-3


def test_half_at_the_air_range_with_a_steady_hand(coil):
    """On the axis at air_range_m, no line error: one half, by definition."""
    steady = coil(coil_height_m=0.05, line_error_m=0.0)
    assert float(detection_probability(0.0, steady, 0.40)) == pytest.approx(0.5, abs=1e-9)


def test_curve_is_even_falls_outwards_and_with_depth(coil):
    offsets = np.linspace(0, 2, 401)
    curve = detection_probability(offsets, coil())
    np.testing.assert_array_equal(curve, detection_probability(-offsets, coil()))
    assert np.all(np.diff(curve) <= 1e-12)
    assert np.all(detection_probability(offsets, coil(), 0.3) <= curve + 1e-12)
    assert detection_probability([[0.1, 5.0]], coil()).shape == (1, 2)


def test_line_error_moves_probability_but_keeps_the_sweep_width(coil):
    """A convolution keeps the area: W is that of the steady hand."""
    widths = [
        lateral_curve(Look.of(coil(line_error_m=s))).sweep_width_m for s in (0.0, 0.1, 0.5, 2.0)
    ]
    np.testing.assert_allclose(widths, widths[0], rtol=1e-5)


def test_a_swing_widens_the_sweep_by_its_own_width(coil):
    still = lateral_curve(Look.of(coil(line_error_m=0.0))).sweep_width_m
    swung = lateral_curve(Look.of(coil(line_error_m=0.0, sweep_half_width_m=0.7))).sweep_width_m
    under = float(detection_probability(0.0, coil(line_error_m=0.0)))
    assert swung - still == pytest.approx(2 * 0.7 * under, rel=1e-4)


@pytest.mark.parametrize("sigma", [0.0, 1e-3, 0.1, 0.6])
def test_table_of_looks_abeam_is_the_lateral_curve(sigma, coil):
    detector = coil(line_error_m=sigma, sweep_half_width_m=0.3)
    table = pass_table(Look.of(detector))
    offsets = np.linspace(0, 0.999 * table.across_end_m, 999)
    np.testing.assert_allclose(
        table(np.zeros(999), offsets), detection_probability(offsets, detector), atol=1e-4
    )


def test_table_of_looks_ahead_against_quadrature(coil):
    """Line error across only: the mean over it of one look at the true distance."""
    table = pass_table(Look.of(coil()))
    look = Look.of(coil())
    drift, weight = np.polynomial.hermite_e.hermegauss(120)
    for ahead, across in [(0.1, 0.0), (0.2, 0.2), (0.3, 0.1), (0.05, 0.4)]:
        rho = np.hypot(ahead, across - 0.1 * drift)
        expected = weight @ look_probability(look.best_ratio(rho), 3.0) / weight.sum()
        assert float(table(np.array([ahead]), np.array([across]))[0]) == pytest.approx(
            expected, abs=2e-5
        )
