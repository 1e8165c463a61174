"""All-points kriging: one Cholesky factor, dual weights, the drift by its Schur complement."""

from __future__ import annotations

from functools import cached_property

import numpy as np
from scipy.linalg import cho_solve, lapack, solve_triangular

from detect.geostat.blocks import Support
from detect.geostat.covariance import cross_covariance, tiles
from detect.geostat.data import Data
from detect.geostat.errors import FloatArray, GeostatError, describe_pair
from detect.geostat.variogram import Variogram

#: More readings than this at once would need a factor of more than a gigabyte.
MOST_POINTS = 11_000

#: Reciprocal condition number below which the weights have no correct digits worth the name.
SMALLEST_RCOND = 1e-14


class GlobalSystem:
    r"""Universal kriging from all data at once.

    With ``K`` the covariance of the data (nugget and measurement variance on its diagonal), ``F``
    their drift functions, ``L L' = K``, ``A = L^-1 F`` and ``S = A'A``::

        beta     = S^-1 A' L^-1 y                         (generalised least squares)
        alpha    = K^-1 (y - F beta)                      (dual weights)
        estimate = f0' beta + c0' alpha
        v        = L^-1 c0,  r = f0 - A' v
        variance = c00 - v'v + r' S^-1 r

    which is the bordered kriging system with the border eliminated. Source: Chiles & Delfiner,
    Geostatistics, 2nd ed. (2012), sections 3.4 and 3.5 (from memory); Cressie, Statistics for
    Spatial Data (1993), 3.4.

    Raises
    ------
    GeostatError
        The covariance matrix is singular to working precision: near-duplicate readings, or a model
        too smooth for their spacing. Nothing is added to the diagonal to hide it.
    """

    def __init__(self, data: Data, variogram: Variogram) -> None:
        if len(data) > MOST_POINTS:
            raise GeostatError(
                f"{len(data)} readings are too many to use all at once (limit {MOST_POINTS}): "
                "give neighbours=k"
            )
        self.data = data
        self.variogram = variogram
        self.factor = self._factorise()
        basis = data.basis
        self.a = solve_triangular(self.factor, basis, lower=True, check_finite=False)
        self.s = self.a.T @ self.a
        y = data.residual
        z = solve_triangular(self.factor, y, lower=True, check_finite=False)
        self.beta = np.linalg.solve(self.s, self.a.T @ z) if self.s.size else np.zeros(0)
        self.alpha = solve_triangular(
            self.factor, z - self.a @ self.beta, lower=True, trans=1, check_finite=False
        )

    def _factorise(self) -> FloatArray:
        """Lower Cholesky factor of the data covariance, refused when ill conditioned."""
        k = data_covariance(self.data, self.variogram).T  # Fortran order: factorised in place
        norm = float(np.abs(k).sum(axis=0).max())
        factor, info = lapack.dpotrf(k, lower=1, clean=1, overwrite_a=1)
        rcond = lapack.dpocon(factor, norm, uplo="L")[0] if info == 0 else 0.0
        if rcond < SMALLEST_RCOND:
            raise singular(self.data, f"reciprocal condition number {rcond:.1g}")
        return factor

    @cached_property
    def s_inverse_root(self) -> FloatArray:
        """Matrix R with R R' = S^-1, the covariance of the drift coefficients."""
        if not self.s.size:
            return np.zeros((0, 0))
        return np.linalg.inv(np.linalg.cholesky(self.s)).T

    def targets(self, centres: FloatArray, support: Support) -> tuple[FloatArray, FloatArray]:
        """Covariance with the data (N, T) and drift functions (T, P) of a tile of targets."""
        c0 = support.covariance(self.variogram, centres, self.data.points)
        self.data.add_nugget(c0, centres, support, self.variogram.nugget)
        return c0.T, self.data.target_basis(centres, support)

    def step(self, support: Support) -> int:
        """Bytes that one target takes in a tile."""
        return 8 * len(self.data) * (2 if support.is_point else 3)

    def estimate(self, centres: FloatArray, support: Support) -> tuple[FloatArray, FloatArray]:
        """Estimate and variance of one tile of targets (a tile of `step` bytes each)."""
        c0, f0 = self.targets(centres, support)
        estimate = c0.T @ self.alpha + f0 @ self.beta + self.data.mean
        v = solve_triangular(self.factor, c0, lower=True, overwrite_b=True, check_finite=False)
        r = (f0 - v.T @ self.a) @ self.s_inverse_root
        prior = support.prior_variance(self.variogram)
        variance = prior - np.einsum("nt,nt->t", v, v) + np.einsum("tp,tp->t", r, r)
        return estimate, variance

    def weights(self, centres: FloatArray, support: Support) -> FloatArray:
        """Weights of the data in each target's estimate, (T, N)."""
        c0, f0 = self.targets(centres, support)
        v = solve_triangular(self.factor, c0, lower=True, check_finite=False)
        r = f0 - v.T @ self.a
        if self.s.size:
            v = v + self.a @ np.linalg.solve(self.s, r.T)
        return solve_triangular(self.factor, v, lower=True, trans=1, check_finite=False).T

    def posterior(
        self, centres: FloatArray, support: Support, prior: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Estimates (M,) and joint covariance (M, M) of their errors, for targets of ``prior``."""
        count = len(centres)
        mean = np.empty(count)
        v = np.empty((len(self.data), count), order="F")
        r = np.empty((count, self.data.drift.terms))
        for tile in tiles(count, self.step(support)):
            c0, f0 = self.targets(centres[tile], support)
            mean[tile] = c0.T @ self.alpha + f0 @ self.beta + self.data.mean
            v[:, tile] = solve_triangular(self.factor, c0, lower=True, check_finite=False)
            r[tile] = (f0 - v[:, tile].T @ self.a) @ self.s_inverse_root
        return mean, prior - v.T @ v + r @ r.T

    def leave_one_out(self) -> tuple[FloatArray, FloatArray]:
        r"""Each datum predicted from the others, in closed form.

        With ``P = K^-1 - K^-1 F S^-1 F' K^-1``: error ``e_i = (P y)_i / P_ii`` and variance ``1 /
        P_ii``. Source: Dubrule, Math. Geology 15 (1983) 687-699 (from memory).
        """
        count = len(self.data)
        diagonal = np.empty(count)
        for tile in tiles(count, 8 * count):
            # Columns of L^-1 are zero above their own row: solve only the part below.
            below = self.factor[tile.start :, tile.start :]
            unit = np.zeros((count - tile.start, tile.stop - tile.start), order="F")
            np.fill_diagonal(unit, 1.0)
            x = solve_triangular(below, unit, lower=True, overwrite_b=True, check_finite=False)
            diagonal[tile] = np.einsum("ij,ij->j", x, x)
        g = solve_triangular(self.factor, self.a, lower=True, trans=1, check_finite=False)
        g = g @ self.s_inverse_root
        p = diagonal - np.einsum("np,np->n", g, g)
        lost = p <= 1e-12 * diagonal
        if lost.any():
            raise GeostatError(
                f"leaving out reading {int(np.flatnonzero(lost)[0])} leaves too few to fix "
                "the mean or drift"
            )
        return self.data.values - self.alpha / p, 1.0 / p

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

    def solve(self, columns: FloatArray) -> FloatArray:
        """``K^-1`` times columns (N, R)."""
        return cho_solve((self.factor, True), columns, check_finite=False)


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
