"""The report: one file, no network, everything typed escaped, sections in their order."""

from __future__ import annotations

import base64
import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

from detect.geostat.crosscheck import CrossCheck
from detect.present.director import opening_table, summarise
from detect.present.report import CAUTIONS, Picture, ReportContext, render_report
from detect.present.style import png_bytes
from detect.readings.steps import StepRecord
from detect.survey.errors import Problem
from detect.survey.outlines import KeepOutArea

NASTY = '<script src="https://elsewhere.example/x.js">alert("sand & shell")</script>'


class Page(HTMLParser):
    """What a browser would be told: tags with attributes, text, and tags left open."""

    VOID = ("meta", "img", "br", "link", "input", "hr")

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str]]] = []
        self.text = ""
        self.open: list[str] = []
        self.astray: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, {k: v or "" for k, v in attrs}))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.astray.append(tag)

    def handle_data(self, data: str) -> None:
        if not self.open or self.open[-1] != "style":
            self.text += " ".join(data.split()) + " "


@pytest.fixture(scope="module")
def context(
    figures: dict[str, Figure],
    dives: pd.DataFrame,
    gaps: pd.DataFrame,
    infill: pd.DataFrame,
    squares: pd.DataFrame,
    dig_plan: pd.DataFrame,
    anomalies: pd.DataFrame,
    probes: pd.DataFrame,
    keep_outs: tuple[KeepOutArea, ...],
) -> ReportContext:
    pictures = {
        "signal": Picture(png_bytes(figures["signal"], 50), "Signal.", "Map of the signal"),
        "signal_sd": Picture(png_bytes(figures["pair"], 50), "Its standard deviation."),
        "variogram": Picture(png_bytes(figures["variogram"], 50), "Variogram."),
    }
    step = StepRecord(
        "spikes",
        {"snr": 5.0},
        0,
        7,
        {"noise_sd": 2.9, "level_spread": 8.1, "repeat_sd": float("nan")},
        {"noise_sd": 2.06, "level_spread": 8.0, "repeat_sd": float("nan")},
        "7 readings left out",
    )
    said = "a plane taken out: 0.3 (sd 0.02) a metre east and -0.5 (sd 0.03) a metre north"
    trend = StepRecord("trend", {"gradient_e": 0.3}, 1232, 0, step.after, step.after, said)
    return ReportContext(
        site_name="Heron Skerry",
        date="2031-07-14",
        notes=NASTY,
        signal_unit="mV",
        site={"Water depth (m)": 9.0},
        dives=dives,
        readings={"Readings": 1232, "Noise (mV)": 2.04},
        conditioning=[step, trend],
        coverage={"Required POD": 0.9},
        gaps=gaps,
        infill=infill,
        figures=pictures,
        variogram={"Model": "spherical"},
        variogram_notes=["range at its upper bound"],
        variogram_poor=True,
        scores={"RMS error (mV)": 2.88},
        crosscheck=CrossCheck(60, 3.1e-10, 2.2e-11, True, "the same data and model"),
        anomalies=anomalies,
        squares=squares,
        dig_plan=dig_plan,
        top_k=10,
        budget_h=40.0,
        reserve_fraction=0.2,
        keep_outs=keep_outs,
        probes=probes,
        notices=[Problem("readings.csv", "3 readings past the end of L07", "check", row=212)],
        warnings=["5 readings at full scale"],
        provenance={
            "seed": 1,
            "versions": {"numpy": "2.4"},
            "inputs": {"readings.csv": "9f86d081884c7d659a2feaa0c55ad015"},
            "parameters": {"detector": {"coil_diameter_m": 0.28}},
        },
    )


@pytest.fixture(scope="module")
def html(context: ReportContext) -> str:
    return render_report(context)


@pytest.fixture(scope="module")
def page(html: str) -> Page:
    return Page(html)


