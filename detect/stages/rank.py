"""What to dig first, from the maps' models and the coverage."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
import xarray as xr

from detect.squares import (
    SOURCES,
    CostInterval,
    DigPlan,
    EffortRates,
    Evidence,
    Given,
    coin_tosses,
    cost_interval,
    gather_evidence,
    mean_over_squares,
    plan_dig,
    rank_squares,
    realised_scores,
    square_layout,
    visible_remains,
    weight_sensitivity,
)
from detect.squares.survey_next import COLUMNS as PROPOSED
from detect.stages.common import Progress, silent
from detect.stages.map import MapResult
from detect.stages.survey_next import survey_next
from detect.survey import Survey


@dataclass(frozen=True)
class RankResult:
    """Squares in order and the dig plan; `cost` is None where sediment was not probed."""

    squares: pd.DataFrame
    dig: DigPlan
    evidence: Evidence
    coin_tosses: pd.DataFrame
    weightings: pd.DataFrame
    survey_next: pd.DataFrame
    layout: pd.DataFrame = field(repr=False)
    cost: CostInterval | None = None
    #: cells of the maps that readings reached
    surveyed: xr.DataArray | None = field(default=None, repr=False)


def rank(
    survey: Survey, maps: MapResult, cover: xr.Dataset | None, progress: Progress = silent
) -> RankResult:
    """Rank the squares from the maps' models and choose what fits the hours."""
    settings = survey.settings
    ranking = settings.ranking
    origin = survey.squares_origin
    grid = survey.grid()
    layout = square_layout(
        survey.outline, settings.squares, origin, survey.keep_outs, survey.visible_remains
    )
    progress("evidence", 0, 2)

    def over_squares(values: np.ndarray) -> np.ndarray:
        return mean_over_squares(layout, grid.nodes, values.ravel().astype(float), origin)

    pod = (
        over_squares(cover["pod"].to_numpy()) if cover is not None else np.full(len(layout), np.nan)
    )
    detector = settings.detector if settings.has_detector else None
    remains, remains_words = visible_remains(survey.keep_outs)
    given = Given(
        layout,
        maps.signal,
        maps.contacts,
        maps.contact_depth,
        pod=pod,
        surveyed_fraction=over_squares(maps.maps["surveyed"].to_numpy()),
        threshold_snr=detector.threshold_snr if detector else 3.0,
        burial_depth_m=detector.burial_depth_m if detector else 0.0,
        realisations=ranking.realisations,
        kinds=maps.kinds,
        anomalies=maps.anomalies if detector else None,
        maps=maps.maps,
        metal=maps.metal,
        remains=remains,
        remains_words=remains_words,
        origin=origin,
    )
    evidence = gather_evidence(given, SOURCES, _rates(survey), ranking.seed)
    progress("ranks", 1, 2)
    weights = {str(name): weight for name, weight in ranking.weights.items()}
    result = in_order(survey, evidence, layout, weights, maps)
    progress("ranks", 2, 2)
    return replace(result, surveyed=maps.maps["surveyed"])


def _rates(survey: Survey) -> EffortRates:
    """Return what an hour does, as the director set it."""
    ranking = survey.settings.ranking
    return EffortRates(
        ranking.removal_m3_per_h,
        ranking.setup_h,
        ranking.recording_h,
        ranking.backfill_m3_per_h,
    )


def _cost(survey: Survey, evidence: Evidence, dig: DigPlan) -> CostInterval | None:
    """Return the interval of what the plan costs, from the joint draws of overburden."""
    if dig.table.empty or "overburden" not in evidence.draws:
        return None
    chosen = evidence.table["square"].isin(dig.table["square"]).to_numpy()
    return cost_interval(
        evidence.draws["overburden"][:, chosen],
        float(evidence.table["size_m"].iloc[0]),
        _rates(survey),
        survey.settings.ranking.budget_h,
    )


def order(survey: Survey, evidence: Evidence, weights: Mapping[str, float]) -> pd.DataFrame:
    """Rank the squares by their evidence: the table of `rank_squares`, nothing planned."""
    settings = survey.settings
    return rank_squares(
        evidence.table,
        evidence.draws,
        weights,
        settings.ranking.top_k,
        evidence.threshold,
        settings.detector.required_pod if settings.has_detector else None,
    )


def in_order(
    survey: Survey,
    evidence: Evidence,
    layout: pd.DataFrame,
    weights: Mapping[str, float],
    maps: MapResult | None = None,
) -> RankResult:
    """Rank the squares by their evidence and plan the digging.

    Parameters
    ----------
    survey : Survey
    evidence : Evidence
    layout : DataFrame
    weights : mapping of float
    maps : MapResult, optional
        For what to survey next; without, nothing is proposed.

    Returns
    -------
    RankResult
    """
    ranking = survey.settings.ranking
    squares = order(survey, evidence, weights)
    dig = plan_dig(
        squares,
        ranking.budget_h,
        ranking.reserve_fraction,
        joined_bonus=ranking.joined_bonus,
        dive_day_h=ranking.dive_day_h,
    )
    is_open = (evidence.table["status"] == "open").to_numpy()
    ranked = evidence.table[is_open]
    draws = {name: drawn[:, is_open] for name, drawn in evidence.draws.items()}
    score = realised_scores(draws, weights)
    tosses = coin_tosses(list(ranked["square"]), score, ranking.top_k)
    tried = weight_sensitivity(ranked, draws, weights, ranking.top_k, seed=ranking.seed)
    proposed = pd.DataFrame(columns=PROPOSED)
    if maps is not None:
        proposed = survey_next(survey, maps, evidence, score, weights, ranking.top_k)
    cost = _cost(survey, evidence, dig)
    return RankResult(squares, dig, evidence, tosses, tried, proposed, layout, cost)
