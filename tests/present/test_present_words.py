"""Sentences with none, one and many in them, as people say them."""

import pandas as pd
import pytest

from detect import square_words, summaries
from detect.lanes import count_lanes
from detect.present.advice import plan_said, tosses_said
from detect.present.director import ordnance_said, summarise
from detect.present.words import best, counted, hours, lanes_in_words, listed, ranged


def test_counts_take_their_noun():
    assert [counted(n, "gap") for n in (0, 1, 2)] == ["no gaps", "1 gap", "2 gaps"]
    assert counted(1, "coin toss", "coin tosses") == "1 coin toss"
    assert counted(0, "coin toss", "coin tosses") == "no coin tosses"
    assert [hours(h) for h in (0.0, 1.0, 2.5)] == ["0 hours", "1 hour", "2.5 hours"]
    assert [best(1), best(10)] == ["the best square", "the best 10"]
    assert [ranged(1, 1), ranged(2, 9)] == ["1", "2 to 9"]
    assert listed(["A", "B", "C"]) == "A, B and C"


def test_lanes_that_keep_outs_cut_are_told_by_their_names_and_their_parts():
    """By hand: L01, L02a, L02b, X01a, X01b are two lanes and a cross lane in five parts."""
    assert count_lanes(["L01", "L02a", "L02b", "X01a", "X01b"]) == (2, 1, 5)
    assert lanes_in_words(2, 1, 5) == "2 lanes and 1 cross lane in 5 parts"
    assert lanes_in_words(46, 0, 46) == "46 lanes"
    assert lanes_in_words(0, 2, 2) == "2 cross lanes"
    assert lanes_in_words(0, 0, 0) == "no lanes"


DIG = {
    "squares": ["E5", "F5"],
    "hours": 11.0,
    "budget_h": 40.0,
    "sediment_m3": 3.2,
    "merit": 4.0,
    "merit_down_the_list": 4.0,
    "gap": 0.0,
    "candidates": 6,
    "most_squares": 6,
    "cheapest_h": 5.0,
    "dive_day_h": 4.0,
    "next_day": ["G6"],
    "next_day_drops": ["F5"],
    "next_day_merit": 0.4,
    "next_day_top_k": -0.2,
}


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({}, "Within the hours no plan is better; taking squares from the top of the list is"),
        ({"merit_down_the_list": 0.0}, "taken from the top of the list, the first does not fit."),
        (
            {},
            "One more dive day of 4 h would open G6 and leave F5 closed: worth 10 % more, with "
            "0.2 fewer of the best squares expected.",
        ),
        ({"next_day_merit": 0.01, "next_day_top_k": 0.0}, "closed: worth hardly more."),
        ({"next_day": [], "next_day_drops": []}, "4 h would open no other square."),
    ],
)
def test_a_dig_plan_and_one_more_day_in_words(changes, said):
    assert said in " ".join(plan_said(DIG | changes))


COST = {
    "hours_p05": 8.2,
    "hours_p95": 14.1,
    "sediment_p05_m3": 2.0,
    "sediment_p95_m3": 5.1,
    "overrun": 0.0,
}


@pytest.mark.parametrize(
    ("overrun", "said"),
    [
        (0.0, "8 to 14 h and 2.0 to 5.1 m³ with 90 %; that is within the hours there are."),
        (0.12, "with 90 %; in 12 of 100 draws it takes more than the hours there are."),
    ],
)
def test_what_the_plan_may_come_to(overrun, said):
    assert said in plan_said(DIG | {"cost": COST | {"overrun": overrun}})[0]


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"budget_h": 0.0}, "No square fits within 0 h: the cheapest of 6 candidates takes 5.0 h."),
        (
            {"budget_h": 0.0, "candidates": 1, "next_day_top_k": 0.9},
            "the only candidate takes 5.0 h. One more dive day of 4 h would open G6: 0.9 "
            "of the best squares expected.",
        ),
        ({"candidates": 0, "next_day": []}, "nothing is planned to be opened, whatever the hours."),
        ({"most_squares": 0, "next_day": []}, "4 h would open no square."),
        ({"gap": float("nan")}, "ran out of time"),
    ],
)
def test_without_a_plan_it_says_why_and_still_what_a_day_would_buy(changes, said):
    assert said in " ".join(plan_said(DIG | {"squares": [], "next_day_drops": []} | changes))


