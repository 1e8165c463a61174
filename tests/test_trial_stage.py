"""The rehearsal as a whole: a sheet for every class of targets, and what was not tried is said."""

import pandas as pd
import pytest

from detect import stages
from detect.survey import load_survey

SETTINGS = """
[area]
outline = [[0, 0], [10, 0], [10, 6], [0, 6]]
[detector]
coil_diameter_m = 0.28
air_range_m = 0.6
[[targets]]
name = "iron nail"
air_range_m = 0.3
[[targets]]
name = "gun"
air_range_m = 1.5
[trial]
file = "trial.csv"
"""


@pytest.fixture
def survey(tmp_path):
    def make(rows=()):
        (tmp_path / "survey.toml").write_text(SETTINGS)
        table = pd.DataFrame(rows, columns=["target", "offset_m", "distance_to_coil_m", "detected"])
        table.to_csv(tmp_path / "trial.csv", index=False)
        return load_survey(tmp_path, needs=("detector",), also=("trial",))

    return make


def test_every_class_has_a_sheet_of_tries_about_its_own_range(survey):
    result = stages.trial(survey())
    ranges = {"reference": 0.6, "iron nail": 0.3, "gun": 1.5}
    assert list(dict.fromkeys(result.bench["sheet"])) == list(ranges)
    for name, own in result.bench.groupby("sheet"):
        tried = own[own["target"] == name]["distance_to_coil_m"]
        assert tried.min() <= 0.5 * ranges[name] + 0.01
        assert tried.max() >= 1.4 * ranges[name]
        assert own["order"].tolist() == list(range(1, len(own) + 1))
        assert (own["target"] == "none").any()
    assert set(result.to_fill["target"]) == {*ranges, "none"}


def test_a_class_not_tried_and_a_name_mistyped_are_said(survey):
    near = [(name, 0, d, int(d < 0.31)) for name in ("reference", "Iron nial") for d in (0.2, 0.4)]
    notes = stages.trial(survey(near * 6)).notes
    assert any(n.startswith("not tried yet: iron nail, gun") for n in notes), notes
    assert any('call it "iron nail" if it is that' in n for n in notes), notes
