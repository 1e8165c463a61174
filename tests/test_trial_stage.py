"""The rehearsal as a whole: a sheet for every class of targets, and what was not tried is said."""

import tomllib

import numpy as np
import pandas as pd
import pytest

from detect import stages
from detect.survey import load_survey
from detect.writing import write_trial

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
    def make(rows=(), detector=""):
        settings = SETTINGS.replace("[detector]", f"[detector]\n{detector}")
        (tmp_path / "survey.toml").write_text(settings)
        columns = ["target", "offset_m", "distance_to_coil_m", "detected", "signal"]
        table = pd.DataFrame(rows, columns=columns[: len(rows[0]) if rows else 4])
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
    assert any('did you mean "iron nail"?' in n for n in notes), notes


@pytest.mark.parametrize(
    ("typed", "meant"),
    [("Iron-nails", "iron nail"), ("guns", "gun"), ("swivel-gun", "gun"), ("anchor", None)],
)
def test_a_name_like_a_known_one_is_asked_about(survey, typed, meant):
    rows = [(name, 0, d, int(d < 0.31)) for name in ("reference", typed) for d in (0.2, 0.4)]
    notes = [n for n in stages.trial(survey(rows * 6)).notes if n.startswith(f"target {typed} is")]
    said = "add it there" if meant is None else f'did you mean "{meant}"?'
    assert [said in note for note in notes] == [True]


def test_a_distance_in_centimetres_is_asked_about(survey):
    rows = [("reference", 0, d, int(d < 0.31)) for d in (0.2, 0.25, 0.3, 0.35, 0.4, 0.45)] * 3
    notes = stages.trial(survey([*rows, ("reference", 0, 45, 0)])).notes
    (note,) = (note for note in notes if "centimetres?" in note)
    assert note.startswith("trial.csv, row 20: reference at distance_to_coil_m = 45")
    assert "in metres 0.45" in note


def test_clipped_signals_are_named_and_a_poor_fit_is_never_put_in_silently(survey, tmp_path):
    """Signals of the coil's law cut off at 100: no curve follows; with full_scale it does."""
    rng = np.random.default_rng(5)
    ratio = {d: ((0.14**2 + 0.4**2) / (0.14**2 + d**2)) ** 3 for d in np.arange(0.1, 0.65, 0.05)}
    rows = [
        ("reference", 0, round(d, 2), int(5 * r + noise > 5), min(5 * r + noise, 100.0))
        for d, r in ratio.items()
        for noise in rng.normal(0, 1.2, 5)
    ]
    clipped = survey(rows)
    result = stages.trial(clipped)
    assert any("write full_scale = 100 under [detector]" in note for note in result.notes)
    assert any(part.startswith("the signals (p = 0.0") for part in result.fit.poor)
    write_trial(clipped, result, tmp_path)
    text = (tmp_path / "survey.toml").read_text()
    assert text.startswith("# CAUTION, detect trial: the curve does not fit the signals")
    tomllib.loads(text)
    cured = survey(rows, "full_scale = 100.0")
    fit = stages.trial(cured).fit
    assert fit.poor == ()
    assert fit.targets["air_range_m"][0] == pytest.approx(0.4, rel=0.1)


def test_a_slip_that_bends_the_curve_is_named_by_its_row(survey):
    rng = np.random.default_rng(8)
    distances = np.repeat([0.2, 0.3, 0.35, 0.4, 0.45, 0.5], 6)
    ratio = ((0.14**2 + 0.4**2) / (0.14**2 + distances**2)) ** 3
    signal = 5 * ratio + rng.normal(0, 1.2, len(ratio))
    signal[14] = 10.0 * signal[14]  # a decimal point slipped
    rows = [
        ("reference", 0, d, int(y > 5), round(y, 1)) for d, y in zip(distances, signal, strict=True)
    ]
    result = stages.trial(survey(rows))
    assert any("scatter by" in note for note in result.notes)
    (first, *_) = (note for note in result.notes if note.startswith("trial.csv, row"))
    assert first.startswith("trial.csv, row 16: reference at distance_to_coil_m = 0.35")
    assert f"signal {signal[14]:.1f}" in first
    assert "where the curve expects" in first
