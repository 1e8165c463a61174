"""A small sound survey of the invented site Heron Skerry, to be spoilt one cell at a time."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path

import pytest

from detect.survey import SurveyError, load_survey

SETTINGS = """\
[site]
name = "Heron Skerry"
[frame]
magnetic_declination_deg = 2.5
[area]
outline = [[0, 0], [30, 0], [30, 20], [0, 20]]
[detector]
coil_diameter_m = 0.28
air_range_m = 0.6
full_scale = 100.0
[dives]
bottom_time_min = 40
[lanes]
file = "lanes.csv"
[readings]
file = "readings.csv"
[probes]
file = "probes.csv"
length_m = 1.5
[seabed]
file = "seabed.csv"
"""

TABLES = {
    "lanes.csv": "lane,start_e,start_n,end_e,end_n\nL1,0,1,30,1\nL2,0,3,30,3\n",
    "readings.csv": (
        "lane,distance_m,signal,direction\n"
        "L1,0,1.5,out\nL1,15,2.5,out\nL1,30,1.0,out\nL2,30,0.5,back\nL2,0.5,0.7,back\n"
    ),
    "probes.csv": "probe,e,n,depth_m,contact\nP1,3,4,1.2,wood\nP2,5,4,1.5,none\n",
    "seabed.csv": "e,n,depth_m\n0,0,11.2\n30,20,11.9\n",
}


@pytest.fixture
def make_survey(tmp_path: Path) -> Callable[..., Path]:
    """Write a survey folder: the sound one, with settings or tables put in place of its own."""

    def make(settings: str = SETTINGS, **tables: str | bytes) -> Path:
        (tmp_path / "survey.toml").write_text(settings, encoding="utf-8")
        for name, text in {
            **TABLES,
            **{k.replace("_csv", ".csv"): v for k, v in tables.items()},
        }.items():
            data = text if isinstance(text, bytes) else text.encode("utf-8")
            (tmp_path / name).write_bytes(data)
        return tmp_path

    return make


@pytest.fixture
def problems_of() -> Callable[..., list[str]]:
    """Load a folder that must be refused; its problems as lines. The folder must stay as it was."""

    def problems(folder: Path, *needs: str) -> list[str]:
        before = _state(folder)
        with pytest.raises(SurveyError) as caught:
            load_survey(folder, needs or ("lanes", "readings"))
        assert _state(folder) == before
        return [str(problem) for problem in caught.value.problems]

    return problems


def _state(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }
