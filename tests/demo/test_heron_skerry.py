"""The committed demo survey is what its script makes, and it loads without an error.

No outside source: the demo is our own; what is checked is that the pieces belong together.
"""

from __future__ import annotations

import importlib.util
import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from detect.geostat import Kriging, Variogram
from detect.geostat.repeats import merge_repeats
from detect.readings import condition
from detect.readings.compressed import loudness
from detect.survey import load_survey

DEMO = Path(__file__).parents[2] / "demo_runs"
FOLDER = DEMO / "heron_skerry"
FILES = (
    "heron_skerry/survey.toml",
    "heron_skerry/lanes.csv",
    "heron_skerry/readings.csv",
    "heron_skerry/probes.csv",
    "heron_skerry/seabed.csv",
    "heron_skerry/trial.csv",
    "heron_skerry_truth.csv",
)


@pytest.fixture(scope="module")
def script():
    spec = importlib.util.spec_from_file_location("heron_skerry", DEMO / "make_heron_skerry.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def site():
    return tomllib.loads((FOLDER / "survey.toml").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def truth():
    return pd.read_csv(DEMO / "heron_skerry_truth.csv")


def test_the_script_makes_the_committed_files_byte_for_byte(script, tmp_path):
    script.main(["--out", str(tmp_path)])
    made = sorted(p.relative_to(tmp_path).as_posix() for p in tmp_path.rglob("*") if p.is_file())
    assert made == sorted(FILES)
    for name in FILES:
        assert (tmp_path / name).read_bytes() == (DEMO / name).read_bytes(), name


def test_another_seed_buries_something_else_and_leaves_the_demo_alone(script, tmp_path):
    script.main(["--out", str(tmp_path), "--seed", "5"])
    other = pd.read_csv(tmp_path / "heron_skerry_truth.csv")
    assert not other.equals(pd.read_csv(DEMO / "heron_skerry_truth.csv"))
    with pytest.raises(SystemExit):
        script.main(["--seed", "5"])


def test_every_buried_object_can_be_heard_from_right_above(script, site, truth):
    height = np.array([site["detector"]["coil_height_m"]])
    for i in range(len(truth)):
        one = truth.iloc[[i]]
        heard = script.response(site, one, one["e"].to_numpy(), one["n"].to_numpy(), height)
        assert heard[0] > script.NOISE_SD, one["object"].item()


def test_reference_target_at_its_air_range_gives_the_threshold_signal(script, site):
    coil = site["detector"]
    reference = pd.DataFrame({"e": [0.0], "n": [0.0], "depth_m": [0.0], "strength": [1.0]})
    heard = script.response(
        site, reference, np.zeros(1), np.zeros(1), np.array([coil["air_range_m"]])
    )
    assert heard[0] == pytest.approx(coil["threshold_snr"] * script.NOISE_SD, rel=1e-12)


def test_the_log_has_the_faults_the_readme_promises(script, site):
    lanes = pd.read_csv(FOLDER / "lanes.csv").set_index("lane")
    log = pd.read_csv(FOLDER / "readings.csv")
    length = np.hypot(lanes["end_e"] - lanes["start_e"], lanes["end_n"] - lanes["start_n"])
    first = log[log["pass"] == 1].groupby("lane")["distance_m"]
    swum = first.max() - first.min()
    assert length[script.CUT_SHORT] - swum[script.CUT_SHORT] == pytest.approx(script.CUT_M, abs=0.3)
    assert swum[script.FOULED] == pytest.approx(script.FOULED_AT_M, abs=0.01)
    assert set(log.loc[log["pass"] == 2, "lane"]) == set(script.REPEATED)
    past = log["distance_m"].to_numpy() - length[log["lane"]].to_numpy()
    assert set(log.loc[past > 0.01, "lane"]) == {script.OVERRUN}
    assert past.max() < 1.0
    assert (log["signal"] >= site["detector"]["full_scale"]).sum() == 3
    assert len(log) < 3200  # every estimate uses all readings: keep the demo quick


def test_the_folder_loads_with_only_the_warnings_it_was_made_to_give(script):
    folder = pytest.importorskip("detect.survey.folder")
    survey = folder.load_survey(FOLDER)
    assert len(survey.readings) == len(pd.read_csv(FOLDER / "readings.csv"))
    assert len(survey.probes) == len(pd.read_csv(FOLDER / "probes.csv"))
    # The readings: one past a peg, repeats on one spot, two lanes half swum. And the baseline, from
    # which the generator takes the wreck's axis, has its far peg among the stern frames.
    notices = [str(n) for n in survey.notices]
    assert {n.file for n in survey.notices} == {"readings.csv", "survey.toml"}, notices
    assert len(notices) == 5, notices
    assert sum("far peg" in n and "stern frames" in n for n in notices) == 1, notices
    for lane in (script.CUT_SHORT, script.FOULED):
        assert sum(f'"{lane}"' in n for n in notices) == 1, notices


def test_the_map_in_tiles_is_near_the_map_from_all_readings(site):
    # the map that squares are ranked by, with the model that `detect map` fits to it (rounded):
    # within 2 % of a standard deviation at 99 of 100 nodes, and much nearer than own neighbourhoods
    survey = load_survey(FOLDER)
    readings, _, noise = condition(
        survey.readings, site["mapping"]["conditioning"], survey.settings.detector
    )
    used = readings[readings["used"]]
    points, values, repeats = merge_repeats(
        used[["e", "n"]].to_numpy(float), loudness(used["signal"].to_numpy(float), noise.sd)
    )
    v = Variogram("exponential", nugget=0.0, partial_sill=1.36, range_m=2.12)
    sd, nodes = 0.645 / np.sqrt(repeats), survey.grid().nodes[::4]
    every, variance = Kriging(points, values, v, sd).at(nodes)
    k = site["mapping"]["neighbours"]
    gap = {
        how: np.abs(Kriging(points, values, v, sd, k, neighbourhood=how).at(nodes)[0] - every)
        / np.sqrt(variance)
        for how in ("tiles", "own")
    }
    assert k == 64
    assert np.quantile(gap["tiles"], 0.99) < 0.02
    assert np.quantile(gap["tiles"], 0.99) < 0.2 * np.quantile(gap["own"], 0.99)
