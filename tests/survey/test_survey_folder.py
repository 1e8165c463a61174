"""A survey folder: loaded whole, or refused with a line for every slip, and left as it was."""

import importlib.util
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import shapely

from detect.survey import SurveyError, load_survey, read_settings
from detect.survey.settings_file import section_models

READINGS = "lane,distance_m,signal\n"
LONG = "lane,distance_m,signal,direction,pass,dive,time_s\n"


def test_a_sound_folder_loads(make_survey):
    survey = load_survey(make_survey(), ("lanes", "readings", "probes", "seabed", "detector"))
    assert survey.notices == ()
    assert survey.outline.area == 600
    assert sorted(survey.inputs) == [
        "lanes.csv", "probes.csv", "readings.csv", "seabed.csv", "survey.toml",
    ]  # fmt: skip
    assert survey.lanes.columns.tolist()[:7] == [
        "lane", "start_e", "start_n", "end_e", "end_n", "length_m", "bearing_deg",
    ]  # fmt: skip
    assert survey.readings.columns.tolist() == [
        "lane", "pass", "direction", "dive", "diver", "time_s", "distance_m", "e", "n", "signal",
        "at_full_scale", "heading_deg", "track", "row",
    ]  # fmt: skip
    assert survey.probes["contact"].tolist() == ["wood", "none"]
    assert survey.trial is None
    assert survey.squares_origin == (0.0, 0.0)
    assert survey.grid().shape == (88, 128)
    assert len(survey.squares()) == 150


