"""A rehearsal fitted: known truth, other people's fits, and tries that set no bound."""

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import minimize_scalar
from scipy.stats import norm

from detect.lanes import loop_field, response_ratio
from detect.lanes.trial import axis_distance, fit_trial
from detect.lanes.trial_design import bench_tries, lane_places, sheet_to_fill
from detect.lanes.trial_likelihood import Tries, alarm_probability, chances, mean_signal
from detect.lanes.unlikely import MOST_UNLIKELY, unlikely_tries
from detect.survey.settings import Detector

DIAMETER = 0.28
SHARES = (0.6, 0.8, 0.9, 1.0, 1.1, 1.25, 1.5)


def rehearsal(ranges, *, snr=3.5, noise=None, tries=10, seed=0, shares=SHARES, empty=20,
              lapse=0.0, scatter=0.0, offset=0.0):  # fmt: skip
    """Tries drawn from the coil's physics: air ranges by target, distances as shares of them."""
    rng = np.random.default_rng(seed)
    rows = [(t, offset, s * r) for t, r in ranges.items() for s in shares for _ in range(tries)]
    rows += [("none", 0.0, 1.0)] * empty
    table = pd.DataFrame(rows, columns=["target", "offset_m", "distance_to_coil_m"])
    ratio = np.array(
        [
            0.0
            if t == "none"
            else float(
                response_ratio(o, z, Detector(coil_diameter_m=DIAMETER, air_range_m=ranges[t]))
            )
            for t, o, z in rows
        ]
    )
    table["detected"] = (rng.random(len(rows)) < alarm_probability(ratio, snr, lapse)).astype(float)
    table["signal"] = np.nan
    if noise is not None:
        mean = mean_signal(ratio, snr, noise)
        table["signal"] = rng.normal(mean, np.hypot(noise, scatter * mean))
    return table


def test_the_truth_is_within_the_interval_19_times_in_20():
    """Twenty rehearsals of 70 tries; 95 % of 20 is 19, three sigma below is 16.1."""
    inside = 0
    for seed in range(20):
        fit = fit_trial(rehearsal({"nail": 0.5}, seed=seed), DIAMETER, draws=0)
        row = fit.targets.iloc[0]
        inside += row.low_m <= 0.5 <= row.high_m
    assert 16 <= inside <= 20


def test_signals_tell_threshold_and_noise():
    table = rehearsal(
        {"nail": 0.5, "gun": 1.2}, snr=3.5, noise=2.0, scatter=0.1, seed=3, lapse=0.02
    )
    fit = fit_trial(table, DIAMETER, draws=19)
    nail, gun = fit.targets.itertuples()
    assert nail.low_m < 0.5 < nail.high_m
    assert gun.low_m < 1.2 < gun.high_m
    for interval, truth in ((fit.threshold_snr, 3.5), (fit.noise, 2.0), (fit.threshold, 7.0)):
        assert interval.low < truth < interval.high
        assert interval.low < interval.estimate < interval.high
    assert fit.threshold.estimate == pytest.approx(
        fit.noise.estimate * fit.threshold_snr.estimate, rel=1e-6
    )
    assert fit.scatter == pytest.approx(0.1, abs=0.04)
    assert min(fit.p_heard, fit.p_signal) > 0.05
    # Signals narrow what was heard alone leaves open.
    alone = fit_trial(table.assign(signal=np.nan), DIAMETER, draws=0).targets.iloc[0]
    assert nail.high_m - nail.low_m < alone.high_m - alone.low_m


def test_many_quiet_signals_are_a_textbook_mean_and_deviation():
    """Empty hand only, signals: the noise is their root mean square about zero; one target far off
    and never heard adds nothing. Source: maximum likelihood of a normal law (textbook)."""
    rng = np.random.default_rng(1)
    table = pd.DataFrame(
        {
            "target": ["none"] * 400 + ["nail"] * 40,
            "offset_m": 0.0,
            "distance_to_coil_m": [1.0] * 400 + [0.30] * 20 + [0.42] * 20,
            "detected": [0.0] * 400 + [1.0] * 20 + [0.0] * 20,
        }
    )
    table["signal"] = rng.normal(0.0, 1.5, 440)
    table.loc[400:419, "signal"] += 60.0
    table.loc[420:, "signal"] += 60.0 * ((0.14**2 + 0.3**2) / (0.14**2 + 0.42**2)) ** 3
    fit = fit_trial(table, DIAMETER, draws=0)
    quiet = float(np.sqrt(np.mean(table["signal"][:400] ** 2)))
    assert fit.noise.estimate == pytest.approx(quiet, rel=0.05)
    # The interval of a deviation from some 440 readings: about 1 in sqrt(2 n) to each side.
    assert fit.noise.high / fit.noise.low == pytest.approx(
        np.exp(2 * 1.96 / np.sqrt(880)), rel=0.05
    )


