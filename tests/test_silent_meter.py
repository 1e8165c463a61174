"""A survey with a meter that speaks only at metal, from the folder to maps, ranks and forecast."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from detect.cli import main
from detect.lanes import response_ratio
from detect.survey.settings import Detector

COIL = {"coil_diameter_m": 0.28, "coil_height_m": 0.1, "air_range_m": 0.75, "threshold_snr": 3.5}
SETTINGS = """
[area]
outline = [[0, 0], [12, 0], [12, 10], [0, 10]]
overlap_m = 0.0
[detector]
{coil}
signal_unit = "mV"
[lanes]
file = "lanes.csv"
[readings]
file = "readings.csv"
[opened]
file = "opened.csv"
[ranking]
realisations = 50
top_k = 3
"""
THRESHOLD = 7.0
#: e, n, depth, strength; each alone in its square
TARGETS = [(3.0, 3.2, 0.2, 3.0), (8.6, 4.7, 0.3, 4.0), (5.1, 8.9, 0.25, 8.0)]
HOLD = ["B2", "C5", "E3"]


@pytest.fixture
def folder(tmp_path) -> Path:
    survey = tmp_path / "survey"
    survey.mkdir()
    coil = "\n".join(f"{key} = {value}" for key, value in COIL.items())
    (survey / "survey.toml").write_text(SETTINGS.format(coil=coil), encoding="utf-8")
    lanes = np.arange(0.25, 12.0, 0.5)
    pd.DataFrame(
        {
            "lane": [f"L{i:02d}" for i in range(len(lanes))],
            "start_e": lanes, "start_n": 0.0, "end_e": lanes, "end_n": 10.0,
        }
    ).to_csv(survey / "lanes.csv", index=False)  # fmt: skip
    rng = np.random.default_rng(3)
    places = np.arange(0.0, 10.01, 0.25)
    e, n = (x.ravel() for x in np.meshgrid(lanes, places, indexing="ij"))
    signal = rng.normal(0.0, THRESHOLD / COIL["threshold_snr"], e.size)
    for te, tn, depth, strength in TARGETS:
        height = COIL["coil_height_m"] + depth
        ratio = response_ratio(np.hypot(e - te, n - tn), height, Detector(**COIL))
        signal += strength * THRESHOLD * ratio
    pd.DataFrame(
        {
            "lane": np.repeat([f"L{i:02d}" for i in range(len(lanes))], len(places)),
            "distance_m": n,
            "signal": np.where(signal < THRESHOLD, 0.0, signal.round(1)),
        }
    ).to_csv(survey / "readings.csv", index=False)
    pd.DataFrame(
        {"square": [*HOLD, "A5"], "finds": [2, 1, 3, 0], "metal_finds": [1, 1, 2, 0]}
    ).assign(overburden_m=np.nan).to_csv(survey / "opened.csv", index=False)
    return survey


def detect(*arguments):
    return CliRunner().invoke(main, [str(a) for a in arguments])


def test_metal_is_found_ranked_and_forecast(folder, tmp_path):
    out = tmp_path / "out"
    result = detect("rank", folder, "--out", out, "--json", "--quiet")
    assert result.exit_code == 0, result.output
    squares = pd.read_csv(out / "squares.csv")
    assert sorted(squares["square"].head(3)) == HOLD
    held = squares["square"].isin(HOLD)
    assert (squares.loc[held, "p_metal"] > 0.8).all()
    assert (squares.loc[~held, "p_metal"] < 0.5).all()
    result = detect("map", folder, "--out", tmp_path / "maps", "--json", "--quiet")
    said = json.loads(result.stdout)
    assert said["readings_left_out"] == 0
    assert said["anomalies"] == len(TARGETS)
    assert any("spoke only at metal" in note for note in said["notes"])
    result = detect("learn", folder, "--out", tmp_path / "learned", "--json", "--quiet")
    assert result.exit_code == 0, result.output
    forecast = pd.read_csv(tmp_path / "learned" / "forecast.csv")
    came = forecast["metal_finds"] > 0
    brier = float(((forecast["p_metal"] - came) ** 2).mean())
    # always stating the share, 0.75, would come to 0.188
    assert brier < 0.1
    assert json.loads(result.stdout)["brier"]["metal was found"]["brier"] == pytest.approx(brier)


@pytest.mark.parametrize("command", ["map", "rank"])
def test_nothing_heard_is_said_in_one_line_and_coverage_still_told(folder, tmp_path, command):
    readings = pd.read_csv(folder / "readings.csv").assign(signal=0)
    readings.to_csv(folder / "readings.csv", index=False)
    result = detect(command, folder, "--out", tmp_path / "out", "--quiet")
    assert result.exit_code == 2
    (line,) = result.stderr.strip().splitlines()
    assert line.startswith("readings.csv, column signal: nothing was heard: all ")
    assert "`detect check`" in line
    assert detect("check", folder, "--out", tmp_path / "seen", "--quiet").exit_code == 0
