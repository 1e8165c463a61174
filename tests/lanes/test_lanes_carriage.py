"""A coil carried too high, not level, and swung: against a diver simulated stroke by stroke."""

import numpy as np
import pytest
import shapely
from scipy.special import ndtr, ndtri

from detect.lanes import (
    coverage,
    deepest_detectable,
    detection_probability,
    double_peak_distance,
    lost_depth,
    plan_lanes,
    response_ratio,
    widest_advance,
    widest_spacing,
)
from detect.lanes.carriage import one_look, straight_over
from detect.lanes.field import loop_field
from detect.lanes.footprint import Look
from detect.lanes.swing import path_distances
from detect.survey.grid import Grid

SNR = 3.0


def share_found(best, rng):
    """Alarms on the best signal of each pass, those of noise alone taken off."""
    floor = ndtr(-SNR)
    gain = 1 + ndtri(0.5 * (1 + floor)) / SNR
    alarms = np.mean(gain * best + rng.normal(0.0, 1 / SNR, len(best)) > 1.0)
    return (alarms - floor) / (1 - floor)


def simulated(offset, detector, rng, passes=4000):
    """The coil moved along its lane in 2 cm steps, its height, pitch and roll drawn for each pass;
    the field at the target in the coil's own frame."""
    along = np.arange(-0.6, 0.601, 0.02)
    side = offset - rng.normal(0.0, detector.line_error_m, passes)[:, None]
    height = detector.coil_height_m + rng.normal(0.0, detector.height_error_m, passes)
    z = np.maximum(height, 0.0)[:, None] + detector.burial_depth_m
    pitch, roll = np.radians(rng.normal(0.0, detector.coil_tilt_deg, (2, passes, 1)))
    tilt, toward = np.hypot(pitch, roll), np.arctan2(roll, pitch)
    across = np.broadcast_to(side, (passes, len(along)))
    ahead = np.broadcast_to(along, (passes, len(along)))
    # The axis leans by `tilt` towards the direction `toward` from ahead.
    leaning = (np.cos(toward) * ahead + np.sin(toward) * across) * np.sin(tilt)
    on_axis = z * np.cos(tilt) - leaning
    off_axis = np.sqrt(np.maximum(ahead**2 + across**2 + z**2 - on_axis**2, 0.0))
    b_rho, b_z = loop_field(0.14, off_axis, on_axis)
    _, at_air_range = loop_field(0.14, 0.0, detector.air_range_m)
    return share_found(((b_rho**2 + b_z**2) / at_air_range**2).max(axis=1), rng)


@pytest.mark.parametrize(
    "changes",
    [
        {"height_error_m": 0.06},
        {"coil_tilt_deg": 12.0},
        {"height_error_m": 0.04, "coil_tilt_deg": 20.0},
    ],
    ids=str,
)
def test_a_simulated_diver_with_an_unsteady_hand(changes, coil):
    detector = coil(**changes)
    rng = np.random.default_rng(11)
    for offset in (0.0, 0.2, 0.3, 0.4):
        found = simulated(offset, detector, rng)
        error = np.sqrt(found * (1 - found) / 4000)
        expected = float(detection_probability(offset, detector))
        # A real pass meets its target in every direction of the tilt, so it finds a little more.
        assert abs(found - expected) < 4 * error + 0.02, offset


def test_a_steady_hand_is_the_limit(coil):
    """Errors shrinking to nothing give back the level coil at its height."""
    rho = np.array([0.0, 0.1, 0.25, 0.32, 0.4])
    level = one_look(Look.of(coil()), rho)
    nearly = one_look(Look.of(coil(height_error_m=1e-4, coil_tilt_deg=0.01)), rho)
    np.testing.assert_allclose(nearly, level, atol=1e-4)


def test_right_over_the_target_height_errors_are_a_plain_mean(coil):
    """On the axis the ratio is ((a² + R²)/(a² + z²))³: its mean over heights, by quadrature."""
    detector = coil(height_error_m=0.05, burial_depth_m=0.3)
    look = Look.of(detector)
    height = np.linspace(-0.3, 0.3, 6001)
    z = np.maximum(0.1 + height, 0.0) + 0.3
    r = ((0.14**2 + 0.45**2) / (0.14**2 + z**2)) ** 3
    floor = ndtr(-SNR)
    gain = 1 + ndtri(0.5 * (1 + floor)) / SNR
    p = (ndtr(SNR * (gain * r - 1)) - floor) / (1 - floor)
    weight = np.exp(-0.5 * (height / 0.05) ** 2)
    assert straight_over(look) == pytest.approx(float(weight @ p / weight.sum()), abs=1e-3)
    assert float(one_look(look, 0.0)) == pytest.approx(straight_over(look), abs=1e-3)


def test_an_unsteady_hand_costs_depth_and_lanes(coil):
    steady, unsteady = coil(), coil(height_error_m=0.05, coil_tilt_deg=15.0)
    assert deepest_detectable(unsteady) < deepest_detectable(steady)
    assert widest_spacing(unsteady).spacing_m < widest_spacing(steady).spacing_m
    # Now and then the coil rides lower: what was just lost is heard once in a while.
    assert lost_depth(coil(height_error_m=0.05)) > lost_depth(steady)