# One slip, one line. Each case: the file put in place, what it holds, the line it gives.
SLIPS = [
    # columns
    (
        "lanes",
        "lane,start_e,start_n,end_e\nL1,0,1,30\nL2,0,3,30\n",
        'lanes.csv, row 1, column end_n: column "end_n" is missing '
        '-> add a column headed "end_n"; the headings are: lane, start_e, start_n, end_e',
    ),
    (
        "readings",
        "lane,distance_m,signl\nL1,5,2\n",
        'readings.csv, row 1, column signal: column "signal" is missing '
        '-> the heading "signl" is the nearest: rename it "signal"',
    ),
    (
        "readings",
        "lane,distance,signal\nL1,5,2\n",
        "readings.csv, row 1, column distance_m: there is no column that places a reading "
        '-> the heading "distance" is the nearest: rename it "distance_m", or add "e" and "n"',
    ),
    (
        "readings",
        "lane,signal\nL1,2\n",
        "readings.csv, row 1, column distance_m: there is no column that places a reading "
        '-> add "distance_m" (taped from the lane\'s start peg), or "e" and "n"',
    ),
    (
        "readings",
        "lane,e,signal\nL1,5,2\n",
        "readings.csv, row 1, column distance_m: there is no column that places a reading "
        '-> add column "n" beside "e"',
    ),
    (
        "readings",
        "lane,distance_m,signal,dierction\nL1,5,2,out\nL2,5,2,out\n",
        'readings.csv, row 1, column dierction: column "dierction" is not known '
        '-> rename it "direction" if it holds that, or give it quite another name',
    ),
    (
        "readings",
        "lane,distance_m,signal,Signal\nL1,5,2,3\n",
        'readings.csv, row 1, column signal: has two columns headed "Signal" '
        "-> rename or remove one of them",
    ),
    # rows
    (
        "readings",
        READINGS,
        "readings.csv: the table has no rows, and this command needs readings -> type the rows",
    ),
    (
        "readings",
        READINGS + "L1,5,2\nL2,5\n",
        "readings.csv, row 3: has 2 cells where the header has 3 (comma separated) "
        "-> give every row one cell a column, blank or not",
    ),
    (
        "readings",
        READINGS + "L1,5,two\nL2,5,2\n",
        'readings.csv, row 2, column signal: "two" is not a number '
        "-> correct the cell, or remove the row",
    ),
    (
        "readings",
        READINGS + "L1,NaN,2\nL2,5,2\n",
        'readings.csv, row 2, column distance_m: "NaN" is not a number '
        "-> fill the cell from the slate, or remove the row",
    ),
    (
        "readings",
        READINGS + "L1,5,inf\nL2,5,2\n",
        'readings.csv, row 2, column signal: "inf" is infinite '
        "-> give a finite number, or remove the row",
    ),
    (
        "readings",
        READINGS + "L1,,2\nL2,5,2\n",
        "readings.csv, row 2, column distance_m: the reading has no place: the cell is blank "
        "-> fill distance_m from the slate, or remove the row",
    ),
    (
        "readings",
        READINGS + ",5,2\nL2,5,2\n",
        "readings.csv, row 2, column lane: the cell is blank "
        "-> fill it from the slate, or remove the row",
    ),
    # readings on their lanes
    (
        "readings",
        READINGS + "L1,5,2\nL2,5,2\nLl,5,2\n",
        'readings.csv, row 4, column lane: there is no lane "Ll" '
        '-> the nearest is "L1"; or add the lane to the table of lanes',
    ),
    (
        "readings",
        READINGS + "L1,5,2\nL2,5,2\nXY,5,2\n",
        'readings.csv, row 4, column lane: there is no lane "XY" -> the lanes are L1, L2',
    ),
    (
        "readings",
        READINGS + "L1,31.25,2\n",
        'readings.csv, row 2, column distance_m: 31.25 m is 1.25 m past the end of lane "L1" '
        "(0 to 30.00 m) -> check the slate and the lane's pegs",
    ),
    (
        "readings",
        READINGS + "L1,-1.5,2\n",
        'readings.csv, row 2, column distance_m: -1.5 m is 1.50 m before the start of lane "L1" '
        "(0 to 30.00 m) -> check the slate and the lane's pegs",
    ),
    (
        "readings",
        LONG + "L1,5,2,out,1,d1,\nL1,6,2,out,1,d1,\nL1,5,2,out,1,d1,\n",
        "readings.csv, row 4: the same reading as row 2 (lane L1, pass 1, the same place) "
        "-> remove one of the two; a repeat swim needs another pass",
    ),
    (
        "readings",
        LONG + "L1,5,2,out,1,d1,7\nL1,5,3,out,1,d1,7\n",
        "readings.csv, row 3: the same reading as row 2 (lane L1, pass 1, the same place, another "
        "signal) -> remove one of the two; a repeat swim needs another pass",
    ),
    (
        "readings",
        "lane,e,n,signal\nL1,5,1,2\nL1,5,1,2\n",
        "readings.csv, row 3: the same reading as row 2 (lane L1, pass 1, the same place) "
        "-> remove one of the two; a repeat swim needs another pass",
    ),
    (
        "readings",
        "lane,distance_m,signal,direction\nL1,5,2,there\n",
        'readings.csv, row 2, column direction: direction is "there" '
        '-> write "out" (from the lane\'s start peg) or "back"',
    ),
    (
        "readings",
        READINGS + "L1,5,100.5\n",
        "readings.csv, row 2, column signal: signal 100.5 is above the meter's full scale (100) "
        "-> check the slate, or detector.full_scale in survey.toml",
    ),
    (
        "readings",
        "lane,e,n,signal\nL1,5,1,2\nL1,,1,2\n",
        "readings.csv, row 3, column e, n: the reading has no place: the cell is blank "
        "-> fill e and n from the slate, or remove the row",
    ),
    (
        "readings",
        "lane,e,n,signal\nL1,5,1,2\nL1,5,-60,2\n",
        "readings.csv, row 3, column e, n: position e 5, n -60 is 60 m off the site "
        "(at most 18 m is taken) -> check the position and the outline",
    ),
    # lanes
    (
        "lanes",
        "lane,start_e,start_n,end_e,end_n\nL1,0,1,30,1\nL2,0,3,30,3\nL1,0,5,30,5\n",
        'lanes.csv, row 4, column lane: lane "L1" is already in row 2 '
        "-> give each lane its own name, or remove one of the rows",
    ),
    (
        "lanes",
        "lane,start_e,start_n,end_e,end_n\nL1,0,1,30,1\nL2,4,3,4,3\n",
        'lanes.csv, row 3, column start_e, start_n, end_e, end_n: lane "L2" has no length: it '
        'starts '
        "and ends at e 4, n 3 -> give its two pegs",
    ),
    (
        "lanes",
        "lane,start_e,start_n,end_e,end_n\nL1,0,1,30,1\nL2,0,3,30,3\nL3,0,5,30,90\n",
        "lanes.csv, row 4, column end_e, end_n: lane end e 30, n 90 is 70 m off the site "
        "(at most 18 m is taken) -> check the position and the outline",
    ),
    (
        "lanes",
        "lane,start_e,start_n,end_e,end_n\n",
        "lanes.csv: the table has no rows, and this command needs lanes -> type the rows",
    ),
    # probes and seabed
    (
        "probes",
        "probe,e,n,depth_m,contact\nP1,3,4,1.6,wood\n",
        "probes.csv, row 2, column depth_m: 1.6 m is deeper than the probe is long (1.5 m) "
        "-> check the slate, or probes.length_m in survey.toml",
    ),
    (
        "probes",
        "probe,e,n,depth_m,contact\nP1,3,4,-0.2,wood\n",
        "probes.csv, row 2, column depth_m: -0.2 is outside the allowed range, at least 0 "
        "-> check the slate and correct the cell",
    ),
    (
        "probes",
        "probe,e,n,depth_m,contact\nP1,3,4,1,wood\nP1,3,5,1,wood\n",
        'probes.csv, row 3, column probe: probe "P1" is already in row 2 '
        "-> give each probe its own name, or remove one row",
    ),
    (
        "probes",
        "probe,e,n,depth_m,contact\nP1,3,4,1,\n",
        "probes.csv, row 2, column contact: the cell is blank "
        "-> fill it from the slate, or remove the row",
    ),
    (
        "probes",
        "probe,e,n,depth_m,contact\nP1,4,64,1,wood\n",
        "probes.csv, row 2, column e, n: probe e 4, n 64 is 44 m off the site (at most 18 m is "
        "taken) -> check the position and the outline",
    ),
    (
        "seabed",
        "e,n,depth_m\n-40,3,11\n",
        "seabed.csv, row 2, column e, n: position e -40, n 3 is 40 m off the site "
        "(at most 18 m is taken) -> check the position and the outline",
    ),
    (
        "seabed",
        b"e,n,depth_m\n1,3,11\n1,\xb5,11\n",
        'seabed.csv, row 3: is not UTF-8 text (byte 0xb5) -> save it again as "CSV UTF-8"',
    ),
]  # fmt: skip


