"""After the first squares were opened: score the forecast, update the weights, rank the rest."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from detect.squares.opened import ForecastScore, calibration, learn_weights, score_forecast
from detect.squares.ranking import AGAINST, standardise
from detect.stages.common import Progress, needed, silent
from detect.stages.rank import RankResult, in_order, order
from detect.survey import Survey


@dataclass(frozen=True)
class LearnResult:
    """What the opened squares taught.

    Attributes
    ----------
    forecast : ForecastScore
    calibration, weights : DataFrame
        From :func:`detect.squares.opened.calibration` and ``learn_weights``.
    ranked : RankResult
        What is left, with the learned weights.
    moved : int
        Squares among the first ``top_k`` that would not be there with the weights as chosen.
    learnt_from : int
        Opened squares that had a rank: only these say anything of the weights.
    notes : tuple of str
        Opened squares that were to stay closed, or had no forecast.
    """

    forecast: ForecastScore
    calibration: pd.DataFrame
    weights: pd.DataFrame
    ranked: RankResult
    moved: int
    learnt_from: int
    notes: tuple[str, ...] = ()


def learn(survey: Survey, before: RankResult, progress: Progress = silent) -> LearnResult:
    """Score the forecast in the opened squares, and rank what is left with what was learnt.

    Parameters
    ----------
    survey : Survey
        With its ``opened`` table.
    before : RankResult
        As ranked without it.
    """
    opened = needed(survey.opened, "opened")
    progress("forecast", 0, 2)
    score = score_forecast(before.squares, opened)
    table = before.evidence.table
    is_open = (table["status"] == "open").to_numpy()
    ranked = table.loc[is_open, "square"].to_numpy(object)
    evidence = {}
    for name, drawn in before.evidence.draws.items():
        standard = standardise(drawn[:, is_open].mean(axis=0)[None, :])
        if standard is not None:
            evidence[name] = -standard[0] if name in AGAINST else standard[0]
    place = {square: i for i, square in enumerate(ranked)}
    known = opened[opened["square"].isin(place)]
    chosen = {str(name): weight for name, weight in survey.settings.ranking.weights.items()}
    weights = learn_weights(
        evidence,
        known["square"].map(place).to_numpy(int),
        known["finds"].to_numpy(float),
        chosen,
    )
    progress("ranks", 1, 2)
    done = table["square"].isin(opened["square"]).to_numpy()
    left = replace(
        before.evidence, table=table.assign(status=np.where(done, "opened", table["status"]))
    )
    learned = dict(zip(weights["evidence"], weights["learned"], strict=True))
    after = replace(in_order(survey, left, before.layout, learned), surveyed=before.surveyed)
    as_chosen = order(survey, left, chosen)
    top_k = survey.settings.ranking.top_k
    moved = len(_first(after.squares, top_k) - _first(as_chosen, top_k))
    progress("ranks", 2, 2)
    notes = _against_the_plan(before.evidence.table, opened)
    return LearnResult(score, calibration(score.table), weights, after, moved, len(known), notes)


def _first(squares: pd.DataFrame, top_k: int) -> set[str]:
    """Name the first squares in the order."""
    return set(squares.loc[squares["rank"].notna(), "square"].head(top_k))


#: what an opened square was, and what that asks of the director
_STATUS_WORDS = {
    "reserve": "kept in reserve: take it off squares.reserve, and keep another instead",
    "excluded": "excluded ({why}): mind why, before another is opened there",
    "unsurveyed": "not surveyed: what it held says nothing of the weights",
}


def _against_the_plan(squares: pd.DataFrame, opened: pd.DataFrame) -> tuple[str, ...]:
    """Name the opened squares that were to stay closed, or could not be ranked."""
    known = squares.set_index("square")[["status", "why"]]
    said = []
    for name in opened["square"]:
        status, why = known.loc[name]
        if status in _STATUS_WORDS:
            words = _STATUS_WORDS[status].format(why=str(why).rstrip(".") or "no reason given")
            said.append(f"{name} was opened, though it was {words}")
    return tuple(said)
