"""All-points kriging: one Cholesky factor, dual weights, the drift by its Schur complement."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from functools import cached_property

import numpy as np
from scipy.linalg import lapack, solve_triangular
from scipy.spatial import cKDTree

from detect.geostat.blocks import Support
from detect.geostat.covariance import by_square, cross_covariance, tiles
from detect.geostat.data import Data
from detect.geostat.errors import (
    FloatArray,
    GeostatError,
    GeostatWarning,
    IntArray,
    describe_pair,
)
from detect.geostat.parallel import run, threads
from detect.geostat.variogram import Variogram

#: More readings than this at once would need a factor of more than a gigabyte.
MOST_POINTS = 11_000

#: Reciprocal condition number below which the weights have no correct digits worth the name.
SMALLEST_RCOND = 1e-14

#: Reciprocal condition number above which the explicit inverse keeps eight digits and more.
WELL_CONDITIONED = 1e-7

#: Shares of the sill that are tried, least first, when a smooth model makes the system singular.
ADDED_NUGGETS = (1e-12, 1e-11, 1e-10, 1e-9, 1e-8)

#: Bytes of covariances of one tile of targets: two threads hold three such arrays each.
HALF_TILE = 8 * 2**20

#: Rows of the inverse factor that are multiplied at once.
BLOCK_ROWS = 256


class GlobalSystem:
    r"""Universal kriging from all data at once.

    With ``K`` the covariance of the data (nugget and measurement variance on its diagonal), ``F``
    their drift functions, ``L L' = K``, ``G = K^-1 F`` and ``S = F' G``::

        beta     = S^-1 G' y                              (generalised least squares)
        alpha    = K^-1 (y - F beta)                      (dual weights)
        estimate = f0' beta + c0' alpha
        r        = f0 - G' c0
        variance = c00 - c0' K^-1 c0 + r' S^-1 r

    which is the bordered kriging system with the border eliminated. The quadratic form is the
    expensive part, and it is taken in one of two ways:

    * ``|L^-1 c0|^2``, block rows of the inverse factor times a tile of targets;
    * for models of compact support (spherical), where ``c0`` is 0 for readings out of range:
      ``c0' [K^-1] c0`` with the block of the inverse over the readings within range of the tile.
      Exact, and independent of how far the survey stretches. Left alone when the condition number
      is past 1e7, where an inverse would lose digits that its factor keeps.

    Source: Chiles & Delfiner, Geostatistics, 2nd ed. (2012), sections 3.4 and 3.5 (from memory);
    Cressie, Statistics for Spatial Data (1993), 3.4.

    Raises
    ------
    GeostatError
        The covariance matrix is singular to working precision: near-duplicate readings.

    Warns
    -----
    GeostatWarning
        The model is too smooth for the spacing of the readings, and the least nugget that makes
        the system regular was added to it; how much.
    """

    def __init__(self, data: Data, variogram: Variogram) -> None:
        if len(data) > MOST_POINTS:
            raise GeostatError(
                f"{len(data)} readings are too many to use all at once (limit {MOST_POINTS}): "
                "give neighbours=k"
            )
        self.data = data
        self.variogram = variogram
        with threads(len(data)):
            self.factor, self.rcond = factorise(data, variogram)
        self.a = solve_triangular(self.factor, data.basis, lower=True, check_finite=False)
        self.g = solve_triangular(self.factor, self.a, lower=True, trans=1, check_finite=False)
        self.s = self.a.T @ self.a
        alpha, beta = self.condition(data.residual[:, None])
        self.alpha, self.beta = alpha[:, 0], beta[:, 0]
        self._dual = np.column_stack([self.alpha, self.g])

    @cached_property
    def s_inverse_root(self) -> FloatArray:
        """Matrix R with R R' = S^-1, the covariance of the drift coefficients."""
        if not self.s.size:
            return np.zeros((0, 0))
        return np.linalg.inv(np.linalg.cholesky(self.s)).T

    @cached_property
    def inverse_factor(self) -> FloatArray:
        """``L^-1``, lower triangular (its upper triangle holds zeros)."""
        with threads(len(self.data)):
            return np.asarray(lapack.dtrtri(self.factor, lower=1)[0])

    @cached_property
    def inverse(self) -> FloatArray:
        """``K^-1``, both triangles."""
        with threads(len(self.data)):
            inverse = lapack.dlauum(self.inverse_factor, lower=1)[0]
        del self.inverse_factor
        for tile in tiles(len(inverse), 8 * len(inverse)):
            inverse[tile, tile.stop :] = inverse[tile.stop :, tile].T
            square = np.tril(inverse[tile, tile], -1)
            inverse[tile, tile] += square.T
        return np.asarray(inverse)

    def near(self, centres: FloatArray, support: Support) -> IntArray | None:
        """Readings within range of any of the targets, where the block of the inverse is used."""
        return self._within_reach(centres, support) if self._compact else None

    def _within_reach(self, centres: FloatArray, support: Support) -> IntArray | None:
        """Readings within range of any of the targets; None: all, or no use in leaving any out."""
        reach = self.variogram.reach_m + support.radius_m
        if not np.isfinite(reach):
            return None
        low, high = centres.min(axis=0) - reach, centres.max(axis=0) + reach
        points = self.data.points
        inside = np.flatnonzero(((points >= low) & (points <= high)).all(axis=1))
        return inside if len(inside) < 0.7 * len(points) else None

    @cached_property
    def _compact(self) -> bool:
        return bool(np.isfinite(self.variogram.reach_m) and self.rcond > WELL_CONDITIONED)

    def targets(
        self, centres: FloatArray, support: Support, near: IntArray | None = None
    ) -> tuple[FloatArray, FloatArray]:
        """Covariance with the data (N, T) and drift functions (T, P) of a tile of targets."""
        points = self.data.points if near is None else self.data.points[near]
        c0 = support.covariance(self.variogram, centres, points)
        self.data.add_nugget(c0, centres, support, self.variogram.nugget, near)
        return c0.T, self.data.target_basis(centres, support)

    def jobs(self, centres: FloatArray, support: Support) -> Iterator[IntArray]:
        """Cut targets into tiles (arrays of indices) for `estimate`, each within the budget."""
        everywhere = np.arange(len(centres))
        if self.near(centres[:1], support) is None:
            step = 8 * len(self.data) * (1 if support.is_point else 2)
            yield from (everywhere[tile] for tile in tiles(len(centres), step, HALF_TILE))
            return
        # Squares a little smaller than the reach: the readings within range of one are few.
        side = 0.7 * (self.variogram.reach_m + support.radius_m)
        for group in by_square(centres, side):
            near = self.near(centres[group], support)
            step = 8 * (len(self.data) if near is None else len(near) + 1)
            yield from (group[tile] for tile in tiles(len(group), step, HALF_TILE))

    def prepare(self, count: int) -> None:
        """Work out, before threads ask for it, what ``count`` targets will need."""
        if self._compact:
            _ = self.inverse
        elif count > len(self.data) // 4:
            _ = self.inverse_factor

    def estimate(self, centres: FloatArray, support: Support) -> tuple[FloatArray, FloatArray]:
        """Estimate and variance of one tile of targets (one of `jobs`)."""
        near = self.near(centres, support)
        c0, f0 = self.targets(centres, support, near)
        dual = c0.T @ (self._dual if near is None else self._dual[near])
        estimate = dual[:, 0] + f0 @ self.beta + self.data.mean
        r = (f0 - dual[:, 1:]) @ self.s_inverse_root
        prior = support.prior_variance(self.variogram)
        variance = prior + np.einsum("tp,tp->t", r, r)
        variance -= self._explained(c0, near)
        return estimate, variance

    def _explained(self, c0: FloatArray, near: IntArray | None) -> FloatArray:
        """``c0' K^-1 c0`` of each column."""
        if self._compact:
            block = self.inverse if near is None else self.inverse[np.ix_(near, near)]
            return np.asarray(np.einsum("nt,nt->t", c0, block @ c0))
        if "inverse_factor" not in self.__dict__:  # few targets: the inverse would cost more
            v = solve_triangular(self.factor, c0, lower=True, check_finite=False)
            return np.asarray(np.einsum("nt,nt->t", v, v))
        total = np.zeros(c0.shape[1])
        for row in range(0, len(c0), BLOCK_ROWS):
            end = min(row + BLOCK_ROWS, len(c0))
            v = self.inverse_factor[row:end, :end] @ c0[:end]
            total += np.einsum("nt,nt->t", v, v)
        return total

    def weights(self, centres: FloatArray, support: Support) -> FloatArray:
        """Weights of the data in each target's estimate, (T, N)."""
        c0, f0 = self.targets(centres, support)
        v = solve_triangular(self.factor, c0, lower=True, check_finite=False)
        r = f0 - c0.T @ self.g
        if self.s.size:
            v = v + self.a @ np.linalg.solve(self.s, r.T)
        return solve_triangular(self.factor, v, lower=True, trans=1, check_finite=False).T

    def posterior(
        self, centres: FloatArray, support: Support, prior: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Estimates (M,) and joint covariance (M, M) of their errors; overwrites ``prior``."""
        count = len(centres)
        mean = np.empty(count)
        v = np.empty((len(self.data), count), order="F")
        r = np.empty((count, self.data.drift.terms))
        for tile in tiles(count, 8 * 3 * len(self.data)):
            c0, f0 = self.targets(centres[tile], support)
            mean[tile] = c0.T @ self.alpha + f0 @ self.beta + self.data.mean
            v[:, tile] = solve_triangular(self.factor, c0, lower=True, check_finite=False)
            r[tile] = (f0 - c0.T @ self.g) @ self.s_inverse_root
        # In place and by rows: the covariance of some thousand targets is the largest array here.
        for tile in tiles(count, 8 * count):
            prior[tile] -= v[:, tile].T @ v
            prior[tile] += r[tile] @ r.T
        return mean, prior

    def leave_one_out(self) -> tuple[FloatArray, FloatArray]:
        r"""Each datum predicted from the others, in closed form.

        With ``P = K^-1 - K^-1 F S^-1 F' K^-1``: error ``e_i = (P y)_i / P_ii`` and variance ``1 /
        P_ii``. Source: Dubrule, Math. Geology 15 (1983) 687-699 (from memory).
        """
        if "inverse" in self.__dict__:
            diagonal = self.inverse.diagonal().copy()
        else:
            diagonal = np.einsum("ij,ij->j", self.inverse_factor, self.inverse_factor)
        g = self.g @ self.s_inverse_root
        p = diagonal - np.einsum("np,np->n", g, g)
        lost = p <= 1e-12 * diagonal
        if lost.any():
            raise GeostatError(
                f"leaving out reading {int(np.flatnonzero(lost)[0])} leaves too few to fix "
                "the mean or drift"
            )
        return self.data.values - self.alpha / p, 1.0 / p

    def predict(self, centres: FloatArray, support: Support, fields: FloatArray) -> FloatArray:
        """Estimates (M, R), less the known mean, for columns (N, R) of values at the data."""
        alpha, beta = self.condition(fields)
        out = np.empty((len(centres), fields.shape[1]))

        def one(job: IntArray) -> FloatArray:
            near = self._within_reach(centres[job], support)
            c0, f0 = self.targets(centres[job], support, near)
            return c0.T @ (alpha if near is None else alpha[near]) + f0 @ beta

        jobs = list(self.jobs(centres, support))
        for number, part in run(one, jobs):
            out[jobs[number]] = part
        return out

    def condition(self, fields: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Dual weights (N, R) and drift coefficients (P, R) for columns (N, R) of values."""
        z = solve_triangular(self.factor, fields, lower=True, check_finite=False)
        beta = np.linalg.solve(self.s, self.a.T @ z) if self.s.size else np.zeros((0, z.shape[1]))
        alpha = solve_triangular(
            self.factor,
            z - self.a @ beta,
            lower=True,
            trans=1,
            overwrite_b=True,
            check_finite=False,
        )
        return alpha, beta


def factorise(data: Data, variogram: Variogram) -> tuple[FloatArray, float]:
    """Lower Cholesky factor of the data covariance, and its reciprocal condition number.

    A system that is singular to working precision is refused, unless no two readings are close to
    each other as the others go: then the model is too smooth for the layout, and the least nugget
    that will do is added, and said.
    """
    factor, rcond = _cholesky(data_covariance(data, variogram), 0.0)
    if rcond >= SMALLEST_RCOND:
        return factor, rcond
    if not has_near_duplicates(data.points):
        for share in ADDED_NUGGETS:
            factor, raised = _cholesky(data_covariance(data, variogram), share * variogram.sill)
            if raised >= SMALLEST_RCOND:
                warn_added(variogram, share)
                return factor, raised
    raise singular(data, f"reciprocal condition number {rcond:.1g}")


def _cholesky(k: FloatArray, added: float) -> tuple[FloatArray, float]:
    k = k.T  # Fortran order: factorised in place
    k.flat[:: len(k) + 1] += added
    norm = float(max(np.abs(k[:, tile]).sum(axis=0).max() for tile in tiles(len(k), 8 * len(k))))
    factor, info = lapack.dpotrf(k, lower=1, clean=1, overwrite_a=1)
    return factor, float(lapack.dpocon(factor, norm, uplo="L")[0]) if info == 0 else 0.0


def has_near_duplicates(points: FloatArray) -> bool:
    """Whether two points are closer than a thousandth of the usual distance to the next one."""
    if len(points) < 3:
        return True
    distance = cKDTree(points).query(points, k=2)[0][:, 1]
    return bool(distance.min() < 1e-3 * np.median(distance))


def warn_added(variogram: Variogram, share: float) -> None:
    """Say which nugget was added."""
    warnings.warn(
        f"the {variogram.model} model is too smooth for readings this close: the system is "
        f"singular to working precision, and an error variance of {share * variogram.sill:.3g} "
        f"({share:.0e} of the sill) was added to the readings",
        GeostatWarning,
        stacklevel=2,
    )


def data_covariance(data: Data, variogram: Variogram) -> FloatArray:
    """Covariance (N, N) of the data as read: structure, nugget within a place, noise."""
    k = cross_covariance(variogram, data.points, data.points)
    k.flat[:: len(data) + 1] = variogram.sill + data.noise
    if len(data.pairs) and variogram.nugget > 0:
        i, j = data.pairs.T
        k[i, j] += variogram.nugget
        k[j, i] += variogram.nugget
    return k


def singular(data: Data, detail: str) -> GeostatError:
    """Return the error of a system that cannot be solved, naming the two closest readings."""
    return GeostatError(
        f"the covariance matrix of the readings is singular to working precision ({detail}); "
        f"{describe_pair(data.points, data.origin)}. Merge near-duplicates, give a measurement_sd, "
        "or use a model less smooth than this (exponential, spherical, or a nugget above 0)"
    )
