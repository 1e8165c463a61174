"""How sure the choice of squares is, and what would make it surer, in sentences."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import pandas as pd

from detect.present.numbers import records
from detect.squares.weightings import WHATEVER

if TYPE_CHECKING:
    from detect.present.report import ReportContext


def join(names: list[str]) -> str:
    """Join names as a sentence does."""
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} and {names[-1]}"


def weights_said(weightings: pd.DataFrame, first: list[str]) -> list[str]:
    """Say which of the squares to open are chosen whatever the weights."""
    if weightings.empty or not first:
        return []
    share = weightings.set_index("square")["chosen_share"]
    known = [name for name in first if name in share.index]
    always = [name for name in known if share[name] >= WHATEVER]
    others = [f"{name} ({100 * share[name]:.0f} %)" for name in known if share[name] < WHATEVER]
    said = []
    if always:
        said.append(f"Whatever the weights near the chosen ones: {join(always)}.")
    if others:
        said.append(f"Only with some of the weights tried: {join(others)}.")
    return said


def tosses_said(coin_tosses: pd.DataFrame, top_k: int) -> list[str]:
    """Say between which squares the order is a coin toss."""
    if coin_tosses.empty:
        return [f"No two squares on either side of place {top_k} are a coin toss."]
    pairs = [
        f"{row.square} or {row.other} ({100 * row.p_first:.0f} in 100)"
        for row in records(coin_tosses.head(3))
    ]
    more = f", and {len(coin_tosses) - 3} pairs more" if len(coin_tosses) > 3 else ""
    return [f"A coin toss, for the last of the best {top_k}: {join(pairs)}{more}."]


def plan_said(dig: Mapping[str, Any]) -> list[str]:
    """Say how good the dig plan is, and what one more dive day would buy."""
    if not dig.get("squares"):
        return []
    said = []
    gap = dig["gap"]
    proven = "no plan is better" if gap == 0 else f"none is better by more than {100 * gap:.1f} %"
    if dig["merit_down_the_list"] > 0:
        gain = 100.0 * (dig["merit"] / dig["merit_down_the_list"] - 1.0)
        said.append(
            f"Within the hours {proven}; it is worth {gain:.0f} % more than taking squares from "
            "the top of the list."
        )
    if dig.get("dive_day_h", 0) > 0:
        more = join(list(dig["next_day"]))
        if more:
            said.append(
                f"One more dive day of {dig['dive_day_h']:g} h would open {more} as well or "
                f"instead: {100 * dig['next_day_merit'] / max(dig['merit'], 1e-12):.0f} % more "
                f"merit, {dig['next_day_top_k']:+.1f} of the best squares."
            )
        else:
            said.append(f"One more dive day of {dig['dive_day_h']:g} h would open no other square.")
    return said


def survey_said(proposed: pd.DataFrame) -> list[str]:
    """Say which lane and which probe would settle most of the doubt."""
    said = []
    for what, words in (("lane", "Swim a lane"), ("probe", "Probe, where the licence allows it,")):
        best = proposed[proposed["what"] == what].head(1)
        for row in records(best):
            place = f"at e {row.start_e:.1f}, n {row.start_n:.1f}"
            if what == "lane":
                place = (
                    f"from e {row.start_e:.1f}, n {row.start_n:.1f} to e {row.end_e:.1f}, "
                    f"n {row.end_n:.1f}"
                )
            share = f"about {100 * row.share:.0f} %" if row.share >= 0.01 else "less than 1 %"
            about = f" ({row.squares})" if row.squares else ""
            said.append(f"{words} {place}: settles {share} of the doubt about the order{about}.")
    return said


def advice(context: ReportContext, first: Sequence[str]) -> dict[str, list[str]]:
    """Return sentences on how sure the choice is, what it is worth, and what to survey next."""
    sure: list[str] = []
    if context.weightings is not None:
        sure += weights_said(context.weightings, list(first))
    if context.coin_tosses is not None:
        sure += tosses_said(context.coin_tosses, context.top_k)
    proposed = [] if context.survey_next is None else survey_said(context.survey_next)
    return {"sure": sure, "worth": plan_said(context.dig), "next": proposed}
