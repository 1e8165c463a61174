"""Sentences for the director: how sure, what worth, what next; and their pictures."""

import numpy as np
import pandas as pd
import pytest

from detect.present.advice import plan_said, survey_said, tosses_said, weights_said
from detect.present.charts import draw_calibration, draw_section, draw_weightings
from detect.present.labels import overlapping, text_box
from detect.probes.section import Section
from detect.squares.survey_next import COLUMNS

TRIED = pd.DataFrame(
    {
        "square": ["E5", "F5", "M6"],
        "chosen_share": [1.0, 0.97, 0.4],
        "best": [1, 2, 9],
        "worst": [2, 8, 14],
    }
)
DIG = {
    "squares": ["E5"],
    "merit": 4.0,
    "merit_down_the_list": 3.2,
    "gap": 0.0,
    "dive_day_h": 4.0,
    "budget_h": 40.0,
    "candidates": 2,
    "most_squares": 2,
    "cheapest_h": 5.0,
    "next_day": ["F5"],
    "next_day_drops": [],
    "next_day_merit": 1.0,
    "next_day_top_k": 0.9,
}


def test_squares_chosen_whatever_the_weights_are_named():
    said = weights_said(TRIED, ["E5", "F5", "M6"])
    assert said == [
        "Whatever the weights near the chosen ones: E5 and F5.",
        "Only with some of the weights tried: M6 (40 %).",
    ]
    assert weights_said(TRIED, []) == []


def test_a_coin_toss_is_said_and_its_absence_too():
    pairs = pd.DataFrame({"square": ["M6"], "other": ["F6"], "p_first": [0.53]})
    assert tosses_said(pairs, 10) == [
        "A coin toss, for the last of the best 10: M6 or F6 (53 in 100)."
    ]
    assert "No two squares" in tosses_said(pairs.head(0), 10)[0]


def test_the_plan_says_what_it_is_worth_and_what_a_day_would_buy():
    said = " ".join(plan_said(DIG))
    assert "no plan is better" in said
    assert "25 % more than taking squares from the top" in said
    assert "4 h would open F5: worth 25 % more, with 0.9 more of the best squares" in said
    assert "by more than 2.0 %" in plan_said(DIG | {"gap": 0.02})[0]
    assert "no other square" in plan_said(DIG | {"next_day": []})[1]


def test_probing_is_proposed_with_its_caution():
    rows = [
        ("lane", 1.0, 2.0, 1.0, 9.0, 7.0, 0.2, 0.25, "M6 F6"),
        ("probe", 3.0, 4.0, 3.0, 4.0, 0.0, 0.02, 0.02, ""),
    ]
    proposed = pd.DataFrame(rows, columns=COLUMNS)
    lane, probe = survey_said(proposed)
    assert lane.startswith("Swim a lane from e 1.0, n 2.0 to e 1.0, n 9.0: settles about 25 %")
    assert lane.endswith("(M6 and F6).")
    assert "where the licence allows it" in probe


def test_what_would_settle_next_to_nothing_is_not_asked_for():
    rows = [("probe", 3.0, 4.0, 3.0, 4.0, 0.0, 0.001, 0.001, "E5")]
    assert survey_said(pd.DataFrame(rows, columns=COLUMNS)) == [
        "No single probe would settle even 1 % of the doubt about the order."
    ]


def words_of(figure):
    texts = [t.get_text() for t in figure.texts]
    for axes in figure.axes:
        texts += [t.get_text() for t in axes.texts]
        texts += [axes.get_xlabel(), axes.get_ylabel()]
    return " ".join(texts)


def test_the_picture_of_weights_shows_shares_and_places():
    figure = draw_weightings(TRIED, top_k=10, weights={"signal": 0.6, "contact": 0.4})
    said = words_of(figure)
    assert "signal 0.6, contact 0.4" in said
    assert "9 to 14" in said


