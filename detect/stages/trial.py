"""Before everything: what a rehearsal says of the coil, and what to rehearse next."""

from __future__ import annotations

import re
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from detect.lanes.targets import target_classes
from detect.lanes.trial import TrialFit, fit_trial
from detect.lanes.trial_design import bench_tries, lane_places, sheet_to_fill
from detect.lanes.unlikely import unlikely_tries
from detect.stages.common import Progress, needed, silent
from detect.survey import Problem, Survey, SurveyError
from detect.survey.columns import nearest

_REFERENCES = ("reference", "reference target")
# A signal read this often, and in this share of the tries, may be where the meter stops.
_CLIPPED_LEAST, _CLIPPED_SHARE = 3, 0.05
# Signals of a target held by hand scatter by a tenth or two of themselves.
_WILD = 0.5
# Nobody tries a target at ten times the distance at which it is just heard.
_FAR = 10.0


@dataclass(frozen=True)
class TrialResult:
    """What to rehearse and, where it was rehearsed, what that says.

    ``numbers`` are what the settings should now say, by section and key; ``fit`` and ``reference``
    are None before the first rehearsal.
    """

    bench: pd.DataFrame
    lane: pd.DataFrame
    to_fill: pd.DataFrame
    fit: TrialFit | None
    reference: str | None
    numbers: dict[tuple[str, ...], float]
    notes: tuple[str, ...] = ()


def trial(survey: Survey, progress: Progress = silent) -> TrialResult:
    """Lay out a rehearsal; where there are tries, estimate air range, threshold and noise.

    Raises
    ------
    SurveyError
        ``[trial] reference`` names a target that was not tried, or no target was tried at all.
    """
    settings = survey.settings
    detector = settings.detector
    progress("rehearsal", 0, 2)
    if survey.trial is None:
        lane = lane_places(detector, name=settings.trial.reference or _REFERENCES[0])
        bench = _tries(survey, {})
        progress("rehearsal", 2, 2)
        return TrialResult(bench, lane, sheet_to_fill(bench, lane), None, None, {})
    progress("air range, threshold and noise", 1, 2)
    try:
        fit = fit_trial(survey.trial, detector.coil_diameter_m, full_scale=detector.full_scale)
    except ValueError as error:
        file = settings.trial.file or "trial.csv"
        raise SurveyError(
            [Problem(file, str(error), "type the tries with a target", column="target")]
        ) from error
    reference = _reference(survey, fit)
    between = {str(name).casefold(): _between(fit, str(name)) for name in fit.targets["target"]}
    bench, lane = _tries(survey, between, reference), lane_places(detector, name=reference)
    numbers, notes = _numbers(survey, fit, reference)
    notes = [
        *_poor_notes(survey, fit),
        *_full_scale_notes(survey),
        *_far_notes(survey, reference),
        *notes,
    ]
    progress("rehearsal", 2, 2)
    to_fill = sheet_to_fill(bench, lane)
    return TrialResult(bench, lane, to_fill, fit, reference, numbers, (*fit.notes, *notes))


def _poor_notes(survey: Survey, fit: TrialFit) -> list[str]:
    """Say what the curve does not fit, and which rows lie farthest off it."""
    wild = np.isfinite(fit.scatter) and fit.scatter > _WILD
    if not fit.poor and not wild:
        return []
    said = [
        f"POOR FIT to {what}: p is the chance that tries of a true curve would fit this badly; "
        "look at trial.png and at what was typed, do not plan with these numbers until it is cured "
        "(clipped signals, a slip in centimetres, two targets under one name, metal near by)"
        for what in fit.poor
    ]
    if wild:
        said.append(
            f"signals scatter by {100 * fit.scatter:.0f} % of themselves about the curve: one slip "
            "may do that, and bends the curve; the rows farthest off follow"
        )
    trial, detector = needed(survey.trial, "trial"), survey.settings.detector
    worst = unlikely_tries(fit, trial, detector.coil_diameter_m, detector.full_scale)
    file = survey.settings.trial.file or "trial.csv"
    return said + [
        f"{file}, row {row['row']}: {row['target']} at distance_to_coil_m = "
        f"{row['distance_to_coil_m']:g}, offset_m = {row['offset_m']:g}: {_unlikely(row)}"
        for row in worst.to_dict("records")
    ]


def _unlikely(row: dict[Hashable, Any]) -> str:
    """Say what of a try is hard to believe."""
    if row["by_signal"]:
        return (
            f"signal {row['signal']:g}, where the curve expects {row['expected']:.3g} ± "
            f"{row['expected_sd']:.2g}: was it typed as written?"
        )
    rarely = "less than 1 in 1000" if row["chance"] < 1e-3 else f"1 in {1.0 / row['chance']:.0f}"
    came = "heard" if row["detected"] == 1 else "missed"
    return f"{came}, which the curve expects {rarely} times: was it typed as written?"


def _full_scale_notes(survey: Survey) -> list[str]:
    """Ask whether the highest signal is the meter's limit, where it was read again and again."""
    trial, detector = needed(survey.trial, "trial"), survey.settings.detector
    signal = trial["signal"].to_numpy(dtype=float)
    signal = signal[np.isfinite(signal)]
    if detector.full_scale is not None or not len(signal):
        return []
    top = float(signal.max())
    count = int((signal == top).sum())
    if top <= 0.0 or count < _CLIPPED_LEAST or count < _CLIPPED_SHARE * len(signal):
        return []
    return [
        f"the highest signal, {top:g}, was read {count} times: if the meter shows no more than "
        f"that, write full_scale = {top:g} under [detector] and run this again, or the curve is "
        "bent to fit clipped signals"
    ]


