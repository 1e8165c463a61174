"""The readings as kriging sees them: checked once, with their places, noise and drift functions."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from detect.geostat.blocks import Support
from detect.geostat.covariance import places, same_place_distance
from detect.geostat.drift import Drift
from detect.geostat.errors import (
    FloatArray,
    GeostatError,
    IntArray,
    as_points,
    as_values,
    as_variances,
)


@dataclass(frozen=True, eq=False)
class Data:
    """Checked readings. Build with `Data.checked`.

    Parameters
    ----------
    points : (N, 2) array
        Positions relative to ``origin``, metres.
    values : (N,) array
        Readings, in their unit.
    noise : (N,) array
        Measurement variance of each.
    origin : (2,) array
        Taken off every position: map coordinates of millions of metres would eat half of the
        digits.
    tolerance : float
        Two positions closer than this are one place, metres.
    place : (N,) int array
        Lowest index among the readings at the same place.
    pairs : (Q, 2) int array
        Readings that share a place.
    drift : Drift
        Drift functions.
    mean : float
        Known mean of simple kriging, else 0.
    """

    points: FloatArray
    values: FloatArray
    noise: FloatArray
    origin: FloatArray
    tolerance: float
    place: IntArray
    pairs: IntArray
    drift: Drift
    mean: float

    @classmethod
    def checked(
        cls,
        points: npt.ArrayLike,
        values: npt.ArrayLike,
        measurement_sd: npt.ArrayLike | None,
        drift: str,
        mean: float | None,
    ) -> Data:
        """Check the readings; see `Kriging` for what is refused."""
        position = as_points(points)
        reading = as_values(values, len(position))
        noise = as_variances(measurement_sd, len(position))
        if mean is not None:
            if not np.isfinite(mean):
                raise GeostatError(f"mean = {mean!r} is not a number")
            if drift != "constant":
                raise GeostatError("give either a known mean or a drift, not both")
            drift = "none"
        origin = (position.min(axis=0) + position.max(axis=0)) / 2.0
        position = position - origin
        tolerance = same_place_distance(position)
        place, pairs = places(position, tolerance)
        if len(pairs):
            exact = (noise[pairs] == 0).all(axis=1)
            if exact.any():
                i, j = sorted(int(p) for p in pairs[exact][0])
                e, n = position[i] + origin
                raise GeostatError(
                    f"readings {i} and {j} are at the same place ({e:.3f}, {n:.3f}) and "
                    "both are taken as exact "
                    f"({int(exact.sum())} such pair(s)): merge them, or give them a measurement_sd"
                )
        return cls(
            position,
            reading,
            noise,
            origin,
            tolerance,
            place,
            pairs,
            Drift.over(drift, position),
            0.0 if mean is None else float(mean),
        )

    def __len__(self) -> int:
        return len(self.values)

    @property
    def residual(self) -> FloatArray:
        """Values less the known mean."""
        return self.values - self.mean

    @cached_property
    def basis(self) -> FloatArray:
        """Drift functions at the data, (N, P)."""
        return self.drift.at(self.points)

    @cached_property
    def tree(self) -> cKDTree:
        """Search tree of the positions."""
        return cKDTree(self.points)

    def localise(self, nodes: npt.ArrayLike, name: str) -> FloatArray:
        """Check target positions and bring them to the data's origin."""
        return as_points(nodes, name) - self.origin

    def target_basis(self, centres: FloatArray, support: Support) -> FloatArray:
        """Drift functions of targets (T, 2), averaged over the support -> (T, P)."""
        if self.drift.terms <= 1:  # a constant is its own mean
            return self.drift.at(centres)
        at = self.drift.at(centres[:, None, :] + support.offsets)
        return support.average(at)

    def place_of(self, nodes: FloatArray) -> IntArray:
        """Place number of each node that coincides with a datum, else -1."""
        _, index = self.tree.query(nodes, distance_upper_bound=self.tolerance)
        found = index < len(self)
        out = np.full(len(nodes), -1, dtype=np.int64)
        out[found] = self.place[index[found]]
        return out

    def add_nugget(
        self,
        c0: FloatArray,
        nodes: FloatArray,
        support: Support,
        nugget: float,
        near: IntArray | None = None,
    ) -> None:
        """Add the nugget to covariances (T, N) where a point target is at the place of a datum.

        ``near`` are the data of the columns, where they are not all.
        """
        if not support.is_point or nugget == 0.0:
            return
        at = self.place_of(nodes)
        rows = np.flatnonzero(at >= 0)
        place = self.place if near is None else self.place[near]
        for part in np.array_split(rows, max(1, len(rows) * len(place) // 2_000_000)):
            c0[part] += nugget * (at[part, None] == place[None, :])
