"""The kriged signal: which readings go in, which variogram, and the views along and across."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from detect.geostat import experimental_variogram
from detect.geostat.model import PointModel, point_model
from detect.geostat.variogram import Variogram

#: fewest used readings a map is made from
FEWEST_READINGS = 10


@dataclass(frozen=True)
class SignalModel:
    """The estimator of the conditioned signal with the variograms an analyst looks at.

    Attributes
    ----------
    model : PointModel
        Estimator, fit and merged points.
    pooled, along, across : DataFrame
        Experimental variograms of all pairs, and of pairs along and across the usual heading.
    heading_deg : float
        The usual heading, grid degrees within [0, 180).
    """

    model: PointModel
    pooled: pd.DataFrame
    along: pd.DataFrame
    across: pd.DataFrame
    heading_deg: float


def usual_heading(readings: pd.DataFrame) -> float:
    """Return the axis most readings were swum along, degrees in [0, 180).

    The mean of doubled angles, weighted by readings (Mardia & Jupp 2000, axial data, from
    memory); with main and cross lanes the longer set wins.
    """
    angle = np.deg2rad(2.0 * readings["heading_deg"].to_numpy(float))
    angle = angle[np.isfinite(angle)]
    if angle.size == 0:
        return 0.0
    mean = np.arctan2(np.sin(angle).mean(), np.cos(angle).mean())
    return float(np.rad2deg(mean) / 2.0 % 180.0)


def signal_model(
    readings: pd.DataFrame,
    *,
    variogram: Variogram | Literal["fit"] = "fit",
    measurement_sd: float | Literal["auto"] = "auto",
    neighbours: int = 0,
) -> SignalModel:
    """Build the estimator of the conditioned signal.

    Parameters
    ----------
    readings : DataFrame
        Conditioned readings; only ``used`` ones go in.
    variogram, measurement_sd, neighbours
        As for :func:`detect.geostat.model.point_model`.

    Returns
    -------
    SignalModel

    Raises
    ------
    ValueError
        Fewer than ten used readings.
    """
    used = readings[readings["used"]]
    if len(used) < FEWEST_READINGS:
        raise ValueError(
            f"{len(used)} usable readings are too few for a map; at least {FEWEST_READINGS} needed"
        )
    points = used[["e", "n"]].to_numpy(float)
    values = used["signal"].to_numpy(float)
    model = point_model(
        points,
        values,
        variogram=variogram,
        measurement_sd=measurement_sd,
        neighbours=neighbours,
    )
    heading = usual_heading(used)
    return SignalModel(
        model,
        experimental_variogram(points, values),
        experimental_variogram(points, values, azimuth_deg=heading),
        experimental_variogram(points, values, azimuth_deg=(heading + 90.0) % 180.0),
        heading,
    )
