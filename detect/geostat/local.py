"""Neighbourhood kriging: each target from its own nearest readings, many small systems at once."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_matrix

from detect.geostat.blocks import Support
from detect.geostat.covariance import TILE_BYTES, cross_covariance, tiles
from detect.geostat.data import Data
from detect.geostat.errors import FloatArray, GeostatError, IntArray, describe_pair
from detect.geostat.neighbours import Nearest
from detect.geostat.variogram import Variogram

#: A reading whose variance given its neighbours is below this share of its own is a repeat in
#: disguise.
SMALLEST_PIVOT = 1e-13


@dataclass(frozen=True, eq=False)
class Solved:
    """Results of a batch: estimate (B,), variance (B,) and weights (B, k) where asked."""

    estimate: FloatArray
    variance: FloatArray
    weights: FloatArray | None


def forward(factor: FloatArray, right: FloatArray) -> FloatArray:
    """Solve ``L x = b`` for a batch of lower factors (B, k, k) and right sides (B, k, R)."""
    x = np.empty_like(right)
    for j in range(factor.shape[1]):
        known = np.einsum("bi,bir->br", factor[:, j, :j], x[:, :j])
        x[:, j] = (right[:, j] - known) / factor[:, j, j, None]
    return x


def backward(factor: FloatArray, right: FloatArray) -> FloatArray:
    """Solve ``L' x = b`` for a batch of lower factors (B, k, k) and right sides (B, k, R)."""
    x = np.empty_like(right)
    for j in reversed(range(factor.shape[1])):
        known = np.einsum("bi,bir->br", factor[:, j + 1 :, j], x[:, j + 1 :])
        x[:, j] = (right[:, j] - known) / factor[:, j, j, None]
    return x


