"""Lane spacings for the team to choose from: what each promises and what each costs."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

import pandas as pd

from detect.lanes.dives import dive_totals, pack_dives
from detect.lanes.plan import count_lanes
from detect.lanes.search import definite_range_pod, inverse_cube_pod, random_pod
from detect.lanes.spacing import spacing_table
from detect.survey.frame import Frame
from detect.survey.settings import Detector, Dives

# Spacings that differ by less than this share are one choice.
_ALIKE = 0.04


def spacing_choices(
    detector: Detector,
    dives: Dives,
    frame: Frame,
    lay: Callable[[float], pd.DataFrame],
    *,
    also_m: float | None = None,
    keep_outs: Iterable[Any] = (),
) -> pd.DataFrame:
    """Return lane spacings with their POD, the bounds of search theory, dives and hours.

    Parameters
    ----------
    detector : Detector
        The coil as in ``survey.toml``.
    dives : Dives
        What one dive can do.
    frame : Frame
        For the headings of the dives.
    lay : callable
        Returns the lanes of this site for a spacing, as `detect.lanes.plan.plan_lanes` does.
    also_m : float, optional
        A spacing to be listed besides the round figures, in place of one much like it.
    keep_outs : iterable
        Round which the way from lane to lane goes, as for `detect.lanes.dives.pack_dives`.

    Returns
    -------
    pandas.DataFrame
        Ascending by ``spacing_m``: ``worst_pod``, ``mean_pod``, ``coverage_factor``;
        ``perfect_strips_pod``, ``inverse_cube_pod``, ``random_pod`` at that coverage factor
        (`detect.lanes.search`: no search finds more than the first, aimless swimming of the same
        length finds the last); ``lanes`` (cross lanes not counted),
        ``lane_parts`` (of both, rows of the table of lanes), ``lane_m``, ``dives``, ``bottom_h``
        and ``diver_h`` (all divers together) on this site.
    """
    table = spacing_table(detector)
    if also_m is not None:
        round_ones = table["spacing_m"][(table["spacing_m"] / also_m - 1.0).abs() > _ALIKE]
        table = spacing_table(detector, [*round_ones, also_m])
    factor = table["coverage_factor"]
    table = table.assign(
        perfect_strips_pod=definite_range_pod(factor),
        inverse_cube_pod=inverse_cube_pod(factor),
        random_pod=random_pod(factor),
    )
    keep_outs = tuple(keep_outs)
    costs = []
    for spacing in table["spacing_m"]:
        lanes = lay(float(spacing))
        totals = dive_totals(pack_dives(lanes, dives, frame, keep_outs), dives)
        costs.append(
            {
                "lanes": count_lanes(lanes["lane"])[0],
                "lane_parts": len(lanes),
                "lane_m": totals.lane_m,
                "dives": totals.dives,
                "bottom_h": totals.bottom_min / 60.0,
                "diver_h": totals.diver_hours,
            }
        )
    return pd.concat([table, pd.DataFrame(costs)], axis=1)
