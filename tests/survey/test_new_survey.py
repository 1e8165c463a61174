"""What ``detect new`` writes: every key of the settings explained, and sound once filled."""

import re
import tomllib

import pytest

from detect.survey import SurveyError, load_survey, new_survey_files
from detect.survey.settings import Settings, VariogramSettings
from detect.survey.settings_file import section_models

FILLED = {
    "lanes.csv": "L1,0,2,30,2\n",
    "readings.csv": "L1,0,1.2,out,1,10,1,Ada\nL1,30,1.4,out,1,70,1,Ada\n",
    "probes.csv": "P1,4,4,0.8,wood,Ada,soft sand\nP2,6,4,1.5,none,Ada,\n",
    "seabed.csv": "0,0,10.2\n30,20,10.9\n",
    "trial.csv": "plate,0.2,0.4,1,6.5\n",
    "opened.csv": "A1,3,1,0.4\n",
}
ALL = ("lanes", "readings", "probes", "seabed", "trial", "opened", "detector", "dives")


@pytest.fixture
def new_folder(tmp_path):
    for name, text in new_survey_files().items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    return tmp_path


def test_the_files_of_the_contract(new_folder):
    assert set(new_survey_files()) == {"survey.toml", *FILLED}


def test_it_can_be_planned_with_as_it_stands(new_folder):
    survey = load_survey(new_folder, ("detector", "dives"))
    assert survey.readings is None
    outline, declination, tables = (str(notice) for notice in survey.notices)
    assert re.match(r"survey.toml, row \d+, key area.outline: is still the example", outline)
    assert "no declination is given" in declination
    assert [tables] == [
        "lanes.csv, readings.csv, probes.csv, seabed.csv: these tables have no rows; they are left "
        "out"
    ]


def test_it_passes_once_filled(new_folder):
    for name, rows in FILLED.items():
        with (new_folder / name).open("a", encoding="utf-8") as file:
            file.write(rows)
    settings = (new_folder / "survey.toml").read_text(encoding="utf-8")
    for old, mine in (
        ("# magnetic_declination_deg = 2.5", "magnetic_declination_deg = -1.4"),
        (r"outline = \[\[.*\]\]", "outline = [[0, 0], [30, 0], [28, 20], [0, 20]]"),
    ):
        settings, times = re.subn(f"^{old}", mine, settings, flags=re.M)
        assert times == 1
    (new_folder / "survey.toml").write_text(settings, encoding="utf-8")
    survey = load_survey(new_folder, ALL)
    assert survey.notices == ()
    assert survey.frame.magnetic_declination_deg == -1.4
    assert survey.opened["square"].tolist() == ["A1"]
    assert survey.readings["diver"].tolist() == ["Ada", "Ada"]


def test_an_empty_table_is_asked_for_by_the_command_that_needs_it(new_folder):
    with pytest.raises(SurveyError) as caught:
        load_survey(new_folder, ("readings", "probes"))
    assert [str(p) for p in caught.value.problems] == [
        "readings.csv: the table has no rows, and this command needs readings -> type the rows",
        "probes.csv: the table has no rows, and this command needs probes -> type the rows",
    ]


def test_every_key_is_there_with_a_word_on_it():
    text = new_survey_files()["survey.toml"]
    for section, (model, _) in section_models().items():
        head = rf"^(?:\[{section}\]|# \[\[{section}\]\]).*\n"
        body = re.split(r"^\[", re.split(head, text, flags=re.M)[1], maxsplit=1, flags=re.M)[0]
        for key in model.model_fields:
            assert re.search(rf"^(# )?{key} = ", body, flags=re.M), f"{section}.{key}"
    assert set(VariogramSettings.model_fields) <= set(re.findall(r"\w+", text))


def test_every_example_in_a_comment_is_itself_sound():
    text = new_survey_files()["survey.toml"]
    used: dict[str, str] = {}
    section = ""
    for line in text.splitlines():
        if header := re.match(r"\[(\w+)\]", line):
            section = header[1]
        if re.match(r"# \[\[", line):
            section = ""  # an example of several lines: tried whole below
        if section and (example := re.match(r"# (\w+) = (.*?)(  #.*)?$", line)):
            used[f"{section}.{example[1]}"] = f"[{section}]\n{example[1]} = {example[2]}\n"
    assert len(used) >= 8
    base = tomllib.loads(text)
    for example in used.values():
        for name, keys in tomllib.loads(example).items():
            base[name] = {**base[name], **keys}
    assert Settings.model_validate(base).frame.map_crs == "EPSG:32633"


def test_the_example_of_a_class_works_once_its_hashes_are_gone():
    text = new_survey_files()["survey.toml"]
    head, rest = text.split("# [[targets]]", 1)
    example, tail = rest.split("\n\n", 1)
    settings = Settings.model_validate(
        tomllib.loads(head + "[[targets]]" + example.replace("\n# ", "\n") + "\n\n" + tail)
    )
    assert [t.name for t in settings.targets] == ["iron nail"]
    assert settings.targets[0].burial_depth_m == 0.2


def test_what_is_written_out_is_the_default():
    # a key shown with its default must not drift from the model
    text = new_survey_files()["survey.toml"]
    written = Settings.model_validate(tomllib.loads(text))
    least = Settings.model_validate(
        {
            "area": {"outline": written.area.outline},
            "detector": {"coil_diameter_m": 0.28, "air_range_m": 0.6},
            "dives": {"bottom_time_min": 40.0},
            "probes": {"length_m": 1.5},
            "site": {"name": "New site", "water_depth_m": 10.0},
        }
    )
    shown, default = written.as_dict(), least.as_dict()
    assert shown.pop("targets") == default.pop("targets") == []
    for section in [*shown.values(), *default.values()]:
        section.pop("file", None)
    assert shown == default


def test_the_cautions_are_in_it():
    text = new_survey_files()["survey.toml"].lower()
    for word in ("supervisor sets", "ordnance", "do not probe", "damage", "permit", "local law"):
        assert word in text