@pytest.mark.parametrize(("table", "text", "line"), SLIPS, ids=[s[2][:60] for s in SLIPS])
def test_each_slip_of_a_table_has_its_line(make_survey, problems_of, table, text, line):
    assert problems_of(make_survey(**{f"{table}_csv": text})) == [line]


SETTINGS_SLIPS = [
    (
        "[[0, 0], [30, 0], [30, 20], [0, 20]]",
        "[[0, 0], [30, 20], [30, 0], [0, 20]]",
        "row 6, key area.outline: the outline crosses itself: the side from point 1 to 2 meets "
        "that from 3 to 4 near e 15.00, n 10.00 -> put the points in order round the polygon "
        "(each is counted from 1); until then no position of a table is held against it",
    ),
    (
        "[[0, 0], [30, 0], [30, 20], [0, 20]]",
        "[[0, 0], [30, 0], [0, 0]]",
        "row 6, key area.outline: the outline has 2 different points and needs at least 3 "
        "-> give the corners in order, as [[e, n], [e, n], [e, n]]",
    ),
    (
        "[[0, 0], [30, 0], [30, 20], [0, 20]]",
        "[[0, 0], [30, 0], [30, 20], [0, 20]]\n"
        "keep_out = [{name = 'net', polygon = [[1, 1], [4, 4], [4, 1], [1, 4]]}]",
        'row 7, key area.keep_out.1.polygon: the keep-out "net" crosses itself: the side from '
        "point 1 "
        "to 2 meets that from 3 to 4 near e 2.50, n 2.50 -> put the points in order round the "
        "polygon (each is counted from 1)",
    ),
    (
        "[[0, 0], [30, 0], [30, 20], [0, 20]]",
        "[[0, 0], [30, 0], [30, 20], [0, 20]]\n"
        "keep_out = [{name = 'all', polygon = [[-1, -1], [31, -1], [31, 21], [-1, 21]]}]",
        'row 7, key area.keep_out.1.polygon: keep-out "all" covers the whole site '
        "-> check its corners: nothing is left to survey",
    ),
    (
        '[readings]\nfile = "readings.csv"',
        '[readings]\nfile = "raedings.csv"',
        'row 16, key readings.file: the table "raedings.csv" is not in the folder '
        '-> the nearest file there is "readings.csv"',
    ),
    (
        '[readings]\nfile = "readings.csv"',
        '[readings]\nfile = "probe.csv"',
        'row 16, key readings.file: the table "probe.csv" is not in the folder '
        "-> put it there, or correct its name",  # probes.csv is another table
    ),
    (
        '[readings]\nfile = "readings.csv"',
        "",
        "key readings.file: no table of readings is named, and this command needs it "
        '-> add file = "readings.csv" to [readings]',
    ),
    (
        '[lanes]\nfile = "lanes.csv"',
        "[lanes]\nspacing_m = 2",
        "row 13, key lanes.file: no table of lanes is named, and this command needs it "
        '-> add file = "lanes.csv" to [lanes]',
    ),
    (
        "length_m = 1.5",
        "length_m = 1.5\n[squares]\nreserve = ['A1', 'P3']",
        'row 21, key squares.reserve.2: the site has no square "P3" -> a letter from A to O counts '
        'squares to the east, a number from 1 to 10 to the north; the nearest is "O3"',
    ),
    (
        "length_m = 1.5",
        "length_m = 1.5\n[squares]\norigin = [2, 0]",
        "row 21, key squares.origin: [2, 0] lies east or north of the outline's lower left [0, 0], "
        "where squares would have no name -> give [0.0, 0.0], or a corner further west and south",
    ),
    (
        "length_m = 1.5",
        "length_m = 1.5\n[mapping]\nnode_m = 0.005",
        "row 21, key mapping.node_m: 0.005 m over this outline makes 28,160,000 cells "
        "(at most 4,000,000) -> give at least 0.013",
    ),
]


