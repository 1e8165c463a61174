"""The director's summary in words: what to open first, how firm that is, what it costs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from detect.present.numbers import with_plain_numbers

if TYPE_CHECKING:
    from detect.survey.outlines import KeepOutArea

#: a square that is among the best in this share of the draws is called firm, or at least likely
FIRM, LIKELY = 0.8, 0.5
#: an anomaly this far above the noise is named among those to be cleared (no source)
STRONG_SNR = 10.0


@dataclass(frozen=True)
class DirectorSummary:
    """Sentences, each standing on its own.

    Parameters
    ----------
    first : tuple of str
        Squares to open, in order.
    open_first, firmness, cost : str
    before : tuple of str
        What comes before any spade: strong anomalies to be cleared, squares to be swum again.
    leave : tuple of str
        What stays untouched, one sentence each.
    """

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
    budget = "" if budget_h is None else f" within the {budget_h:g} hours there are"
    if planned:
        assert dig_plan is not None
        first = tuple(str(name) for name in dig_plan.sort_values("order")["square"])
        opening = f"Open {_join(first)}, in this order: the choice that fits{budget}."
        hours, sediment = float(dig_plan["effort_h"].sum()), float(dig_plan["sediment_m3"].sum())
        of_budget = "" if budget_h is None else f" of {budget_h:g}"
        cost = (
            f"{hours:.1f}{of_budget} hours on the bottom, setting up, recording and backfill "
            f"counted, and {sediment:.1f} m³ of sediment to move."
        )
    else:
        first = tuple(str(name) for name in ranked.head(min(top_k, 5))["square"])
        opening = (
            f"No square fits{budget}; the best ranked are {_join(first)}."
            if first
            else "No square could be ranked."
        )
        cost = "Nothing is planned to be dug."
    chosen = ranked.set_index("square").reindex(list(first)).dropna(subset=["p_top_k"])
    return DirectorSummary(
        first=first,
        open_first=opening,
        firmness=_firmness(chosen, top_k, len(ranked)),
        cost=cost,
        before=_before_digging(first, plain, anomalies),
        leave=_untouched(plain, reserve_fraction, keep_outs),
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
        "Likely": " Some of them may change places with squares just below.",
        "Loose": " More readings or probes would change the order: survey before digging.",
    }[word]
    leader = chosen.iloc[0]
    firm = int(np.sum(chance >= FIRM))
    return (
        f"{word}: {firm} of these {len(chosen)} "
        f"{'is' if firm == 1 else 'are'} among the best {top_k} with a chance of {FIRM:g} or more; "
        f"{chance.sum():.1f} of them are expected to be. {chosen.index[0]} ranks "
        f"{leader['rank_p05']:.0f} to {leader['rank_p95']:.0f} of {ranked} "
        f"(5 to 95 % of the draws).{advice}"
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
            said.append(
                f"Strong anomalies: {_join(names)}. Any of them may be ordnance: have them cleared "
                "before anyone probes or digs."
            )
    if "surveyed_fraction" in squares:
        chosen = squares[squares["square"].isin(first)]
        part = chosen[chosen["surveyed_fraction"] < 0.995]
        if len(part):
            names = [
                f"{name} ({100.0 * (1.0 - share):.0f} % not surveyed)"
                for name, share in zip(part["square"], part["surveyed_fraction"], strict=True)
            ]
            said.append(f"Swim first what was missed: {_join(names)}.")
    return tuple(said)


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
        leave.append(f"Reserve, kept for those who come later: {_join(by_status['reserve'])}.")
    if by_status.get("excluded"):
        leave.append(f"Excluded: {_join(by_status['excluded'])}.")
    for area in keep_outs:
        why = f" ({area.reason.strip().rstrip('.')})" if area.reason.strip() else ""
        leave.append(f"Keep out of {area.name}{why}.")
    if reserve_fraction > 0:
        leave.append(f"At least {100 * reserve_fraction:.0f} % of the squares stay closed in all.")
    if by_status.get("unsurveyed"):
        count = len(by_status["unsurveyed"])
        which = "One square is" if count == 1 else f"{count} squares are"
        leave.append(
            f"{which} not surveyed and so not ranked; that is not the same as empty. Swim "
            f"{'it' if count == 1 else 'them'} before digging there: "
            f"{_join(by_status['unsurveyed'])}."
        )
    return tuple(leave)


def _join(names: Sequence[str]) -> str:
    """Join names as a sentence does."""
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} and {names[-1]}"