def _far_notes(survey: Survey, reference: str) -> list[str]:
    """Ask about distances far beyond the air range that the settings have: a slip of the unit."""
    trial = needed(survey.trial, "trial")
    detector = survey.settings.detector
    ranges = {one.name.strip().casefold(): one.air_range_m for one in survey.settings.targets}
    ranges[reference.casefold()] = detector.air_range_m
    guess = trial["target"].astype(str).str.strip().str.casefold().map(ranges)
    distance = trial["distance_to_coil_m"]
    far = trial[distance > _FAR * guess.fillna(detector.air_range_m)]
    file = survey.settings.trial.file or "trial.csv"
    return [
        f"{file}, row {row}: {name} at distance_to_coil_m = {distance:g}, more than {_FAR:g} times "
        f"its air range: in metres {distance / 100:g}, if it was typed in centimetres?"
        for row, name, distance in zip(
            far["row"], far["target"], far["distance_to_coil_m"], strict=True
        )
    ]


def _tries(
    survey: Survey, between: Mapping[str, tuple[float, float] | None], reference: str | None = None
) -> pd.DataFrame:
    """Return tries under the coil for the reference target and for every class of targets."""
    first, *others = target_classes(survey.settings)
    named = [(reference or survey.settings.trial.reference or _REFERENCES[0], first)]
    named += [(one.name, one) for one in others]
    return pd.concat(
        [
            bench_tries(one.detector, seed, between.get(name.casefold()), name)
            for seed, (name, one) in enumerate(named, start=1)
        ],
        ignore_index=True,
    )


def _reference(survey: Survey, fit: TrialFit) -> str:
    """Return which of the targets tried is that of ``[detector]``."""
    names = [str(name) for name in fit.targets["target"]]
    asked = survey.settings.trial.reference
    if asked is None:
        return next((n for n in names if n.casefold() in _REFERENCES), names[0])
    for name in names:
        if name.casefold() == asked.strip().casefold():
            return name
    raise SurveyError(
        [
            Problem(
                "survey.toml",
                f'"{asked}" was not tried',
                f"the targets tried are {', '.join(names)}",
                column="trial.reference",
            )
        ]
    )


def _meant(name: str, known: Sequence[str]) -> str | None:
    """Return the known target that a name is most like: hyphens and the plural aside, or in it."""

    def plain(text: str) -> str:
        return " ".join(word.removesuffix("s") for word in re.findall(r"\w+", text.casefold()))

    by_plain = {plain(one): one for one in known if one != name}
    within = [one for one in by_plain if f" {one} " in f" {plain(name)} "]
    like = max(within, key=len) if within else nearest(plain(name), by_plain, 0.7)
    return None if like is None else by_plain[like]


def _between(fit: TrialFit, name: str) -> tuple[float, float] | None:
    """Return where to try next for a target's air range, where it is not known yet."""
    own = fit.targets[fit.targets["target"] == name]
    estimate, low, high = own[["air_range_m", "low_m", "high_m"]].to_numpy(dtype=float)[0]
    if np.isfinite(estimate) or not (np.isfinite(low) or np.isfinite(high)):
        return None
    return (low if np.isfinite(low) else 0.3 * high), (high if np.isfinite(high) else 2.5 * low)


def _numbers(
    survey: Survey, fit: TrialFit, reference: str
) -> tuple[dict[tuple[str, ...], float], list[str]]:
    """Return the settings as the rehearsal has them, and what it leaves as it was."""
    notes = []
    numbers: dict[tuple[str, ...], float] = {}
    places: dict[str, tuple[str, ...]] = {reference.casefold(): ("detector", "air_range_m")}
    for number, target in enumerate(survey.settings.targets, start=1):
        key = ("targets", str(number), "air_range_m")
        places.setdefault(target.name.strip().casefold(), key)
    tried = {str(name).strip().casefold() for name in fit.targets["target"]}
    untried = [one.name for one in survey.settings.targets if one.name.casefold() not in tried]
    for row in fit.targets.to_dict("records"):
        name, place = str(row["target"]), places.get(str(row["target"]).casefold())
        if place is not None and np.isfinite(row["air_range_m"]):
            numbers[place] = float(row["air_range_m"])
        elif place is not None and np.isfinite(row["low_m"]):
            numbers[place] = float(row["low_m"])
            notes.append(
                f"target {name}: the lower end of its air range is put in, the safe side; "
                "trial_lane.pdf has new tries to narrow it"
            )
        elif place is None:
            like = _meant(name, [reference, *(one.name for one in survey.settings.targets)])
            notes.append(
                f'target {name} is not in [[targets]]: did you mean "{like}"? Then call it that '
                "in the trial table"
                if like
                else f"target {name} is not in [[targets]]: add it there to plan with it"
            )
    if untried:
        notes.append(
            f"not tried yet: {', '.join(untried)}; their air ranges stay as they were, a guess"
        )
    if fit.threshold_snr.closed and fit.threshold_snr.estimate is not None:
        numbers[("detector", "threshold_snr")] = fit.threshold_snr.estimate
    else:
        low = fit.threshold_snr.low
        least = "" if low is None else f", only that it is at least {low:.1f}"
        notes.append(
            f"the tries do not say how sharp the threshold is{least}: threshold_snr stays as it "
            "was; more tries near the air range would tell"
        )
    return numbers, notes
