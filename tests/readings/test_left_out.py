"""A conditioning step is judged by how left-out lanes are predicted: help, harm, neither."""

import numpy as np
import pandas as pd
import pytest

from detect.readings.conditioning import STEPS, condition
from detect.readings.left_out import judge, lane_errors
from detect.readings.steps import StepRecord


def field(levels=(0.0,) * 8, seed=0):
    """Lanes a metre apart over one smooth hill, each at its own level, noise of 1."""
    rng = np.random.default_rng(seed)
    e, n = (x.ravel() for x in np.meshgrid(np.arange(8.0), np.arange(0, 20, 0.25), indexing="ij"))
    hill = 30.0 * np.exp(-((e - 3.5) ** 2 + (n - 10.0) ** 2) / 8.0)
    return pd.DataFrame(
        {
            "lane": e.astype(int).astype(str),
            "track": e.astype(int),
            "e": e,
            "n": n,
            "distance_m": n,
            "signal": hill + rng.normal(0, 1, e.size) + np.array(levels)[e.astype(int)],
            "used": True,
            "dropped": "",
        }
    )


def test_the_prediction_is_the_weighted_mean_of_other_lanes():
    # two lanes, one reading each but for the eight beside: by hand, weights 1 / distance^2
    others = pd.DataFrame({"lane": "B", "e": 1.0, "n": np.arange(8) * 0.2, "signal": 0.0})
    others["signal"] = np.arange(8.0)
    one = pd.DataFrame({"lane": "A", "e": [0.0], "n": [0.0], "signal": [2.0]})
    readings = pd.concat([one, others], ignore_index=True).assign(used=True)
    loud = np.arcsinh(readings["signal"] - readings["signal"].median())
    weight = 1.0 / (1.0 + (np.arange(8) * 0.2) ** 2)
    by_hand = abs(float(weight @ loud[1:] / weight.sum()) - loud[0])
    assert lane_errors(readings, 1.0)["A"] == pytest.approx(by_hand)


def test_levels_taken_out_help():
    levels = np.array([4.0, -3.0, 2.0, 5.0, -4.0, 1.0, -2.0, 3.0])
    verdict = judge(field(levels), field(), 1.0)
    assert verdict.keep
    assert verdict.after < verdict.before
    assert verdict.said.startswith("helps")


def test_levels_put_in_do_harm_and_are_left_off():
    levels = np.array([4.0, -3.0, 2.0, 5.0, -4.0, 1.0, -2.0, 3.0])
    verdict = judge(field(), field(levels), 1.0)
    assert not verdict.keep
    assert "LEFT OFF" in verdict.said


def test_nothing_changed_makes_no_difference():
    verdict = judge(field(), field(), 1.0)
    assert verdict.gain == 0.0
    assert verdict.keep


def test_one_lane_cannot_be_judged():
    readings = field()
    verdict = judge(readings[readings["track"] == 0], readings[readings["track"] == 0], 1.0)
    assert verdict.keep
    assert "not judged" in verdict.said


def test_a_harmful_step_leaves_the_readings_as_they_were(monkeypatch):
    levels = np.array([4.0, -3.0, 2.0, 5.0, -4.0, 1.0, -2.0, 3.0])

    def spoil(readings, detector):
        shift = levels[readings["track"].to_numpy()]
        spoiled = readings.assign(signal=readings["signal"] + shift)
        return spoiled, StepRecord("spoil", {}, len(readings), 0, {}, {}, "spoiled")

    monkeypatch.setitem(STEPS, "spoil", spoil)
    out, (record,), _ = condition(field(), ["spoil"], None)
    assert not record.kept
    # it did nothing, and says so before what it would have done
    assert (record.changed, record.dropped, record.after) == (0, 0, record.before)
    assert record.said.startswith("LEFT OFF")
    assert record.said.endswith("(as tried: spoiled)")
    pd.testing.assert_series_equal(out["signal"], field()["signal"], check_names=False)