@pytest.mark.parametrize(
    ("old", "new", "line"), SETTINGS_SLIPS, ids=[s[2][:60] for s in SETTINGS_SLIPS]
)
def test_each_slip_of_the_settings_against_the_site_has_its_line(
    make_survey, problems_of, old, new, line
):
    folder = make_survey()
    text = (folder / "survey.toml").read_text()
    assert old in text
    (folder / "survey.toml").write_text(text.replace(old, new))
    assert problems_of(folder) == [f"survey.toml, {line}"]


def test_readings_taped_along_lanes_that_are_not_there(make_survey, problems_of):
    folder = make_survey(lanes_csv="lane,start_e,start_n,end_e,end_n\n")
    assert problems_of(folder, "readings") == [
        "readings.csv, column distance_m: readings placed by lane and distance_m, without "
        "lanes: 5 -> type the lanes into lanes.csv, or give e and n"
    ]
    text = (folder / "survey.toml").read_text()
    (folder / "survey.toml").write_text(text.replace('[lanes]\nfile = "lanes.csv"', ""))
    assert problems_of(folder, "readings") == [
        "readings.csv, column distance_m: readings placed by lane and distance_m, without "
        "lanes: 5 -> name a table of lanes in survey.toml ([lanes] file), or give e and n"
    ]


def test_every_problem_of_every_file_comes_in_one_go_down_the_rows(make_survey, problems_of):
    folder = make_survey(
        lanes_csv="lane,start_e,start_n,end_e,end_n\nL1,0,1,30,x\nL2,0,3,30,3\n",
        readings_csv="lane,distance_m,signal\nL2,99,2\nL9,5,2\nL1,5,\n",
        probes_csv="probe,e,n,depth_m\nP1,3,4,1\n",
    )
    text = (folder / "survey.toml").read_text()
    (folder / "survey.toml").write_text(text.replace("length_m = 1.5", "lenght_m = 1.5"))
    assert [line.split(":")[0] for line in problems_of(folder, "dives", "lanes")] == [
        "survey.toml, row 19, key probes.lenght_m",
        "lanes.csv, row 2, column end_n",
        "readings.csv, row 2, column distance_m",
        "readings.csv, row 3, column lane",
        "readings.csv, row 4, column signal",
        "probes.csv, row 1, column contact",
    ]


def test_a_lane_with_a_slip_does_not_put_the_blame_on_its_readings(make_survey, problems_of):
    folder = make_survey(lanes_csv="lane,start_e,start_n,end_e,end_n\nL1,0,1,30,x\nL2,0,3,0,3\n")
    assert [line.split(",")[0] for line in problems_of(folder)] == ["lanes.csv", "lanes.csv"]


def test_a_missing_column_does_not_hide_the_other_slips(make_survey, problems_of):
    folder = make_survey(
        readings_csv="lane,distance_m,sginal,dirction\nL1,5,1,out\nL1,5,2,back\nL9,7,1,out\n"
    )
    # nor are out and back taken for one reading typed twice, with their column misspelt
    assert [line.split(":")[0] for line in problems_of(folder)] == [
        "readings.csv, row 1, column dirction",
        "readings.csv, row 1, column signal",
        "readings.csv, row 4, column lane",
    ]


def test_a_broken_row_of_lanes_does_not_make_its_lane_unknown(make_survey, problems_of):
    folder = make_survey(lanes_csv="lane,start_e,start_n,end_e,end_n\nL1,0,1,30,1\nL2,0,3\n")
    assert [line.split(":")[0] for line in problems_of(folder)] == ["lanes.csv, row 3"]
    (folder / "lanes.csv").write_text("lain,start_e,start_n,end_e,end_n\nL1,0,1,30,1\n")
    assert [line.split(":")[0] for line in problems_of(folder)] == ["lanes.csv, row 1, column lane"]


