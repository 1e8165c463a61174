"""Before everything: what a rehearsal says of the coil, and what to rehearse next."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from detect.lanes.targets import target_classes
from detect.lanes.trial import TrialFit, fit_trial
from detect.lanes.trial_design import bench_tries, lane_places, sheet_to_fill
from detect.stages.common import Progress, silent
from detect.survey import Problem, Survey, SurveyError
from detect.survey.columns import nearest

_REFERENCES = ("reference", "reference target")


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
    progress("rehearsal", 2, 2)
    to_fill = sheet_to_fill(bench, lane)
    return TrialResult(bench, lane, to_fill, fit, reference, numbers, (*fit.notes, *notes))


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
            like = nearest(name, untried, 0.7)
            notes.append(
                f"target {name} is not in [[targets]]; "
                + (f'call it "{like}" if it is that, or ' if like else "")
                + "add it there to plan with it"
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
