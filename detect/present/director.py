"""The director's summary in words: what to open first, how firm that is, what it costs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from detect.present.numbers import with_plain_numbers
from detect.present.words import among, counted, hours, listed, ranged
from detect.squares.ordnance import STRONG_SNR

if TYPE_CHECKING:
    from detect.survey.outlines import KeepOutArea

#: a square that is among the best in this share of the draws is called firm, or at least likely
FIRM, LIKELY = 0.8, 0.5


#: what comes before every spade
PERMIT = "The permit, a licensed archaeologist on site, and the dive supervisor's bottom times."


@dataclass(frozen=True)
class DirectorSummary:
    """Sentences, each standing on its own.

    Parameters
    ----------
    planned : bool
        Whether any square is to be opened.
    first : tuple of str
        Squares to open, in order; the best ranked ones where none is.
    open_first, firmness, cost : str
    before : tuple of str
        What comes before any spade: the permit, strong anomalies to be cleared, squares to be
        swum again.
    leave : tuple of str
        What stays untouched, one sentence each.
    """

    planned: bool
    first: tuple[str, ...]
    open_first: str
    firmness: str
    cost: str
    before: tuple[str, ...]
    leave: tuple[str, ...]


def summarise(
    squares: pd.DataFrame,
    dig_plan: pd.DataFrame | None,
    *,
    top_k: int,
    budget_h: float | None = None,
    reserve_fraction: float = 0.0,
    keep_outs: Sequence[KeepOutArea] = (),
    anomalies: pd.DataFrame | None = None,
) -> DirectorSummary:
    """Put the ranking and the dig plan into the words a director needs.

    Parameters
    ----------
    squares : DataFrame
        ``square, rank, rank_p05, rank_p95, p_top_k, status``.
    dig_plan : DataFrame or None
        ``order, square, effort_h, sediment_m3``; None or empty where nothing fits the hours.
    top_k : int
        The k of ``p_top_k``.
    budget_h : float, optional
        Hours there are.
    reserve_fraction : float
        Share of the squares that stays closed.
    keep_outs : sequence of KeepOutArea
    anomalies : DataFrame, optional
        ``anomaly, square, snr``: those in the squares to open are named, to be cleared first.

    Returns
    -------
    DirectorSummary
    """
    plain = with_plain_numbers(squares)
    ranked = plain.dropna(subset=["rank"]).sort_values("rank")
    planned = dig_plan is not None and len(dig_plan) > 0
    budget = "" if budget_h is None else f" within the budget of {hours(budget_h)}"
    if planned:
        assert dig_plan is not None
        first = tuple(str(name) for name in dig_plan.sort_values("order")["square"])
        order = ", in this order" if len(first) > 1 else ""
        opening = f"Open {listed(first)}{order}: the choice that fits{budget}."
        effort, sediment = (float(dig_plan[name].sum()) for name in ("effort_h", "sediment_m3"))
        of_budget = "" if budget_h is None else f" of {budget_h:g}"
        cost = (
            f"{effort:.1f}{of_budget} hours on the bottom, setting up, recording and backfill "
            f"counted, and {sediment:.1f} m³ of sediment to move."
        )
    else:
        first = tuple(str(name) for name in ranked.head(min(top_k, 5))["square"])
        opening = (
            f"No square is to be opened{budget}; the best ranked "
            f"{'are' if len(first) > 1 else 'is'} {listed(first)}."
            if first
            else "No square could be ranked."
        )
        cost = "Nothing is planned to be dug."
    chosen = ranked.set_index("square").reindex(list(first)).dropna(subset=["p_top_k"])
    return DirectorSummary(
        planned=planned,
        first=first,
        open_first=opening,
        firmness=_firmness(chosen, top_k, len(ranked)),
        cost=cost,
        before=(PERMIT, *_before_digging(first, plain, anomalies))
        if planned
        else _before_digging(first, plain, anomalies),
        leave=_untouched(plain, reserve_fraction, keep_outs),
    )


def opening_table(
    squares: pd.DataFrame, dig_plan: pd.DataFrame | None, most: int
) -> pd.DataFrame | None:
    """Return the dig plan with the interval of each rank and what must be cleared first.

    Parameters
    ----------
    squares : DataFrame
        ``square, rank_p05, rank_p95`` and, where known, ``e_min, n_min, strong_anomalies``.
    dig_plan : DataFrame or None
    most : int
        Rows that a page has room for.

    Returns
    -------
    DataFrame or None
        The plan's columns, ``rank_interval, strong_anomalies, e_min, n_min``.
    """
    if dig_plan is None or dig_plan.empty:
        return None
    dig_plan = dig_plan.head(most)
    known = with_plain_numbers(squares).set_index("square").loc[dig_plan["square"]]
    corner = {name: known[name].to_numpy() for name in ("e_min", "n_min") if name in known}
    interval = [
        ranged(low, high) for low, high in zip(known["rank_p05"], known["rank_p95"], strict=True)
    ]
    strong = known.get("strong_anomalies", pd.Series("", known.index))
    return dig_plan.assign(
        rank_interval=interval, strong_anomalies=strong.to_numpy(object), **corner
    )


def _firmness(chosen: pd.DataFrame, top_k: int, ranked: int) -> str:
    """Say how surely the chosen squares belong to the best, and how far the first may slip."""
    if chosen.empty:
        return "There is nothing to be firm about."
    chance = chosen["p_top_k"].to_numpy(float)
    mean = float(np.mean(chance))
    word = "Firm" if mean >= FIRM else "Likely" if mean >= LIKELY else "Loose"
    advice = {
        "Firm": "",
        "Likely": " It may change places with squares just below."
        if len(chosen) == 1
        else " Some of them may change places with squares just below.",
        "Loose": " More readings or probes would change the order: survey before digging.",
    }[word]
    leader = chosen.iloc[0]
    place = (
        f"{chosen.index[0]} ranks {ranged(leader['rank_p05'], leader['rank_p95'])} of {ranked} "
        f"(5 to 95 % of the draws).{advice}"
    )
    if len(chosen) == 1:
        return f"{word}: it is {among(top_k)} with a chance of {chance[0]:.2f}. {place}"
    firm = int(np.sum(chance >= FIRM))
    which = f"{firm or 'none'} of these {len(chosen)} {'is' if firm < 2 else 'are'}"
    return (
        f"{word}: {which} {among(top_k)} with a chance of {FIRM:g} or more; "
        f"{chance.sum():.1f} of them are expected to be. {place}"
    )


def _before_digging(
    first: Sequence[str], squares: pd.DataFrame, anomalies: pd.DataFrame | None
) -> tuple[str, ...]:
    """Name the strong anomalies in the squares to open, and the squares not wholly surveyed."""
    said = []
    if anomalies is not None and len(anomalies):
        strong = anomalies[anomalies["square"].isin(first) & (anomalies["snr"] >= STRONG_SNR)]
        if len(strong):
            names = [
                f"{a} in {s}" for a, s in zip(strong["anomaly"], strong["square"], strict=True)
            ]
            said.append(ordnance_said(names))
    if "surveyed_fraction" in squares:
        chosen = squares[squares["square"].isin(first)]
        part = chosen[chosen["surveyed_fraction"] < 0.995]
        if len(part):
            names = [
                f"{name} ({100.0 * (1.0 - share):.0f} % not surveyed)"
                for name, share in zip(part["square"], part["surveyed_fraction"], strict=True)
            ]
            said.append(f"Swim first what was missed: {listed(names)}.")
    return tuple(said)


def ordnance_said(names: Sequence[str]) -> str:
    """Say of strong anomalies, named with their squares, what comes before any probe or spade."""
    one = len(names) == 1
    return (
        f"Strong {'anomaly' if one else 'anomalies'}: {listed(names)}. "
        f"{'It' if one else 'Any of them'} may be ordnance: report "
        f"{'it' if one else 'them'}, and do not probe or dig there before "
        f"{'it is' if one else 'they are'} cleared."
    )


def _with_reason(squares: pd.DataFrame, excluded: Sequence[str]) -> list[str]:
    """Name excluded squares, those of one reason together with it in brackets."""
    if "reason" not in squares:
        return list(excluded)
    reason = squares.set_index("square")["reason"].astype(str)
    by_reason: dict[str, list[str]] = {}
    for name in excluded:
        why = reason[name].removeprefix("Excluded: ").rstrip(".")
        by_reason.setdefault(why, []).append(name)
    return [f"{', '.join(names)} ({why})" for why, names in by_reason.items()]


def _untouched(
    squares: pd.DataFrame, reserve_fraction: float, keep_outs: Sequence[KeepOutArea]
) -> tuple[str, ...]:
    """Say what stays closed and why, most binding first."""
    by_status = {
        status: [str(name) for name in group["square"]]
        for status, group in squares.groupby(squares["status"].astype(str))
    }
    leave = []
    if by_status.get("reserve"):
        leave.append(f"Reserve, kept for those who come later: {listed(by_status['reserve'])}.")
    if by_status.get("excluded"):
        leave.append(f"Excluded: {listed(_with_reason(squares, by_status['excluded']))}.")
    for area in keep_outs:
        why = f" ({area.reason.strip().rstrip('.')})" if area.reason.strip() else ""
        leave.append(f"Keep out of {area.name}{why}.")
    if reserve_fraction > 0:
        leave.append(f"At least {100 * reserve_fraction:.0f} % of the squares stay closed in all.")
    if by_status.get("unsurveyed"):
        count = len(by_status["unsurveyed"])
        leave.append(
            f"{counted(count, 'square')} {'is' if count == 1 else 'are'} not surveyed and so not "
            "ranked; that is not the same as empty. Swim "
            f"{'it' if count == 1 else 'them'} before digging there: "
            f"{listed(by_status['unsurveyed'])}."
        )
    return tuple(leave)
