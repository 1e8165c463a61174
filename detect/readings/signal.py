"""The kriged signal: which readings go in, on which scale, and with which variogram.

Signal falls with the sixth power of distance, so a few nails near the coil carry most of its
variance and a plain kriging of it tells little about the rest. On loudness,
``asinh(signal / noise)``, the distribution is near enough to Gaussian for standard deviations and
draws to mean what they say. Squares are ranked by loudness; the signal map is brought back from it
where left-out lanes are predicted better that way.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from detect.geostat import experimental_variogram
from detect.geostat.blocks import Support
from detect.geostat.choice import FEWEST
from detect.geostat.errors import GeostatError
from detect.geostat.model import PointModel, point_model
from detect.geostat.scales import Scale, ScaleChoice, compare_scales
from detect.geostat.variogram import Variogram
from detect.readings.compressed import loudness, mean_signal_moments, signal_moments, signal_of

Floats = NDArray[np.float64]

#: fewest used readings a map is made from
FEWEST_READINGS = 10
#: error of one reading's loudness where the meter speaks only at metal: that of noise about 0, by
#: the definition of loudness. Silent readings agree better than that, but only for they hide it
SILENT_SD = 1.0
#: squares whose points are estimated together: their joint covariance stays within megabytes
SQUARES_AT_ONCE = 8


@dataclass(frozen=True)
class SignalModel:
    """The estimators of signal and loudness, with the variograms an analyst looks at.

    Attributes
    ----------
    loudness : PointModel
        Estimator, fit and merged points of ``asinh(signal / scale)``.
    plain : PointModel or None
        The same of the signal as read; None where the signal is brought back from loudness.
    scale : float
        Noise of one reading, signal units; the spread of the readings where noise is not known.
    choice : ScaleChoice or None
        How both scales predict left-out lanes; None where the survey folder settles it.
    pooled, along, across : DataFrame
        Experimental variograms of what the signal map is made from, of all pairs, and of pairs
        along and across the usual heading.
    heading_deg : float
        The usual heading, grid degrees within [0, 180).
    """

    loudness: PointModel
    plain: PointModel | None
    scale: float
    choice: ScaleChoice | None
    pooled: pd.DataFrame
    along: pd.DataFrame
    across: pd.DataFrame
    heading_deg: float

    @property
    def model(self) -> PointModel:
        """The model that the signal map comes from: of loudness, or of the signal as read."""
        return self.loudness if self.plain is None else self.plain

    @property
    def kriged(self) -> str:
        """Name of the map that was kriged: ``"loudness"`` or ``"signal"``."""
        return "loudness" if self.plain is None else "signal"

    def signal_at(
        self, nodes: Floats, loud: Floats, variance: Floats, client: Any = None
    ) -> tuple[Floats, Floats]:
        """Estimate the signal at nodes (M, 2) where loudness (M,) and its variance are known.

        ``client`` is a dask cluster to krige on, as of `detect.geostat.Kriging.at`.

        Returns
        -------
        estimate, variance : (M,) arrays
            Signal units, and their square.
        """
        if self.plain is not None:
            return self.plain.kriging.at(nodes, client=client)
        return signal_moments(loud, variance, self.scale)

    def squares(self, centres: Floats, size_m: float) -> tuple[Floats, Floats]:
        """Estimate the mean signal over squares (M, 2) of one size.

        Brought back from loudness the mean is taken over 4 x 4 Gauss-Legendre points, with the
        joint distribution of their loudness.

        Returns
        -------
        estimate, variance : (M,) arrays
        """
        if self.plain is not None:
            return self.plain.kriging.blocks(centres, size_m)
        support = Support.square(size_m)
        parts = [self._brought_back(part, support) for part in _batches(centres)]
        mean, variance = (np.concatenate(p) for p in zip(*parts, strict=True))
        return mean, variance

    def _brought_back(self, centres: Floats, support: Support) -> tuple[Floats, Floats]:
        count, size = len(centres), len(support.offsets)
        points = (centres[:, None] + support.offsets).reshape(-1, 2)
        loud, covariance = self.loudness.kriging.posterior(points)
        own = covariance.reshape(count, size, count, size)[np.arange(count), :, np.arange(count)]
        return mean_signal_moments(loud.reshape(count, size), own, support.weights, self.scale)


def _batches(centres: Floats) -> Iterator[Floats]:
    for start in range(0, len(centres), SQUARES_AT_ONCE):
        yield centres[start : start + SQUARES_AT_ONCE]


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
    """Build the estimators of the conditioned signal.

    Without a variogram or an error from the survey folder, loudness is kriged, and beside it the
    signal as read unless left-out lanes say that loudness predicts the signal better
    (:func:`detect.geostat.scales.compare_scales`). With either of them the signal is kriged as
    read.

    Parameters
    ----------
    readings : DataFrame
        Conditioned readings; only ``used`` ones go in, and ``silent`` ones have at least the error
        that `SILENT_SD` says.
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
    lanes = used["lane"].to_numpy()
    width, cutoff = lag_rule(points)
    scale = loudness_scale(values, noise_sd)
    loud = loudness(values, scale)
    kriged = partial(
        point_model, points, neighbours=neighbours, width_m=width, cutoff_m=cutoff, groups=lanes
    )
    choice: ScaleChoice | None = None
    if variogram == "fit" and measurement_sd == "auto" and len(used) >= FEWEST:
        compress = Scale(partial(loudness, scale=scale), partial(signal_of, scale=scale))
        choice = compare_scales(
            points, values, {"loudness": compress}, groups=lanes, width_m=width, cutoff_m=cutoff
        )
    back = choice is not None and choice.name == "loudness"
    plain = None if back else kriged(values, variogram=variogram, measurement_sd=measurement_sd)
    heading = usual_heading(used)

    def view(azimuth_deg: float | None) -> pd.DataFrame:
        return experimental_variogram(
            points,
            loud if back else values,
            width_m=width,
            cutoff_m=cutoff,
            azimuth_deg=azimuth_deg,
        )

    return SignalModel(
        kriged(loud, least_sd=SILENT_SD if used["silent"].any() else 0.0),
        plain,
        scale,
        choice,
        view(None),
        view(heading),
        view((heading + 90.0) % 180.0),
        heading,
    )
