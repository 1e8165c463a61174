"""The check as a whole: every class that must be found is looked after, and it is said which."""

import numpy as np
import pandas as pd
import pytest
import shapely

from detect import job, stages, summaries
from detect.lanes import find_gaps, planned_coverage
from detect.stages.common import clear_of
from detect.survey import SurveyError, load_survey

SETTINGS = """
[frame]
magnetic_declination_deg = 0.0
[area]
outline = [[0, 0], [10, 0], [10, 6], [0, 6]]
keep_out = [{{name = "rock", polygon = [[4, 2], [5, 2], [5, 3], [4, 3]]}}]
[detector]
coil_diameter_m = 0.28
coil_height_m = 0.1
air_range_m = 0.6
burial_depth_m = 0.25
line_error_m = 0.1
[[targets]]
name = "nail"
air_range_m = {nail}
burial_depth_m = 0.1
{must}
[[targets]]
name = "gun"
air_range_m = 1.5
[dives]
bottom_time_min = 40
[lanes]
file = "lanes.csv"
[readings]
file = "readings.csv"
[mapping]
node_m = 0.1
[squares]
size_m = 1.0
"""
# Swum round the rock, where the plan itself leaves a little.
RING = pd.DataFrame(
    [
        ("N01", 3.4, 1.62, 5.6, 1.62),
        ("N02", 5.38, 1.4, 5.38, 3.6),
        ("N03", 5.6, 3.38, 3.4, 3.38),
        ("N04", 3.62, 3.6, 3.62, 1.4),
    ],
    columns=["lane", "start_e", "start_n", "end_e", "end_n"],
).assign(length_m=2.2)
MUST = "must_find = true"


@pytest.fixture
def folder(tmp_path):
    def make(must="", nail=0.4):
        (tmp_path / "survey.toml").write_text(SETTINGS.format(must=must, nail=nail))
        return tmp_path

    return make


def swim(folder, lanes, lost=()):
    """Type lanes and readings every half metre; some lanes were not swum."""
    lanes.to_csv(folder / "lanes.csv", index=False)
    rows = [
        (lane.lane, round(distance, 3), 1.0)
        for lane in lanes.itertuples()
        if lane.lane not in lost
        for distance in np.append(np.arange(0, lane.length_m, 0.5), lane.length_m)
    ]
    readings = pd.DataFrame(rows, columns=["lane", "distance_m", "signal"])
    readings.to_csv(folder / "readings.csv", index=False)
    return load_survey(folder, needs=("detector", "readings"))


def plan_of(folder):
    for name, heading in (
        ("lanes", "lane,start_e,start_n,end_e,end_n"),
        ("readings", "lane,distance_m,signal"),
    ):
        (folder / f"{name}.csv").write_text(heading + "\n")
    return stages.plan(load_survey(folder, needs=("detector", "dives")))


def test_lanes_lie_as_close_as_the_class_that_is_hardest_to_find_asks_for(folder):
    free, bound = plan_of(folder()), plan_of(folder(MUST))
    assert free.lead.name == "reference target"
    assert bound.lead.name == "nail"
    assert bound.spacing.spacing_m < free.spacing.spacing_m
    for result, kept in ((free, [True, False]), (bound, [True, True])):
        worst = result.classes.set_index("target").loc[["reference target", "nail"], "worst_pod"]
        assert (worst >= 0.9).tolist() == kept
    # The spacings to choose from are told for the class that binds.
    (row,) = bound.choices[bound.choices["spacing_m"] == bound.used_spacing_m].to_dict("records")
    assert row["worst_pod"] == pytest.approx(bound.classes["worst_pod"][1])


def test_a_class_out_of_reach_is_refused_with_its_own_key(folder):
    with pytest.raises(SurveyError) as caught:
        plan_of(folder(MUST, nail=0.2))
    (problem,) = caught.value.problems
    assert problem.column == "targets.1.must_find"
    assert "nail: at 0.1 m of burial" in problem.what


def test_infill_brings_every_class_up_that_must_be_found(folder):
    """Laid for the reference target, swum but for one lane, and then with the infill lanes."""
    lanes = plan_of(folder()).lanes
    only = stages.check(swim(folder(), lanes, lost=["L05"]))
    assert only.sought == ("reference target",)
    assert set(only.gaps["targets"]) == {"reference target"}

    survey = swim(folder(MUST), lanes, lost=["L05"])
    both = stages.check(survey)
    assert both.sought == ("reference target", "nail")
    assert both.gaps["area_m2"].sum() > only.gaps["area_m2"].sum()
    assert any("nail" in names for names in both.gaps["targets"])
    assert both.infill["length_m"].sum() > only.infill["length_m"].sum()
    # The lowest POD is the nail's wherever the nail is the harder to hear.
    nail = both.cover["pod_target"].sel(target="nail").to_numpy()
    np.testing.assert_array_equal(
        both.lowest.to_numpy(), np.minimum(both.cover["pod"].to_numpy(), nail)
    )

    laid = pd.concat([lanes, both.infill.drop(columns="gap")], ignore_index=True)
    again = stages.check(swim(folder(MUST), laid, lost=["L05"]))
    assert again.gaps.empty
    shares = again.residual.set_index("target")["share_met"]
    assert shares["reference target"] == shares["nail"] == 1.0


