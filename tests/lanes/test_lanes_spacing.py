"""The widest spacing that keeps the promise."""

import numpy as np
import pytest

from detect.lanes import (
    deepest_detectable,
    detection_probability,
    reading_interval,
    spacing_table,
    widest_spacing,
)
from detect.lanes.footprint import Look
from detect.lanes.lateral import pass_table


def lanes_by_hand(spacing, offset, detector, lanes=40):
    """Misses multiplied over the nearest lanes, one by one."""
    places = offset - spacing * np.arange(-lanes, lanes + 1)
    return 1 - np.prod(1 - detection_probability(places, detector))


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"line_error_m": 0.0},
        {"line_error_m": 0.4},
        {"sweep_half_width_m": 1.0},
        {"required_pod": 0.5},
        {"burial_depth_m": 0.31},
    ],
    ids=str,
)
def test_the_promise_is_kept_and_only_just(changes, coil):
    detector = coil(**changes)
    result = widest_spacing(detector)
    offsets = np.linspace(0, result.spacing_m / 2, 41)
    worst = min(lanes_by_hand(result.spacing_m, y, detector) for y in offsets)
    wider = min(lanes_by_hand(1.01 * result.spacing_m, 1.01 * y, detector) for y in offsets)
    assert result.reachable
    assert worst == pytest.approx(detector.required_pod, abs=1e-6)
    assert result.worst_pod == pytest.approx(worst, abs=1e-6)
    assert wider < detector.required_pod
    assert result.worst_pod <= result.mean_pod
    assert result.coverage_factor == pytest.approx(result.sweep_width_m / result.spacing_m)


def test_out_of_reach_is_said_with_the_depth_that_is_not(coil):
    deep = widest_spacing(coil(burial_depth_m=0.5))
    assert not deep.reachable
    assert deep.deepest_m == pytest.approx(deepest_detectable(coil()))
    assert deep.worst_pod < 0.9
    assert deep.spacing_m == pytest.approx(0.28)
    assert widest_spacing(coil(burial_depth_m=deep.deepest_m - 1e-6)).reachable
    assert not widest_spacing(coil(burial_depth_m=deep.deepest_m + 1e-6)).reachable


def test_spacing_widens_with_less_asked(coil):
    spacings = [widest_spacing(coil(required_pod=p)).spacing_m for p in (0.5, 0.8, 0.9, 0.99)]
    assert spacings == sorted(spacings, reverse=True)


def test_swung_coil_fits_the_corridors_that_divers_use(coil):
    """A sanity check, not a law. NAS Guide, 2nd ed. 2009, p. 100 (check_values 4): a strip of
    about 1 m for each diver of a 2 m corridor searched intensively; corridors of 2 to 8 m."""
    held = widest_spacing(coil()).spacing_m
    swung = widest_spacing(coil(sweep_half_width_m=1.0)).spacing_m
    assert 0.25 < held < 1.0
    assert 2.0 < swung < 8.0


def test_table_to_choose_from(coil):
    table = spacing_table(coil())
    assert list(table.columns) == ["spacing_m", "worst_pod", "mean_pod", "coverage_factor"]
    assert table["worst_pod"].is_monotonic_decreasing
    widest = widest_spacing(coil()).spacing_m
    assert table["spacing_m"].min() < widest < table["spacing_m"].max()
    assert ((table["worst_pod"] >= 0.9) == (table["spacing_m"] <= widest)).all()
    own = spacing_table(coil(), [1.0, 0.5])
    assert own["spacing_m"].tolist() == [0.5, 1.0]
    assert own["worst_pod"][0] == pytest.approx(lanes_by_hand(0.5, 0.25, coil()), abs=1e-6)


def test_reading_interval_costs_what_it_says(coil):
    spacing = widest_spacing(coil()).spacing_m
    interval = reading_interval(coil(), spacing, loss=0.02)
    table = pass_table(Look.of(coil()))
    across = np.abs(0.5 * spacing - spacing * np.arange(-5, 6))
    worst = 1 - np.prod(1 - table(np.full(11, 0.5 * interval), across))
    assert worst == pytest.approx(0.88, abs=1e-3)
    assert 0.02 < reading_interval(coil(), spacing, loss=0.005) < interval < 0.5
