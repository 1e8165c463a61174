"""Classes of targets: one coverage for all, depths at which each is lost, what could remain."""

import numpy as np
import pytest
import shapely
from scipy.stats import binom

from detect.lanes import (
    TargetClass,
    class_depths,
    class_spacings,
    class_table,
    could_remain,
    coverage,
    deepest_detectable,
    detection_probability,
    plan_lanes,
    residual_table,
    spacing_table,
    target_classes,
    widest_spacing,
)
from detect.survey import read_settings
from detect.survey.grid import Grid


@pytest.fixture(scope="module")
def classes(coil):
    return (
        TargetClass("reference target", coil()),
        TargetClass("nail", coil(air_range_m=0.30, burial_depth_m=0.10), found=3),
        TargetClass("gun", coil(air_range_m=0.9, burial_depth_m=0.4)),
    )


def test_classes_of_the_settings_share_the_coil():
    text = """
        [area]
        outline = [[0, 0], [9, 0], [9, 9]]
        [detector]
        coil_diameter_m = 0.28
        air_range_m = 0.6
        burial_depth_m = 0.25
        line_error_m = 0.15
        [[targets]]
        name = "nail"
        air_range_m = 0.3
        found = 2
        [[targets]]
        name = "gun"
        air_range_m = 1.1
        burial_depth_m = 0.6
    """
    reference, nail, gun = target_classes(read_settings(text).settings)
    assert [c.name for c in (reference, nail, gun)] == ["reference target", "nail", "gun"]
    assert (nail.detector.air_range_m, nail.detector.burial_depth_m, nail.found) == (0.3, 0.25, 2)
    assert gun.detector.burial_depth_m == 0.6
    assert {c.detector.line_error_m for c in (reference, nail, gun)} == {0.15}


class TestTable:
    def test_each_class_is_what_a_coil_of_its_own_would_get(self, classes):
        table = class_table(classes, 0.7).set_index("target")
        alone = spacing_table(classes[2].detector, [0.7]).iloc[0]
        assert table.loc["gun", "worst_pod"] == pytest.approx(alone.worst_pod)
        assert table.loc["gun", "mean_pod"] == pytest.approx(alone.mean_pod)
        best = widest_spacing(classes[1].detector)
        assert table.loc["nail", "widest_spacing_m"] == pytest.approx(best.spacing_m)
        assert (table["deepest_m"] < table["lost_m"]).all()
        assert (table["holds_to_m"].fillna(0.0) <= table["deepest_m"] + 0.02).all()

    def test_it_holds_down_to_where_it_says(self, classes):
        holds = class_table(classes, 0.7).set_index("target").loc["gun", "holds_to_m"]
        there = classes[2].detector.model_copy(update={"burial_depth_m": float(holds)})
        assert spacing_table(there, [0.7])["worst_pod"].iloc[0] == pytest.approx(0.9, abs=0.03)

    def test_depths_run_from_the_bed_to_where_it_is_lost(self, classes):
        depths = class_depths(classes, 0.7)
        for one in classes:
            own = depths[depths["target"] == one.name]
            assert own["burial_depth_m"].iloc[0] == 0.0
            assert np.all(np.diff(own["mean_pod"]) <= 1e-9)
            steady = one.detector.model_copy(update={"line_error_m": 0.0})
            lost = float(own["burial_depth_m"].iloc[-1])
            assert float(detection_probability(0.0, steady, lost)) == pytest.approx(0.05, abs=1e-6)

    def test_spacings_of_every_class(self, classes):
        table = class_spacings(classes, [1.0, 0.5])
        assert len(table) == 6
        assert table["spacing_m"].tolist() == [0.5, 1.0] * 3
        assert (table["worst_pod"] <= table["mean_pod"] + 1e-12).all()

    def test_out_of_reach_has_no_spacing(self, coil):
        deep = TargetClass("deep", coil(burial_depth_m=0.8))
        row = class_table([deep], 0.5).iloc[0]
        assert np.isnan(row.widest_spacing_m)
        assert row.deepest_m == pytest.approx(deepest_detectable(coil()))


