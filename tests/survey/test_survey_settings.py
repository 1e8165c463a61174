"""``survey.toml``: defaults, and every slip named with its line, key, value and what is allowed."""

import pytest

from detect.survey import SurveyError, read_settings
from detect.survey.settings import Settings

AREA = "[area]\noutline = [[0, 0], [30, 0], [30, 20]]\n"


def slips(text: str) -> list[str]:
    return [str(problem) for problem in read_settings(text).problems]


def test_the_least_a_survey_needs_is_an_outline():
    settings = read_settings(AREA).settings
    assert settings.area.outline == ((0, 0), (30, 0), (30, 20))
    assert settings.mapping.conditioning == ("spikes", "drift", "levels", "lag")
    weights = {"strength": 0.45, "signal": 0.15, "contact": 0.3, "overburden": 0.1}
    assert settings.ranking.weights == weights
    assert settings.squares.origin is None
    assert settings.readings.file is None


def test_a_section_only_the_team_can_fill_is_asked_for_when_it_is_needed():
    settings = read_settings(AREA).settings
    assert not settings.has_detector
    with pytest.raises(SurveyError, match=r"there is no \[detector\] section"):
        _ = settings.detector
    with pytest.raises(SurveyError, match="at least bottom_time_min"):
        _ = settings.dives


def test_weights_left_out_count_as_nothing():
    settings = read_settings(AREA + "[ranking]\nweights = {signal = 1}\n").settings
    assert settings.ranking.weights == {"signal": 1}


def test_a_variogram_by_hand_and_a_nested_one():
    text = AREA + (
        "[mapping]\nvariogram = {nugget = 0.1, structures = ["
        "{model = 'spherical', partial_sill = 0.5, range_m = 3},"
        "{model = 'matern', partial_sill = 0.4, range_m = 9, smoothness = 1.5}]}\n"
    )
    variogram = read_settings(text).settings.mapping.variogram
    assert [s.range_m for s in variogram.structures] == [3, 9]
    assert variogram.nugget == 0.1


def test_settings_are_frozen_and_dump_to_plain_values():
    settings = read_settings(AREA + "[dives]\nbottom_time_min = 40\n").settings
    with pytest.raises(ValueError, match="frozen"):
        settings.area.overlap_m = 3
    dumped = settings.as_dict()
    assert dumped["dives"]["bottom_time_min"] == 40
    assert dumped["detector"] is None
    assert Settings.model_validate(dumped) == settings


@pytest.mark.parametrize(
    ("text", "line"),
    [
        (
            "[detector]\ncoil_diameter_m = 0.28\nair_range_m = 0.6\nburial_depht_m = 0.2\n",
            "survey.toml, row 6, key detector.burial_depht_m: the key is not known "
            '-> the nearest known key is "burial_depth_m"',
        ),
        (
            "[site]\ntitel = 'x'\n",
            "survey.toml, row 4, key site.titel: the key is not known "
            '-> the nearest known key is "notes"; this section has name, water_depth_m, notes',
        ),
        (
            "[site]\nspacing_m = 2\n",
            "survey.toml, row 4, key site.spacing_m: the key is not known -> it belongs in [lanes]",
        ),
        (
            "[site]\nbottom_tim_min = 2\n",
            "survey.toml, row 4, key site.bottom_tim_min: the key is not known "
            '-> the nearest known key is "bottom_time_min" in [dives]',
        ),
        (
            "[detectr]\nair_range_m = 0.6\n",
            "survey.toml, row 3, key detectr: there is no section [detectr] "
            "-> the nearest is [detector]",
        ),
        (
            "[ranking]\nweights = {signal = 1, contct = 2}\n",
            "survey.toml, row 4, key ranking.weights.contct: the key is not known "
            '-> the nearest known key is "contact"',
        ),
        (
            "[mapping.variogram]\nmodel = 'spherical'\npartial_sil = 1\nrange_m = 5\n",
            "survey.toml, row 5, key mapping.variogram.partial_sil: the key is not known "
            '-> the nearest known key is "partial_sill"',
        ),
    ],
)
def test_an_unknown_key_names_the_nearest(text, line):
    assert slips(AREA + text) == [line]