def test_a_lane_not_swum_and_an_end_lost_are_proposed_before_new_lanes(folder):
    """Each gap says whose it is; the infill is the missing part, and closes it."""
    lanes = plan_of(folder()).lanes
    survey = swim(folder(), lanes, lost=["L03"])
    typed = pd.read_csv(survey.folder / "readings.csv")
    length = lanes.set_index("lane")["length_m"]["L09"]
    typed[(typed["lane"] != "L09") | (typed["distance_m"] < 0.5 * length)].to_csv(
        survey.folder / "readings.csv", index=False
    )
    result = stages.check(load_survey(survey.folder, needs=("detector", "readings")))
    last = typed.loc[(typed["lane"] == "L09") & (typed["distance_m"] < 0.5 * length), "distance_m"]
    lost_end = f"L09 from {last.max():.1f} to {length:.1f} m"
    # The rest is beside the rock, where the plan itself leaves a little.
    assert set(result.infill["instead_of"]) - {""} == {"L03 whole", lost_end}
    assert set(result.gaps["lanes"]) == {
        "not swum: L03 whole", f"not swum: {lost_end}", "between L05 and L06a"
    }  # fmt: skip
    (whole,) = result.infill[result.infill["instead_of"] == "L03 whole"].to_dict("records")
    ends = ["start_e", "start_n", "end_e", "end_n"]
    assert [whole[key] for key in ends] == lanes.set_index("lane").loc["L03", ends].tolist()
    added = planned_coverage(result.infill, survey.settings.detector, survey.grid())["pod"]
    both = result.cover.assign(pod=1 - (1 - result.lowest) * (1 - added))
    required = survey.settings.detector.required_pod
    assert find_gaps(both, survey.outline, clear_of(survey), required).empty


def test_infill_of_a_second_evening_has_names_of_its_own(folder):
    lanes = plan_of(folder()).lanes
    first = stages.check(swim(folder(), lanes, lost=["L03", "L05"])).infill
    assert first["lane"].tolist()[0] == "F01"
    laid = pd.concat([lanes, first.drop(columns="gap")], ignore_index=True)
    not_swum = ["L03", "L05", first["lane"].iloc[-1]]
    second = stages.check(swim(folder(), laid, lost=not_swum)).infill
    assert len(second)
    assert not set(second["lane"]) & set(laid["lane"])


def test_infill_lanes_have_dives_and_headings_as_planned_lanes_have(folder):
    """Names of lanes and dives that no lane, no reading and no dive of the plan bears."""
    planned = plan_of(folder())
    survey = swim(folder(), planned.lanes, lost=["L03", "L05"])
    result = stages.check(survey)
    dives = result.infill_dives.set_index("lane")
    assert sorted(dives.index) == sorted(result.infill["lane"])
    assert not set(dives.index) & set(planned.lanes["lane"])
    assert not set(dives["dive"]) & set(planned.dives["dive"])
    for lane in result.infill.itertuples():
        swim_of = dives.loc[lane.lane]
        turned = 180.0 if swim_of["direction"] == "back" else 0.0
        assert (swim_of["grid_deg"] - lane.bearing_deg - turned) % 360 == pytest.approx(0, abs=0.01)
        # Grid north true north and no declination: the compass shows the grid's bearing.
        assert swim_of["magnetic_deg"] == pytest.approx(swim_of["grid_deg"])
        assert swim_of["instead_of"] == lane.instead_of
    limit = survey.settings.dives.bottom_time_min - survey.settings.dives.setup_min
    assert dives.groupby("dive")["minutes"].sum().max() <= limit + 1e-9


def test_the_next_evenings_dives_go_on_from_those_that_readings_name(folder):
    lanes = plan_of(folder()).lanes
    survey = swim(folder(), lanes, lost=["L03"])
    typed = pd.read_csv(survey.folder / "readings.csv").assign(dive="D01")
    typed.loc[typed["lane"] == "L01", ["lane", "dive"]] = ["F07a", "df02"]
    lanes.replace({"lane": {"L01": "F07a"}}).to_csv(survey.folder / "lanes.csv", index=False)
    typed.to_csv(survey.folder / "readings.csv", index=False)
    result = stages.check(load_survey(survey.folder, needs=("detector", "readings")))
    assert set(result.infill_dives["dive"]) == {"DF03"}
    assert result.infill["lane"].iloc[0] == "F08"