@pytest.mark.parametrize("listened", [0.0, 1.0])
def test_coverage_of_all_classes_is_that_of_each_alone(listened, classes, coil, swum):
    lanes = plan_lanes(shapely.box(0, 0, 6, 5), 1.2, bearing_deg=20.0)
    readings = swum(lanes, 0.4)
    grid = Grid(np.arange(0.1, 6, 0.2), np.arange(0.1, 5, 0.2), 0.2)
    together = coverage(
        readings, coil(), grid, listened_m=listened,
        targets={c.name: c.detector for c in classes[1:]},
    )  # fmt: skip
    assert together["pod_target"].dims == ("target", "n", "e")
    for one in classes[1:]:
        alone = coverage(readings, one.detector, grid, listened_m=listened)["pod"]
        np.testing.assert_allclose(together["pod_target"].sel(target=one.name), alone, atol=2e-3)
    plain = coverage(readings, coil(), grid, listened_m=listened)
    np.testing.assert_allclose(together["pod"], plain["pod"], atol=2e-3)
    assert "pod_target" not in plain


class TestCouldRemain:
    @pytest.mark.parametrize("pod", [0.05, 0.5, 0.8, 0.95])
    @pytest.mark.parametrize("found", [0, 1, 4])
    def test_is_the_posterior_counted_out(self, pod, found):
        """Every number of targets up to 4000 with the same weight, times the binomial chance."""
        number = np.arange(found, 4000)
        weight = binom.pmf(found, number, pod)
        below = np.cumsum(weight / weight.sum())
        expected = int(np.argmax(below >= 0.95))
        assert could_remain(pod, found) == expected

    @pytest.mark.parametrize(("pod", "found"), [(0.3, 0), (0.6, 2), (0.9, 7)])
    def test_is_also_the_exact_binomial_bound(self, pod, found):
        """The largest number of which finding so few is not rarer than 5 %."""
        most = max(n for n in range(found, 2000) if binom.cdf(found, n, pod) > 0.05)
        assert could_remain(pod, found) == most - found

    def test_nothing_found(self):
        """(1 - p)^(u + 1) <= 0.05: at 0.9 two misses in a row are rarer, at 0.5 five."""
        assert could_remain(0.9, 0) == 1
        assert could_remain(0.5, 0) == 4
        assert could_remain(1.0, 5) == 0
        assert could_remain(0.0, 0) == np.inf

    def test_holds_in_95_of_100_searches(self):
        """Sites with every number of targets alike, searched: what is left stays within it."""
        rng = np.random.default_rng(5)
        number = rng.integers(0, 60, 20_000)
        found = rng.binomial(number, 0.7)
        inside = [n - x <= could_remain(0.7, int(x)) for n, x in zip(number, found, strict=True)]
        assert np.mean(inside) >= 0.95

    @pytest.mark.parametrize("numbers", [(1.2, 0, 0.95), (0.5, -1, 0.95), (0.5, 0, 1.0)])
    def test_numbers_out_of_range(self, numbers):
        with pytest.raises(ValueError, match=r"mean POD|found"):
            could_remain(*numbers)


def test_residual_of_a_site_half_swum(classes, coil, swum):
    """Half of the site at POD near 1, half at 0, so of each class half may lie unseen."""
    outline = shapely.box(0, 0, 8, 4)
    lanes = plan_lanes(shapely.box(0, 0, 4, 4), 0.25, bearing_deg=0.0, overlap_m=0.0)
    grid = Grid(np.arange(0.05, 8, 0.1), np.arange(0.05, 4, 0.1), 0.1)
    cover = coverage(
        swum(lanes, 0.05), coil(), grid, targets={c.name: c.detector for c in classes[1:]}
    )
    table = residual_table(cover, outline, [], classes).set_index("target")
    assert table.loc["nail", "mean_pod"] == pytest.approx(0.5, abs=0.05)
    assert table.loc["nail", "found"] == 3
    assert table.loc["reference target", "found"] == 0
    assert table.loc["nail", "could_remain"] == could_remain(table.loc["nail", "mean_pod"], 3)
    assert table.loc["gun", "mean_pod"] > table.loc["nail", "mean_pod"]  # heard over the edge
    kept_out = residual_table(cover, outline, [shapely.box(4.5, 0, 8, 4)], classes)
    assert (kept_out["mean_pod"] > 0.85).all()
    assert (kept_out["could_remain"] <= table["could_remain"].to_numpy()).all()