@pytest.mark.parametrize(
    ("count", "said"),
    [
        (0, "No two squares"),
        (1, "10: A or B (50 in 100)."),
        (4, "A or B (50 in 100), A or B (50 in 100), A or B (50 in 100) and 1 more pair."),
        (5, "and 2 more pairs."),
    ],
)
def test_coin_tosses_are_counted(count, said):
    pairs = pd.DataFrame({"square": ["A"] * count, "other": "B", "p_first": 0.5})
    assert said in tosses_said(pairs, 10)[0]


def test_strong_anomalies_one_or_more():
    one, two = ordnance_said(["A01 in E5"]), ordnance_said(["A01 in E5", "A02 in F5"])
    assert "Strong anomaly: A01 in E5. It may be ordnance: report it" in one
    assert one.endswith("before it is cleared.")
    assert "A01 in E5 and A02 in F5. Any of them may be ordnance: report them" in two


RANK = {
    "squares": 150,
    "ranked": 63,
    "first": ["E5", "F5"],
    "top_k": 2,
    "expected_in_first": 1.7,
    "firm_in_top_k": 1,
    "dig": DIG,
    "strong_anomalies": ["A01 in E5"],
    "whatever_the_weights": [],
    "coin_tosses": [{}],
    "notes": [],
}


def test_the_ranking_in_lines():
    lines = square_words.rank_lines(RANK)
    assert lines[0] == "Rank: 63 of 150 squares ranked; the first 2: E5, F5"
    assert lines[1].endswith("among the best 2: 1.7; surely (in 90 of 100 draws or more): 1")
    assert lines[2] == "  within 40 hours: E5, F5 (11.0 h, 3.2 m³ of sediment)"
    assert "  whatever the weights near these: none; 1 coin toss about the last places" in lines
    assert "  before any digging: permits, and a licensed archaeologist" in lines


def test_nothing_ranked_and_one_square_ranked_in_lines():
    nothing = RANK | {"ranked": 0, "first": [], "dig": DIG | {"squares": [], "candidates": 0}}
    lines = square_words.rank_lines(nothing)
    assert lines[:2] == ["Rank: none of 150 squares ranked", "  within 40 hours: no square"]
    one = square_words.rank_lines(RANK | {"ranked": 1, "squares": 1, "first": ["E5"], "top_k": 1})
    assert one[0] == "Rank: 1 of 1 square ranked; the first: E5"
    assert "to be the best square: 1.7" in one[1]


LEARN = {
    "opened": 2,
    "finds": 1,
    "learnt_from": 2,
    "brier": {},
    "spearman": float("nan"),
    "overburden_known": 0,
    "overburden_bias_m": float("nan"),
    "overburden_held": float("nan"),
    "weights": [{"evidence": "signal", "weight": 0.4, "learned": 0.42, "learned_sd": 0.05}],
    "moved": 1,
    "first": ["E5", "F5"],
    "dig": DIG,
    "strong_anomalies": [],
    "notes": ["D4 was opened, though it was kept in reserve"],
}


def test_what_was_learnt_in_lines():
    lines = square_words.learn_lines(LEARN)
    assert lines[0] == "Learn: 2 squares opened, 1 find"
    assert "  overburden: measured in none of them" in lines
    assert "    signal: chosen 0.40, learnt 0.42 (standard deviation 0.05)" in lines
    assert (
        "  first 2 of what is left: E5, F5 (1 of them is not with the weights as chosen)" in lines
    )
    assert lines[-1].startswith("  note: D4 was opened")


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"opened": 1, "finds": 0, "learnt_from": 1}, "Learn: 1 square opened, no finds"),
        ({"learnt_from": 1}, "  weights stay as chosen: fewer than two opened squares had a rank"),
        (
            {"weights": [{"evidence": "signal", "weight": 1.0, "learned": 1.0, "learned_sd": 0.1}]},
            "  weights stay as chosen: the opened squares held the same, or say nothing new",
        ),
        ({"moved": 0}, "(the same with the weights as chosen)"),
        ({"moved": 2}, "(2 of them are not with the weights as chosen)"),
        ({"first": []}, "  no square is left to rank"),
        (
            {"overburden_known": 1, "overburden_bias_m": 0.1, "overburden_held": 1.0},
            "forecast less found +0.10 m in 1 square; 100 % lay in the 90 % interval",
        ),
        (
            {"overburden_known": 3, "overburden_bias_m": -0.1},
            "forecast less found -0.10 m on average in 3 squares",
        ),
    ],
)
def test_what_was_learnt_from_none_one_or_more(changes, said):
    assert said in "\n".join(square_words.learn_lines(LEARN | changes))