def test_without_dives_all_infill_lanes_stand_on_one_and_it_is_said(folder):
    lanes = plan_of(folder()).lanes
    survey = swim(folder(), lanes, lost=["L03", "L05"])
    settings = survey.folder / "survey.toml"
    settings.write_text(settings.read_text().replace("[dives]\nbottom_time_min = 40\n", ""))
    result = stages.check(load_survey(survey.folder, needs=("detector", "readings")))
    assert set(result.infill_dives["dive"]) == {"DF01"}
    assert result.infill_dives["minutes"].isna().all()
    assert any("the dive supervisor says how many" in note for note in result.notes)


def test_nothing_missed_leaves_no_slates(folder, tmp_path_factory):
    plan = plan_of(folder())
    all_swum = pd.concat([plan.lanes, RING], ignore_index=True)
    out = tmp_path_factory.mktemp("beside") / "out"
    for lanes, lost in ((plan.lanes, ["L03"]), (all_swum, [])):
        survey = swim(folder(), lanes, lost=lost)
        job.check(survey.folder, out)
        there = {"infill_dives.csv", "infill_slates.pdf"} & {path.name for path in out.iterdir()}
        assert len(there) == (2 if lost else 0)


def test_what_the_coil_cannot_hear_is_said_and_the_rest_still_gets_infill(folder):
    lanes = plan_of(folder()).lanes
    survey = swim(folder(MUST, nail=0.2), lanes, lost=["L05"])
    result = stages.check(survey)
    assert any(note.startswith("nail: no lane, however close") for note in result.notes)
    assert any("plan it afresh" in note for note in result.notes)
    # The whole site is one gap for the nail; infill is for the lane that was lost.
    assert result.gaps["targets"].str.contains("nail").all()
    alone = stages.check(swim(folder(), lanes, lost=["L05"])).infill
    assert len(alone)
    ends = ["start_e", "start_n", "end_e", "end_n"]
    pd.testing.assert_frame_equal(result.infill[ends], alone[ends])
    assert set(result.infill["gap"].str.split().explode()) <= set(result.gaps["gap"])
    lines = summaries.check_lines(summaries.check_summary(survey, result))
    assert any("for reference target and nail, which must be found: " in line for line in lines)
    assert any("nail, 0.1 m down, none found: mean POD" in line for line in lines)


def test_every_gap_says_what_closes_it_and_what_no_lane_can_is_left_to_hands(folder):
    """A court 0.72 m wide within what keep-outs and their margin bar: no lane of 1 m runs there."""
    lanes = plan_of(folder()).lanes
    walls = [(6, 3, 6.3, 5), (7.7, 3, 8, 5), (6, 3, 8, 3.3), (6, 4.7, 8, 5)]
    settings = folder() / "survey.toml"
    barred = "".join(
        f'{{name = "wall", polygon = [[{w}, {s}], [{e}, {s}], [{e}, {n}], [{w}, {n}]]}}, '
        for w, s, e, n in walls
    )
    settings.write_text(settings.read_text().replace("keep_out = [", f"keep_out = [{barred}"))
    ends = lanes[["start_e", "start_n", "end_e", "end_n"]].to_numpy().reshape(-1, 2, 2)
    crossing = shapely.intersects(shapely.box(6, 3, 8, 5), shapely.linestrings(ends))
    survey = swim(settings.parent, lanes, lost=lanes.loc[crossing, "lane"].tolist())
    result = stages.check(survey)
    closed_by = result.gaps.set_index("gap")["infill"]
    court = result.gaps["e"].between(6.5, 7.5) & result.gaps["n"].between(3.5, 4.5)
    assert closed_by[result.gaps.loc[court, "gap"]].tolist() == ["by hand"]
    # Lanes of the plan laid before the walls were known are proposed as far as these leave them.
    ends = result.infill[["start_e", "start_n", "end_e", "end_n"]].to_numpy().reshape(-1, 2, 2)
    walled = shapely.union_all([area.polygon for area in clear_of(survey)]).buffer(-1e-3)
    assert not shapely.intersects(walled, shapely.linestrings(ends)).any()
    assert result.infill["instead_of"].str.startswith("L05 from").sum() == 2
    named = {word for own in closed_by for word in own.replace(",", "").split() if word[0] == "F"}
    assert named == set(result.infill["lane"])
    summary = summaries.check_summary(survey, result)
    assert summary["gaps_by_hand"] == closed_by.index[closed_by.str.contains("by hand")].tolist()
    assert summary["by_hand_m2"] >= result.gaps.loc[court, "area_m2"].sum() > 0.0
