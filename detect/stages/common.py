"""What a job tells whoever waits for it, and the tables a stage cannot do without."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import shapely
import xarray as xr

from detect.geostat.errors import GeostatError
from detect.survey import Grid, KeepOutArea, Problem, Survey, SurveyError

#: told what is being done, and how far it is
Progress = Callable[[str, int, int], None]
#: takes a function and its arguments; returns how to fetch its result, or raise what it raised
Later = Callable[..., Callable[[], Any]]


def silent(stage: str, done: int, total: int) -> None:
    """Report no progress."""


def when_asked(function: Callable[..., Any], *arguments: Any) -> Callable[[], Any]:
    """Return how to fetch the result of a call: it is made then."""
    return lambda: function(*arguments)


def needed(table: pd.DataFrame | None, name: str) -> pd.DataFrame:
    """Return a table, or raise the `SurveyError` that says which file is not named."""
    if table is None:
        raise SurveyError(
            [
                Problem(
                    "survey.toml",
                    f"this command needs {name} and no table is named",
                    f'write file = "{name}.csv" under [{name}]',
                    column=f"{name}.file",
                )
            ]
        )
    return table


@contextmanager
def said_of_the_survey(file: str, column: str | None, remedy: str) -> Iterator[None]:
    """Turn what the estimator refuses into a problem of the survey that can be mended."""
    try:
        yield
    except GeostatError as error:
        raise SurveyError([Problem(file, str(error), remedy, column=column)]) from error


def with_sd(
    grid: Grid, estimate: np.ndarray, sd: np.ndarray, name: str, units: str, words: str
) -> dict[str, xr.DataArray]:
    """Return the map of an estimate at every node and that of its standard deviation, by name."""
    return {
        name: grid.field(estimate, name, units, words),
        f"{name}_sd": grid.field(sd, f"{name}_sd", units, f"kriging standard deviation of {words}"),
    }


def turn_cost_m(survey: Survey) -> float:
    """Return the metres that could be swum while turning; 6 m where no dives are described."""
    if not survey.settings.has_dives:
        return 6.0
    dives = survey.settings.dives
    return dives.turn_min * dives.swim_speed_m_per_min


def lane_bearing(survey: Survey) -> float | None:
    """Return the grid bearing asked for; "axis" is the baseline's, else the outline's long side."""
    asked = survey.settings.lanes.bearing_deg
    if asked != "axis":
        return asked
    ends = survey.frame.baseline
    if ends is None:
        corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(survey.outline))
        sides = np.diff(corners, axis=0)[:2]
        de, dn = sides[int(np.argmax(np.hypot(sides[:, 0], sides[:, 1])))]
    else:
        de, dn = np.subtract(ends[1], ends[0])
    return float(np.degrees(np.arctan2(de, dn)) % 180.0)


def clear_of(survey: Survey) -> tuple[KeepOutArea, ...]:
    """Return the keep-outs grown by what a coil needs to stay off them.

    Half of the coil and two sigma of the diver's wander: a lane that ends there stays clear of
    the keep-out 98 times in 100 (one-sided normal).
    """
    if not survey.settings.has_detector:
        return survey.keep_outs
    detector = survey.settings.detector
    margin = detector.coil_diameter_m / 2.0 + 2.0 * detector.line_error_m
    return tuple(
        replace(area, polygon=area.polygon.buffer(margin, join_style="mitre"))
        for area in survey.keep_outs
    )
