"""How sure the choice of squares is, and what would make it surer, in sentences."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from detect.present.numbers import records
from detect.present.words import best, counted, listed
from detect.squares.weightings import WHATEVER

#: what settles a smaller share of the doubt is not worth a dive (no source)
LEAST_SETTLED = 0.01

if TYPE_CHECKING:
    from detect.present.report import ReportContext


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
        said.append(f"Whatever the weights near the chosen ones: {listed(always)}.")
    if others:
        said.append(f"Only with some of the weights tried: {listed(others)}.")
    return said


def tosses_said(coin_tosses: pd.DataFrame, top_k: int) -> list[str]:
    """Say between which squares the order is a coin toss."""
    if coin_tosses.empty:
        return [f"No two squares on either side of place {top_k} are a coin toss."]
    pairs = [
        f"{row.square} or {row.other} ({100 * row.p_first:.0f} in 100)"
        for row in records(coin_tosses.head(3))
    ]
    if len(coin_tosses) > 3:
        pairs.append(counted(len(coin_tosses) - 3, "more pair"))
    place = "the best square" if top_k == 1 else f"the last of {best(top_k)}"
    return [f"A coin toss, for {place}: {listed(pairs)}."]


def plan_said(dig: Mapping[str, Any]) -> list[str]:
    """Say how good the dig plan is, or why there is none, and what one more dive day would buy."""
    said = [_worth(dig)] if dig.get("squares") else [_no_plan(dig)]
    if dig.get("cost"):
        said.insert(0, _cost_range(dig["cost"]))
    if dig.get("dive_day_h", 0) > 0:
        said.append(_next_day(dig))
    return said


def _cost_range(cost: Mapping[str, float]) -> str:
    """Say what the plan may come to, and how likely it takes more than the hours there are."""
    said = (
        f"Sediment may lie deeper or shallower than estimated: {cost['hours_p05']:.0f} to "
        f"{cost['hours_p95']:.0f} h and {cost['sediment_p05_m3']:.1f} to "
        f"{cost['sediment_p95_m3']:.1f} m³ with 90 %"
    )
    over = round(100 * cost["overrun"])
    if over < 1:
        return f"{said}; that is within the hours there are."
    return f"{said}; in {over} of 100 draws it takes more than the hours there are."


def _worth(dig: Mapping[str, Any]) -> str:
    """Say how far from the best the plan may be, and what it gains over going down the list."""
    gap = dig["gap"]
    # rounded up: what is proven must stay true
    within = max(np.ceil(1000 * gap) / 10, 0.1)
    proven = "no plan is better" if gap == 0 else f"none is better by more than {within:.1f} %"
    if dig["merit_down_the_list"] <= 0:
        return f"Within the hours {proven}; taken from the top of the list, the first does not fit."
    gain = 100.0 * (dig["merit"] / dig["merit_down_the_list"] - 1.0)
    if gain < 0.5:
        worth = "taking squares from the top of the list is worth as much"
    else:
        worth = f"the plan is worth {gain:.0f} % more than taking squares from the top of the list"
    return f"Within the hours {proven}; {worth}."


def _no_plan(dig: Mapping[str, Any]) -> str:
    """Say why no square is planned to be opened."""
    if not dig["candidates"]:
        return (
            "No square is both better than the average and more likely than not to belong to the "
            "best: nothing is planned to be opened, whatever the hours."
        )
    if not dig["most_squares"]:
        return "The reserve fraction leaves no further square to be opened."
    if dig["cheapest_h"] > dig["budget_h"]:
        many = dig["candidates"]
        which = "the only candidate" if many == 1 else f"the cheapest of {many} candidates"
        return (
            f"No square fits within {dig['budget_h']:g} h: {which} takes {dig['cheapest_h']:.1f} h."
        )
    return "The solver ran out of time before it found a plan."


def _next_day(dig: Mapping[str, Any]) -> str:
    """Say which squares one more dive day would add to the plan and drop from it, and its worth."""
    begin = f"One more dive day of {dig['dive_day_h']:g} h would open"
    if not dig["next_day"]:
        return f"{begin} no {'other ' if dig['squares'] else ''}square."
    opens = f"{begin} {listed(dig['next_day'])}"
    if dig["next_day_drops"]:
        opens += f" and leave {listed(dig['next_day_drops'])} closed"
    if not dig["squares"]:
        return f"{opens}: {dig['next_day_top_k']:.1f} of the best squares expected."
    gain = 100 * dig["next_day_merit"] / dig["merit"]
    worth = f"worth {gain:.0f} % more" if gain >= 0.5 else "worth hardly more"
    change = dig["next_day_top_k"]
    if abs(change) >= 0.05:
        more = "more" if change > 0 else "fewer"
        worth += f", with {abs(change):.1f} {more} of the best squares expected"
    return f"{opens}: {worth}."


def survey_said(proposed: pd.DataFrame) -> list[str]:
    """Say which lane and which probe would settle most of the doubt, if any would settle much."""
    said = []
    for what, words in (("lane", "Swim a lane"), ("probe", "Probe, where the licence allows it,")):
        best_one = proposed[proposed["what"] == what].head(1)
        for row in records(best_one):
            if row.share < LEAST_SETTLED:
                counted_as = " (by its signal; strength not counted)" if what == "lane" else ""
                said.append(
                    f"No single {what} would settle even 1 % of the doubt about the "
                    f"order{counted_as}."
                )
                continue
            place = f"at e {row.start_e:.1f}, n {row.start_n:.1f}"
            if what == "lane":
                place = (
                    f"from e {row.start_e:.1f}, n {row.start_n:.1f} to e {row.end_e:.1f}, "
                    f"n {row.end_n:.1f}"
                )
            about = f" ({listed(row.squares.split())})" if row.squares else ""
            said.append(
                f"{words} {place}: settles about {100 * row.share:.0f} % of the doubt about the "
                f"order{about}."
            )
    return said


def advice(context: ReportContext, first: Sequence[str]) -> dict[str, list[str]]:
    """Return sentences on how sure the choice is, what it is worth, and what to survey next."""
    sure: list[str] = []
    if context.weightings is not None:
        sure += weights_said(context.weightings, list(first))
    if context.coin_tosses is not None:
        sure += tosses_said(context.coin_tosses, context.top_k)
    worth = plan_said(context.dig) if context.dig else []
    proposed = [] if context.survey_next is None else survey_said(context.survey_next)
    return {"sure": sure, "worth": worth, "next": proposed}