def test_profile_interval_against_a_plain_one_dimensional_likelihood():
    """Many tries of a known coil with a very sharp and known threshold leave one parameter; its
    likelihood is written out here anew, on the axis formula."""
    distance = np.repeat([0.40, 0.44, 0.46, 0.48, 0.50, 0.52, 0.56, 0.60], 12)
    rng = np.random.default_rng(8)
    ratio = ((0.14**2 + 0.5**2) / (0.14**2 + distance**2)) ** 3
    heard = rng.random(len(distance)) < norm.cdf(4.0 * (ratio - 1.0))
    table = pd.DataFrame(
        {
            "target": "nail", "offset_m": 0.0, "distance_to_coil_m": distance,
            "detected": heard.astype(float), "signal": np.nan,
        }
    )  # fmt: skip
    fit = fit_trial(table, DIAMETER, draws=0)
    row = fit.targets.iloc[0]

    def profile(air_range):
        r = ((0.14**2 + air_range**2) / (0.14**2 + distance**2)) ** 3

        def worth(log_snr):
            p = np.clip(alarm_probability(r, float(np.exp(log_snr))), 1e-12, 1 - 1e-12)
            return -np.sum(np.log(np.where(heard, p, 1 - p)))

        return minimize_scalar(worth, bounds=(np.log(0.3), np.log(30.0)), method="bounded").fun

    least = minimize_scalar(profile, bounds=(0.4, 0.6), method="bounded")
    assert fit.lapse < 1e-3
    assert row.air_range_m == pytest.approx(least.x, abs=2e-3)
    for end in (row.low_m, row.high_m):
        # 1.92 = half of the 95 % quantile of chi-square with one degree of freedom; a lapse, were
        # there one, only widens.
        assert profile(end) - least.fun >= 1.92 - 0.02


def test_tries_off_the_axis_tell_the_same_air_range():
    fit = fit_trial(rehearsal({"nail": 0.5}, offset=0.12, seed=2, tries=20), DIAMETER, draws=0)
    row = fit.targets.iloc[0]
    assert row.low_m < 0.5 < row.high_m
    # Where it is as loud on the axis: the field itself says so.
    z = axis_distance(np.array([0.12]), np.array([0.45]), DIAMETER)
    off = np.hypot(*loop_field(0.14, 0.12, 0.45))
    assert float(loop_field(0.14, 0.0, z)[1][0]) == pytest.approx(float(off), rel=1e-9)


class TestNoBound:
    def test_all_heard_gives_a_least_air_range(self):
        fit = fit_trial(rehearsal({"nail": 0.5}, shares=(0.3, 0.4, 0.5)), DIAMETER, draws=0)
        row = fit.targets.iloc[0]
        assert row.heard == row.tries == 30
        assert np.isnan(row.air_range_m)
        assert np.isnan(row.high_m)
        assert 0.2 < row.low_m < 0.3
        assert any("at least" in note and "farther off" in note for note in fit.notes)

    def test_none_heard_gives_a_largest_air_range(self):
        fit = fit_trial(rehearsal({"nail": 0.5}, shares=(1.8, 2.2)), DIAMETER, draws=0)
        row = fit.targets.iloc[0]
        assert np.isnan(row.air_range_m)
        assert np.isnan(row.low_m)
        assert 0.6 < row.high_m < 1.0
        assert any("nearer" in note for note in fit.notes)
        assert not any("whatever the distance" in note for note in fit.notes)

    def test_a_gap_between_heard_and_missed_is_no_estimate_but_both_ends(self):
        fit = fit_trial(rehearsal({"nail": 0.5}, shares=(0.4, 0.5, 1.9, 2.3)), DIAMETER, draws=0)
        row = fit.targets.iloc[0]
        assert np.isnan(row.air_range_m)
        assert 0.2 < row.low_m < 0.3
        assert 0.85 < row.high_m < 1.0
        assert fit.threshold_snr.estimate is None
        assert fit.threshold_snr.low is not None
        assert any("try between" in note for note in fit.notes)

    def test_an_empty_hand_alone_is_no_rehearsal(self):
        with pytest.raises(ValueError, match="no try of any target"):
            fit_trial(rehearsal({}), DIAMETER)


