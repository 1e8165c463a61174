"""Printed and recomputed values of the trade and of plane geometry, through the room's own code."""

import itertools

import numpy as np
import pandas as pd
import pytest
import shapely

from detect.lanes import (
    coverage,
    dive_totals,
    footprint,
    pack_dives,
    plan_lanes,
    planned_coverage,
    probe_stations,
    response_ratio,
)
from detect.lanes.features import lattice_share
from detect.survey.frame import Frame
from detect.survey.grid import Grid
from detect.survey.settings import Dives


@pytest.fixture
def strip_coil(coil):
    """As good as a perfect strip: a threshold so sharp that the footprint's edge is a step."""

    def make(**changes):
        return coil(line_error_m=0.0, threshold_snr=100.0, **changes)

    return make


def test_a_square_kilometre_in_lanes_of_ten_metres_takes_twenty_hours():
    """Green, Maritime Archaeology, 2nd ed. 2004, p. 51: 1 km square, 10 m lanes, 5 km/h: 20 h.
    A hundred lanes of a kilometre, without turns."""
    lanes = plan_lanes(shapely.box(0, 0, 1000, 1000), 10.0, bearing_deg=0.0, overlap_m=0.0)
    day = Dives(bottom_time_min=600.0, setup_min=0.0, turn_min=0.0, swim_speed_m_per_min=5000 / 60)
    lanes = lanes.iloc[:100]  # one more than needed stands at the edge, so that both sides look
    packed = pack_dives(lanes, day, Frame())
    swum = packed["length_m"].sum() / (5000 / 60) / 60
    assert swum == pytest.approx(20.0, abs=0.01)
    # With the way from lane to lane at the same speed, a kilometre more in all.
    assert dive_totals(packed, day).bottom_min / 60 == pytest.approx(20.2, abs=0.05)


@pytest.mark.parametrize(
    ("radius", "step", "swath"),
    [
        (0.5, 0.25, 0.9682458366),
        (0.5, 0.5, 0.8660254038),
        (0.5, 0.8, 0.6),
        (0.3, 0.1, 0.5916079783),
    ],
)
def test_readings_apart_leave_the_swath_of_discs(radius, step, swath, strip_coil):
    """Discs of radius R at steps d fully cover a strip 2 sqrt(R² - d²/4) wide (check values, 5): a
    sharp coil heard only at its readings, half way between two of them."""
    # The burial depth whose footprint has this radius, by bisection on the footprint.
    low, high = 0.0, 1.0
    coil_of = {"air_range_m": 1.0, "coil_height_m": 0.1}
    reach = strip_coil(**coil_of)
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if footprint(reach, middle) > radius else (low, middle)
    detector = strip_coil(**coil_of, burial_depth_m=0.5 * (low + high))
    along = step * np.arange(-12, 13)
    readings = pd.DataFrame({"e": along, "n": 0.0, "track": 0, "heading_deg": 90.0})
    node = 0.002
    across = np.arange(-0.6, 0.6, node)
    grid = Grid(np.array([0.5 * step, 0.5 * step + node]), across, node)
    pod = coverage(readings, detector, grid)["pod"].to_numpy()[:, 0]
    assert (pod >= 0.5).sum() * node == pytest.approx(swath, abs=3 * node)


def test_lanes_far_apart_see_their_strips_by_area(strip_coil):
    """What a sharp coil sees of a planned site is the union of its lanes' strips, area by shapely;
    away from the ends the share is min(1, 2r/S) (check values, 5)."""
    detector = strip_coil()
    width = footprint(detector)
    site = shapely.box(0, 0, 12, 8)
    lanes = plan_lanes(site, 3.0, bearing_deg=17.0, overlap_m=0.0)
    node = 0.02
    grid = Grid(np.arange(node / 2, 12, node), np.arange(node / 2, 8, node), node)
    pod = planned_coverage(lanes, detector, grid)["pod"].to_numpy()
    lines = shapely.linestrings(
        lanes[["start_e", "start_n", "end_e", "end_n"]].to_numpy().reshape(-1, 2, 2)
    )
    strips = shapely.union_all(shapely.buffer(lines, width, quad_segs=64))
    assert (pod >= 0.5).sum() * node**2 == pytest.approx(strips.intersection(site).area, rel=0.005)
    middle = grid.inside(shapely.box(3, 2, 9, 6))
    share = min(1.0, 2.0 * width / lanes.attrs["spacing_m"])
    assert (pod[middle] >= 0.5).mean() == pytest.approx(share, abs=0.03)


@pytest.mark.parametrize(
    ("apart", "lens"), [(0.5, 2.1521092250), (1.0, 1.2283696986), (1.5, 0.4533117540)]
)
def test_discs_that_overlap_share_a_lens(apart, lens):
    """Two unit discs (check values, 5). A lattice so long that only neighbours along one line meet:
    each point's own share is its disc less half a lens on either side."""
    share = lattice_share([[apart, 0.0], [0.0, 50.0]], 2.0, 2.0)
    # Along the line all discs within two radii overlap; near ones overlap with several.
    line = shapely.union_all([shapely.Point(k * apart, 0).buffer(1.0, quad_segs=4096)
                              for k in range(-9, 10)])  # fmt: skip
    middle = line.intersection(shapely.box(-apart / 2, -2, apart / 2, 2)).area
    assert share * apart * 50.0 == pytest.approx(middle, rel=1e-6)
    two = shapely.Point(0, 0).buffer(1.0, quad_segs=4096)
    other = shapely.Point(apart, 0).buffer(1.0, quad_segs=4096)
    assert two.intersection(other).area == pytest.approx(lens, rel=1e-5)
    if apart >= 1.0:
        assert share * apart * 50.0 == pytest.approx(np.pi - lens, rel=1e-6)


def test_the_fewest_stations_of_a_small_site_by_enumeration():
    """A square of 2 m and discs of 1.6 m, nine in ten to be found: all sets of places of a 0.25 m
    grid are tried, one station more at a time; the layout may need one more than the best."""
    places = np.array(list(itertools.product(np.arange(0.25, 2.0, 0.25), repeat=2)))
    samples = np.array(list(itertools.product(np.linspace(0.02, 1.98, 25), repeat=2)))
    hit = (((samples[:, None, :] - places[None, :, :]) ** 2).sum(axis=-1) <= 0.8**2).T

    def enough(count):
        return any(
            hit[list(chosen)].any(axis=0).mean() >= 0.9
            for chosen in itertools.combinations(range(len(places)), count)
        )

    fewest = next(count for count in range(1, 5) if enough(count))
    stations = probe_stations(shapely.box(0, 0, 2, 2), 1.6, 0.9)
    assert fewest <= len(stations) <= fewest + 1


def test_twice_the_distance_far_off_is_a_sixty_fourth(coil):
    """Far from the coil |B|² falls with the sixth power (check values, 3.2: half-width limit)."""
    near, far = response_ratio(0.0, np.array([5.0, 10.0]), coil())
    assert near / far == pytest.approx(64.0, rel=0.003)
