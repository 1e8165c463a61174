"""Ranks, their intervals and what keeps a square out of the order."""

import numpy as np
import pandas as pd
import pytest

from detect.squares import (
    EffortRates,
    coin_tosses,
    rank_squares,
    realised_scores,
    weight_sensitivity,
)
from detect.squares.effort import sediment_volume
from detect.squares.sources import draw_normal


def squares(count=12, status=None):
    names = [f"{chr(65 + i)}1" for i in range(count)]
    return pd.DataFrame(
        {
            "square": names,
            "e_min": 2.0 * np.arange(count),
            "n_min": 0.0,
            "size_m": 2.0,
            "status": status if status is not None else ["open"] * count,
            "why": np.where(
                np.array(status if status is not None else ["open"] * count) == "open",
                "",
                "fragile timbers",
            ),
            "loudness_mean": np.linspace(0.5, 3.0, count),
            "loudness_sd": 0.3,
            "loudness_threshold": np.arcsinh(3.0),
            "signal_mean": np.linspace(1, 12, count),
            "signal_sd": 1.0,
            "p_above": 0.5,
            "p_contact": 0.4,
            "overburden_m": 0.5,
            "overburden_sd_m": 0.1,
            "pod": 0.9,
            "surveyed_fraction": 1.0,
            "effort_h": 8.0,
            "sediment_m3": 2.0,
        }
    )


def draws(count=12, realisations=4000, sd=2.0, seed=0):
    rng = np.random.default_rng(seed)
    signal = np.linspace(1, 12, count) + rng.normal(0, sd, (realisations, count))
    return {"signal": signal}


def test_certain_evidence_gives_certain_ranks():
    out = rank_squares(squares(), draws(sd=1e-9), {"signal": 1.0}, top_k=3)
    assert list(out["rank"]) == list(range(1, 13))
    assert out["square"].iloc[0] == "L1"
    assert (out["rank_p05"] == out["rank"]).all()
    assert (out["rank_p95"] == out["rank"]).all()
    np.testing.assert_array_equal(out["p_top_k"], [1, 1, 1] + [0] * 9)


def test_p_top_k_of_two_squares_is_the_chance_that_one_beats_the_other():
    # X ~ N(0, 1) against Y ~ N(1, 1): P(X > Y) = Phi(-1 / sqrt 2) (closed form)
    from scipy.stats import norm

    rng = np.random.default_rng(3)
    drawn = {"signal": rng.normal([0.0, 1.0], 1.0, (40_000, 2))}
    out = rank_squares(squares(2), drawn, {"signal": 1.0}, top_k=1).set_index("square")
    expected = norm.cdf(-1 / np.sqrt(2))
    assert out.loc["A1", "p_top_k"] == pytest.approx(expected, abs=0.01)
    assert out["p_top_k"].sum() == pytest.approx(1.0)


def test_top_k_chances_add_up_to_k_and_intervals_hold_the_rank():
    out = rank_squares(squares(), draws(), {"signal": 1.0}, top_k=5)
    assert out["p_top_k"].sum() == pytest.approx(5.0)
    assert (out["rank_p05"] <= out["rank"]).all()
    assert (out["rank_p95"] >= out["rank"]).all()


def test_kept_out_squares_are_shown_and_never_ranked():
    status = ["open"] * 9 + ["reserve", "excluded", "unsurveyed"]
    table = squares(status=status)
    table.loc[11, "surveyed_fraction"] = 0.1
    out = rank_squares(table, draws(), {"signal": 1.0}, top_k=3)
    assert len(out) == 12
    kept_out = out[out["status"] != "open"]
    assert kept_out[["rank", "score", "rank_p05", "rank_p95", "p_top_k"]].isna().all().all()
    assert list(out["rank"].dropna()) == list(range(1, 10))
    reasons = kept_out.set_index("status")["reason"]
    assert "those who come later" in reasons["reserve"]
    assert "fragile timbers" in reasons["excluded"]
    assert "10 %" in reasons["unsurveyed"]
    assert "nothing is known" in reasons["unsurveyed"]


def test_scores_do_not_depend_on_units():
    rng = np.random.default_rng(5)
    drawn = {"contact": rng.uniform(size=(200, 12)), "overburden": rng.uniform(size=(200, 12))}
    weights = {"contact": 0.7, "overburden": 0.3}
    metres = realised_scores(drawn, weights)
    feet = realised_scores({**drawn, "overburden": drawn["overburden"] / 0.3048}, weights)
    np.testing.assert_allclose(metres, feet, rtol=1e-9, atol=1e-12)


def test_overburden_counts_against_a_square():
    drawn = {"overburden": np.tile([0.2, 0.9], (50, 1))}
    out = rank_squares(squares(2), drawn, {"overburden": 1.0}, top_k=1)
    assert out["square"].iloc[0] == "A1"


def test_weights_share_out_where_evidence_is_missing_but_not_where_there_is_none():
    only_signal = realised_scores(draws(), {"signal": 0.6, "contact": 0.4})
    np.testing.assert_allclose(only_signal, realised_scores(draws(), {"signal": 1.0}))
    with pytest.raises(ValueError, match="no evidence"):
        realised_scores(draws(), {"contact": 1.0})


