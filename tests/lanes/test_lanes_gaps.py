"""What was missed, and what to swim again."""

import numpy as np
import pandas as pd
import pytest
import shapely
import xarray as xr

from detect.lanes import (
    coverage,
    covered_share,
    find_gaps,
    infill_lanes,
    plan_lanes,
    planned_coverage,
    widest_spacing,
)
from detect.survey.grid import site_grid

SITE = shapely.box(0, 0, 10, 8)


def cover_with(holes, node=0.1, pod=0.95):
    """A coverage of 0.95 with lower rectangles: e_min, n_min, e_max, n_max, pod."""
    e, n = np.arange(node / 2, 10, node), np.arange(node / 2, 8, node)
    values = np.full((len(n), len(e)), pod)
    for e0, n0, e1, n1, low in holes:
        values[np.ix_((n > n0) & (n < n1), (e > e0) & (e < e1))] = low
    return xr.Dataset({"pod": (("n", "e"), values)}, coords={"n": n, "e": e})


def test_gaps_are_found_measured_and_drawn():
    """Rectangles of known place and area, checked by shapely."""
    cover = cover_with([(1, 1, 3, 2, 0.4), (6, 5, 6.5, 7, 0.7), (6.2, 6, 6.5, 7, 0.1)])
    gaps = find_gaps(cover, SITE, [], 0.9)
    assert gaps["gap"].tolist() == ["G01", "G02"]
    np.testing.assert_allclose(gaps["area_m2"], [2.0, 1.0])
    np.testing.assert_allclose(gaps["worst_pod"], [0.4, 0.1])
    assert gaps["mean_pod"][1] == pytest.approx(0.7 * 0.7 + 0.3 * 0.1)
    for wkt, box in zip(
        gaps["outline_wkt"], [shapely.box(1, 1, 3, 2), shapely.box(6, 5, 6.5, 7)], strict=True
    ):
        drawn = shapely.from_wkt(wkt)
        assert drawn.symmetric_difference(box).area == pytest.approx(0.0, abs=1e-9)
    np.testing.assert_allclose(gaps[["e", "n"]].iloc[0], [2.0, 1.5], atol=0.06)


def test_a_ring_of_cells_has_a_hole_and_its_place_is_on_it():
    cover = cover_with([(2, 2, 5, 5, 0.2), (3, 3, 4, 4, 0.95)])
    gaps = find_gaps(cover, SITE, [], 0.9)
    drawn = shapely.from_wkt(gaps["outline_wkt"][0])
    assert len(gaps) == 1
    assert drawn.area == pytest.approx(8.0)
    assert len(drawn.interiors) == 1
    assert drawn.contains(shapely.Point(gaps["e"][0], gaps["n"][0]))


def test_outside_the_site_and_in_keep_outs_nothing_is_missed():
    cover = cover_with([(0, 0, 10, 8, 0.0)])
    small = shapely.box(2, 2, 6, 6)
    reef = shapely.box(4, 2, 6, 6)
    gaps = find_gaps(cover, small, [reef], 0.9)
    assert gaps["area_m2"].tolist() == pytest.approx([8.0])
    assert covered_share(cover, small, [reef], 0.9) == 0.0
    assert find_gaps(cover_with([]), SITE, [], 0.9).empty
    assert covered_share(cover_with([]), SITE, [], 0.9) == 1.0


def test_touching_by_a_corner_is_one_gap():
    cover = cover_with([(1, 1, 2, 2, 0.5), (2, 2, 3, 3, 0.5)])
    assert find_gaps(cover, SITE, [], 0.9)["area_m2"].tolist() == pytest.approx([2.0])


@pytest.fixture(scope="module")
def spoilt_survey(coil, heron_skerry, swum):
    """A plan swum with a lane lost, an end cut short, a corner of four lanes not reached."""
    detector = coil()
    reef = shapely.box(10, 9, 13, 12)
    spacing = widest_spacing(detector).spacing_m
    lanes = plan_lanes(heron_skerry, spacing, keep_outs=[reef])
    readings = swum(lanes, 0.05)
    lost = (readings["track"] == 20) | ((readings["track"] == 26) & (readings["e"] > 20))
    lost |= readings["track"].between(36, 39) & (readings["e"] < 8)
    readings = readings[~lost]
    grid = site_grid(heron_skerry, 1.0, 0.1, (-2.0, 0.0))
    return detector, reef, spacing, readings, grid, coverage(readings, detector, grid)


