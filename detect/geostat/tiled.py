"""Neighbourhoods shared by tiles: quicker than one for each target, and nearer to all readings."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.sparse import csr_matrix

from detect.geostat.blocks import Support
from detect.geostat.data import Data
from detect.geostat.errors import FloatArray, GeostatError, IntArray
from detect.geostat.local import LocalSystem, job_size
from detect.geostat.plain import Solved
from detect.geostat.trend import Trend
from detect.geostat.variogram import Variogram

if TYPE_CHECKING:
    from detect.geostat.tile_lattice import Cut

#: Side of a tile that the readings' mean density suggests, in distances to the k-th nearest.
_TILE = 0.9

#: Halvings from the coarsest tile to that one.
_LEVELS = 3


class TiledSystem(LocalSystem):
    """Kriging in tiles: all targets of a tile use the same readings, and the survey's mean.

    The readings of a tile are the 2.25 k nearest to it. One factor serves all its targets. The
    mean or drift is that of the whole survey (`detect.geostat.trend.Trend`), so that an estimate
    is simple kriging of the residuals about it, and its variance that of simple kriging plus
    ``r' S^-1 r`` with ``r = f0 - F' w``: exact when a tile sees all readings, and otherwise short
    of it by what readings out of the neighbourhood would add.

    Tiles overlap by an eighth of their side on each edge, and a target there has the weighted mean
    of what its tiles say, with weights that pass from one to the other in a straight line: the map
    has no steps at the edges of tiles. The variance is the same weighted mean of the tiles'
    variances. As a square is convex, that of the mean is no larger, whatever the errors have in
    common.

    Tiles lie on a lattice that depends on the readings and k alone (see
    `detect.geostat.tile_lattice`), so an estimate does not depend on what else is asked for, nor
    on where it is worked out.

    Limit: a mean that changes over the survey, and is not given a drift, is not followed as it is
    by `LocalSystem`. Source: partition of unity, Shepard, Proc. 23rd ACM Nat. Conf. (1968) 517-524
    (from memory).
    """

    def __init__(self, data: Data, variogram: Variogram, neighbours: int) -> None:
        super().__init__(data, variogram, neighbours)
        reduced = data.points @ self._matrix
        extent = np.maximum(np.ptp(reduced, axis=0), 1e-9)
        usual = float(np.sqrt(self.count / len(data) / np.pi) * np.sqrt(np.prod(extent)))
        usual = max(usual, float(extent.max()) * self.count / len(data) / 4.0)
        #: Side of the coarsest tile, in reduced distance.
        self.base = _TILE * usual * 2**_LEVELS

    @property
    def shared(self) -> int:
        """Readings that a tile uses."""
        from detect.geostat.tile_lattice import SHARED

        return min(int(np.ceil(SHARED * self.count)), len(self.data))

    @cached_property
    def trend(self) -> Trend:
        """Drift of the whole survey, which the tiles share."""
        return Trend.of(self.data, self.variogram)

    @cached_property
    def _compiled(self) -> tuple[Any, Any] | None:
        data = self.data
        return self._for_kernels(data.residual - data.basis @ self.trend.beta)

    def cut(self, centres: FloatArray) -> Cut:
        """Targets by tile."""
        from detect.geostat.tile_lattice import cut_into_tiles

        return cut_into_tiles(self.cells, self._reduced(centres), self.count, self.base)

    def jobs(self, centres: FloatArray, support: Support) -> list[Cut]:
        """Targets by tile, in runs of tiles for `estimate`."""
        del support
        return self.cut(centres).parts(job_size(len(centres))) if len(centres) else []

    def neighbourhoods(self, corner: FloatArray) -> Iterator[IntArray]:
        """Readings that each tile uses."""
        from detect.geostat.tile_lattice import shared_neighbourhood

        for x, y, side in corner:
            yield shared_neighbourhood(self.cells, x, y, side, self.shared)

    def estimate(self, centres: FloatArray, support: Support) -> tuple[FloatArray, FloatArray]:
        """Estimate and variance of targets."""
        cut = self.cut(centres)
        estimate, variance = self.by_tile(centres[cut.target], support, cut)
        return cut.blend(estimate, len(centres)), cut.blend(variance, len(centres))

    def by_tile(
        self, centres: FloatArray, support: Support, cut: Cut
    ) -> tuple[FloatArray, FloatArray]:
        """What each tile says of its targets (E, 2): estimate and variance (E,)."""
        solved = self._solve(centres, support, cut, want_weights=False)
        return solved.estimate, solved.variance

    def _solve(
        self, centres: FloatArray, support: Support, cut: Cut, *, want_weights: bool
    ) -> Solved:
        """Solve the tiles for their targets (E, 2); weights are of simple kriging."""
        from detect.geostat.kernels import FINE, solve_tiles

        count, terms = len(centres), self.data.drift.terms
        rows = count if want_weights else 0
        weights, unmet = np.empty((rows, self.shared)), np.empty((rows, terms))
        estimate, variance = np.empty(count), np.empty(count)
        status = np.full(len(cut.corner), -1)
        if self._compiled is not None:
            status = solve_tiles(
                *self._compiled,
                (self.trend.beta, self.trend.root),
                self.cells,
                self.shared,
                cut.start,
                cut.corner,
                centres,
                self.data.target_basis(centres, support),
                support.offsets,
                support.weights,
                support.prior_variance(self.variogram),
                (estimate, variance, weights, unmet),
            )
            estimate += self.data.mean
        failed = np.flatnonzero(status != FINE)
        for q, index in zip(failed, self.neighbourhoods(cut.corner[failed]), strict=True):
            tile = slice(cut.start[q], cut.start[q + 1])
            one = self.plain.rescued(centres[tile], support, index, self.trend)
            estimate[tile], variance[tile] = one.estimate, one.variance
            if want_weights:
                weights[tile], unmet[tile] = one.weights, one.unmet
        return Solved(estimate, variance, weights, unmet=unmet)

    def weights(self, centres: FloatArray, support: Support) -> csr_matrix:
        """Weights of the data in each target's estimate, sparse (T, N): the mean's reach far."""
        simple, unmet = self.simple_weights(centres, support)
        rows, used = len(self.trend.beta), self.trend.used
        entries = np.repeat(np.arange(rows), len(used)), np.tile(used, rows)
        trend = csr_matrix((self.trend.by_reading.ravel(), entries), (rows, len(self.data)))
        return csr_matrix(simple + csr_matrix(unmet) @ trend)

    def rule(self, centres: FloatArray, support: Support) -> Callable[[FloatArray], FloatArray]:
        """Return the function that takes columns (N, R) of values to estimates (T, R)."""
        simple, unmet = self.simple_weights(centres, support)
        trend = self.trend
        return lambda y: simple @ y + unmet @ (trend.by_reading @ y[trend.used])

    def simple_weights(
        self, centres: FloatArray, support: Support
    ) -> tuple[csr_matrix, FloatArray]:
        """Weights of the residuals from the survey's drift (T, N).

        Also the drift functions that they leave, (T, P): an estimate is ``weights @ values + left
        @ beta``.
        """
        cut = self.cut(centres)
        solved = self._solve(centres[cut.target], support, cut, want_weights=True)
        assert solved.weights is not None
        assert solved.unmet is not None
        index = np.array([*self.neighbourhoods(cut.corner)], np.int64).reshape(-1, self.shared)
        columns = np.repeat(index, np.diff(cut.start), axis=0).ravel()
        entries = np.arange(len(cut.target))
        share = csr_matrix((cut.share, (cut.target, entries)), (len(centres), len(entries)))
        rows = np.arange(0, columns.size + 1, self.shared)
        by_tile = csr_matrix(
            (solved.weights.ravel(), columns, rows), (len(rows) - 1, len(self.data))
        )
        return csr_matrix(share @ by_tile), np.asarray(share @ solved.unmet)

    def posterior(
        self, centres: FloatArray, support: Support, prior: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Estimates (M,) and the joint covariance (M, M) of their errors; overwrites ``prior``.

        That of simple kriging with the weights used, plus ``R S^-1 R'`` with R what they leave of
        the drift functions; the diagonal is raised to the variance of `estimate`, which the errors
        of a weighted mean of tiles may be short of.
        """
        simple, unmet = self.simple_weights(centres, support)
        covariance = self.joint_errors(simple, centres, support, prior)
        lost = unmet @ self.trend.root.T
        covariance += lost @ lost.T
        mean, variance = self.estimate(centres, support)
        diagonal = np.einsum("ii->i", covariance)
        np.maximum(diagonal, variance, out=diagonal)
        return mean, covariance

    def leave_one_out(self) -> tuple[FloatArray, FloatArray]:
        """Predict each datum from the others near its tile; the variance includes its own noise.

        In closed form, see `detect.geostat.kernels.leave_out`.
        """
        from detect.geostat.kernels import FINE, leave_out_tiles

        data = self.data
        cut = self.cut(data.points)
        error, variance = np.empty(len(cut.target)), np.empty(len(cut.target))
        status = np.full(len(cut.corner), -1)
        if self._compiled is not None:
            told = np.zeros(len(data), dtype=bool)
            told[self.trend.used] = True
            error, variance, status = leave_out_tiles(
                *self._compiled,
                (self.trend.beta, self.trend.root),
                told,
                self.cells,
                self.shared,
                cut.target,
                cut.start,
                cut.corner,
            )
        failed = np.flatnonzero(status != FINE)
        for q, index in zip(failed, self.neighbourhoods(cut.corner[failed]), strict=True):
            tile = slice(cut.start[q], cut.start[q + 1])
            own = cut.target[tile]
            index = np.union1d(index, own)
            out = self.plain.left_out(index, data.points[own[0]], self.trend)
            at = np.searchsorted(index, own)
            error[tile], variance[tile] = out[0][at], out[1][at]
        if (variance < 0).any():
            lost = cut.target[variance < 0].min()
            raise GeostatError(
                f"leaving out reading {lost} leaves too few to fix the mean or drift"
            )
        return data.values - cut.blend(error, len(data)), cut.blend(variance, len(data))
