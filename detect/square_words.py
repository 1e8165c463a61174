"""What ranking, sections and opened squares found, for machines and in words."""

from __future__ import annotations

from typing import Any

import numpy as np

from detect.present.advice import plan_said
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
        "dig": {
            "squares": list(result.dig.table["square"]),
            "hours": result.dig.hours,
            "budget_h": ranking.budget_h,
            "sediment_m3": float(result.dig.table["sediment_m3"].sum()),
            "merit": result.dig.value,
            "merit_down_the_list": result.dig.list_value,
            "expected_top_k": result.dig.expected_top_k,
            "gap": result.dig.gap,
            "most_squares": result.dig.most_squares,
            "joins": result.dig.joins,
            "dive_day_h": ranking.dive_day_h,
            "next_day": list(result.dig.next_day),
            "next_day_merit": result.dig.next_day_value,
            "next_day_top_k": result.dig.next_day_top_k,
        },
        "whatever_the_weights": list(
            result.weightings.loc[result.weightings["chosen_share"] >= WHATEVER, "square"]
        ),
        "coin_tosses": result.coin_tosses.to_dict("records"),
        "survey_next": result.survey_next.to_dict("records"),
        "evidence": sorted(item.name for item in result.evidence.items),
        "notes": list(result.evidence.notes),
    }


def rank_lines(s: Summary) -> list[str]:
    """Return the ranking in words."""
    dig = s["dig"]
    first = ", ".join(s["first"]) or "none"
    return [
        f"Rank: {s['ranked']} of {s['squares']} squares ranked; "
        f"the first {len(s['first'])}: {first}",
        f"  of these, {s['expected_in_first']:.1f} are expected to belong to the best "
        f"{s['top_k']}; {s['firm_in_top_k']} surely do (90 draws in 100 or more)",
        f"  within {dig['budget_h']:g} h: {', '.join(dig['squares']) or 'none'} "
        f"({dig['hours']:.1f} h, {dig['sediment_m3']:.1f} m³ of sediment)",
        *(f"  {said}" for said in plan_said(dig)),
        f"  whatever the weights near these: {', '.join(s['whatever_the_weights']) or 'none'}; "
        f"{len(s['coin_tosses'])} coin tosses about the last places",
        *(f"  note: {note}" for note in s["notes"]),
    ]


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
    kinds = ", ".join(f"{count} {kind}" for kind, count in s["kinds"].items())
    return [
        f"Section of {s['length_m']:.1f} m from e {s['start'][0]:g}, n {s['start'][1]:g} to "
        f"e {s['end'][0]:g}, n {s['end'][1]:g}; levels below {s['datum']}",
        f"  {s['probes']} probes within {s['within_m']:g} m of it ({kinds or 'none'})",
        *([] if s["horizon"] else ["  fewer than eight contacts: no horizon is estimated"]),
    ]


def learn_summary(survey: Survey, result: LearnResult) -> Summary:
    """Return what the opened squares taught."""
    forecast, dig = result.forecast, result.ranked.dig
    return {
        "opened": len(forecast.table),
        "finds": int(forecast.table["finds"].sum()),
        "brier": forecast.brier,
        "spearman": forecast.spearman,
        "kendall": forecast.kendall,
        "overburden_bias_m": forecast.overburden_bias_m,
        "overburden_held": forecast.overburden_held,
        "weights": result.weights.to_dict("records"),
        "moved": result.moved,
        "first": list(result.ranked.squares["square"].head(survey.settings.ranking.top_k)),
        "dig": {"squares": list(dig.table["square"]), "hours": dig.hours, "gap": dig.gap},
    }


def learn_lines(s: Summary) -> list[str]:
    """Return what the opened squares taught, in words."""
    weights = ", ".join(
        f"{w['evidence']} {w['weight']:.2f} to {w['learned']:.2f}" for w in s["weights"]
    )
    scored = [
        f"  {words}: Brier score {b['brier']:.3f} (always stating the share that came true, "
        f"{b['share']:.2f}: {b['climate']:.3f}; 0 is perfect)"
        for words, b in s["brier"].items()
    ]
    order = (
        [f"  score and finds: rank correlation {s['spearman']:.2f} (Kendall {s['kendall']:.2f})"]
        if np.isfinite(s["spearman"])
        else ["  too few squares, or all alike: no rank correlation"]
    )
    return [
        f"Learn: {s['opened']} squares opened, {s['finds']} finds",
        *scored,
        *order,
        f"  overburden: forecast less found {s['overburden_bias_m']:+.2f} m on average",
        f"  weights: {weights}; {s['moved']} of the first {len(s['first'])} are others for it",
        f"  left, first: {', '.join(s['first'])}",
    ]