def test_the_section_has_an_arrow_for_the_probe_that_ran_out_and_its_units():
    line = pd.DataFrame(
        {
            "distance_m": [0.0, 10.0],
            "e": [0.0, 10.0],
            "n": 0.0,
            "seabed_m": [10.0, 10.5],
            "seabed_sd_m": 0.02,
            "horizon_m": [10.6, 11.2],
            "horizon_p05_m": [10.5, 11.0],
            "horizon_p95_m": [10.7, 11.4],
        }
    )
    probes = pd.DataFrame(
        {
            "probe": ["P1", "P2", "P3"],
            "distance_m": [2.0, 5.0, 5.05],
            "offset_m": 0.0,
            "contact": ["wood", "none", "copper"],
            "ran_out": [False, True, False],
            "top_m": 10.2,
            "bottom_m": [10.8, 11.7, 10.9],
        }
    )
    figure = draw_section(Section(line, probes, "the water level", (0, 0), (10, 0), 2.0))
    arrows = [t for t in figure.axes[0].texts if getattr(t, "arrow_patch", None) is not None]
    assert len(arrows) == 1
    key = [t.get_text() for t in figure.legends[0].get_texts()]
    assert {"wood", "copper", "ran out: deeper than this", "holds it with 90 %"} <= set(key)
    assert "(m)" in figure.axes[0].get_xlabel()
    low, high = figure.axes[0].get_ylim()
    assert low > 11.7
    assert high < 10.0


def test_the_calibration_picture_counts_its_squares():
    table = pd.DataFrame(
        {
            "forecast": ["metal was found", "anything was found"],
            "chance": [0.9, 0.9],
            "share": [1.0, 0.5],
            "low": [0.5, 0.2],
            "high": [1.0, 0.8],
            "squares": [3, 4],
        }
    )
    figure = draw_calibration(table)
    assert {"3", "4"} <= {t.get_text() for t in figure.axes[0].texts}
    assert "(0 to 1)" in figure.axes[0].get_xlabel()


def test_the_counts_of_the_calibration_stand_clear_of_its_bars():
    chance = [0.88, 0.9, 0.3, 0.31]
    table = pd.DataFrame(
        {
            "forecast": ["metal was found", "anything was found"] * 2,
            "chance": chance,
            "share": [0.9, 0.8, 0.3, 0.25],
            "low": 0.1,
            "high": 0.95,
            "squares": [11, 12, 13, 14],
        }
    )
    axes = draw_calibration(table).axes[0]
    counts = [t for t in axes.texts if t.get_text().isdigit()]
    assert len(counts) == 4
    assert overlapping(counts) == []
    at = [x for lines in axes.collections for (x, _), _ in lines.get_segments()]
    for bar in axes.transData.transform([(x, 0.5) for x in at])[:, 0]:
        assert all(not b.x0 < bar < b.x1 for b in map(text_box, counts))


def test_the_names_of_probes_in_a_section_stand_in_a_row_above_the_bed():
    line = pd.DataFrame({"distance_m": [0.0, 10.0], "seabed_m": [10.0, 10.5]}).assign(
        horizon_m=np.nan, horizon_p05_m=np.nan, horizon_p95_m=np.nan
    )
    probes = pd.DataFrame(
        {
            "probe": ["P1", "P2", "P3", "P4"],
            "distance_m": [5.0, 5.01, 5.02, 10.0],
            "contact": "wood",
            "ran_out": False,
            "top_m": 10.4,
            "bottom_m": 10.8,
        }
    )
    axes = draw_section(Section(line, probes, "the bed", (0, 0), (10, 0), 2.0)).axes[0]
    names = [t for t in axes.texts if t.get_text().startswith("P")]
    assert overlapping(names) == []
    bed = axes.transData.transform((0.0, 10.0))[1]
    frame = axes.get_window_extent()
    for name in map(text_box, names):
        assert name.y0 > bed
        assert name.y1 <= frame.y1
        assert name.x1 <= frame.x1


@pytest.mark.parametrize("count", [0, 1])
def test_weights_of_few_squares_still_make_a_picture(count):
    assert draw_weightings(TRIED.head(count), top_k=1, weights={"signal": 1.0}).axes
