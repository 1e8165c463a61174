"""Readings on the grid: taped distances whichever way swum, headings, tracks, passes."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from detect.survey import load_survey
from detect.survey.positions import (
    along_lane,
    measure_lanes,
    project_on_lane,
    running_lengths,
    step_headings,
)


def lanes(*pegs: tuple[float, float, float, float]) -> pd.DataFrame:
    frame = pd.DataFrame(pegs, columns=["start_e", "start_n", "end_e", "end_n"])
    frame.insert(0, "lane", [f"L{i + 1}" for i in range(len(frame))])
    return measure_lanes(frame)


def readings_of(make_survey, text: str, **tables) -> pd.DataFrame:
    return load_survey(make_survey(readings_csv=text, **tables), ("readings",)).readings


def test_a_lane_is_measured_from_its_pegs():
    # the 3-4-5 triangle of the baseline case, check_values.md section 6
    lane = lanes((100, 200, 103, 204)).iloc[0]
    assert lane["length_m"] == pytest.approx(5)
    assert lane["bearing_deg"] == pytest.approx(np.degrees(np.arctan2(3, 4)))


def test_a_taped_distance_is_from_the_start_peg_whichever_way_it_was_swum(make_survey):
    readings = readings_of(
        make_survey,
        "lane,distance_m,signal,direction\nL1,5,1,out\nL1,5,2,back\n",
        lanes_csv="lane,start_e,start_n,end_e,end_n\nL1,10,2,13,6\n",
    )
    np.testing.assert_allclose(readings["e"], [13, 13])
    np.testing.assert_allclose(readings["n"], [6, 6])
    bearing = np.degrees(np.arctan2(3, 4))
    np.testing.assert_allclose(readings["heading_deg"], [bearing, bearing + 180])


@given(
    pegs=st.tuples(*[st.floats(-500, 500)] * 4),
    distance=st.floats(-1, 900),
)
def test_placed_along_a_lane_and_measured_back(pegs, distance):
    lane = lanes(pegs)
    e, n = along_lane(lane, ["L1"], [distance])
    along, across = project_on_lane(lane, ["L1"], e, n)
    np.testing.assert_allclose(along, distance, atol=1e-9)
    np.testing.assert_allclose(across, 0, atol=1e-9)


def test_offset_is_positive_to_the_right():
    along, across = project_on_lane(lanes((0, 0, 0, 10)), ["L1"], [2.0], [3.0])
    assert (along[0], across[0]) == (pytest.approx(3), pytest.approx(2))


def test_an_unknown_lane_has_no_place():
    e, n = along_lane(lanes((0, 0, 0, 10)), ["L1", "nowhere"], [1, 1])
    assert np.isnan([e[1], n[1]]).all()


def test_out_and_back_are_two_passes_where_none_are_written(make_survey):
    readings = readings_of(
        make_survey,
        "lane,distance_m,signal,direction\nL1,0,1,out\nL1,30,1,out\nL1,30,1,back\nL2,30,1,back\n",
    )
    assert readings["pass"].tolist() == ["1", "1", "2", "1"]
    assert readings["track"].tolist() == [0, 0, 1, 2]


def test_passes_as_written_make_the_tracks(make_survey):
    readings = readings_of(
        make_survey,
        "lane,distance_m,signal,pass\nL1,5,1,a\nL1,5,1,b\nL2,5,1,\nL1,6,1,a\n",
    )
    assert readings["pass"].tolist() == ["a", "b", "1", "a"]
    assert readings["track"].tolist() == [0, 1, 2, 0]
    assert readings["direction"].tolist() == ["out"] * 4


def test_a_reading_at_the_meters_limit_is_marked(make_survey):
    readings = readings_of(make_survey, "lane,distance_m,signal\nL1,5,100\nL1,6,99.9\n")
    assert readings["at_full_scale"].tolist() == [True, False]


def test_coordinates_are_measured_along_the_lane_where_there_is_one(make_survey):
    readings = readings_of(
        make_survey, "lane,e,n,signal,direction\nL1,4,1.3,1,out\nL1,9,0.8,1,out\nL2,9,3,1,back\n"
    )
    np.testing.assert_allclose(readings["distance_m"], [4, 9, 9])
    np.testing.assert_allclose(readings["n"], [1.3, 0.8, 3])
    np.testing.assert_allclose(readings["heading_deg"], [90, 90, 270])


def test_coordinates_without_lanes_run_from_one_reading_to_the_next(make_survey):
    folder = make_survey(
        "[area]\noutline = [[0, 0], [30, 0], [30, 20]]\n[readings]\nfile = 'readings.csv'\n",
        readings_csv="lane,e,n,signal\nx,0,0,1\nx,0,3,1\nx,4,3,1\ny,9,9,1\n",
    )
    readings = load_survey(folder, ("readings",)).readings
    assert readings["distance_m"].tolist() == [0, 3, 7, 0]
    # 3-4-5: the middle reading looks from the one before to the one after
    np.testing.assert_allclose(
        readings["heading_deg"], [0, np.degrees(np.arctan2(4, 3)), 90, 0], atol=1e-12
    )
    assert readings["time_s"].isna().all()


def test_a_table_may_place_some_rows_by_tape_and_some_by_coordinates(make_survey):
    readings = readings_of(
        make_survey,
        "lane,distance_m,e,n,signal\nL1,5,,,1\nL2,,7,3.2,1\nL2,8,8,3,1\n",
    )
    np.testing.assert_allclose(readings[["e", "n"]], [[5, 1], [7, 3.2], [8, 3]])
    np.testing.assert_allclose(readings["distance_m"], [5, 7, 8])


@given(
    steps=st.lists(st.tuples(st.floats(-5, 5), st.floats(-5, 5)), min_size=1, max_size=15),
    tracks=st.integers(1, 3),
)
def test_headings_and_lengths_against_a_plain_loop(steps, tracks):
    e, n = np.cumsum(np.array(steps), axis=0).T
    track = np.arange(len(e)) % tracks
    heading, length = step_headings(e, n, track), running_lengths(e, n, track)
    for t in range(min(tracks, len(e))):
        own = np.flatnonzero(track == t)
        total = 0.0
        for k, i in enumerate(own):
            a, b = own[max(k - 1, 0)], own[min(k + 1, len(own) - 1)]
            if (e[a], n[a]) == (e[b], n[b]):
                a, b = own[0], own[-1]
            expected = np.degrees(np.arctan2(e[b] - e[a], n[b] - n[a])) % 360 % 360
            assert abs((heading[i] - expected + 180) % 360 - 180) < 1e-6
            if k:
                total += np.hypot(e[i] - e[own[k - 1]], n[i] - n[own[k - 1]])
            assert length[i] == pytest.approx(total, abs=1e-9)