def test_swapped_coordinates_are_suspected(make_survey, problems_of):
    folder = make_survey(
        (
            "[area]\noutline = [[1000, 0], [1030, 0], [1030, 20], [1000, 20]]\n"
            "[seabed]\nfile = 'seabed.csv'\n"
        ),
        seabed_csv="e,n,depth_m\n4,1010,11\n1010,4,11\n",
    )
    assert problems_of(folder, "seabed") == [
        "seabed.csv, row 2, column e, n: position e 4, n 1010 is 1404 m off the site (at most 18 "
        "m is taken) -> e and n look changed over: swapped, it would lie on or near the site"
    ]


def test_folders_that_are_not_surveys(tmp_path, problems_of):
    with pytest.raises(SurveyError, match="is not a folder"):
        load_survey(tmp_path / "nowhere")
    assert problems_of(tmp_path) == [
        f"survey.toml: is not in the folder {tmp_path} "
        '-> "detect new" writes a folder to start from'
    ]
    (tmp_path / "survey.toml").write_bytes(b"[site]\nname = '\xff'\n")
    assert problems_of(tmp_path) == [
        "survey.toml, row 2: is not UTF-8 text (byte 0xff) -> save it as UTF-8"
    ]


def test_settings_with_a_bom_are_read(make_survey):
    folder = make_survey()
    data = (folder / "survey.toml").read_bytes()
    (folder / "survey.toml").write_bytes(b"\xef\xbb\xbf" + data)
    assert load_survey(folder).settings.site.name == "Heron Skerry"


def test_a_command_that_needs_dives_says_so(make_survey, problems_of):
    folder = make_survey("[area]\noutline = [[0, 0], [30, 0], [30, 20]]\n")
    assert problems_of(folder, "dives", "detector") == [
        "survey.toml, key detector: there is no [detector] section, and this command needs it "
        "-> add [detector] with at least coil_diameter_m and air_range_m",
        "survey.toml, key dives: there is no [dives] section, and this command needs it "
        "-> add [dives] with at least bottom_time_min",
    ]


def test_a_need_that_means_nothing_is_a_fault_of_the_program(make_survey):
    with pytest.raises(ValueError, match="reedings"):
        load_survey(make_survey(), ("reedings",))


# Notices: listed and counted, never fatal.
NOTICES = [
    (
        "readings",
        READINGS + "L1,-0.5,1\nL1,31,1\nL2,0,1\nL2,30,1\n",
        "readings.csv, column distance_m: readings up to a metre past their lane's end, kept: 2",
    ),
    (
        "readings",
        LONG
        + "L1,0,1,out,1,,\nL1,30,1,out,1,,\nL1,30,1,out,2,,\nL2,0,1,out,1,,\nL2,30,1,out,1,,\n",
        "readings.csv: readings exactly where an earlier one lies: 1",
    ),
    (
        "readings",
        READINGS + "L1,0,1\nL1,30,1\n",
        "readings.csv, column lane: lanes without readings: 1 (L2)",
    ),
    (
        "readings",
        READINGS + "L1,0,1\nL1,27.5,1\nL2,0,1\nL2,30,1\n",
        'readings.csv, column distance_m: lane "L1" is sampled from 0 to 27.5 m of its 30.00 m',
    ),
    (
        "readings",
        "lane,distance_m,signal,weather\nL1,0,1,\nL1,30,1,\n\nL2,0,1,\nL2,30,1,\n",
        "readings.csv: columns not used: weather",
    ),
    (
        "readings",
        "lane;distance_m;signal\nL1;0,5;1\nL1;30;1\nL2;0;1\nL2;30;1,5\n",
        "readings.csv: numbers with a decimal comma, read as decimals: 2",
    ),
    (
        "readings",
        READINGS + "L1,0,1\nL1,30,1\n\n\nL2,0,1\nL2,30,1\n",
        "readings.csv: blank rows skipped: 2",
    ),
    (
        "readings",
        "lane,e,n,signal\nL1,0,1,1\nL1,32,1,1\nL2,0,3,1\nL2,30,3,1\n",
        "readings.csv: readings placed by e and n over a metre past their lane's end: 1",
    ),
    (
        "seabed",
        "e,n,depth_m\n0,0,-11\n3,3,-12\n",
        "seabed.csv, column depth_m: every depth is negative, so the seabed would stand above the "
        "water level -> depth_m is positive down: turn the signs round if these are heights",
    ),
    (
        "probes",
        "probe,e,n,depth_m,contact\nP1,3,4,1,No\nP2,3,4,1,wood\n",
        'probes.csv, column contact: probes with contact "no", which counts as a contact: 1 '
        '-> write "none" where the probe met nothing',
    ),
    (
        "seabed",
        "e,n,depth_m\n",
        "seabed.csv: the table has no rows; it is left out",
    ),
]


