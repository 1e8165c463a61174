"""The lattice under a set of points, and which of them stand on it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from detect.geostat.errors import FloatArray, IntArray
from detect.geostat.shapes import practical_range
from detect.geostat.variogram import Variogram

#: Lattice nodes at most, before padding.
MOST_NODES = 2**20

#: Lattice nodes kept past the outermost point on each side.
MARGIN = 4


@dataclass(frozen=True, eq=False)
class Lattice:
    """Regular lattice: ``origin + (column, row) * step``, axes along e and n.

    Parameters
    ----------
    origin : (2,) array
        e, n of row 0, column 0, metres.
    step : (float, float)
        Spacing east and north, metres.
    shape : (int, int)
        Rows (north) and columns (east).
    """

    origin: FloatArray
    step: tuple[float, float]
    shape: tuple[int, int]

    @classmethod
    def under(cls, variogram: Variogram, nodes: FloatArray, points: FloatArray) -> Lattice:
        """Lattice that covers all points and holds every node, where these are one themselves.

        Fine enough to follow the model: at most a tenth of the shortest practical range, unless
        that would take more than `MOST_NODES`.
        """
        low, high = points.min(axis=0), points.max(axis=0)
        fine = min(
            p.range_m * p.anisotropy_ratio * practical_range(p.model, p.smoothness)
            for p in variogram.parts
        )
        fine = max(fine / 10.0, float(np.sqrt(np.prod(np.maximum(high - low, 1e-6)) / MOST_NODES)))
        fine = max(fine, float(np.max(high - low)) / (MOST_NODES / 4))
        own = [_axis_step(nodes[:, axis]) for axis in (0, 1)]
        if None in own:
            anchor, step = low, np.array([fine, fine])
        else:
            anchor = nodes.min(axis=0)
            coarse = np.array([s or 0.0 for s in own])
            coarse[coarse == 0.0] = coarse.max() or fine  # nodes in one row or column
            step = coarse / np.ceil(coarse / fine * (1 - 1e-9))
        before = np.ceil((anchor - low) / step - 1e-6).astype(int) + MARGIN
        after = np.ceil((high - anchor) / step - 1e-6).astype(int) + MARGIN
        columns, rows = before + after + 1
        return cls(
            anchor - before * step, (float(step[0]), float(step[1])), (int(rows), int(columns))
        )

    def position(self, points: FloatArray) -> FloatArray:
        """Positions in units of the step: (column, row) as real numbers."""
        return (points - self.origin) / np.array(self.step)

    def index(self, points: FloatArray) -> IntArray:
        """Flat index of the node under each point on the lattice (to 1e-6 of a step), else -1."""
        real = self.position(points)
        near = np.round(real)
        on = (np.abs(real - near) <= 1e-6).all(axis=1)
        column, row = near.astype(np.int64).T
        return np.where(on, row * self.shape[1] + column, -1)


def _axis_step(coordinate: FloatArray) -> float | None:
    """Common step of the coordinates along an axis: None if there is none, 0 for one value."""
    values = np.unique(coordinate)
    span = values[-1] - values[0]
    values = values[np.r_[True, np.diff(values) > 1e-9 * max(span, 1e-9)]]
    if len(values) == 1:
        return 0.0
    step = float(np.diff(values).min())
    whole = (values - values[0]) / step
    # The smallest gap carries the rounding of two coordinates: take it over the whole width
    # instead.
    step = float(span / np.round(whole[-1]))
    whole = (values - values[0]) / step
    if np.abs(whole - np.round(whole)).max() > 1e-6 or whole[-1] > 50 * len(values):
        return None
    return step
