"""The mean or drift of a whole survey, which all tiles share, from readings spread over it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from detect.geostat.data import Data
from detect.geostat.errors import FloatArray, IntArray
from detect.geostat.system import GlobalSystem
from detect.geostat.variogram import Variogram

#: Readings that fix the drift, at most: more add next to nothing, for a mean is known as well as
#: the survey is wide in ranges.
MOST = 400


@dataclass(frozen=True, eq=False)
class Trend:
    r"""Drift coefficients by generalised least squares.

    ``beta = S^-1 F' K^-1 y`` with ``S = F' K^-1 F``, over at most `MOST` readings that are spread
    evenly through the survey (all of them when there are no more). Source: as `GlobalSystem`.

    Parameters
    ----------
    beta : (P,) array
        Coefficients of the drift functions, for values less the known mean.
    root : (P, P) array
        Lower triangular R with ``R' R = S^-1``, the covariance of the coefficients.
    used : (U,) int array
        Readings that fixed it.
    by_reading : (P, U) array
        What each of them adds: ``beta = by_reading @ y[used]``.
    """

    beta: FloatArray
    root: FloatArray
    used: IntArray
    by_reading: FloatArray

    @classmethod
    def of(cls, data: Data, variogram: Variogram) -> Trend:
        """Work out the drift of the readings; nothing to do with a known mean."""
        terms = data.drift.terms
        if terms == 0:
            none = np.zeros((0, 0))
            return cls(np.zeros(0), none, np.zeros(0, dtype=np.int64), none)
        used = spread(data.points, MOST)
        used = used[~repeats_in_disguise(data.points[used])]
        some = replace(
            data,
            points=data.points[used],
            values=data.values[used],
            noise=data.noise[used],
            place=_renumbered(data.place[used]),
            pairs=_within(data.pairs, used),
        )
        system = GlobalSystem(some, variogram)
        inverse = np.linalg.inv(system.s)
        # R' R = S^-1 with R lower: the flipped Cholesky factor.
        root = np.linalg.cholesky(inverse[::-1, ::-1])[::-1, ::-1].T
        return cls(system.beta, np.ascontiguousarray(root), used, inverse @ system.g.T)

    @property
    def variance(self) -> FloatArray:
        """Covariance of the coefficients, S^-1 (P, P)."""
        return self.root.T @ self.root


def spread(points: FloatArray, most: int) -> IntArray:
    """Choose at most ``most`` points evenly: every so many along a curve that fills the plane."""
    if len(points) <= most:
        return np.arange(len(points))
    cell = points - points.min(axis=0)
    cell = (cell / max(float(cell.max()), 1e-300) * 1023).astype(np.int64)
    key = np.zeros(len(points), dtype=np.int64)
    for bit in range(10):  # Morton order: neighbours in the plane are neighbours on the curve
        key |= ((cell[:, 0] >> bit) & 1) << (2 * bit)
        key |= ((cell[:, 1] >> bit) & 1) << (2 * bit + 1)
    along = np.argsort(key, kind="stable")
    return np.sort(along[np.linspace(0, len(points) - 1, most).astype(np.int64)])


def repeats_in_disguise(points: FloatArray) -> NDArray[np.bool_]:
    """Points closer to one before them than a thousandth of the usual distance to the next.

    They would make the system of the drift singular; the targets near them say so, by name.
    """
    drop = np.zeros(len(points), dtype=bool)
    if len(points) > 2:
        tree = cKDTree(points)
        usual = float(np.median(tree.query(points, k=2)[0][:, 1]))
        pairs = tree.query_pairs(1e-3 * usual, output_type="ndarray")
        if len(pairs):
            drop[pairs.max(axis=1)] = True
    return drop


def _renumbered(place: IntArray) -> IntArray:
    """Lowest index among those that share each one's place."""
    _, first, inverse = np.unique(place, return_index=True, return_inverse=True)
    return np.asarray(first[inverse.ravel()], dtype=np.int64)


def _within(pairs: IntArray, used: IntArray) -> IntArray:
    """Pairs of which both are used, renumbered."""
    both = np.isin(pairs, used).all(axis=1) if len(pairs) else np.zeros(0, dtype=bool)
    return np.searchsorted(used, pairs[both]).astype(np.int64).reshape(-1, 2)