@pytest.mark.parametrize(("table", "text", "line"), NOTICES, ids=[n[2][:60] for n in NOTICES])
def test_each_oddity_is_noticed_and_stops_nothing(make_survey, table, text, line):
    survey = load_survey(make_survey(**{f"{table}_csv": text}), ("lanes", "readings"))
    assert line in [str(notice) for notice in survey.notices]


def test_a_folder_without_declination_is_told_so(make_survey):
    folder = make_survey("[area]\noutline = [[0, 0], [30, 0], [30, 20]]\n")
    assert [str(n) for n in load_survey(folder).notices] == [
        "survey.toml, key frame.magnetic_declination_deg: no declination is given, so magnetic "
        "bearings are taken as true -> give the declination of the place and year"
    ]


@pytest.mark.parametrize(
    ("baseline", "said"),
    [
        (
            [[1, 1], [11, 11]],
            "survey.toml, row 3, key frame.baseline: the baseline's far peg e 11, n 11 lies within "
            'the keep-out "net" -> no peg may be set there: end the baseline short of it, or '
            "check the corners",
        ),
        (
            [[10, 11], [14, 11]],
            "survey.toml, row 3, key frame.baseline: the baseline's zero peg e 10, n 11 and far "
            'peg e 14, n 11 lie within the keep-out "net" -> no peg may be set there: end the '
            "baseline short of it, or check the corners",
        ),
        (
            [[1, 11], [25, 11]],
            'survey.toml, row 3, key frame.baseline: the baseline runs through the keep-out "net" '
            "-> no rope may be laid there: move the baseline, or tape round it",
        ),
        ([[1, 1], [25, 1]], None),
    ],
)
def test_a_baseline_keeps_out_of_keep_outs(make_survey, baseline, said):
    folder = make_survey(
        f"[frame]\nmagnetic_declination_deg = 1\nbaseline = {baseline}\n"
        "[area]\noutline = [[0, 0], [30, 0], [30, 20], [0, 20]]\n"
        'keep_out = [{name = "net", polygon = [[10, 10], [14, 10], [14, 14], [10, 14]]}]\n'
    )
    assert [str(n) for n in load_survey(folder).notices] == ([] if said is None else [said])


def test_what_plan_and_check_write_beside_the_pegs_needs_no_words(make_survey):
    folder = make_survey(
        lanes_csv="lane,start_e,start_n,end_e,end_n,length_m,bearing_deg,order,direction,gap,moon\n"
        "L1,0,1,30,1,30,90,1,out,,\nL2,0,3,30,3,30,90,2,back,G01,full\n"
    )
    lanes = [str(n) for n in load_survey(folder).notices if n.file == "lanes.csv"]
    assert lanes == ["lanes.csv: columns not used: moon"]


def test_a_rehearsal_and_the_opened_squares_are_read_when_asked_for(make_survey, problems_of):
    folder = make_survey(
        trial_csv="target,offset_m,distance_to_coil_m,detected\nplate,0.1,0.4,1\nplate,0.2,0.4,0\n",
        opened_csv="square,finds,metal_finds,overburden_m\nB2,4,1,0.6\n",
    )
    assert load_survey(folder).opened is None
    survey = load_survey(folder, ("trial", "opened"))
    assert survey.trial["detected"].tolist() == [1, 0]
    assert survey.opened["square"].tolist() == ["B2"]
    (folder / "trial.csv").write_text(
        "target,offset_m,distance_to_coil_m,detected\nplate,0,0.4,2\nplate,0,0.4,yes\n"
    )
    (folder / "opened.csv").write_text(
        "square,finds,metal_finds,overburden_m\nZ99,4,1,0.6\nB2,1,2,0.6\nB2,1.5,1,-1\nC3,-2,0,45\n"
    )
    assert problems_of(folder, "trial", "opened") == [
        "trial.csv, row 2, column detected: detected is 2 "
        "-> write 1 where the target was detected, 0 where it was missed",
        'trial.csv, row 3, column detected: "yes" is not a number '
        "-> write 1 where the target was detected, 0 where it was missed",
        'opened.csv, row 2, column square: the site has no square "Z99" -> a letter from A to O '
        'counts squares to the east, a number from 1 to 10 to the north; the nearest is "O10"',
        "opened.csv, row 3, column metal_finds: 2 metal finds are more than all 1 finds "
        "-> finds counts every find, metal ones too",
        "opened.csv, row 4, column overburden_m: -1 is outside the allowed range, 0 to 10 "
        "-> check the slate and correct the cell",
        'opened.csv, row 4, column square: square "B2" is already in row 3 '
        "-> give each opened square one row",
        "opened.csv, row 4, column finds: 1.5 is not a whole number -> count the finds",
        # one line a cell: metal finds are not held against a count that is none
        "opened.csv, row 5, column finds: -2 is outside the allowed range, at least 0 "
        "-> check the slate and correct the cell",
        "opened.csv, row 5, column overburden_m: 45 is outside the allowed range, 0 to 10 "
        "-> check the slate and correct the cell",
    ]


