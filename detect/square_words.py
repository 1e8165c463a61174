"""What ranking, sections and opened squares found, for machines and in words."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

import numpy as np

from detect.present.advice import plan_said
from detect.present.director import ordnance_said
from detect.present.words import among, counted, hours
from detect.probes import Section
from detect.squares.weightings import WHATEVER
from detect.stages import LearnResult, RankResult
from detect.survey import Survey

Summary = dict[str, Any]


def rank_summary(survey: Survey, result: RankResult) -> Summary:
    """Return the ranking's figures."""
    ranking = survey.settings.ranking
    ranked = result.squares[result.squares["status"] == "open"]
    return {
        "weights": dict(ranking.weights),
        "top_k": ranking.top_k,
        "realisations": ranking.realisations,
        "seed": ranking.seed,
        "threshold": result.evidence.threshold,
        "squares": len(result.squares),
        "ranked": len(ranked),
        "by_status": result.squares["status"].value_counts().to_dict(),
        "first": list(ranked["square"].head(ranking.top_k)),
        "firm_in_top_k": int((ranked["p_top_k"] >= 0.9).sum()),
        "expected_in_first": float(ranked["p_top_k"].head(ranking.top_k).sum()),
        "dig": _dig_facts(survey, result),
        "strong_anomalies": _strong(result),
        "whatever_the_weights": list(
            result.weightings.loc[result.weightings["chosen_share"] >= WHATEVER, "square"]
        ),
        "coin_tosses": result.coin_tosses.to_dict("records"),
        "survey_next": result.survey_next.to_dict("records"),
        "evidence": sorted(item.name for item in result.evidence.items),
        "notes": list(result.evidence.notes),
    }


def _dig_facts(survey: Survey, result: RankResult) -> Summary:
    """Return the dig plan's figures."""
    dig, ranking = result.dig, survey.settings.ranking
    return {
        "squares": list(dig.table["square"]),
        "hours": dig.hours,
        "budget_h": ranking.budget_h,
        "sediment_m3": float(dig.table["sediment_m3"].sum()),
        "merit": dig.value,
        "merit_down_the_list": dig.list_value,
        "expected_top_k": dig.expected_top_k,
        "gap": dig.gap,
        "most_squares": dig.most_squares,
        "joins": dig.joins,
        "cost": None if result.cost is None else asdict(result.cost),
        "candidates": dig.candidates,
        "cheapest_h": dig.cheapest_h,
        "dive_day_h": ranking.dive_day_h,
        "next_day": list(dig.next_day),
        "next_day_drops": list(dig.next_day_drops),
        "next_day_merit": dig.next_day_value,
        "next_day_top_k": dig.next_day_top_k,
    }


def _strong(result: RankResult) -> list[str]:
    """Name the strong anomalies in the squares to open, each with its square."""
    if "strong_anomalies" not in result.squares:
        return []
    strong = result.squares.set_index("square")["strong_anomalies"].astype(str)
    return [
        f"{name} in {square}"
        for square in result.dig.table["square"]
        for name in strong[square].split()
    ]


def rank_lines(s: Summary) -> list[str]:
    """Return the ranking in words."""
    first = ", ".join(s["first"])
    surely = s["firm_in_top_k"] or "none"
    of_all = f"{s['ranked'] or 'none'} of {counted(s['squares'], 'square')} ranked"
    lines = [f"Rank: {of_all}"]
    if s["first"]:
        number = f"the first {len(s['first'])}" if len(s["first"]) > 1 else "the first"
        lines = [
            f"Rank: {of_all}; {number}: {first}",
            f"  expected of them to be {among(s['top_k'])}: {s['expected_in_first']:.1f}; "
            f"surely (in 90 of 100 draws or more): {surely}",
        ]
    return [
        *lines,
        *_dig_lines(s),
        f"  whatever the weights near these: {', '.join(s['whatever_the_weights']) or 'none'}; "
        f"{counted(len(s['coin_tosses']), 'coin toss', 'coin tosses')} about the last places",
        *(f"  note: {note}" for note in s["notes"]),
    ]


def _dig_lines(s: Summary) -> list[str]:
    """Return the dig plan in words, with what comes before any digging."""
    dig = s["dig"]
    within = f"  within {hours(dig['budget_h'])}: "
    if dig["squares"]:
        work = f"{dig['hours']:.1f} h, {dig['sediment_m3']:.1f} m³ of sediment"
        lines = [f"{within}{', '.join(dig['squares'])} ({work})"]
    else:
        lines = [f"{within}no square"]
    lines += [f"  {said}" for said in plan_said(dig)]
    if dig["squares"]:
        lines.append("  before any digging: permits, and a licensed archaeologist")
    if s["strong_anomalies"]:
        lines.append(f"  {ordnance_said(s['strong_anomalies'])}")
    return lines