def test_a_meter_at_its_limit_counts_as_at_least_that():
    free = rehearsal({"nail": 0.5}, noise=2.0, scatter=0.05, seed=6, tries=15)
    clipped = free.assign(signal=free["signal"].clip(upper=60.0))
    fit = fit_trial(clipped, DIAMETER, full_scale=60.0, draws=0)
    whole = fit_trial(free, DIAMETER, draws=0)
    wrong = fit_trial(clipped, DIAMETER, draws=0)
    truth = 7.0
    assert fit.threshold.low < truth < fit.threshold.high
    assert abs(fit.threshold.estimate - whole.threshold.estimate) < 1.0
    assert wrong.log_likelihood < fit.log_likelihood


def test_lapses_are_told_from_the_threshold():
    fit = fit_trial(rehearsal({"nail": 0.5}, lapse=0.15, tries=40, seed=9), DIAMETER, draws=0)
    assert fit.lapse == pytest.approx(0.15, abs=0.06)
    assert any("whatever the distance" in note for note in fit.notes)


def test_a_curve_that_does_not_fit_says_so():
    """Heard at half the distances near and far alike: no coil does that."""
    table = rehearsal({"nail": 0.5}, tries=20, empty=0)
    odd = table["distance_to_coil_m"].rank(method="dense") % 2 == 1
    fit = fit_trial(table.assign(detected=odd.astype(float)), DIAMETER, draws=39)
    assert fit.p_heard < 0.05
    assert fit.poor == (f"what was heard (p = {fit.p_heard:.3f})",)


class TestUnlikelyTries:
    def test_a_distance_in_centimetres_is_the_first_to_be_named(self):
        table = rehearsal({"nail": 0.5}, noise=2.0, seed=6)
        slipped = table["distance_to_coil_m"].idxmin()
        table.loc[slipped, "distance_to_coil_m"] *= 100.0
        fit = fit_trial(table, DIAMETER, draws=0)
        worst = unlikely_tries(fit, table, DIAMETER)
        assert worst.index[0] == slipped
        assert worst["chance"].is_monotonic_increasing
        assert len(worst) <= MOST_UNLIKELY

    def test_chances_are_those_of_the_law(self):
        # reference: scipy.stats.norm, at the fitted numbers; alarm_probability for what was heard
        table = rehearsal({"nail": 0.5}, noise=2.0, seed=7, scatter=0.1)
        fit = fit_trial(table, DIAMETER, draws=0)
        heard, signal, mean, spread = chances(fit.theta, Tries.of(table, DIAMETER, None))
        np.testing.assert_allclose(
            signal, 2.0 * norm.sf(np.abs(table["signal"] - mean), scale=spread), atol=1e-12
        )
        snr = fit.threshold_snr.estimate
        np.testing.assert_allclose(spread, np.hypot(fit.noise.estimate, fit.scatter * mean))
        share = alarm_probability(mean / mean_signal(1.0, snr, fit.noise.estimate), snr, fit.lapse)
        np.testing.assert_allclose(heard, np.where(table["detected"] == 1, share, 1 - share))
        assert np.mean(signal < 0.1) == pytest.approx(0.1, abs=0.08)

    def test_a_good_rehearsal_names_few(self):
        counts = []
        for seed in range(6):
            table = rehearsal({"nail": 0.5}, noise=2.0, seed=seed)
            fit = fit_trial(table, DIAMETER, draws=0)
            counts.append(len(unlikely_tries(fit, table, DIAMETER)))
        # 90 tries, two looks each: about one or two rarer than 1 in 100
        assert np.mean(counts) < 3.0


class TestLayout:
    def test_distances_straddle_the_air_range_in_mixed_order(self, coil):
        tries = bench_tries(coil())
        real = tries[tries["target"] == "reference"]["distance_to_coil_m"]
        assert real.min() <= 0.5 * 0.45 + 0.01
        assert real.max() >= 1.4 * 0.45
        assert (tries["target"] == "none").sum() >= 6
        assert not real.is_monotonic_increasing
        pd.testing.assert_frame_equal(tries, bench_tries(coil()))

    def test_places_keep_apart_and_lie_on_both_sides(self, coil):
        lane = lane_places(coil())
        assert np.diff(lane["along_m"]).min() >= 1.5
        own = lane[lane["target"] != "none"]["offset_m"]
        assert (own > 0).sum() == (own < 0).sum() > 0
        assert np.allclose(lane["distance_to_coil_m"], 0.10)

    def test_the_rows_to_fill_are_a_trial_table(self, coil):
        rows = sheet_to_fill(bench_tries(coil()), lane_places(coil()))
        assert list(rows.columns) == [
            "target", "offset_m", "distance_to_coil_m", "detected", "signal",
        ]  # fmt: skip
        assert (rows["detected"] == "").all()
