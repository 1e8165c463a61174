"""What a rehearsal says, as a dictionary for machines and as lines for people."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

from detect.lanes.trial import CONFIDENCE
from detect.present.words import counted
from detect.stages import TrialResult

Summary = dict[str, Any]


def trial_summary(result: TrialResult) -> Summary:
    """Return the rehearsal's figures."""
    summary: Summary = {
        "fitted": result.fit is not None,
        "reference": result.reference,
        "settings": {".".join(path): value for path, value in result.numbers.items()},
        "bench_tries": len(result.bench),
        "sheets": list(dict.fromkeys(result.bench["sheet"])),
        "lane_places": len(result.lane),
        "notes": list(result.notes),
    }
    fit = result.fit
    if fit is not None:
        summary |= {
            "targets": fit.targets.to_dict("records"),
            "threshold_snr": asdict(fit.threshold_snr),
            "noise": asdict(fit.noise) if fit.noise else None,
            "threshold": asdict(fit.threshold) if fit.threshold else None,
            "confidence": CONFIDENCE,
            "lapse": fit.lapse,
            "proportional_error": fit.scatter,
            "p_heard": fit.p_heard,
            "p_signal": fit.p_signal,
            "poor_fit": list(fit.poor),
            "log_likelihood": fit.log_likelihood,
        }
    return summary


def trial_facts(s: Summary, unit: str) -> dict[str, str]:
    """Return the rehearsal's estimates in words, for the picture and for people."""
    facts = {
        f"air range, {one['target']}": _estimate(
            {key: one[key] for key in ("air_range_m", "low_m", "high_m")}, " m", 3
        )
        + f"; {one['heard']} of {one['tries']} heard"
        for one in s["targets"]
    }
    facts["threshold over noise"] = _estimate(s["threshold_snr"], "", 1)
    for name in ("noise", "threshold"):
        if s[name]:
            facts[name] = _estimate(s[name], f" {unit}", 2)
    facts["missed whatever the distance"] = f"{100 * s['lapse']:.0f} %"
    facts["fit to what was heard"] = _fit_words(s["p_heard"])
    if s["noise"]:
        facts["fit to the signals"] = _fit_words(s["p_signal"])
    return facts


def _fit_words(p: float) -> str:
    """Say how well the curve fits: the share of rehearsals drawn from it that fit no better."""
    return f"p = {p:.2f}, the chance that a true curve fits this badly"


def _estimate(interval: Summary, unit: str, decimals: int) -> str:
    """Write an estimate with its 95 % interval, or the bound that there is."""
    estimate, low, high = (
        f"{value:.{decimals}f}" if value is not None and math.isfinite(value) else ""
        for value in interval.values()
    )
    if estimate and low and high:
        return f"{estimate}{unit} ({low} to {high})"
    if low and high:
        return f"between {low} and {high}{unit}"
    if low:
        return f"at least {low}{unit}"
    return f"at most {high}{unit}" if high else "not known"


def _with_name(key: str, sheets: list[str]) -> str:
    """Return a key of the settings, with the name of the class of targets that it is of."""
    parts = key.split(".")
    return f"{key} ({sheets[int(parts[1])]})" if parts[0] == "targets" else key


#: how the comment over settings from a poor fit begins, and its lines
_CAUTION, _CAUTION_LINES = "# CAUTION, detect trial:", 3


def without_caution(text: str) -> str:
    """Return settings without the comment that an earlier poor fit put over them."""
    lines = text.splitlines(keepends=True)
    return "".join(lines[_CAUTION_LINES:]) if text.startswith(_CAUTION) else text


def poor_fit_caution(poor: list[str]) -> str:
    """Return the comment that stands over a copy of the settings made from a poor fit."""
    if not poor:
        return ""
    return (
        f"{_CAUTION} the curve does not fit {' nor '.join(poor)}, p being the\n"
        "# chance that a true curve would fit this badly. Do not plan with the air ranges and the\n"
        "# threshold put in below before the misfit is cured and the trial run again.\n"
    )


def trial_lines(s: Summary, unit: str) -> list[str]:
    """Return the rehearsal in words."""
    if not s["fitted"]:
        return [
            "Trial: no tries yet. Print trial_lane.pdf: "
            f"{counted(s['bench_tries'], 'try', 'tries')} under the coil of "
            f"{', '.join(s['sheets'])}, {counted(s['lane_places'], 'place')} on a test lane",
            "  then type what was heard into the survey's trial.csv (its rows stand ready in "
            "trial_to_fill.csv) and run this again",
        ]
    return [
        "Trial: what the rehearsal says (95 % interval in brackets)",
        *(f"  {what}: {value}" for what, value in trial_facts(s, unit).items()),
        *(
            f"  survey.toml: {_with_name(key, s['sheets'])} = {value:.3g}"
            for key, value in s["settings"].items()
        ),
        "  POOR FIT: written into a copy of survey.toml under a caution; do not use it before the "
        "misfit is cured"
        if s["settings"] and s["poor_fit"]
        else "  written into a copy of survey.toml; look at it, then put it into the survey folder"
        if s["settings"]
        else "  nothing to put into survey.toml yet",
        *(f"  note: {note}" for note in s["notes"]),
    ]
