"""Neighbourhoods shared by tiles: quicker than one for each target, and nearer to all readings."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import cached_property
from typing import Any

import numpy as np
from scipy.sparse import csr_matrix

from detect.geostat.blocks import Support
from detect.geostat.covariance import by_square, cross_covariance, tiles
from detect.geostat.data import Data
from detect.geostat.errors import FloatArray, GeostatError, IntArray
from detect.geostat.local import LocalSystem, job_size
from detect.geostat.trend import Trend
from detect.geostat.variogram import Variogram

#: Side of a tile that the readings' mean density suggests, in distances to the k-th nearest.
_TILE = 0.9

#: Halvings from the coarsest tile to the usual one.
_LEVELS = 10


class TiledSystem(LocalSystem):
    """Kriging in tiles: all targets of a tile use the same readings, and the survey's mean.

    The readings of a tile are those among the k nearest of any of 4 x 4 places spread over it,
    about 2.4 k. One factor serves all its targets. The mean or drift is that of the whole survey
    (`detect.geostat.trend.Trend`), so that an estimate is simple kriging of the residuals about
    it, and its variance that of simple kriging plus ``r' S^-1 r`` with ``r = f0 - F' w``: exact
    when a tile sees all readings, and otherwise short of it by what readings out of the
    neighbourhood would add.

    Tiles lie on a lattice that depends on the readings and k alone (see
    `detect.geostat.search.cut_into_tiles`), so an estimate does not depend on what else is asked
    for, nor on where it is worked out.

    Limits: the estimate changes by a (small) step at the edges of tiles. A mean that changes over
    the survey, and is not given a drift, is not followed as it is by `LocalSystem`.
    """

    def __init__(self, data: Data, variogram: Variogram, neighbours: int) -> None:
        super().__init__(data, variogram, neighbours)
        reduced = data.points @ self._matrix
        extent = np.maximum(np.ptp(reduced, axis=0), 1e-9)
        usual = float(np.sqrt(self.count / len(data) / np.pi) * np.sqrt(np.prod(extent)))
        usual = max(usual, float(extent.max()) * self.count / len(data) / 4.0)
        #: Side of the coarsest tile, in reduced distance.
        self.base = _TILE * usual * 2**_LEVELS

    @cached_property
    def trend(self) -> Trend:
        """Drift of the whole survey, which the tiles share."""
        return Trend.of(self.data, self.variogram)

    @cached_property
    def _compiled(self) -> tuple[Any, Any] | None:
        data = self.data
        return self._for_kernels(data.residual - data.basis @ self.trend.beta)

    def plan(self, centres: FloatArray, support: Support) -> Iterator[IntArray]:
        """Cut targets into jobs (arrays of indices) for `estimate`; tiles are kept whole."""
        del support
        size = job_size(len(centres))
        job: list[IntArray] = []
        # Squares of 4 x 4 usual tiles, of the same lattice.
        for group in by_square(centres @ self._matrix, self.base / 2 ** (_LEVELS - 2), 0.0):
            job.append(group)
            if sum(map(len, job)) >= size:
                yield np.concatenate(job)
                job = []
        if job:
            yield np.concatenate(job)

    def _tiles(self, centres: FloatArray) -> tuple[IntArray, IntArray, FloatArray]:
        """Targets in the order of their tiles, where each tile begins, its corner and side."""
        from detect.geostat.search import cut_into_tiles

        order, start, corner = cut_into_tiles(
            self.cells, self._reduced(centres), self.count, self.base
        )
        return order, start, corner

    def _neighbourhoods(self, corner: FloatArray) -> Iterator[IntArray]:
        """Readings that each tile uses."""
        from detect.geostat.search import shared_neighbourhood

        seen = np.full(len(self.data), -1)
        for q, (x, y, side) in enumerate(corner):
            yield shared_neighbourhood(self.cells, x, y, side, self.count, seen, q)

    def estimate(self, centres: FloatArray, support: Support) -> tuple[FloatArray, FloatArray]:
        """Estimate and variance of the targets of one job."""
        from detect.geostat.kernels import FINE, solve_tiles

        order, start, corner = self._tiles(centres)
        centres = centres[order]
        estimate, variance = np.empty(len(centres)), np.empty(len(centres))
        if self._compiled is None:
            status = np.full(len(corner), -1)
        else:
            estimate, variance, status = solve_tiles(
                *self._compiled,
                (self.trend.beta, self.trend.root),
                self.cells,
                self.count,
                start,
                corner,
                centres,
                self.data.target_basis(centres, support),
                support.offsets,
                support.weights,
                support.prior_variance(self.variogram),
            )
            estimate += self.data.mean
        failed = np.flatnonzero(status != FINE)
        for q, index in zip(failed, self._neighbourhoods(corner[failed]), strict=True):
            tile = slice(start[q], start[q + 1])
            one = self.plain.rescued(centres[tile], support, index, self.trend)
            estimate[tile], variance[tile] = one.estimate, one.variance
        back = np.empty(len(order), dtype=np.int64)
        back[order] = np.arange(len(order))
        return estimate[back], variance[back]

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

    def posterior(
        self, centres: FloatArray, support: Support, prior: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        r"""Estimates (M,) and the joint covariance (M, M) of their errors; overwrites ``prior``.

        As `LocalSystem.posterior`, with the weights ``W = A + U B`` kept in their two parts: A of
        the residuals, sparse, and ``U B`` of the drift, which reach all that it was fixed by. So
        nothing but A meets the covariance K of the readings, and ``K B'`` (N, P) is made once.
        """
        a, u = self.simple_weights(centres, support)
        trend, nugget = self.trend, self.variogram.nugget
        mean = self.data.mean + a @ self.data.residual
        mean += u @ (trend.by_reading @ self.data.residual[trend.used])
        used = np.unique(a.indices)
        a = a[:, used]
        points, place = self.data.points[used], self.data.place[used]
        towards = support.covariance(self.variogram, centres, self.data.points[trend.used])
        self.data.add_nugget(towards, centres, support, nugget, trend.used)
        # What the drift's weights share with A and with the targets, (M, P), and among themselves.
        shared = a @ self._spread_drift[used] - towards @ trend.by_reading.T
        prior += shared @ u.T
        prior += u @ shared.T
        prior += u @ (trend.by_reading @ self._spread_drift[trend.used]) @ u.T
        for tile in tiles(len(centres), 16 * len(used)):
            rows = np.unique(a[tile].indices)  # of the targets in a tile, only what they use
            k = cross_covariance(self.variogram, points[rows], points)
            if nugget > 0:
                k += nugget * (place[rows, None] == place)
            k[np.arange(len(rows)), rows] += self.data.noise[used[rows]]
            c0 = support.covariance(self.variogram, centres[tile], points)
            self.data.add_nugget(c0, centres[tile], support, nugget, used)
            prior[tile] += (a @ (a[tile][:, rows] @ k - c0).T).T
            prior[:, tile] -= a @ c0.T
        return mean, prior

    @cached_property
    def _spread_drift(self) -> FloatArray:
        """Covariance of the readings with the drift's coefficients as estimated, ``K B'``."""
        data, used, nugget = self.data, self.trend.used, self.variogram.nugget
        out = np.empty((len(data), len(self.trend.by_reading)))
        for tile in tiles(len(data), 8 * len(used)):
            k = cross_covariance(self.variogram, data.points[tile], data.points[used])
            if nugget > 0:
                k += nugget * (data.place[tile, None] == data.place[used])
            out[tile] = k @ self.trend.by_reading.T
        out[used] += data.noise[used, None] * self.trend.by_reading.T
        return out

    def simple_weights(
        self, centres: FloatArray, support: Support
    ) -> tuple[csr_matrix, FloatArray]:
        """Weights of the residuals from the survey's drift (T, N).

        Also the drift functions that they leave, (T, P): an estimate is ``weights @ values + left
        @ beta``.
        """
        order, start, corner = self._tiles(centres)
        rows, columns, values = [], [], []
        unmet = np.empty((len(centres), self.data.drift.terms))
        for q, index in enumerate(self._neighbourhoods(corner)):
            own = order[start[q] : start[q + 1]]
            w, unmet[own] = self._tile_weights(centres[own], support, index)
            rows.append(np.repeat(own, len(index)))
            columns.append(np.tile(index, len(own)))
            values.append(w.ravel())
        entries = np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))
        return csr_matrix(entries, (len(centres), len(self.data))), unmet

    def _tile_weights(
        self, centres: FloatArray, support: Support, index: IntArray
    ) -> tuple[FloatArray, FloatArray]:
        from detect.geostat.kernels import FINE, solve_shared

        weights = np.zeros((len(centres), len(index)))
        unmet = np.zeros((len(centres), self.data.drift.terms))
        status = FINE + 1
        if self._compiled is not None:
            _, _, status = solve_shared(
                *self._compiled,
                (self.trend.beta, self.trend.root),
                index,
                centres,
                self.data.target_basis(centres, support),
                support.offsets,
                support.weights,
                0.0,
                weights,
                unmet,
            )
        if status != FINE:
            plain = self.plain.rescued(centres, support, index, self.trend)
            assert plain.weights is not None
            assert plain.unmet is not None
            return plain.weights, plain.unmet
        return weights, unmet

    def leave_one_out(self) -> tuple[FloatArray, FloatArray]:
        """Predict each datum from the others near its tile; the variance includes its own noise.

        In closed form, see `detect.geostat.kernels.leave_out`.
        """
        from detect.geostat.kernels import FINE, leave_out_tiles

        data = self.data
        order, start, corner = self._tiles(data.points)
        error, variance = np.empty(len(data)), np.empty(len(data))
        status = np.full(len(corner), -1)
        if self._compiled is not None:
            told = np.zeros(len(data), dtype=bool)
            told[self.trend.used] = True
            error, variance, status = leave_out_tiles(
                *self._compiled,
                (self.trend.beta, self.trend.root),
                told,
                self.cells,
                self.count,
                order,
                start,
                corner,
            )
        failed = np.flatnonzero(status != FINE)
        for q, index in zip(failed, self._neighbourhoods(corner[failed]), strict=True):
            own = order[start[q] : start[q + 1]]
            index = np.union1d(index, own)
            out = self.plain.left_out(index, data.points[own[0]], self.trend)
            at = np.searchsorted(index, own)
            error[own], variance[own] = out[0][at], out[1][at]
        lost = np.flatnonzero(variance < 0)
        if len(lost):
            raise GeostatError(
                f"leaving out reading {lost[0]} leaves too few to fix the mean or drift"
            )
        return data.values - error, variance