@pytest.mark.parametrize("bearing", [None, 84.289407])
def test_infill_closes_every_gap(bearing, spoilt_survey, heron_skerry, swum):
    """Laid, swum and checked again: nothing is left."""
    detector, reef, spacing, readings, grid, cover = spoilt_survey
    gaps = find_gaps(cover, heron_skerry, [reef], 0.9)
    assert gaps["area_m2"].sum() > 30
    infill = infill_lanes(
        gaps, detector, spacing, bearing, cover=cover, outline=heron_skerry, keep_outs=[reef]
    )
    assert infill.attrs["remaining_m2"] == 0.0
    assert infill["length_m"].is_monotonic_increasing
    assert set(infill["gap"]) <= set(gaps["gap"])
    for row in infill[["start_e", "start_n", "end_e", "end_n"]].to_numpy():
        assert shapely.LineString(row.reshape(2, 2)).intersection(reef).length < 1e-3
    again = pd.concat([readings, swum(infill, 0.05, first_track=1000)], ignore_index=True)
    assert find_gaps(coverage(again, detector, grid), heron_skerry, [reef], 0.9).empty


def test_a_lost_lane_is_swum_again_once(coil, swum):
    """The infill for one lost lane of the plan is that one lane, end to end."""
    detector, site = coil(), shapely.box(0, 0, 12, 8)
    lanes = plan_lanes(site, widest_spacing(detector).spacing_m, bearing_deg=0.0)
    grid = site_grid(site, 1.0, 0.1, (0.0, 0.0))
    cover = planned_coverage(lanes.drop(index=7), detector, grid)
    gaps = find_gaps(cover, site, [], 0.9)
    # Fresh ground that wide would get two lanes this close; half seen already, it needs one.
    infill = infill_lanes(gaps, detector, 0.3, cover=cover, outline=site)
    assert len(gaps) == len(infill) == 1
    assert infill["start_e"][0] == pytest.approx(lanes["start_e"][7], abs=0.06)
    assert infill["length_m"][0] == pytest.approx(8.0, abs=0.11)


def test_no_lane_is_idle(spoilt_survey, heron_skerry):
    """Leave any one infill lane out and a gap stays."""
    detector, reef, spacing, _, grid, cover = spoilt_survey
    gaps = find_gaps(cover, heron_skerry, [reef], 0.9)
    infill = infill_lanes(
        gaps, detector, spacing, cover=cover, outline=heron_skerry, keep_outs=[reef]
    )
    assert len(infill) > 1
    for k in infill.index:
        added = planned_coverage(infill.drop(index=k), detector, grid)
        both = cover.assign(pod=1 - (1 - cover["pod"]) * (1 - added["pod"]))
        assert len(find_gaps(both, heron_skerry, [reef], 0.9))


def test_infill_without_a_coverage_lies_over_each_gap():
    gaps = find_gaps(cover_with([(1, 1, 9, 2, 0.1)]), SITE, [], 0.9)
    from detect.survey.settings import Detector

    detector = Detector(coil_diameter_m=0.28, air_range_m=0.6, burial_depth_m=0.2)
    infill = infill_lanes(gaps, detector, 0.5)
    assert infill["lane"].tolist() == ["F01", "F02"]
    assert infill["length_m"].tolist() == pytest.approx([8.0, 8.0])
    assert np.isnan(infill.attrs["remaining_m2"])


def test_a_coil_that_cannot_reach_gets_no_infill(coil):
    gaps = find_gaps(cover_with([(1, 1, 9, 2, 0.1)]), SITE, [], 0.9)
    infill = infill_lanes(gaps, coil(burial_depth_m=0.6), 0.5)
    assert infill.empty
    assert "down to 0.32 m" in infill.attrs["notes"][0]


def test_no_gaps_no_infill(coil):
    none = find_gaps(cover_with([]), SITE, [], 0.9)
    assert infill_lanes(none, coil(), 0.5, cover=cover_with([]), outline=SITE).empty


def test_a_lane_too_short_to_swim_is_left_to_a_search_by_hand(coil):
    """A gap in a nook that keep-outs leave 0.6 m wide: no lane of a metre can run there."""
    walls = shapely.box(2, 2, 4, 4).difference(shapely.box(2.7, 2.7, 3.3, 3.3))
    cover = cover_with([(2.7, 2.7, 3.3, 3.3, 0.1)])
    gaps = find_gaps(cover, SITE, [walls], 0.9)
    infill = infill_lanes(gaps, coil(), 0.5, cover=cover, outline=SITE, keep_outs=[walls])
    assert infill.empty
    assert infill.attrs["remaining_m2"] == pytest.approx(0.36)
    assert infill.attrs["by_hand"] == ("G01",)
    assert "by hand" in infill.attrs["notes"][0]
    # Where there is room, a spot gets a lane of a metre.
    free = infill_lanes(gaps, coil(), 0.5, cover=cover, outline=SITE)
    assert free["length_m"].min() >= 1.0 - 1e-9