def test_nothing_is_loaded_from_anywhere(html: str, page: Page) -> None:
    for tag, attrs in page.tags:
        assert tag not in ("script", "link", "iframe", "object"), tag
        assert attrs.get("src", "data:").startswith("data:image/png;base64,"[:5])
        assert attrs.get("href", "#").startswith("#")
    style = re.search(r"<style>(.*?)</style>", html, re.S)
    assert style is not None
    assert "url(" not in style[1]
    assert "@import" not in style[1]


def test_what_the_team_typed_is_shown_not_run(html: str, page: Page) -> None:
    assert "<script" not in html
    assert 'alert("sand & shell")' in page.text


def test_the_html_is_well_formed(html: str, page: Page) -> None:
    assert html.lstrip().startswith("<!DOCTYPE html>")
    assert page.astray == []
    assert page.open == []
    ids = [attrs["id"] for _, attrs in page.tags if "id" in attrs]
    assert len(ids) == len(set(ids))
    links = {a["href"][1:] for t, a in page.tags if t == "a"}
    assert links <= set(ids)


def test_sections_stand_in_the_order_a_director_reads(page: Page) -> None:
    order = [a["id"] for t, a in page.tags if t == "section"]
    first = ["cautions", "director", "done", "coverage", "maps", "variogram", "checks"]
    assert order == [*first, "squares", "dig", "probes", "warnings", "provenance"]


def test_every_caution_is_printed(page: Page) -> None:
    for caution in CAUTIONS:
        assert caution in page.text
    for word in ("dive supervisor", "ordnance", "permit", "licensed archaeologist", "Local law"):
        assert word in page.text


def test_pictures_are_inside_with_words_for_those_who_cannot_see(
    page: Page, context: ReportContext
) -> None:
    images = [attrs for tag, attrs in page.tags if tag == "img"]
    assert len(images) == len(context.figures)
    for image, picture in zip(images, context.figures.values(), strict=True):
        assert base64.b64decode(image["src"].split(",")[1]) == picture.png
        assert image["alt"] == (picture.alt or picture.caption)


def test_a_map_stands_beside_its_uncertainty(html: str) -> None:
    at = [html.index(f'id="figure-{n}"') for n in ("signal", "signal_sd", "variogram")]
    assert html.index('class="beside"') < at[0] < at[1] < at[2]


@pytest.mark.parametrize(
    "wanted",
    [
        "Open I6, D3, E4 and M3, in this order: the choice that fits within the budget of 40 hours",
        "Open I6, then D3, then E4, then M3",
        "The permit, a licensed archaeologist on site, and the dive supervisor's bottom times.",
        "Excluded: K8, L8, L9 (mooring block: chain sweeps the bed).",
        "Only squares more likely than not to be among the best are candidates",
        "The largest difference is 3.1e-10 mV",
        "2.2e-11 mV",
        "the two agree",
        "The fit is poor",
        "range at its upper bound",
        "7 readings left out",
        "a plane taken out: 0.3 (sd 0.02) a metre east and -0.5 (sd 0.03) a metre north",
        "readings.csv, row 212: 3 readings past the end of L07",
        "5 readings at full scale",
        "9f86d081884c7d659a2feaa0c55ad015",
        "detector.coil_diameter_m",
        "strong signal over thin sediment",
        "none, pushed to",
        "100 more ranked squares stand in squares.csv",
    ],
)
def test_the_report_says(page: Page, wanted: str) -> None:
    assert wanted in " ".join(page.text.split())


def test_numbers_stand_to_the_right_under_their_units(html: str) -> None:
    assert re.search(r'mean signal <span class="unit">mV</span>', html)
    assert re.search(r"th, td \{[^}]*text-align: right", html)
    assert '<td class="words">I6</td>' in html


def test_it_is_laid_out_for_print_and_phone(html: str) -> None:
    for wanted in ("@media print", "break-before: page", "@page", "max-width: 46rem"):
        assert wanted in html
    assert '<meta name="viewport" content="width=device-width' in html