class LocalSystem:
    """Universal kriging from the k nearest readings of each target.

    The equations are those of `detect.geostat.system.GlobalSystem`, one small system a target,
    factorised in batches. Limit: the estimate changes by a step where the set of neighbours
    changes.

    Parameters
    ----------
    data : Data
        Checked readings.
    variogram : Variogram
        Model.
    neighbours : int
        k, at least the number of drift terms.
    """

    def __init__(self, data: Data, variogram: Variogram, neighbours: int) -> None:
        if neighbours < max(1, data.drift.terms):
            raise GeostatError(
                f"neighbours = {neighbours} is too few for a {data.drift.kind} drift: "
                f"at least {data.drift.terms}"
            )
        self.data = data
        self.variogram = variogram
        self.nearest = Nearest(variogram, data.points, neighbours)

    def step(self, support: Support) -> int:
        """Bytes that one target takes in a tile."""
        k = self.nearest.count
        return 8 * k * (2 * k + 4 * len(support.weights))

    def prepare(self, count: int) -> None:
        """Nothing to prepare."""

    def plan(self, centres: FloatArray, support: Support) -> Iterator[IntArray]:
        """Cut targets into tiles (arrays of indices) for `estimate`."""
        everywhere = np.arange(len(centres))
        yield from (everywhere[t] for t in tiles(len(centres), self.step(support)))

    def solve(
        self,
        centres: FloatArray,
        support: Support,
        index: IntArray,
        place: IntArray | None = None,
        want_weights: bool = False,
    ) -> Solved:
        """Solve one tile of targets from the readings ``index`` (B, k).

        ``place`` is the place of each target (-1: at no datum); worked out when not given.
        """
        data, variogram = self.data, self.variogram
        near = data.points[index]
        k = self._covariance(index, near)
        lag = centres[:, None, :] - near
        # Support sums over its own points about the centre, so the lag points from reading to
        # target.
        c0 = support.pair_covariance(variogram, -lag[..., 0], -lag[..., 1])
        if support.is_point and variogram.nugget > 0:
            at = data.place_of(centres) if place is None else place
            c0 += variogram.nugget * (at[:, None] == data.place[index])
        basis, f0 = data.basis[index], data.target_basis(centres, support)
        terms = data.drift.terms
        factor = self._factorise(k, index, centres)
        right = np.concatenate([basis, c0[..., None], data.residual[index][..., None]], axis=2)
        solved = forward(factor, right)
        a, v, z = solved[..., :terms], solved[..., terms], solved[..., terms + 1]
        r = f0 - np.einsum("bkp,bk->bp", a, v)
        s = np.einsum("bkp,bkq->bpq", a, a)
        shift = self._drift_solve(s, r, centres, index)
        w = v + np.einsum(
            "bkp,bp->bk", a, shift
        )  # L^-1 times the covariance that the weights answer to
        estimate = data.mean + np.einsum("bk,bk->b", w, z)
        prior = support.prior_variance(variogram)
        variance = prior - np.einsum("bk,bk->b", v, v) + np.einsum("bp,bp->b", r, shift)
        weights = backward(factor, w[..., None])[..., 0] if want_weights else None
        return Solved(estimate, variance, weights)

    def _covariance(self, index: IntArray, near: FloatArray) -> FloatArray:
        """Covariance matrices (B, k, k) of the neighbours as read."""
        lag = near[:, :, None, :] - near[:, None, :, :]
        k = self.variogram.structure_covariance(lag[..., 0], lag[..., 1])
        diagonal = np.arange(index.shape[1])
        if len(self.data.pairs) and self.variogram.nugget > 0:
            place = self.data.place[index]
            k += self.variogram.nugget * (place[:, :, None] == place[:, None, :])
        k[:, diagonal, diagonal] = self.variogram.sill + self.data.noise[index]
        return k

    def _factorise(self, k: FloatArray, index: IntArray, centres: FloatArray) -> FloatArray:
        """Cholesky factors, the first failure named by its place and closest readings."""
        own = np.einsum("bii->bi", k)
        try:
            factor: FloatArray = np.asarray(np.linalg.cholesky(k), dtype=np.float64)
        except np.linalg.LinAlgError:
            # Rare: find the first that fails (a symmetric matrix is positive definite if all
            # eigenvalues are).
            bad = np.linalg.eigvalsh(k)[:, 0] <= SMALLEST_PIVOT * own[:, 0]
            raise self._singular(int(np.argmax(bad)), index, centres) from None
        pivots = np.einsum("bii->bi", factor) ** 2 / own
        bad = (pivots < SMALLEST_PIVOT).any(axis=1)
        if bad.any():
            raise self._singular(int(np.argmax(bad)), index, centres)
        return factor

    def _singular(self, row: int, index: IntArray, centres: FloatArray) -> GeostatError:
        e, n = centres[row] + self.data.origin
        pair = describe_pair(self.data.points[index[row]], self.data.origin, index[row])
        return GeostatError(
            f"the kriging system at ({e:.3f}, {n:.3f}) is singular to working precision; {pair}. "
            "Merge near-duplicates, give a measurement_sd, or use a less smooth model"
        )

    def _drift_solve(
        self, s: FloatArray, r: FloatArray, centres: FloatArray, index: IntArray
    ) -> FloatArray:
        """``S^-1 r`` for each target; a neighbourhood that cannot fix the drift is named."""
        if s.shape[1] == 0:
            return np.zeros_like(r)
        if s.shape[1] == 1:
            return np.asarray(r / s[:, 0], np.float64)
        # Scaled to a unit diagonal first: the terms have different sizes in a small neighbourhood.
        scale = 1.0 / np.sqrt(np.einsum("bpp->bp", s))
        scaled = s * scale[:, :, None] * scale[:, None, :]
        bad = np.linalg.eigvalsh(scaled)[:, 0] < 1e-13
        if bad.any():
            row = int(np.argmax(bad))
            e, n = centres[row] + self.data.origin
            raise GeostatError(
                f"the {index.shape[1]} readings nearest to ({e:.3f}, {n:.3f}) lie on one line or "
                f"curve, which cannot fix a {self.data.drift.kind} drift: use more neighbours or "
                "drift='constant'"
            )
        return np.asarray(
            scale * np.linalg.solve(scaled, (scale * r)[..., None])[..., 0], np.float64
        )

    def estimate(self, centres: FloatArray, support: Support) -> tuple[FloatArray, FloatArray]:
        """Estimate and variance of one tile of targets."""
        solved = self.solve(centres, support, self.nearest.of(centres))
        return solved.estimate, solved.variance

    def weights(self, centres: FloatArray, support: Support) -> csr_matrix:
        """Weights of the data in each target's estimate, sparse (T, N)."""
        rows = []
        for tile in tiles(len(centres), self.step(support)):
            index = self.nearest.of(centres[tile])
            rows.append(
                (index, self.solve(centres[tile], support, index, want_weights=True).weights)
            )
        columns = np.concatenate([i for i, _ in rows])
        values = np.concatenate([np.asarray(w) for _, w in rows])
        start = np.arange(0, columns.size + 1, columns.shape[1])
        return csr_matrix((values.ravel(), columns.ravel(), start), (len(centres), len(self.data)))

    def posterior(
        self, centres: FloatArray, support: Support, prior: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Estimates (M,) and the joint covariance (M, M) of their errors.

        With weights W and ``prior`` the covariance of the targets:
        ``prior - W c - (W c)' + W K W'``, exact for the weights used, although no two targets need
        share readings.
        """
        data, nugget = self.data, self.variogram.nugget
        w = self.weights(centres, support)
        # The mean's weights add up to 1, so the known mean drops out except in simple kriging.
        mean = data.mean + w @ data.residual
        used = np.unique(w.indices)
        w = w[:, used]
        wk = np.empty((len(centres), len(used)))
        wc = np.empty((len(centres), len(centres)))
        for tile in tiles(len(used), 8 * max(len(used), len(centres))):
            rows = used[tile]
            k = cross_covariance(self.variogram, data.points[rows], data.points[used])
            if nugget > 0:
                k += nugget * (data.place[rows, None] == data.place[used])
            k[np.arange(len(rows)), np.arange(tile.start, tile.stop)] += data.noise[rows]
            wk[:, tile] = w @ k.T
        for tile in tiles(len(centres), 8 * len(used) * 2):
            c0 = support.covariance(self.variogram, centres[tile], data.points[used])
            if support.is_point and nugget > 0:
                c0 += nugget * (data.place_of(centres[tile])[:, None] == data.place[used])
            wc[:, tile] = w @ c0.T
        return mean, prior - wc - wc.T + (w @ wk.T).T

    def leave_one_out(self) -> tuple[FloatArray, FloatArray]:
        """Predict each datum from its k nearest others; the variance includes its own noise."""
        data = self.data
        if len(data) <= data.drift.terms:
            raise GeostatError("leaving out a reading leaves too few to fix the mean or drift")
        support = Support.point()
        estimate, variance = np.empty(len(data)), np.empty(len(data))
        for tile in tiles(len(data), self.step(support), TILE_BYTES):
            own = np.arange(tile.start, tile.stop)
            index = self.nearest.of_others(data.points[tile], own)
            solved = self.solve(data.points[tile], support, index, data.place[tile])
            estimate[tile] = solved.estimate
            variance[tile] = solved.variance + data.noise[tile]
        return estimate, variance
