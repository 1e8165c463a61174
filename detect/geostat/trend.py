"""The mean or drift of a whole survey, which all tiles share, from readings spread over it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import lapack, solve_triangular
from scipy.spatial import cKDTree

from detect.geostat.covariance import cross_covariance
from detect.geostat.data import Data
from detect.geostat.errors import FloatArray, IntArray
from detect.geostat.parallel import threads
from detect.geostat.system import ADDED_NUGGETS, SMALLEST_RCOND, singular, warn_added
from detect.geostat.variogram import Variogram

#: Readings that fix the drift, at most: more add next to nothing, for a mean is known as well as
#: the survey is wide in ranges.
MOST = 1200

#: Groups of neighbouring readings whose means they go in as.
GROUPS = 240


@dataclass(frozen=True, eq=False)
class Trend:
    r"""Drift coefficients by generalised least squares on means of neighbouring readings.

    With A the means of groups, ``K = A cov(y) A'`` and ``F`` the mean drift functions::

        beta = S^-1 F' K^-1 A y,   S = F' K^-1 F

    which is unbiased, and the best that those means allow: of readings close together, the mean
    says as much of the survey's drift as they do. Up to `GROUPS` readings each is a group.
    Source: Aitken's generalised least squares, as `detect.geostat.system.GlobalSystem`.

    Parameters
    ----------
    beta : (P,) array
        Coefficients of the drift functions, for values less the known mean.
    root : (P, P) array
        Lower triangular R with ``R' R = S^-1``, the covariance of the coefficients.
    used : (U,) int array
        Readings that fixed it, ascending.
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
        from detect.geostat.elimination import model_of

        # A model that has no kernel takes a hundred times longer a pair: single readings then.
        known = model_of(variogram) is not None
        used = spread(data.points, MOST if known else GROUPS)
        if len(used) <= GROUPS:  # a mean of several is never a repeat of another
            used = used[~repeats_in_disguise(data.points[used])]
        count = min(GROUPS, len(used))
        group = np.arange(len(used)) * count // len(used)
        share = 1.0 / np.bincount(group)[group]
        k = _covariance_of_means(data, variogram, used, group, share)
        f = np.zeros((count, terms))
        np.add.at(f, group, share[:, None] * data.basis[used])
        with threads(count):
            factor = _regular_factor(k, data, variogram)
            a = solve_triangular(factor, f, lower=True, check_finite=False)
            inverse = np.linalg.inv(a.T @ a)
            g = solve_triangular(factor, a, lower=True, trans=1, check_finite=False)
        by_reading = (inverse @ g.T)[:, group] * share
        ascending = np.argsort(used)
        used, by_reading = used[ascending], np.ascontiguousarray(by_reading[:, ascending])
        # R' R = S^-1 with R lower: the flipped Cholesky factor.
        root = np.ascontiguousarray(np.linalg.cholesky(inverse[::-1, ::-1])[::-1, ::-1].T)
        return cls(by_reading @ data.residual[used], root, used, by_reading)

    @property
    def variance(self) -> FloatArray:
        """Covariance of the coefficients, S^-1 (P, P)."""
        return self.root.T @ self.root


def _covariance_of_means(
    data: Data, variogram: Variogram, used: IntArray, group: IntArray, share: FloatArray
) -> FloatArray:
    """Covariance (G, G) of the means of groups of the readings ``used``, as read.

    Groups follow each other; ``share`` is what a reading counts in its own.
    """
    from detect.geostat.elimination import covariance_of_means, model_of

    model = model_of(variogram)
    if model is None:
        k = cross_covariance(variogram, data.points[used], data.points[used])
    else:
        start = np.r_[0, np.flatnonzero(np.diff(group)) + 1, len(group)]
        k = covariance_of_means(model, data.points[used], start)
    at = np.arange(len(k))
    k[at, at] += np.bincount(group, share**2 * (variogram.nugget + data.noise[used]))
    if len(data.pairs) and variogram.nugget > 0:
        place = np.full(len(data), -1)
        place[used] = np.arange(len(used))
        i, j = place[data.pairs[(place[data.pairs] >= 0).all(axis=1)]].T
        extra = variogram.nugget * share[i] * share[j]
        np.add.at(k, (group[i], group[j]), extra)
        np.add.at(k, (group[j], group[i]), extra)
    return k


def _regular_factor(k: FloatArray, data: Data, variogram: Variogram) -> FloatArray:
    """Lower Cholesky factor of the covariance ``k`` of some means of readings.

    As `detect.geostat.system.factorise`: refused when it is singular, unless a little nugget, which
    is said, makes it regular. Regular is here what leaves every mean more than `SMALLEST_RCOND`
    of its variance, given those before it.
    """
    for share in (0.0, *ADDED_NUGGETS):
        own = k.diagonal() + share * variogram.sill
        factor = k.T.copy(order="F")
        np.fill_diagonal(factor, own)
        factor, info = lapack.dpotrf(factor, lower=1, clean=1, overwrite_a=1)
        if info == 0 and (factor.diagonal() ** 2 > SMALLEST_RCOND * own).all():
            if share > 0.0:
                warn_added(variogram, share)
            return factor
    raise singular(data, "the mean or drift of the survey cannot be fixed")


def spread(points: FloatArray, most: int) -> IntArray:
    """Choose at most ``most`` points evenly along a curve that fills the plane, in its order."""
    cell = points - points.min(axis=0)
    cell = (cell / max(float(cell.max()), 1e-300) * 1023).astype(np.int64)
    key = np.zeros(len(points), dtype=np.int64)
    for bit in range(10):  # Morton order: neighbours in the plane are neighbours on the curve
        key |= ((cell[:, 0] >> bit) & 1) << (2 * bit)
        key |= ((cell[:, 1] >> bit) & 1) << (2 * bit + 1)
    along = np.argsort(key, kind="stable")
    if len(points) <= most:
        return along
    return along[np.linspace(0, len(points) - 1, most).astype(np.int64)]


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
