"""A regional trend: planted planes come back, metal and broad anomalies stay."""

import json

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from detect.cli import main
from detect.readings.conditioning import condition, remove_levels
from detect.readings.left_out import judge
from detect.readings.steps import prepare
from detect.readings.trend import fit_plane, lower_plane, remove_trend

PLANE = (0.3, -0.5)


def site(seed, plane=(0.0, 0.0), levels_sd=0.0, hill=None, metal=0):
    """Lanes north a metre apart, noise 1, and which readings hold no metal (`quiet`)."""
    rng = np.random.default_rng(seed)
    e, n = (
        a.ravel() for a in np.meshgrid(np.arange(21.0), np.arange(0, 30.01, 0.25), indexing="ij")
    )
    lane = e.astype(int)
    heard = np.zeros(e.size)
    for e0, n0, peak in zip(
        rng.uniform(0, 20, metal),
        rng.uniform(0, 30, metal),
        rng.lognormal(3, 1, metal),
        strict=True,
    ):
        heard += peak / (1.0 + ((e - e0) ** 2 + (n - n0) ** 2) / 0.5**2) ** 3
    if hill is not None:
        peak, e0, n0, width = hill
        heard += peak * np.exp(-((e - e0) ** 2 + (n - n0) ** 2) / (2.0 * width**2))
    signal = heard + plane[0] * e + plane[1] * n + rng.normal(0, 1, e.size)
    return pd.DataFrame(
        {
            "lane": lane, "pass": "1", "track": lane, "direction": "out", "dive": "1",
            "time_s": np.nan, "distance_m": n, "e": e, "n": n, "heading_deg": 0.0,
            "at_full_scale": False, "signal": signal + rng.normal(0, 1, 21)[lane] * levels_sd,
            "quiet": heard < 0.1, "heard": heard,
        }
    )  # fmt: skip


def test_the_first_plane_is_the_regression_quantile():
    """With a constant alone it is the lower quartile (numpy); tilted, it tilts with the readings.

    Shifting and tilting: Koenker and Bassett 1978, theorem 3.2 (from memory).
    """
    values = np.random.default_rng(1).lognormal(0, 1, 101)
    one = np.ones((101, 1))
    assert lower_plane(one, values)[0] == pytest.approx(np.quantile(values, 0.25))
    x = np.column_stack([np.ones(101), np.linspace(-1, 1, 101)])
    flat, tilted = lower_plane(x, values), lower_plane(x, values + x @ [3.0, -40.0])
    np.testing.assert_allclose(tilted - flat, [3.0, -40.0], atol=1e-8)


@pytest.mark.parametrize("levels_sd", [0.0, 1.5])
def test_a_plane_under_metal_is_that_of_least_squares_on_readings_known_to_be_quiet(levels_sd):
    readings = prepare(site(3, PLANE, levels_sd, metal=60))
    out, record = remove_trend(readings)
    quiet = readings[readings["quiet"]]
    x = np.column_stack([np.ones(len(quiet)), quiet[["e", "n"]]])
    known = np.linalg.lstsq(x, quiet["signal"], rcond=None)[0][1:]
    found = np.array([record.parameters["gradient_e"], record.parameters["gradient_n"]])
    sd = np.array([record.parameters["sd_e"], record.parameters["sd_n"]])
    assert (np.abs(found - known) < 2 * sd).all()
    assert (np.abs(found - PLANE) < 3 * sd).all()
    assert (sd < 0.1).all()
    # taken about the middle of the site: its level stays
    assert out["signal"].mean() == pytest.approx(readings["signal"].mean())
    assert record.changed == len(readings)


def test_standard_errors_are_those_of_many_surveys():
    """Root mean square of error over standard error, 30 surveys: 0.7 to 1, give or take."""
    off = []
    for seed in range(30):
        readings = site(seed, PLANE, levels_sd=1.0)
        plane = fit_plane(readings, 1.0)
        off.append((plane.gradient - PLANE) / plane.sd)
    rms = np.sqrt(np.mean(np.square(off), axis=0))
    assert ((rms > 0.4) & (rms < 1.25)).all(), rms


