"""What to dig first, from the maps' models and the coverage."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
import xarray as xr

from detect.squares import (
    DigPlan,
    Evidence,
    gather_evidence,
    mean_over_squares,
    plan_dig,
    rank_squares,
    square_layout,
)
from detect.stages.common import Progress, silent
from detect.stages.map import MapResult
from detect.survey import Survey


@dataclass(frozen=True)
class RankResult:
    """Squares in order and the dig plan."""

    squares: pd.DataFrame
    dig: DigPlan
    evidence: Evidence
    layout: pd.DataFrame = field(repr=False)


def rank(
    survey: Survey, maps: MapResult, cover: xr.Dataset | None, progress: Progress = silent
) -> RankResult:
    """Rank the squares from the maps' models and choose what fits the hours."""
    settings = survey.settings
    ranking = settings.ranking
    origin = survey.squares_origin
    grid = survey.grid()
    layout = square_layout(survey.outline, settings.squares, origin, survey.keep_outs)
    progress("evidence", 0, 2)

    def over_squares(values: np.ndarray) -> np.ndarray:
        return mean_over_squares(layout, grid.nodes, values.ravel().astype(float), origin)

    pod = (
        over_squares(cover["pod"].to_numpy()) if cover is not None else np.full(len(layout), np.nan)
    )
    detector = settings.detector if settings.has_detector else None
    evidence = gather_evidence(
        layout,
        maps.signal,
        maps.contacts,
        maps.contact_depth,
        pod=pod,
        surveyed_fraction=over_squares(maps.maps["surveyed"].to_numpy()),
        threshold_snr=detector.threshold_snr if detector else 3.0,
        burial_depth_m=detector.burial_depth_m if detector else 0.0,
        removal_m3_per_h=ranking.removal_m3_per_h,
        realisations=ranking.realisations,
        seed=ranking.seed,
    )
    progress("ranks", 1, 2)
    weights = {str(name): weight for name, weight in ranking.weights.items()}
    squares = rank_squares(
        evidence.table,
        evidence.draws,
        weights,
        ranking.top_k,
        evidence.threshold,
        detector.required_pod if detector else None,
    )
    dig = plan_dig(squares, ranking.budget_h, ranking.reserve_fraction)
    progress("ranks", 2, 2)
    return RankResult(squares, dig, evidence, layout)