def section_summary(result: Section) -> Summary:
    """Return the section's figures."""
    probes = result.probes
    return {
        "start": list(result.start),
        "end": list(result.end),
        "length_m": float(result.line["distance_m"].iloc[-1]),
        "datum": result.datum,
        "within_m": result.within_m,
        "probes": len(probes),
        "ran_out": int(probes["ran_out"].sum()) if len(probes) else 0,
        "kinds": probes["contact"].value_counts().to_dict(),
        "horizon": bool(result.line["horizon_m"].notna().any()),
    }


def section_lines(s: Summary) -> list[str]:
    """Return the section in words."""
    kinds = ", ".join(
        f"{count} met nothing" if kind == "none" else f"{count} {kind}"
        for kind, count in s["kinds"].items()
    )
    return [
        f"Section of {s['length_m']:.1f} m from e {s['start'][0]:g}, n {s['start'][1]:g} to "
        f"e {s['end'][0]:g}, n {s['end'][1]:g}; levels below {s['datum']}",
        f"  {counted(s['probes'], 'probe')} within {s['within_m']:g} m of it"
        + (f" ({kinds})" if kinds else ""),
        *([] if s["horizon"] else ["  fewer than eight contacts: no horizon is estimated"]),
    ]


def learn_summary(survey: Survey, result: LearnResult) -> Summary:
    """Return what the opened squares taught."""
    forecast, ranked = result.forecast, result.ranked
    left = ranked.squares.loc[ranked.squares["status"] == "open", "square"]
    return {
        "opened": len(forecast.table),
        "finds": int(forecast.table["finds"].sum()),
        "learnt_from": result.learnt_from,
        "brier": forecast.brier,
        "spearman": forecast.spearman,
        "kendall": forecast.kendall,
        "overburden_bias_m": forecast.overburden_bias_m,
        "overburden_held": forecast.overburden_held,
        "overburden_known": forecast.overburden_known,
        "weights": result.weights.to_dict("records"),
        "moved": result.moved,
        "first": list(left.head(survey.settings.ranking.top_k)),
        "dig": _dig_facts(survey, ranked),
        "strong_anomalies": _strong(ranked),
        "notes": list(result.notes),
    }


def learn_lines(s: Summary) -> list[str]:
    """Return what the opened squares taught, in words."""
    scored = [
        f"  {words}: Brier score {b['brier']:.3f} (always stating the share that came true, "
        f"{b['share']:.2f}: {b['climate']:.3f}; 0 is perfect)"
        for words, b in s["brier"].items()
    ]
    order = (
        f"score and finds: rank correlation {s['spearman']:.2f} (Kendall {s['kendall']:.2f})"
        if np.isfinite(s["spearman"])
        else "too few squares, or all alike: no rank correlation of score and finds"
    )
    return [
        f"Learn: {counted(s['opened'], 'square')} opened, {counted(s['finds'], 'find')}",
        *scored,
        f"  {order}",
        f"  {_overburden_words(s)}",
        *_weight_lines(s),
        *_left_lines(s),
        *_dig_lines(s),
        *(f"  note: {note}" for note in s["notes"]),
    ]


def _weight_lines(s: Summary) -> list[str]:
    """Say of each evidence how much it counted, and how much it does after what was found."""
    if s["learnt_from"] < 2:
        return ["  weights stay as chosen: fewer than two opened squares had a rank"]
    if all(math.isclose(w["learned"], w["weight"]) for w in s["weights"]):
        return ["  weights stay as chosen: the opened squares held the same, or say nothing new"]
    return [
        f"  weights, learnt from {s['learnt_from']} opened squares that had a rank:",
        *(
            f"    {w['evidence']}: chosen {w['weight']:.2f}, learnt {w['learned']:.2f} "
            f"(standard deviation {w['learned_sd']:.2f})"
            for w in s["weights"]
        ),
    ]


def _overburden_words(s: Summary) -> str:
    """Say how the forecast of overburden fared where it was measured."""
    known = s["overburden_known"]
    if not known:
        return "overburden: measured in none of them"
    said = (
        f"overburden: forecast less found {s['overburden_bias_m']:+.2f} m"
        f"{' on average' if known > 1 else ''} in {counted(known, 'square')}"
    )
    if not np.isfinite(s["overburden_held"]):
        return said
    return f"{said}; {100 * s['overburden_held']:.0f} % lay in the 90 % interval"


def _left_lines(s: Summary) -> list[str]:
    """Name the first of the squares that are left, and say how far what was learnt changes them."""
    first = s["first"]
    if not first:
        return ["  no square is left to rank"]
    if not s["moved"]:
        change = "the same with the weights as chosen"
    else:
        are = "is" if s["moved"] == 1 else "are"
        change = f"{s['moved']} of them {are} not with the weights as chosen"
    number = f"first {len(first)}" if len(first) > 1 else "first"
    return [f"  {number} of what is left: {', '.join(first)} ({change})"]