@pytest.mark.parametrize(
    ("text", "line"),
    [
        (
            "[detector]\ncoil_diameter_m = 0.28\nair_range_m = 0.6\nrequired_pod = 1.2\n",
            "row 6, key detector.required_pod: 1.2 is out of range "
            "-> allowed: a number above 0 and below 1",
        ),
        (
            "[mapping]\nvariogram = {partial_sill = 1, range_m = 5, anisotropy_ratio = 1.5}\n",
            "row 4, key mapping.variogram.anisotropy_ratio: 1.5 is out of range "
            "-> allowed: a number above 0 and at most 1",
        ),
        (
            "[ranking]\nrealisations = 3\n",
            "row 4, key ranking.realisations: 3 is out of range "
            "-> allowed: a whole number from 20 to 1000000",
        ),
        (
            "[site]\nwater_depth_m = -4\n",
            "row 4, key site.water_depth_m: -4 is out of range -> allowed: a number at least 0",
        ),
        (
            "[site]\nwater_depth_m = inf\n",
            "row 4, key site.water_depth_m: inf is not a finite number "
            "-> allowed: a number at least 0",
        ),
        (
            "[site]\nwater_depth_m = '12 m'\n",
            'row 4, key site.water_depth_m: "12 m" is not a number -> allowed: a number at least 0',
        ),
        (
            "[dives]\nbottom_time_min = 40\ndivers = 2.5\n",
            "row 5, key dives.divers: 2.5 is not allowed -> allowed: a whole number from 1 to 100",
        ),
        (
            "[mapping]\nvariogram = 'best'\n",
            'row 4, key mapping.variogram: "best" is not allowed -> allowed: "fit", or a table '
            "with "
            "keys model, nugget, partial_sill, range_m, anisotropy_ratio, azimuth_deg, smoothness, "
            "structures",
        ),
        (
            "[mapping]\nconditioning = ['spikes', 'drft']\n",
            'row 4, key mapping.conditioning.2: "drft" is not allowed '
            '-> allowed: a list, each "spikes", "drift", "levels", "lag" or '
            '"trend"',
        ),
        (
            "[mapping]\nmeasurement_sd = -1\n",
            'row 4, key mapping.measurement_sd: -1 is not allowed -> allowed: "auto", or a number '
            "at least 0",
        ),
        (
            "[squares]\norigin = [1, 2, 3]\n",
            "row 4, key squares.origin: the list has the wrong number of values "
            "-> give a point [e, n]",
        ),
        (
            "[squares]\nexcluded = [{square = 'B2'}, {reason = 'net'}]\n",
            "row 4, key squares.excluded.2.square: the key is missing "
            '-> add it: text in "quotation marks"',
        ),
    ],
)
def test_a_value_out_of_range_names_key_value_and_range(text, line):
    assert slips(AREA + text) == [f"survey.toml, {line}"]


@pytest.mark.parametrize(
    ("text", "line"),
    [
        (
            "[mapping]\nnode_m = 0.3\n",
            "row 4, key mapping.node_m: 0.3 does not go a whole number of times into "
            "squares.size_m (2) -> give for example 0.25",
        ),
        (
            "[mapping]\nconditioning = ['drift', 'drift']\n",
            "row 4, key mapping.conditioning: a step is named twice -> name each step once",
        ),
        (
            "[mapping]\nvariogram = {model = 'matern', partial_sill = 1, range_m = 2}\n",
            "row 4, key mapping.variogram.smoothness: the key is missing "
            "-> the matern model needs a smoothness",
        ),
        (
            "[mapping]\nvariogram = {partial_sill = 1}\n",
            "row 4, key mapping.variogram.range_m: the key is missing -> add range_m = a number",
        ),
        (
            "[dives]\nbottom_time_min = 20\nsetup_min = 25\n",
            "row 5, key dives.setup_min: 25 takes up the whole bottom time, 20 "
            "-> allowed: less than dives.bottom_time_min",
        ),
        (
            "[ranking]\nweights = {signal = 0}\n",
            "row 4, key ranking.weights: every weight is 0 -> give at least one weight above 0",
        ),
        (
            "[squares]\nreserve = ['c4']\n",
            'row 4, key squares.reserve.1: "c4" is not the name of a square -> write "C4"',
        ),
        (
            "[squares]\nreserve = ['A0']\n",
            'row 4, key squares.reserve.1: "A0" is not the name of a square '
            '-> write letters then a number, such as "C4"',
        ),
        (
            "[squares]\nreserve = ['A1']\nexcluded = [{square = 'A1'}]\n",
            'row 5, key squares.excluded.1.square: square "A1" is already named in '
            "squares.reserve.1 -> name it once",
        ),
    ],
)
def test_keys_that_contradict_each_other(text, line):
    assert slips(AREA + text) == [f"survey.toml, {line}"]