def test_an_empty_square_has_no_overburden_and_one_deeper_than_the_probe_is_asked_about(
    make_survey,
):
    folder = make_survey(
        opened_csv="square,finds,metal_finds,overburden_m\nB2,0,0,\nB3,2,0,1.5\nB4,1,0,1.7\n"
    )
    survey = load_survey(folder, ("opened",))
    assert survey.opened["overburden_m"].isna().tolist() == [True, False, False]
    assert [str(notice) for notice in survey.notices] == [
        "opened.csv, row 4, column overburden_m: 1.7 m of overburden is deeper than the probe is "
        "long (1.5 m) -> check the slate: metres from the bed down to the first find or structure"
    ]


def test_a_soil_survey_in_map_coordinates_loads_without_coil_lanes_or_dives(tmp_path):
    # The meuse soil samples of scikit-gstat's wheel (check_values.md section 0: 155 points, sum of
    # zinc 72806), in large map coordinates, with their label in place of a lane.
    # Read as a file: importing the package takes seconds.
    spec = importlib.util.find_spec("skgstat")
    if spec is None or spec.origin is None:
        pytest.skip("scikit-gstat is not installed")
    meuse = pd.read_csv(Path(spec.origin).parent / "data" / "samples" / "meuse.txt")
    points, zinc = meuse[["x", "y"]].to_numpy(float), meuse["zinc"].to_numpy(float)
    assert zinc.sum() == 72806
    hull = shapely.MultiPoint(points).convex_hull.buffer(50, quad_segs=2)
    corners = [[round(e, 1), round(n, 1)] for e, n in hull.exterior.coords]
    (tmp_path / "survey.toml").write_text(
        f"[area]\noutline = {corners}\noverlap_m = 0\n[readings]\nfile = 'soil.csv'\n"
        "[mapping]\nnode_m = 40\nconditioning = []\n"
        "variogram = {nugget = 0.0507, partial_sill = 0.5906, range_m = 897}\n"
        "[squares]\nsize_m = 40\norigin = [178520, 329640]\n"
    )
    rows = [
        f"soil,{e!r},{n!r},{float(np.log(z))!r}"
        for (e, n), z in zip(points.tolist(), zinc, strict=True)
    ]
    (tmp_path / "soil.csv").write_text("lane,e,n,signal\n" + "\n".join(rows) + "\n")
    survey = load_survey(tmp_path, ("readings",))
    np.testing.assert_array_equal(survey.readings[["e", "n"]], points)
    np.testing.assert_array_equal(survey.readings["signal"], np.log(zinc))
    assert survey.readings["heading_deg"].between(0, 360, inclusive="left").all()
    assert not survey.readings["at_full_scale"].any()
    nodes = {tuple(node) for node in survey.grid().nodes}
    # nodes of the published table in tests/data/meuse_ok_block_gstat.csv
    table = np.genfromtxt(
        Path(__file__).parents[1] / "data" / "meuse_ok_block_gstat.csv",
        delimiter=",",
        skip_header=1,
    )
    inside = shapely.contains_xy(hull, table[:, 1], table[:, 2])
    assert inside.sum() >= 5
    assert all((x, y) in nodes for x, y in table[inside, 1:3])