@pytest.mark.parametrize(
    ("gaps", "infill", "said"),
    [
        (0, 0, "no gaps: nothing to swim again"),
        (1, 0, "1 gap of 5.0 m²; no lane can close it"),
        (1, 1, "1 gap of 5.0 m²; 1 infill lane of 3 m on 1 dive to close what can be"),
        (2, 2, "2 gaps, 5.0 m² in all, the largest 4.0 m²; 2 infill lanes of 3 m in all on"),
        (2, 0, "; no lane can close them"),
    ],
)
def test_gaps_in_words(gaps, infill, said):
    facts = {
        "share_meeting_required": 0.9,
        "required_pod": 0.8,
        "burial_depth_m": 0.35,
        "mean_pod": 0.9,
        "gaps_for": ["gun"],
        "gaps": gaps,
        "gap_area_m2": 5.0,
        "largest_gap_m2": 4.0,
        "infill_lanes": infill,
        "infill_metres": 3.0,
        "infill_dives": infill and 1,
        "residual": [],
        "notes": [],
    }
    lines = summaries.check_lines(facts)
    assert lines[0].startswith("Check: gun, 0.35 m down: 90 % of the site")
    assert lines[1].startswith("  for gun, which must be found: ")
    assert said in lines[1]
    # What could remain stands beside what it takes for granted, and no gap reads as clear.
    assert "anywhere in the site, each place alike" in lines[2]
    assert any("no gap is clear until it is swum" in line for line in lines) == (gaps > 0)


def test_what_could_remain_of_a_class():
    one = {"target": "gun", "burial_depth_m": 0.8, "found": 0, "mean_pod": 1.0, "could_remain": 0.0}
    one |= {"required_pod": 0.8, "share_met": 1.0}
    assert summaries.residual_line(one) == (
        "gun, 0.8 m down, none found: mean POD 1.00, 0.8 or better on 100 % of the site; "
        "none could remain undetected (95 %)"
    )
    several = summaries.residual_line(one | {"found": 2, "could_remain": 1.0})
    assert "2 found: mean POD" in several
    assert "at most 1 could remain" in several


def squares(count):
    return pd.DataFrame(
        {
            "square": [f"E{i + 1}" for i in range(count)],
            "rank": range(1, count + 1),
            "rank_p05": 1,
            "rank_p95": 1,
            "p_top_k": 0.93,
            "status": "open",
            "effort_h": 4.0,
            "sediment_m3": 1.0,
            "order": range(1, count + 1),
        }
    )


def test_the_director_hears_of_one_square():
    said = summarise(squares(1), squares(1), top_k=1, budget_h=1.0)
    assert said.open_first == "Open E1: the choice that fits within the budget of 1 hour."
    assert said.firmness == (
        "Firm: it is the best square with a chance of 0.93. E1 ranks 1 of 1 (5 to 95 % of "
        "the draws)."
    )
    none = summarise(squares(1), None, top_k=1, budget_h=0.0)
    assert not none.planned
    assert none.open_first == (
        "No square is to be opened within the budget of 0 hours; the best ranked is E1."
    )


def test_the_director_hears_of_two_squares():
    said = summarise(squares(2), squares(2), top_k=10, budget_h=40.0)
    assert said.open_first.startswith("Open E1 and E2, in this order")
    assert said.firmness.startswith("Firm: 2 of these 2 are among the best 10 with a chance of 0.8")
