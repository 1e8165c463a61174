"""`detect map --cluster ADDRESS`: the same maps, or one line that says why not."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from click.testing import CliRunner

from detect.cli import main

SETTINGS = """
[site]
name = "Mole End"
[area]
outline = [[0, 0], [12, 0], [12, 12], [0, 12]]
[readings]
file = "readings.csv"
[mapping]
node_m = 0.5
conditioning = ["levels"]
variogram = { model = "exponential", nugget = 0.1, partial_sill = 1.0, range_m = 3.0 }
"""


@pytest.fixture
def survey_folder(tmp_path: Path) -> Path:
    rng = np.random.default_rng(2)
    rows = ["lane,e,n,signal"]
    for lane in range(6):
        for n in np.arange(0.5, 12, 0.5):
            signal = np.sin(lane) + np.cos(n / 2) + rng.normal(0, 0.2)
            rows.append(f"L{lane},{2 * lane + 1},{n},{signal:.3f}")
    folder = tmp_path / "mole_end"
    folder.mkdir()
    (folder / "survey.toml").write_text(SETTINGS, encoding="utf-8")
    (folder / "readings.csv").write_text("\n".join(rows), encoding="utf-8")
    return folder


def detect(folder: Path, out: Path, *more: str):
    return CliRunner().invoke(main, ["map", str(folder), "--out", str(out), "--quiet", *more])


def test_the_maps_do_not_depend_on_where_they_are_worked_out(survey_folder, tmp_path) -> None:
    distributed = pytest.importorskip("distributed")
    local = distributed.LocalCluster(
        n_workers=1, threads_per_worker=2, processes=False, dashboard_address=None, protocol="tcp"
    )
    with local:
        there = detect(survey_folder, tmp_path / "there", "--cluster", local.scheduler_address)
        assert there.exit_code == 0, there.output
    assert detect(survey_folder, tmp_path / "here").exit_code == 0
    with (
        xr.open_dataset(tmp_path / "there" / "maps.nc") as a,
        xr.open_dataset(tmp_path / "here" / "maps.nc") as b,
    ):
        for name in ("signal", "signal_sd", "loudness"):
            np.testing.assert_allclose(a[name], b[name], rtol=1e-12, atol=1e-12)


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:1", "127.0.0.1", "nowhere"])
def test_an_address_where_nothing_answers_is_one_line(survey_folder, tmp_path, address) -> None:
    pytest.importorskip("distributed")
    result = detect(survey_folder, tmp_path / "out", "--cluster", address)
    assert result.exit_code == 2
    (line,) = result.stderr.splitlines()
    assert line.startswith(f"--cluster: no scheduler answers at {address}")
    assert not (tmp_path / "out").exists()


def test_a_scheduler_without_workers_is_one_line(survey_folder, tmp_path, monkeypatch) -> None:
    distributed = pytest.importorskip("distributed")
    monkeypatch.setattr("detect.cluster.PATIENCE_S", 1.0)
    empty = distributed.LocalCluster(
        n_workers=0, processes=False, dashboard_address=None, protocol="tcp"
    )
    with empty:
        result = detect(survey_folder, tmp_path / "out", "--cluster", empty.scheduler_address)
    assert result.exit_code == 2
    assert "has no workers" in result.stderr


def test_without_the_extra_it_says_what_to_install(survey_folder, tmp_path, monkeypatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    result = detect(survey_folder, tmp_path / "out", "--cluster", "tcp://127.0.0.1:8786")
    assert result.exit_code == 2
    (line,) = result.stderr.splitlines()
    assert "detect[cluster]" in line
