"""The plan as a whole: what is asked for in survey.toml is in it, and what matters is said."""

import numpy as np
import pypdfium2
import pytest
import shapely

from detect import stages, summaries
from detect.lanes import find_gaps, planned_coverage
from detect.lanes.plan import is_cross
from detect.stages.common import clear_of
from detect.survey import load_survey
from detect.writing import write_plan

SETTINGS = """
[frame]
magnetic_declination_deg = 0.0
baseline = [[2, 4], [26, 10]]
[area]
outline = [[0, 0], [30, 0], [30, 14], [0, 14]]
overlap_m = {overlap}
keep_out = [{{name = "rock", polygon = [[20, 2], [23, 2], [23, 5], [20, 5]]}}]
visible_remains = [{{name = "keel", polygon = [[8, 6], [14, 6], [14, 7], [8, 7]]}}]
[detector]
coil_diameter_m = 0.28
coil_height_m = {height}
air_range_m = 0.6
burial_depth_m = 0.25
{coil}
[[targets]]
name = "nail"
air_range_m = 0.35
burial_depth_m = 0.1
[dives]
bottom_time_min = {bottom}
setup_min = 5
{dives}
[lanes]
{lanes}
[probes]
{probes}
"""
PLAIN = {"overlap": 1.0, "height": 0.1, "coil": "", "bottom": 40, "dives": "", "lanes": ""}
PLAIN |= {"probes": "keep_off_m = 0.8"}


@pytest.fixture
def planned(tmp_path):
    def make(**changes):
        (tmp_path / "survey.toml").write_text(SETTINGS.format(**{**PLAIN, **changes}))
        survey = load_survey(tmp_path, needs=("detector", "dives"))
        return survey, stages.plan(survey)

    return make


def test_the_plan_is_one_of_the_spacings_to_choose_from(planned):
    survey, result = planned()
    (row,) = result.choices[result.choices["spacing_m"] == result.used_spacing_m].to_dict("records")
    assert row["dives"] == result.dives["dive"].nunique()
    assert row["lane_parts"] == len(result.lanes)
    assert row["lane_m"] == pytest.approx(result.dives["length_m"].sum())
    assert row["diver_h"] == pytest.approx(2 * row["bottom_h"])
    # Narrower lanes find more and cost more; no search beats perfect strips.
    assert (np.diff(result.choices["mean_pod"]) < 0).all()
    assert (np.diff(result.choices["lane_m"]) <= 0).all()
    bound = result.choices["perfect_strips_pod"]
    assert (result.choices["mean_pod"] <= bound + 1e-9).all()
    assert (result.choices["random_pod"] <= result.choices["inverse_cube_pod"]).all()
    summary = summaries.plan_summary(survey, result)
    assert summary["targets"][1]["target"] == "nail"
    # what is said of the widest spacing, said of the one used too
    for name in ("worst_pod", "mean_pod", "coverage_factor"):
        assert summary[name] == getattr(result.spacing, name)
        assert summary[f"used_{name}"] == pytest.approx(row[name])
    # Of a plain plan only what the rock leaves is to be said.
    assert all("beside keep-outs" in note for note in result.notes)


def test_what_the_lanes_leave_beside_a_keep_out_is_what_check_will_show(planned):
    """Swum without fault, listened to all along: the gaps of that coverage, and their area."""
    survey, result = planned()
    gaps = find_gaps(
        planned_coverage(result.lanes, survey.settings.detector, survey.grid()),
        survey.outline,
        clear_of(survey),
        survey.settings.detector.required_pod,
    )
    rock = survey.keep_outs[0].polygon
    assert result.short_m2 > 0
    assert result.short_m2 == pytest.approx(gaps["area_m2"].sum())
    for wkt in gaps["outline_wkt"]:
        assert shapely.from_wkt(wkt).distance(rock) < 1.0
    (note,) = result.notes
    assert f"leave {result.short_m2:.1f} m² within the outline below POD 0.9" in note


def test_lanes_are_counted_by_their_names_and_the_parts_that_keep_outs_leave_besides(planned):
    survey, result = planned(lanes="bearing_deg = 90\ncross_lanes = 2")
    summary = summaries.plan_summary(survey, result)
    last = result.lanes.loc[~is_cross(result.lanes), "lane"].max()
    assert summary["lanes"] == int(last.strip("Labc"))  # names run to the number told
    assert summary["cross_lanes"] == 2
    assert summary["lane_parts"] == len(result.lanes) > summary["lanes"] + 2
    said = f"{summary['lanes']} lanes and 2 cross lanes in {len(result.lanes)} parts"
    assert said in summaries.plan_lines(summary)[1]


def test_lanes_along_the_wrecks_axis_with_cross_lanes(planned):
    _, result = planned(lanes='bearing_deg = "axis"\ncross_lanes = 2')
    axis = np.degrees(np.arctan2(24, 6))  # of the baseline from (2, 4) to (26, 10)
    across = is_cross(result.lanes)
    np.testing.assert_allclose(result.lanes.loc[~across, "bearing_deg"], axis)
    np.testing.assert_allclose(result.lanes.loc[across, "bearing_deg"], axis + 90.0)
    assert "cross-lane rope" in set(result.kit["item"])


@pytest.mark.parametrize("probes", ["", "feature_diameter_m = 4.0\nfeature_width_m = 1.5\n"])
def test_stations_keep_off_what_stands_out_of_the_bed(planned, probes):
    survey, result = planned(probes=probes + "keep_off_m = 0.8")
    places = shapely.points(result.stations["e"], result.stations["n"])
    for area in (*survey.keep_outs, *survey.visible_remains):
        # To a millimetre: round corners are drawn with straight sides.
        assert shapely.distance(area.polygon, places).min() > 0.8 - 0.02
    assert result.stations.attrs["find_probability"] >= 0.9


def test_slates_of_stations_are_left_where_probes_are_planned_and_no_others(planned, tmp_path):
    survey, result = planned()
    assert survey.settings.has_probes
    kit = result.kit.set_index("item")["quantity"]
    (tmp_path / "out").mkdir()
    write_plan(survey, result, tmp_path / "out")
    pages = len(pypdfium2.PdfDocument(tmp_path / "out" / "probe_slates.pdf"))
    assert kit["probe slate page"] == -(-pages // 2)
    text = (tmp_path / "survey.toml").read_text().split("[probes]")[0]
    (tmp_path / "survey.toml").write_text(text)
    without = load_survey(tmp_path, needs=("detector", "dives"))
    unprobed = stages.plan(without)
    assert "probe slate page" not in set(unprobed.kit["item"])
    (tmp_path / "bare").mkdir()
    write_plan(without, unprobed, tmp_path / "bare")
    assert not (tmp_path / "bare" / "probe_slates.pdf").exists()


def test_lanes_run_over_visible_remains_but_not_over_keep_outs(planned):
    survey, result = planned()
    lines = shapely.linestrings(
        result.lanes[["start_e", "start_n", "end_e", "end_n"]].to_numpy().reshape(-1, 2, 2)
    )
    assert shapely.intersects(survey.visible_remains[0].polygon, lines).any()
    assert not shapely.intersects(survey.keep_outs[0].polygon, lines).any()


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"overlap": 0.4}, "a margin of at least a metre"),
        ({"dives": "divers_on_lane = 2"}, "two coils side by side"),
        ({"bottom": 8}, "is longer than one dive allows and is split into"),
        (
            {"coil": "sweep_half_width_m = 0.8\nsweep_time_s = 6.0"},
            "leaves holes from",
        ),
        ({"height": 0.02}, "sounds twice"),
        ({"lanes": "spacing_m = 3.0"}, "targets can slip between lanes"),
    ],
)
def test_what_matters_is_said(planned, changes, said):
    _, result = planned(**changes)
    assert any(said in note for note in result.notes), result.notes


def test_a_swung_coil_is_told_its_speed(planned):
    survey, result = planned(coil="sweep_half_width_m = 0.8")
    s = summaries.plan_summary(survey, result)
    assert s["swing_advance_m"] == pytest.approx(6.0 * 2.0 / 60.0)
    assert s["fastest_swim_m_per_min"] == pytest.approx(30.0 * s["widest_swing_advance_m"])
    assert any("swung coil: at most" in line for line in summaries.plan_lines(s))
    assert summaries.swing_words(result.swing_advance_m).startswith("swing ≤ ")


@pytest.mark.parametrize("divers", ["", "divers_on_lane = 2"])
def test_the_table_of_lanes_says_the_order_and_way_that_dives_say(planned, divers):
    _, result = planned(dives=divers, lanes="bearing_deg = 90\ncross_lanes = 3")
    swum = result.dives.drop_duplicates("lane")
    told = result.lanes.sort_values("order")
    assert told["lane"].tolist() == swum["lane"].tolist()
    assert told["direction"].tolist() == swum["direction"].tolist()
