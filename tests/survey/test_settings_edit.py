"""Numbers put into survey.toml: comments and everything else stay as they are."""

import tomllib

from detect.survey import new_survey_files
from detect.survey.settings_edit import with_numbers

TEXT = """# a survey
[detector]
air_range_m = 0.6      # a guess
"threshold_snr" = 3    # odd, but TOML
[[targets]]
name = "nail"
air_range_m = 0.35
[[targets]]
name = "gun"           # the big one
air_range_m = 1.2
"""


def test_only_the_number_changes():
    text, failed = with_numbers(TEXT, {("detector", "air_range_m"): 0.74512})
    assert failed == []
    assert text.splitlines()[2] == "air_range_m = 0.745    # a guess"
    before, after = TEXT.splitlines(), text.splitlines()
    assert [k for k, (a, b) in enumerate(zip(before, after, strict=True)) if a != b] == [2]


def test_an_entry_of_a_list_is_counted_from_one():
    text, failed = with_numbers(TEXT, {("targets", "2", "air_range_m"): 1.4})
    assert failed == []
    assert [t["air_range_m"] for t in tomllib.loads(text)["targets"]] == [0.35, 1.4]


def test_a_key_that_is_not_there_is_added_under_its_section():
    text, failed = with_numbers(TEXT, {("detector", "line_error_m"): 0.1})
    assert failed == []
    assert tomllib.loads(text)["detector"]["line_error_m"] == 0.1


def test_what_cannot_be_placed_is_said_and_nothing_spoilt():
    text, failed = with_numbers(
        "detector = {air_range_m = 0.6}\n", {("detector", "air_range_m"): 0.7}
    )
    assert failed == ["detector.air_range_m"]
    assert text == "detector = {air_range_m = 0.6}\n"
    # A key in quotation marks would be written twice.
    text, failed = with_numbers(TEXT, {("detector", "threshold_snr"): 4.0})
    assert failed == ["detector.threshold_snr"]
    assert text == TEXT


def test_a_new_survey_keeps_every_comment():
    old = new_survey_files()["survey.toml"]
    text, failed = with_numbers(
        old, {("detector", "air_range_m"): 0.712, ("detector", "threshold_snr"): 4.25}
    )
    assert failed == []
    assert text.count("#") == old.count("#")
    assert tomllib.loads(text)["detector"]["threshold_snr"] == 4.25
