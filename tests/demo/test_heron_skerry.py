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
    # Only the readings are at fault: one past a peg, repeats on one spot, two lanes half swum.
    notices = [str(n) for n in survey.notices]
    assert {n.file for n in survey.notices} == {"readings.csv"}, notices
    assert len(notices) == 4, notices
    for lane in (script.CUT_SHORT, script.FOULED):
        assert sum(f'"{lane}"' in n for n in notices) == 1, notices