def test_a_disagreement_with_the_independent_library_is_not_hushed_up(
    context: ReportContext,
) -> None:
    odd = replace(context, crosscheck=CrossCheck(60, 1.5, 0.2, False, ""))
    assert "the two do not agree" in render_report(odd)


def test_an_empty_run_still_gives_a_report() -> None:
    page = Page(render_report(ReportContext(site_name="Heron Skerry", date="2031-07-14")))
    assert page.astray == []
    for words in ("No squares were ranked", "There are no probes", "Nothing was recorded"):
        assert words in page.text


def test_without_a_plan_no_square_is_told_to_be_opened(context: ReportContext) -> None:
    page = Page(render_report(replace(context, dig_plan=context.dig_plan.head(0))))
    said = " ".join(page.text.split())
    assert "Open no square" in said
    assert "Open I6" not in said
    assert "The permit," not in said


def test_the_squares_to_open_stand_in_a_table_with_what_must_be_cleared_first(
    squares: pd.DataFrame, dig_plan: pd.DataFrame
) -> None:
    first = dig_plan["square"].iloc[0]
    strong = squares.assign(strong_anomalies=np.where(squares["square"] == first, "A01 A02", ""))
    table = opening_table(strong, dig_plan, most=2)
    assert table is not None
    assert list(table["square"]) == list(dig_plan["square"].head(2))
    assert list(table["strong_anomalies"]) == ["A01 A02", ""]
    corner = squares.set_index("square").loc[first, ["e_min", "n_min"]]
    assert list(table[["e_min", "n_min"]].iloc[0]) == list(corner)
    assert opening_table(squares, None, most=2) is None


def test_the_same_context_gives_the_same_report(context: ReportContext, html: str) -> None:
    assert render_report(context) == html


def test_director_hears_what_stays_closed_and_that_unsurveyed_is_not_empty(
    squares: pd.DataFrame, dig_plan: pd.DataFrame, keep_outs: tuple[KeepOutArea, ...]
) -> None:
    said = summarise(
        squares, dig_plan, top_k=10, budget_h=40, reserve_fraction=0.2, keep_outs=keep_outs
    )
    leave = " ".join(said.leave)
    assert "Reserve, kept for those who come later: D4, E3 and J6." in leave
    assert "Excluded: K8, L8, L9 (mooring block: chain sweeps the bed)." in leave
    assert "Keep out of mooring block (chain sweeps the bed)." in leave
    assert "At least 20 % of the squares stay closed" in leave
    assert "13 squares are not surveyed" in leave
    assert "not the same as empty" in leave
    hours, soil = dig_plan["effort_h"].sum(), dig_plan["sediment_m3"].sum()
    words = f"{hours:.1f} of 40 hours on the bottom, setting up, recording and backfill counted"
    assert said.cost == f"{words}, and {soil:.1f} m³ of sediment to move."


@pytest.mark.parametrize(("chance", "word"), [(0.95, "Firm"), (0.6, "Likely"), (0.2, "Loose")])
def test_director_hears_how_firm_the_choice_is(
    squares: pd.DataFrame, dig_plan: pd.DataFrame, chance: float, word: str
) -> None:
    certain = squares.assign(p_top_k=squares["p_top_k"].where(squares["p_top_k"].isna(), chance))
    said = summarise(certain, dig_plan, top_k=10)
    assert said.firmness.startswith(
        f"{word}: {'4 of these 4 are' if chance >= 0.8 else 'none of these 4 is'} among"
    )
    assert f"{4 * chance:.1f} of them are expected to be" in said.firmness


def test_director_hears_when_nothing_fits(squares: pd.DataFrame) -> None:
    said = summarise(squares, None, top_k=10, budget_h=1.0)
    assert said.open_first.startswith("No square is to be opened within the budget of 1 hour")
    assert said.cost == "Nothing is planned to be dug."
    none = summarise(squares[squares["status"] != "open"], None, top_k=10)
    assert none.open_first == "No square could be ranked."
    assert np.size(none.first) == 0
