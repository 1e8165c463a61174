"""From the ranking to what would settle most of its doubt."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise

import numpy as np
import pandas as pd
import shapely

from detect.squares import Evidence
from detect.squares.layout import centres
from detect.squares.ranking import shares
from detect.squares.survey_next import (
    COLUMNS,
    DOUBTFUL,
    MOST_DOUBTFUL,
    MOST_LANES,
    MOST_PROBES,
    STEP_M,
    Outlook,
    best_next,
    candidate_lanes,
    doubt,
    propose,
)
from detect.stages.common import clear_of
from detect.stages.map import MapResult
from detect.survey import Survey

#: readings of all lanes that are thought of at once
MOST_READINGS = 1500


def survey_next(
    survey: Survey,
    maps: MapResult,
    evidence: Evidence,
    score: np.ndarray,
    weights: Mapping[str, float],
    top_k: int,
) -> pd.DataFrame:
    """Propose lanes and probes by the doubt about the best squares that they would settle.

    Parameters
    ----------
    survey : Survey
    maps : MapResult
    evidence : Evidence
    score : (R, M) array
        Of the open squares.
    weights : mapping
    top_k : int

    Returns
    -------
    DataFrame
        See :func:`detect.squares.survey_next.propose`; empty where no rank is in doubt.
    """
    table = evidence.table[evidence.table["status"] == "open"].reset_index(drop=True)
    mean, variance = score.mean(axis=0), score.var(axis=0)
    if len(table) <= top_k or not (variance > 0).any():
        return pd.DataFrame(columns=COLUMNS)
    ordered = np.sort(mean)[::-1]
    cut = float(ordered[top_k - 1] + ordered[top_k]) / 2.0
    place = np.argsort(np.argsort(-score, axis=1), axis=1)
    chance = (place < top_k).mean(axis=0)
    open_question = np.flatnonzero((chance > DOUBTFUL[0]) & (chance < DOUBTFUL[1]))
    nearest = np.argsort(np.abs(chance[open_question] - 0.5), kind="stable")[:MOST_DOUBTFUL]
    some = np.sort(open_question[nearest])
    if not len(some):
        return pd.DataFrame(columns=COLUMNS)
    doubtful = table.iloc[some].reset_index(drop=True)
    where, size = centres(doubtful), float(doubtful["size_m"].iloc[0])
    m, v = mean[some], np.maximum(variance[some], 1e-12)
    is_open = (evidence.table["status"] == "open").to_numpy()
    factor = {
        name: abs(weight) / max(float(evidence.draws[name][:, is_open].mean(axis=0).std()), 1e-12)
        for name, weight in shares(evidence.draws, weights).items()
    }
    barred = shapely.union_all([area.polygon for area in clear_of(survey)])
    ground = survey.outline.difference(barred)

    lanes, lane_gains = [], []
    if "signal" in factor:
        lanes = candidate_lanes(where, size, maps.signal.heading_deg, ground)
        model = maps.signal.loudness
        # on a wide site readings are thought of farther apart: their joint covariance must fit
        step = max(STEP_M, sum(lane.length for lane in lanes) / MOST_READINGS)
        points = [
            shapely.get_coordinates(
                shapely.line_interpolate_point(lane, np.arange(0.0, lane.length, step))
            )
            for lane in lanes
        ]
        if points:
            ends = np.cumsum([0, *(len(p) for p in points)])
            each = [np.arange(a, b) for a, b in pairwise(ends)]
            outlook = Outlook.of(
                model.kriging,
                where,
                size,
                np.concatenate(points),
                model.measurement_sd,
                factor["signal"],
            )
            lane_gains = best_next([outlook], each, m, v, cut, MOST_LANES)

    outlooks = []
    # a strong anomaly may be ordnance: not probed
    safe = doubtful["strong_anomalies"].to_numpy(object) == ""
    probes = where[safe & shapely.contains_xy(ground, where)]
    if len(probes) and "contact" in factor and maps.contacts and maps.contacts.model:
        of_contact = maps.contacts.model
        error = max(of_contact.measurement_sd, 1e-3)
        outlooks.append(
            Outlook.of(of_contact.kriging, where, size, probes, error, factor["contact"])
        )
    if len(probes) and "overburden" in factor and maps.contact_depth is not None:
        depth = maps.contact_depth
        outlooks.append(
            Outlook.of(
                depth.members[0].kriging,
                where,
                size,
                probes,
                depth.fit.error_sd,
                factor["overburden"],
            )
        )
    probe_gains = []
    if outlooks:
        single = [np.array([i]) for i in range(len(probes))]
        probe_gains = best_next(outlooks, single, m, v, cut, MOST_PROBES)
    now = float(doubt(m, v, cut).sum())
    return propose(doubtful, lanes, lane_gains, probes, probe_gains, now)
