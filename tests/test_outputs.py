"""An output appears whole or not at all, and nothing of anyone else's is touched."""

import json

import numpy as np
import pandas as pd
import pytest

from detect.outputs import MARKER, output_folder, plain, write_json, write_table
from detect.survey.errors import SurveyError


@pytest.fixture
def survey(tmp_path):
    folder = tmp_path / "survey"
    folder.mkdir()
    (folder / "survey.toml").write_text("")
    return folder


def test_a_finished_folder_takes_the_place_of_the_old_one_whole(tmp_path, survey):
    target = tmp_path / "out"
    with output_folder(target, survey) as folder:
        (folder / "first.csv").write_text("a")
    with output_folder(target, survey) as folder:
        (folder / "second.csv").write_text("b")
    assert {p.name for p in target.iterdir()} == {MARKER, "second.csv"}
    assert {p.name for p in tmp_path.iterdir()} == {"survey", "out"}


def test_a_failure_leaves_what_stood_there(tmp_path, survey):
    target = tmp_path / "out"
    with output_folder(target, survey) as folder:
        (folder / "first.csv").write_text("a")

    def fail():
        with output_folder(target, survey) as folder:
            (folder / "half.csv").write_text("b")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        fail()
    assert (target / "first.csv").read_text() == "a"
    assert {p.name for p in tmp_path.iterdir()} == {"survey", "out"}


def test_somebody_elses_folder_is_refused(tmp_path, survey):
    target = tmp_path / "photos"
    target.mkdir()
    (target / "wreck.jpg").write_text("x")
    with pytest.raises(SurveyError, match="not written by detect"), output_folder(target, survey):
        pass
    assert (target / "wreck.jpg").exists()


def test_what_somebody_typed_into_an_output_is_not_lost(tmp_path, survey):
    target = tmp_path / "survey_trial"
    for words in ("first", "second"):  # untouched, or only looked at, it is replaced
        with output_folder(target, survey) as folder:
            (folder / "trial_to_fill.csv").write_text(words)
            (folder / "sheet.pdf").write_text("x")
        (target / ".DS_Store").write_text("looked at")
    (target / "trial_to_fill.csv").write_text("second, filled in")
    (target / "slate.jpg").write_text("put there")
    with pytest.raises(SurveyError) as refused, output_folder(target, survey):
        pass
    said = [str(problem) for problem in refused.value.problems]
    assert len(said) == 2
    assert all("changed or put there by somebody" in one for one in said)
    assert "trial_to_fill.csv" in said[1]
    assert (target / "trial_to_fill.csv").read_text() == "second, filled in"


def test_an_empty_folder_and_a_missing_parent_are_fine(tmp_path, survey):
    (tmp_path / "empty").mkdir()
    for target in (tmp_path / "empty", tmp_path / "new" / "deep"):
        with output_folder(target, survey) as folder:
            (folder / "x").write_text("x")
        assert (target / "x").exists()


@pytest.mark.parametrize("place", ["survey", "survey/out", "."])
def test_the_survey_folder_is_out_of_reach(tmp_path, survey, place):
    with (
        pytest.raises(SurveyError, match="never changed"),
        output_folder(tmp_path / place, survey),
    ):
        pass
    assert {p.name for p in survey.iterdir()} == {"survey.toml"}


def test_json_has_no_nan(tmp_path):
    write_json({"a": np.nan, "b": np.float64(2), "c": np.array([1, 2]), "d": pd.NA}, tmp_path / "x")
    assert json.loads((tmp_path / "x").read_text()) == {"a": None, "b": 2.0, "c": [1, 2], "d": None}
    assert plain(np.bool_(True)) is True


def test_tables_have_decimals_that_fit_the_unit(tmp_path):
    table = pd.DataFrame({"e": [1.23456], "area_m2": [2.00049], "score": [1 / 3], "p": [np.nan]})
    write_table(table, tmp_path / "t.csv")
    assert (tmp_path / "t.csv").read_text() == "e,area_m2,score,p\n1.235,2.000,0.33333333,\n"