@pytest.mark.parametrize(
    ("text", "line"),
    [
        (
            "[site]\nname = Heron\n",
            "survey.toml, row 2: is not valid TOML: Invalid value "
            '-> correct the line: key = value, with text in "quotation marks"',
        ),
        (
            '[site]\nname = "Heron\n',
            "survey.toml, row 2: is not valid TOML: Illegal character '\\n' "
            "-> close the quotation mark",
        ),
        (
            "[area]\noverlap_m = 1,5\n",
            "survey.toml, row 2: is not valid TOML: Expected newline or end of document after a "
            "statement -> write decimals with a point",
        ),
        (
            "[[targets]]\nmust_find = True\n",
            "survey.toml, row 2: is not valid TOML: Invalid value -> write true, without capitals",
        ),
        (
            "[area]\noverlap_m = 1.5 m\n",
            "survey.toml, row 2: is not valid TOML: Expected newline or end of document after a "
            "statement -> write the number without its unit; the key says the unit",
        ),
        (
            "[site]\nname = 'a'\nname = 'b'\n",
            "survey.toml, row 3: is not valid TOML: Cannot overwrite a value "
            '-> correct the line: key = value, with text in "quotation marks"',
        ),
    ],
)
def test_a_slip_of_syntax_names_its_line(text, line):
    assert slips(text) == [line]


def test_a_key_above_the_first_section():
    assert slips("overlap_m = 2\n" + AREA) == [
        "survey.toml, row 1, key overlap_m: the key stands outside any section "
        "-> move it below [area]"
    ]


def test_no_outline_at_all():
    assert slips("[site]\nname = 'x'\n") == [
        "survey.toml, key area: there is no [area] section -> add it with at least outline"
    ]


def test_every_slip_of_the_file_comes_at_once():
    text = "[area]\noverlap_m = -1\n[dives]\ndivers = 0\n[lanes]\nspacing_m = 0\n"
    keys = [p.column for p in read_settings(text).problems]
    assert keys == [
        "area.outline",
        "area.overlap_m",
        "dives.bottom_time_min",
        "dives.divers",
        "lanes.spacing_m",
    ]


def test_the_second_of_two_keep_outs_is_found_on_its_own_line():
    text = AREA + (
        "[[area.keep_out]]\nname = 'net'\npolygon = [[1, 1], [2, 1], [2, 2]]\n"
        "[[area.keep_out]]\nnme = 'drop'\nname = 'wall'\npolygon = [[1, 1], [2, 1], [2, 2]]\n"
    )
    assert slips(text) == [
        "survey.toml, row 7, key area.keep_out.2.nme: the key is not known "
        '-> the nearest known key is "name"'
    ]


def test_classes_of_targets_each_under_its_own_head():
    text = AREA + (
        "[[targets]]\nname = 'nail'\nair_range_m = 0.3\n"
        "[[targets]]\nname = 'gun'\nair_range_m = 1.6\nburial_depth_m = 0.8\nfound = 2\n"
    )
    nail, gun = read_settings(text).settings.targets
    assert (nail.burial_depth_m, nail.found) == (None, 0)
    assert (gun.air_range_m, gun.burial_depth_m, gun.found) == (1.6, 0.8, 2)


@pytest.mark.parametrize(
    ("text", "line"),
    [
        (
            "[[targets]]\nname = 'nail'\nair_range_m = 0.3\nburial_dept_m = 0.2\n",
            "survey.toml, row 6, key targets.1.burial_dept_m: the key is not known -> "
            'the nearest known key is "burial_depth_m"',
        ),
        (
            "[[targtes]]\nname = 'nail'\nair_range_m = 0.3\n",
            "survey.toml, row 3, key targtes: there is no section [targtes] -> "
            "the nearest is [[targets]]",
        ),
        (
            "[targets]\nname = 'nail'\nair_range_m = 0.3\n",
            "survey.toml, row 3, key targets: is one section where each entry has its own -> "
            "head each entry with [[targets]]",
        ),
        (
            "[[targets]]\nname = 'Reference target'\nair_range_m = 0.3\n",
            'survey.toml, row 4, key targets.1.name: "Reference target" is already the name of '
            "the one of [detector] -> give each class its own name",
        ),
    ],
)
def test_slips_in_a_class_of_targets(text, line):
    assert slips(AREA + text) == [line]


def test_a_swung_coil_goes_on_as_far_as_the_diver_swims_in_one_swing():
    text = AREA + "[detector]\ncoil_diameter_m = 0.28\nair_range_m = 0.6\n"
    swung = text + "sweep_half_width_m = 0.8\nsweep_time_s = 3.0\n"
    dives = "[dives]\nbottom_time_min = 40\nswim_speed_m_per_min = 6.0\n"
    assert read_settings(text + dives).settings.detector.sweep_advance_m == 0.0
    assert read_settings(swung).settings.detector.sweep_advance_m == 0.0
    assert read_settings(swung + dives).settings.detector.sweep_advance_m == 0.3
    given = swung + "sweep_advance_m = 0.1\n" + dives
    assert read_settings(given).settings.detector.sweep_advance_m == 0.1