def test_damaged_files_are_refused_in_words_or_read_and_never_crash(make_survey):
    folder = make_survey()
    good = {path.name: path.read_bytes() for path in folder.iterdir()}
    rng = np.random.default_rng(11)
    scraps = [
        b"",
        b",",
        b";",
        b"\n",
        b'"',
        b"-",
        b"nan",
        b"1e400",
        b"=",
        b"[",
        b"]",
        b"x",
        b"\xff",
        b".",
    ]
    refused = 0
    for _ in range(20):
        name = rng.choice(sorted(good))
        data = good[name]
        for place in rng.integers(0, len(data), rng.integers(1, 4)):
            scrap = scraps[rng.integers(len(scraps))]
            data = data[:place] + scrap + data[place + rng.integers(0, 6) :]
        (folder / name).write_bytes(data)
        try:
            load_survey(folder, ("lanes", "readings"))
        except SurveyError:
            refused += 1
        (folder / name).write_bytes(good[name])
    assert refused > 5


@pytest.mark.parametrize(
    "value", ["-1", "0", "1e9", "nan", "'x'", "true", "[]", "[[1]]", "{}", "{a = 1}"]
)
def test_any_value_for_any_key_is_read_or_refused_in_words(value):
    for section, (model, _) in section_models().items():
        text = "" if section == "area" else "[area]\noutline = [[0, 0], [30, 0], [30, 20]]\n"
        for key in model.model_fields:
            read = read_settings(f"{text}[{section}]\n{key} = {value}\n")
            assert read.settings is not None or read.problems
            assert all(p.column or p.row for p in read.problems)
        read = read_settings(f"{section} = {value}\n")
        assert read.settings is None
        assert read.problems


def test_thirty_thousand_readings_load_in_a_moment(make_survey):
    rows = [f"L{1 + i % 2},{(i % 15000) / 500:.3f},1.5,out,{i // 30000}" for i in range(30_000)]
    rows = [f"{row},{i}" for i, row in enumerate(rows)]
    folder = make_survey(
        readings_csv="lane,distance_m,signal,direction,pass,time_s\n" + "\n".join(rows)
    )
    start = time.perf_counter()
    survey = load_survey(folder, ("readings",))
    # 0.7 s on a quiet core; the bound only catches a loop over readings
    assert time.perf_counter() - start < 10
    assert len(survey.readings) == 30_000


def test_a_lane_left_out_of_its_table_is_told_once(make_survey, problems_of):
    rows = "".join(f"L3,{d},1.0,out\n" for d in range(40))
    readings = "lane,distance_m,signal,direction\nL1,0,1.5,out\n" + rows + "L1,3,1.5,out\n"
    assert problems_of(make_survey(readings_csv=readings)) == [
        'readings.csv, row 3, column lane: there is no lane "L3" (40 readings, rows 3 to 42) -> '
        'the nearest is "L1"; or add the lane to the table of lanes'
    ]


def test_visible_remains_are_read_and_held_to_sound_corners(make_survey, problems_of):
    text = (
        "overlap_m = 1.0\n"
        "visible_remains = [{name = 'keel', polygon = [[4, 4], [9, 4], [9, 5], [4, 5]]}]"
    )
    folder = make_survey()
    settings = (folder / "survey.toml").read_text()
    sound = settings.replace("[detector]", text + "\n[detector]")
    (folder / "survey.toml").write_text(sound)
    (remains,) = load_survey(folder).visible_remains
    assert (remains.name, remains.polygon.area) == ("keel", 5.0)
    (folder / "survey.toml").write_text(sound.replace("[9, 5], [4, 5]", "[4, 5], [9, 5]"))
    (problem,) = problems_of(folder)
    assert 'key area.visible_remains.1.polygon: the outline of "keel" crosses itself' in problem


def test_rows_of_infill_lanes_may_stand_below_those_of_a_plan(make_survey):
    """Typed as far as end_n, or pasted whole: the columns missing or out of place are not used."""
    plan = "lane,start_e,start_n,end_e,end_n,length_m,bearing_deg,order,direction\n"
    rows = "L1,0,1,30,1,30,90,1,out\nL2,0,3,30,3,30,90,2,back\n"
    infill = "F01,0,2,10,2\nF02,10,2,20,2,10,90,G01\nF03,5,2,9,2,4,90,G01,L2 whole\n"
    lanes = load_survey(make_survey(lanes_csv=plan + rows + infill)).lanes
    assert lanes["lane"].tolist() == ["L1", "L2", "F01", "F02", "F03"]
    assert lanes["length_m"].tolist() == [30, 30, 10, 10, 4]
    with pytest.raises(SurveyError, match="row 4: has 4 cells where the header has 9"):
        load_survey(make_survey(lanes_csv=plan + rows + "F01,0,2,10\n"))