def test_lost_is_deeper_than_half_is_deeper_than_promised(coil):
    assert deepest_detectable(coil()) < 0.45 - 0.10 < lost_depth(coil())
    lost = coil(burial_depth_m=lost_depth(coil()), line_error_m=0.0)
    assert float(detection_probability(0.0, lost)) == pytest.approx(0.05, abs=1e-6)


def test_a_target_near_the_coil_sounds_twice_from_here_on(coil):
    """Where the dip on the axis begins, found on the field itself."""
    limit = double_peak_distance(0.14)
    for z, dip in ((0.98 * limit, True), (1.02 * limit, False)):
        centre, beside = response_ratio(np.array([0.0, 0.01]), z, coil())
        assert (beside > centre) == dip


class TestSwing:
    def test_distance_from_a_zigzag_against_its_own_points(self, coil):
        look = Look.of(coil(sweep_half_width_m=0.7, sweep_advance_m=0.5))
        stroke = np.linspace(0.0, 1.0, 2001)
        across = np.concatenate([(-1) ** k * 0.7 * (2 * stroke - 1) for k in range(-8, 9)])
        ahead = np.concatenate([(k + stroke) * 0.5 for k in range(-8, 9)])
        places = np.array([0.0, 0.3, 0.69, 0.7, 0.9, 1.4])
        mine = path_distances(look, places)
        phases = (np.arange(len(mine)) + 0.5) * 1.0 / len(mine)
        theirs = [[np.hypot(across - x, ahead - y).min() for x in places] for y in phases]
        # A target to one side over one full swing meets the same distances as to the other.
        np.testing.assert_allclose(
            np.sort(mine, axis=0), np.sort(np.array(theirs), axis=0), atol=1e-3
        )

    def test_the_fastest_advance_leaves_no_hole_and_a_faster_one_does(self, coil):
        detector = coil(sweep_half_width_m=0.7, line_error_m=0.0)
        fastest = widest_advance(detector)
        for advance, worst in ((fastest, 0.9), (1.2 * fastest, None)):
            look = Look.of(detector.model_copy(update={"sweep_advance_m": advance}))
            # Every place within the swing, along one full swing, from a path of fine points.
            stroke = np.linspace(0.0, 1.0, 1201)
            across = np.concatenate([(-1) ** k * 0.7 * (2 * stroke - 1) for k in range(-4, 5)])
            ahead = np.concatenate([(k + stroke) * advance for k in range(-4, 5)])
            grid = np.array(
                [(x, y) for x in np.linspace(-0.7, 0.7, 29)
                 for y in np.linspace(0, 2 * advance, 41)]
            )  # fmt: skip
            near = np.array([np.hypot(across - x, ahead - y).min() for x, y in grid])
            found = one_look(look, near)
            if worst is None:
                assert found.min() < 0.85
            else:
                assert found.min() == pytest.approx(worst, abs=0.01)

    def test_what_needs_no_limit_and_what_no_limit_mends(self, coil):
        assert widest_advance(coil()) == np.inf
        assert widest_advance(coil(sweep_half_width_m=0.05)) == np.inf
        assert widest_advance(coil(sweep_half_width_m=0.7), 0.6) == 0.0

    def test_a_simulated_diver_who_fins_too_fast(self, coil):
        """The zigzag walked in centimetres, its phase and the line error drawn for each pass."""
        detector = coil(sweep_half_width_m=0.6, sweep_advance_m=0.9, line_error_m=0.08)
        rng = np.random.default_rng(3)
        stroke = np.linspace(0.0, 1.0, 121)
        across = np.concatenate([(-1) ** k * 0.6 * (2 * stroke - 1) for k in range(-4, 5)])
        ahead = np.concatenate([(k + stroke) * 0.9 for k in range(-4, 5)])
        for offset in (0.0, 0.5, 0.8):
            x = offset - rng.normal(0.0, 0.08, 6000)
            y = rng.uniform(0.0, 1.8, 6000)
            near = np.hypot(across[None, :] - x[:, None], ahead[None, :] - y[:, None]).min(axis=1)
            found = share_found(response_ratio(near, 0.3, detector), rng)
            expected = float(detection_probability(offset, detector))
            assert abs(found - expected) < 4 * np.sqrt(found * (1 - found) / 6000) + 2e-3, offset

    def test_finning_faster_costs_pod_in_plan_and_check(self, coil, swum):
        slow = coil(sweep_half_width_m=0.6)
        fast = coil(sweep_half_width_m=0.6, sweep_advance_m=1.2)
        assert widest_spacing(fast).sweep_width_m < widest_spacing(slow).sweep_width_m
        lanes = plan_lanes(shapely.box(0, 0, 6, 4), 1.5, bearing_deg=0.0)
        grid = Grid(np.arange(0.25, 6, 0.25), np.arange(0.25, 4, 0.25), 0.25)
        pods = [float(coverage(swum(lanes, 0.2), c, grid)["pod"].mean()) for c in (slow, fast)]
        assert pods[1] < pods[0] - 0.05
