"""The kriged signal, plain and compressed: which readings go in, and which variogram.

Signal falls with the sixth power of distance, so a few nails near the coil carry most of its
variance and a plain kriging of it tells little about the rest. Loudness,
``asinh(signal / noise)``, is linear within the noise and logarithmic above it; its distribution is
near enough to Gaussian for standard deviations and draws to mean what they say. Maps show both;
squares are ranked by loudness.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree

from detect.geostat import experimental_variogram
from detect.geostat.errors import GeostatError
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
        Estimator, fit and merged points of the signal, in its units.
    loudness : PointModel
        The same of ``asinh(signal / scale)``.
    scale : float
        Noise of one reading, signal units; the spread of the readings where noise is not known.
    pooled, along, across : DataFrame
        Experimental variograms of all pairs, and of pairs along and across the usual heading.
    heading_deg : float
        The usual heading, grid degrees within [0, 180).
    """

    model: PointModel
    loudness: PointModel
    scale: float
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


def loudness(signal: ArrayLike, scale: float) -> NDArray[np.float64]:
    """Return ``asinh(signal / scale)``, linear near zero and logarithmic far from it.

    Source: Johnson 1949, Biometrika 36 (from memory).
    """
    return np.arcsinh(np.asarray(signal, dtype=float) / scale)


def loudness_scale(signal: np.ndarray, noise_sd: float) -> float:
    """Return the noise; the readings' spread where it is not known; 1 where all are alike."""
    for candidate in (noise_sd, float(np.std(signal))):
        if np.isfinite(candidate) and candidate > 0:
            return candidate
    return 1.0


def lag_rule(points: np.ndarray) -> tuple[float, float]:
    """Return bin width and cutoff of a variogram that suits lanes.

    Bins as wide as the usual step between readings, so that the first bins hold neighbours along
    a lane; 24 of them, so that the last reach across several lanes; never past a third of the
    diagonal of the readings' box (common practice, no source).

    Parameters
    ----------
    points : (N, 2) array
        m.

    Returns
    -------
    width_m, cutoff_m : float
    """
    places = np.unique(points, axis=0)
    step = float(np.median(cKDTree(places).query(places, k=2)[0][:, 1]))
    third = float(np.hypot(*np.ptp(places, axis=0))) / 3.0
    width = min(step, third / 8.0)
    return width, min(24.0 * width, third)


def signal_model(
    readings: pd.DataFrame,
    noise_sd: float,
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
    noise_sd : float
        Noise of one reading; the scale of loudness.
    variogram, measurement_sd, neighbours
        As for :func:`detect.geostat.model.point_model`; the variogram of loudness is always
        fitted.

    Returns
    -------
    SignalModel

    Raises
    ------
    GeostatError
        Fewer than ten used readings, or what the estimator refuses.
    """
    used = readings[readings["used"]]
    if len(used) < FEWEST_READINGS:
        raise GeostatError(
            f"{len(used)} usable readings are too few for a map; at least {FEWEST_READINGS} needed"
        )
    points = used[["e", "n"]].to_numpy(float)
    values = used["signal"].to_numpy(float)
    width, cutoff = lag_rule(points)
    model = point_model(
        points,
        values,
        variogram=variogram,
        measurement_sd=measurement_sd,
        neighbours=neighbours,
        width_m=width,
        cutoff_m=cutoff,
    )
    scale = loudness_scale(values, noise_sd)
    loud = point_model(
        points, loudness(values, scale), neighbours=neighbours, width_m=width, cutoff_m=cutoff
    )
    heading = usual_heading(used)

    def view(azimuth_deg: float | None) -> pd.DataFrame:
        return experimental_variogram(
            points, values, width_m=width, cutoff_m=cutoff, azimuth_deg=azimuth_deg
        )

    return SignalModel(
        model, loud, scale, view(None), view(heading), view((heading + 90.0) % 180.0), heading
    )
