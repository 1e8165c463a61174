"""After opening: scores against published values, and weights that learn slowly."""

import numpy as np
import pandas as pd
import pytest

from detect.squares.opened import (
    brier_score,
    calibration,
    learn_weights,
    rank_correlations,
    score_forecast,
    wilson,
)


def test_brier_score_by_hand():
    # Brier 1950: (0.1² + 0.4² + 0.3²) / 3
    chance, came = np.array([0.9, 0.4, 0.7]), np.array([True, False, True])
    assert brier_score(chance, came) == pytest.approx((0.01 + 0.16 + 0.09) / 3)


def test_rank_correlations_of_published_tables():
    # check_values.md 8: Kendall tau-b -0.4714045208; Spearman of IQ and hours -29/165, Kendall -1/9
    x, y = pd.Series([12, 2, 1, 12, 2]), pd.Series([1, 4, 7, 1, 0])
    assert rank_correlations(x, y)[1] == pytest.approx(-0.4714045208)
    iq = pd.Series([106, 100, 86, 101, 99, 103, 97, 113, 112, 110])
    hours = pd.Series([7, 27, 2, 50, 28, 29, 20, 12, 6, 17])
    spearman, kendall = rank_correlations(iq, hours)
    assert spearman == pytest.approx(-29 / 165)
    assert kendall == pytest.approx(-1 / 9)
    assert np.isnan(rank_correlations(x.head(2), y.head(2))[0])


def test_wilson_interval():
    # 95 % of 10 in 20: 0.2993 to 0.7007 (closed form: 0.5 ± z sqrt(5 + z²/4) / (20 + z²))
    z = 1.959963985
    half = z * np.sqrt(5 + z**2 / 4) / (20 + z**2)
    np.testing.assert_allclose(wilson(10, 20, 0.95), (0.5 - half, 0.5 + half))
    assert wilson(0, 5)[0] == 0.0


def world(seed=0, count=150):
    """Evidence of three kinds; only the first has to do with what lies there."""
    rng = np.random.default_rng(seed)
    z = rng.normal(size=(3, count))
    finds = rng.poisson(np.exp(0.5 + 1.2 * z[0]))
    evidence = dict(zip(("signal", "contact", "overburden"), z, strict=True))
    return evidence, finds.astype(float)


WEIGHTS = {"signal": 0.4, "contact": 0.4, "overburden": 0.2}


@pytest.mark.parametrize("opened", [1, 2, 3])
def test_few_squares_move_the_weights_little(opened):
    moves = []
    for seed in range(40):
        evidence, finds = world(seed)
        found = learn_weights(evidence, np.arange(opened), finds[:opened], WEIGHTS)
        moves.append(np.abs(found["learned"] - found["weight"]).max())
    # of weights of 0.2 to 0.4, where the truth is 1 and 0
    assert np.mean(moves) < 0.06
    assert np.max(moves) < 0.2


def test_many_squares_find_the_evidence_that_tells():
    evidence, finds = world()
    found = learn_weights(evidence, np.arange(120), finds[:120], WEIGHTS).set_index("evidence")
    assert found.loc["signal", "learned"] > 0.7
    assert found["learned"].sum() == pytest.approx(1.0)
    assert found.loc["signal", "spearman"] > 0.5


def test_with_a_flat_prior_it_would_be_least_squares(monkeypatch):
    # with n0 -> 0 the mean of beta is the least-squares solution (numpy)
    from detect.squares import opened as module

    monkeypatch.setattr(module, "PRIOR_SQUARES", 1e-9)
    evidence, finds = world()
    found = learn_weights(evidence, np.arange(150), finds, WEIGHTS)
    y = np.log1p(finds)
    y = (y - y.mean()) / y.std(ddof=1)
    z = np.column_stack([np.ones(150), *evidence.values()])
    beta = np.clip(np.linalg.lstsq(z, y, rcond=None)[0][1:], 0, None)
    np.testing.assert_allclose(found["learned"], beta / beta.sum(), atol=1e-6)


def test_how_surely_a_weight_is_known_stays_within_the_weights_and_grows_with_squares():
    evidence, finds = world()
    spreads = [
        learn_weights(evidence, np.arange(n), finds[:n], WEIGHTS)["learned_sd"].to_numpy()
        for n in (2, 120)
    ]
    assert (spreads[0] > spreads[1]).all()
    # a weight between 0 and 1 deviates by half at most
    assert (spreads[0] < 0.5).all()
    assert (spreads[1] < 0.15).all()


def test_overburden_is_scored_where_it_was_measured():
    squares = pd.DataFrame(
        {
            "square": ["A1", "A2", "A3"],
            **dict.fromkeys(("rank", "score", "p_above", "p_contact", "p_top_k"), 0.5),
            "overburden_m": 0.5,
            "overburden_sd_m": 0.1,
        }
    )
    opened = pd.DataFrame({"square": ["A1", "A2", "A3"], "finds": [2.0, 0.0, 0.0]}).assign(
        metal_finds=0.0, overburden_m=[0.4, np.nan, np.nan]
    )
    score = score_forecast(squares, opened)
    assert score.overburden_known == 1
    assert score.overburden_bias_m == pytest.approx(0.1)
    assert score.overburden_held == 1.0
    # without a detector the chance of metal is not known, and is not scored
    assert "metal was found" not in score.brier
    none = score_forecast(squares, opened.assign(overburden_m=np.nan))
    assert none.overburden_known == 0
    assert np.isnan([none.overburden_bias_m, none.overburden_held]).all()


def test_nothing_is_learnt_from_squares_that_held_the_same():
    evidence, _ = world()
    found = learn_weights(evidence, np.arange(5), np.full(5, 2.0), WEIGHTS)
    np.testing.assert_allclose(found["learned"], found["weight"])


def test_a_forecast_is_scored_where_squares_were_opened():
    squares = pd.DataFrame(
        {
            "square": ["A1", "A2", "A3", "A4"],
            "rank": pd.array([1, 2, 3, 4], dtype="Int64"),
            "score": [2.0, 1.0, 0.5, -1.0],
            "p_above": [0.0, 0.1, 0.9, 0.9],
            "p_metal": [0.9, 0.8, 0.2, 0.1],
            "p_contact": [0.8, 0.6, 0.4, 0.1],
            "p_top_k": [0.9, 0.5, 0.1, 0.0],
            "overburden_m": [0.5, 0.6, 0.7, 0.8],
            "overburden_sd_m": 0.1,
        }
    )
    opened = pd.DataFrame(
        {
            "square": ["A1", "A2", "A3"],
            "finds": [7.0, 3.0, 0.0],
            "metal_finds": [4.0, 0.0, 0.0],
            "overburden_m": [0.45, 0.60, 1.2],
        }
    )
    score = score_forecast(squares, opened)
    assert score.brier["metal was found"]["brier"] == pytest.approx((0.01 + 0.64 + 0.04) / 3)
    assert score.spearman == pytest.approx(1.0)
    assert score.overburden_bias_m == pytest.approx((0.05 + 0.0 - 0.5) / 3)
    assert score.overburden_held == pytest.approx(2 / 3)
    table = calibration(score.table)
    assert table["squares"].sum() == 6
    assert (table["share"] - table["low"] > -1e-9).all()
    assert (table["high"] - table["share"] > -1e-9).all()
