"""Bins that suit lanes: read step by step along them, and one spacing apart across."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.spatial import cKDTree

from detect.geostat.errors import FloatArray, GeostatError, as_points
from detect.geostat.experimental import experimental_variogram

#: Bins along a lane, in steps of a reading; bins across, in spacings.
BINS_ALONG, BINS_ACROSS = 24, 8

#: Lanes within this many degrees of the usual bearing count as parallel.
PARALLEL_DEG = 15.0


@dataclass(frozen=True)
class LaneLayout:
    """How the readings lie.

    Parameters
    ----------
    azimuth_deg : float
        Bearing most metres were swum along, in [0, 180).
    step_m : float
        Usual distance between a reading and the next on its lane.
    spacing_m : float
        Usual distance between neighbouring lanes; NaN with a single lane.
    extent_m : float
        Diagonal of the readings' box.
    """

    azimuth_deg: float
    step_m: float
    spacing_m: float
    extent_m: float

    @property
    def along(self) -> dict[str, float]:
        """Arguments of `experimental_variogram` for pairs along the lanes."""
        third = self.extent_m / 3.0
        width = min(self.step_m, third / 8.0)
        return {
            "width_m": width,
            "cutoff_m": min(BINS_ALONG * width, third),
            "azimuth_deg": self.azimuth_deg,
        }

    @property
    def across(self) -> dict[str, float]:
        """Arguments for pairs across the lanes: bins about 1, 2, 3 ... spacings."""
        if not np.isfinite(self.spacing_m):
            raise GeostatError("a single lane has no pairs across")
        reach = max(self.extent_m / 3.0, 2.0 * self.spacing_m)
        bins = int(np.clip(reach // self.spacing_m, 2, BINS_ACROSS))
        return {
            "width_m": self.spacing_m,
            "first_m": self.spacing_m / 2.0,
            "cutoff_m": (bins + 0.5) * self.spacing_m,
            "azimuth_deg": (self.azimuth_deg + 90.0) % 180.0,
        }

    @property
    def pooled(self) -> dict[str, float]:
        """Arguments for all pairs, whatever their bearing: the bins along the lanes.

        Fine enough to see the nugget from neighbours on a lane; where lanes lie farther apart than
        those bins reach, long enough for two spacings, so that fits see across as well.
        """
        along = self.along
        reach = 0.0 if np.isnan(self.spacing_m) else 2.5 * self.spacing_m
        return {"width_m": along["width_m"], "cutoff_m": max(along["cutoff_m"], reach)}


def lane_layout(points: npt.ArrayLike, lanes: npt.ArrayLike | Sequence[str]) -> LaneLayout:
    r"""Find bearing, reading step and lane spacing.

    The bearing is the mean of the lanes' own axes, angles doubled, weighted by length (Mardia &
    Jupp, Directional Statistics (2000), from memory). Each parallel lane's place across it is its
    median; the spacing is the median gap between neighbouring places, those closer than two steps
    (one lane, swum again) taken as one.

    Parameters
    ----------
    points : (N, 2) array
        Positions, metres.
    lanes : (N,) array or sequence
        Lane of each reading.

    Returns
    -------
    LaneLayout

    Raises
    ------
    GeostatError
        NaN, not one lane a reading, or readings all at one place.
    """
    position = as_points(points)
    given = np.asarray(lanes)
    if given.shape != (len(position),):
        raise GeostatError(f"{given.size} lane labels for {len(position)} readings")
    extent = float(np.hypot(*np.ptp(position, axis=0)))
    if extent == 0:
        raise GeostatError("all readings are at one place: no lanes")
    label = np.unique(given, return_inverse=True)[1].ravel()
    axes = [_axis(position[label == lane]) for lane in range(label.max() + 1)]
    bearing = np.array([a for a, _ in axes])
    length = np.array([m for _, m in axes])
    doubled = (length * np.exp(2j * np.radians(bearing))).sum()
    azimuth = float(np.degrees(np.angle(doubled)) / 2.0 % 180.0) if length.any() else 0.0
    step = _step(position, label)
    theta = np.radians(azimuth)
    off = position @ np.array([np.cos(theta), -np.sin(theta)])
    parallel = np.abs((bearing - azimuth + 90.0) % 180.0 - 90.0) <= PARALLEL_DEG
    place = pd.Series(off).groupby(label).median().to_numpy()[parallel & (length > 0)]
    gaps = np.diff(np.sort(place))
    gaps = gaps[gaps > 2.0 * step] if (gaps > 2.0 * step).any() else gaps[gaps > 0]
    spacing = float(np.median(gaps)) if len(gaps) else float("nan")
    return LaneLayout(azimuth, step, spacing, extent)


def lane_variograms(
    points: npt.ArrayLike,
    values: npt.ArrayLike,
    lanes: npt.ArrayLike | Sequence[str],
    *,
    estimator: str = "matheron",
    tolerance_deg: float = 22.5,
) -> dict[str, pd.DataFrame]:
    """Experimental variograms along, across and of all pairs, each in the bins that suit it.

    Parameters
    ----------
    points, values : (N, 2) and (N,) arrays
        Positions, metres, and readings.
    lanes : (N,) array or sequence
        Lane of each reading.
    estimator, tolerance_deg
        As of `experimental_variogram`.

    Returns
    -------
    dict
        ``"pooled"``, ``"along"`` and, with more than one lane, ``"across"``.

    Notes
    -----
    A plain variogram of lanes sees mostly pairs along them. Limit: across, nothing is known at less
    than a spacing; a nugget there is the along view's.
    """
    layout = lane_layout(points, lanes)
    views = {"pooled": layout.pooled, "along": layout.along}
    if np.isfinite(layout.spacing_m):
        views["across"] = layout.across
    return {
        name: experimental_variogram(
            points,
            values,
            width_m=view["width_m"],
            cutoff_m=view["cutoff_m"],
            first_m=view.get("first_m"),
            azimuth_deg=view.get("azimuth_deg"),
            tolerance_deg=tolerance_deg,
            estimator=estimator,
        )
        for name, view in views.items()
    }


def _axis(points: FloatArray) -> tuple[float, float]:
    """Bearing (degrees in [0, 180)) and length of one lane, along its longest spread."""
    centred = points - points.mean(axis=0)
    if len(points) < 2 or not centred.any():
        return 0.0, 0.0
    direction = np.linalg.svd(centred, full_matrices=False)[2][0]
    bearing = float(np.degrees(np.arctan2(direction[0], direction[1])) % 180.0)
    return bearing, float(np.ptp(centred @ direction))


def _step(points: FloatArray, label: npt.NDArray) -> float:
    """Median distance of a reading to the nearest other place on its own lane."""
    # lanes far apart from each other: one tree for all of them
    apart = np.column_stack([points, label * (10.0 * np.ptp(points, axis=0).max() + 1.0)])
    places = np.unique(apart, axis=0)
    if len(places) < 2:
        return 0.0
    distance = cKDTree(places).query(places, k=2)[0][:, 1]
    near = distance <= np.hypot(*np.ptp(points, axis=0))
    return float(np.median(distance[near])) if near.any() else float(np.median(distance))