def test_a_site_without_trend_is_left_alone():
    for seed in range(6):
        readings = prepare(site(seed, levels_sd=1.0, metal=40))
        out, record = remove_trend(readings)
        p = record.parameters
        assert abs(p["gradient_e"]) < 3 * p["sd_e"]
        assert abs(p["gradient_n"]) < 3 * p["sd_n"]
        assert record.changed == 0
        assert "not applied" in record.said
        pd.testing.assert_series_equal(out["signal"], readings["signal"])


@pytest.mark.parametrize(("peak", "width"), [(15.0, 2.0), (15.0, 3.0), (40.0, 3.0)])
def test_a_broad_anomaly_is_not_taken_for_trend(peak, width):
    """Felt over 14 m of a site of 20 m, off its middle; plain least squares tilts eight-fold."""
    readings = site(4, hill=(peak, 5.0, 8.0, width))
    plane = fit_plane(readings, 1.0)
    x = np.column_stack([np.ones(len(readings)), readings[["e", "n"]]])
    plain = np.linalg.lstsq(x, readings["signal"], rcond=None)[0][1:]
    assert np.hypot(*plane.gradient) < np.hypot(*plain) / 8
    out, _ = remove_trend(prepare(readings))
    taken = readings["signal"] - out["signal"]
    assert np.ptp(taken) < 0.5  # of the noise, from corner to corner


def test_levels_first_take_a_trend_across_the_lanes():
    readings = prepare(site(5, (0.5, 0.0)))
    levelled, _ = remove_levels(readings, None)
    assert remove_trend(readings)[1].changed > 0
    assert remove_trend(levelled)[1].changed == 0


def test_too_few_tracks_tell_no_trend():
    readings = site(6, PLANE)
    _, record = remove_trend(prepare(readings[readings["track"] < 5]))
    assert record.changed == 0
    assert "too few tracks" in record.said
    none, record = remove_trend(prepare(readings.iloc[:0]))
    assert record.changed == 0
    assert none.empty


def test_left_out_lanes_judge_a_trend_where_readings_stand_after_it():
    """Without the ground, steps that bring readings near zero, where loudness is steep, do harm."""
    readings = site(7, PLANE, metal=60)
    out, (record,), _ = condition(readings, ["trend"], None)
    assert record.kept
    assert record.left_out_after <= record.left_out_before
    before = prepare(readings)
    assert not judge(before, out, 1.0).keep
    # a trend that is not there, put in: lanes at the edge are predicted worse
    tilted = out.assign(signal=out["signal"] + 4.0 * out["e"])
    assert not judge(out, tilted, 1.0, out["signal"] - tilted["signal"]).keep


def test_the_map_says_what_trend_was_taken_out(tmp_path):
    folder = tmp_path / "mole_end"
    folder.mkdir()
    (folder / "survey.toml").write_text(
        "[area]\noutline = [[0, 0], [20, 0], [20, 30], [0, 30]]\n"
        '[readings]\nfile = "readings.csv"\n'
        '[mapping]\nnode_m = 2.0\nneighbours = 12\nconditioning = ["trend", "levels"]\n'
        'variogram = {model = "exponential", nugget = 0.5, partial_sill = 0.5, range_m = 2.0}\n'
    )
    readings = site(8, PLANE, 1.0)
    readings = readings[readings["n"] % 1.0 == 0]
    readings[["lane", "e", "n", "signal"]].to_csv(folder / "readings.csv", index=False)
    out = tmp_path / "out"
    ran = CliRunner().invoke(main, ["map", str(folder), "--out", str(out)])
    assert ran.exit_code == 0, ran.output
    assert "trend: a plane taken out" in ran.output
    trend, levels = json.loads((out / "map.json").read_text())["conditioning"]
    assert (trend["step"], trend["kept"], levels["step"]) == ("trend", True, "levels")
    for name, planted in zip(("e", "n"), PLANE, strict=True):
        off = trend["parameters"][f"gradient_{name}"] - planted
        assert abs(off) < 3 * trend["parameters"][f"sd_{name}"]