def test_the_reason_carries_the_figures():
    out = rank_squares(squares(), draws(), {"signal": 1.0}, top_k=3, threshold=4.0)
    reason = out["reason"].iloc[0]
    # sinh(3) / 3 is 3.3 times the threshold; 12 / 4 is 3
    assert "typically 3.3, on average 3.0 times the threshold" in reason
    assert "40 % likely" in reason
    assert "0.50 ± 0.10 m" in reason
    assert "of 12" in reason


def test_the_reason_names_the_metal_and_what_may_be_ordnance():
    table = squares().assign(strength=14.2, strength_sd=9.6, strong_anomalies="A01 A02")
    reason = rank_squares(table, draws(), {"signal": 1.0}, top_k=3)["reason"].iloc[0]
    assert "metal as of 14 ± 10 reference targets" in reason
    assert "Mind: A01, A02 may be ordnance, not to be probed or dug before they are" in reason
    little = table.assign(strength=0.34, strength_sd=0.3, strong_anomalies="A01")
    reason = rank_squares(little, draws(), {"signal": 1.0}, top_k=3)["reason"].iloc[0]
    assert "metal as of 0.3 ± 0.3 reference targets" in reason
    assert "A01 may be ordnance, not to be probed or dug before it is cleared" in reason
    none = rank_squares(squares(), draws(), {"signal": 1.0}, top_k=3)["reason"].iloc[0]
    assert "metal" not in none
    assert "ordnance" not in none


def test_draws_have_the_covariance_asked_for():
    covariance = np.array([[2.0, 1.2], [1.2, 1.0]])
    drawn = draw_normal(np.array([3.0, -1.0]), covariance, 100_000, np.random.default_rng(1))
    np.testing.assert_allclose(drawn.mean(axis=0), [3, -1], atol=0.02)
    np.testing.assert_allclose(np.cov(drawn.T), covariance, atol=0.03)


def test_effort_is_sediment_over_rate_and_what_comes_before_and_after():
    # 2 x 2 m under 0.5 m is 2 m³; at 0.25 m³ an hour that is 8 h; 0.5 h to set up, 1 h to record,
    # 2 h to put 2 m³ back at 1 m³ an hour
    sediment = sediment_volume(2.0, np.array([0.5, -0.1]))
    np.testing.assert_allclose(sediment, [2.0, 0.0])
    np.testing.assert_allclose(EffortRates(0.25).hours(sediment), [8.0, 0.0])
    np.testing.assert_allclose(EffortRates(0.25, 0.5, 1.0, 1.0).hours(sediment), [11.5, 1.5])


def test_expected_place_lies_between_the_ends_of_its_interval():
    out = rank_squares(squares(), draws(), {"signal": 1.0}, top_k=5)
    assert out["rank_mean"].sum() == pytest.approx(12 * 13 / 2)
    assert ((out["rank_p05"] <= out["rank_mean"]) & (out["rank_mean"] <= out["rank_p95"])).all()


def test_a_coin_toss_is_named_and_a_clear_order_is_not():
    # P(X > Y) = Phi(0.1 / sqrt 2) = 0.528 for X ~ N(0.1, 1), Y ~ N(0, 1) (closed form)
    rng = np.random.default_rng(3)
    score = rng.normal([5.0, 0.1, 0.0, -5.0], 1.0, (40_000, 4))
    table = coin_tosses(["A1", "B1", "C1", "D1"], score, top_k=2)
    assert table[["square", "other"]].to_numpy().tolist() == [["B1", "C1"]]
    assert table["p_first"].iloc[0] == pytest.approx(0.528, abs=0.01)


def test_squares_best_in_all_evidence_are_chosen_whatever_the_weights():
    means = {"signal": [3.0, 2.0, 0.0, 0.0], "contact": [0.9, 0.1, 0.5, 0.1]}
    drawn = {name: np.tile(values, (10, 1)) for name, values in means.items()}
    tried = weight_sensitivity(squares(4), drawn, {"signal": 0.5, "contact": 0.5}, top_k=2)
    share = tried.set_index("square")["chosen_share"]
    assert share["A1"] == 1.0
    assert 0.0 < share["B1"] < 1.0
    assert share["D1"] == 0.0
    assert share.sum() == pytest.approx(2.0)
    alone = weight_sensitivity(squares(4), drawn, {"signal": 1.0}, top_k=2)
    assert set(alone["chosen_share"]) <= {0.0, 1.0}


def test_the_reason_says_what_to_mind_before_opening():
    table = squares()
    table.loc[11, ["surveyed_fraction", "pod", "why"]] = [0.8, 0.7, "part of it is kept out, net"]
    weights = {"signal": 1.0}
    reason = rank_squares(table, draws(sd=0.1), weights, 3, required_pod=0.8)["reason"].iloc[0]
    assert reason.endswith(
        "Mind: 20 % of it was not surveyed; POD 0.70 is below the 0.8 asked for; "
        "part of it is kept out, net."
    )
