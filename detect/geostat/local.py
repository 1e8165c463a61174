"""Neighbourhood kriging: each target from the readings near it, whatever the size of the survey."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.sparse import csr_matrix

from detect.geostat.blocks import Support
from detect.geostat.covariance import cross_covariance, tiles
from detect.geostat.data import Data
from detect.geostat.errors import FloatArray, GeostatError, IntArray
from detect.geostat.parallel import cores
from detect.geostat.plain import PlainSystems, Solved
from detect.geostat.variogram import Variogram

if TYPE_CHECKING:
    from detect.geostat.tile_lattice import Cut

#: Targets in one job, at most.
JOB = 8192


class LocalSystem:
    """Universal kriging of each target from its own k nearest readings.

    The equations are those of `detect.geostat.system.GlobalSystem`, one small system a target.
    Limit: the estimate changes by a step wherever the set of readings changes, and each target
    has a mean (or drift) of its own.

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
        self.count = min(neighbours, len(data))
        self.plain = PlainSystems(data, variogram)
        self._matrix = variogram.reduction

    def __getstate__(self) -> dict[str, Any]:
        """Leave out what a worker builds again in less time than it travels."""
        return {k: v for k, v in self.__dict__.items() if k not in ("cells", "_compiled")}

    @cached_property
    def cells(self) -> Any:
        """Search grid of the readings."""
        from detect.geostat.search import sort_into_cells

        return sort_into_cells(self.data.points @ self._matrix)

    @cached_property
    def _compiled(self) -> tuple[Any, Any] | None:
        """Model and readings for the kernels; None for a model that they do not know."""
        return self._for_kernels(self.data.residual)

    def _for_kernels(self, residual: FloatArray) -> tuple[Any, Any] | None:
        from detect.geostat.elimination import Readings, model_of

        data, model = self.data, model_of(self.variogram)
        if model is None:
            return None
        shared_places = bool(len(data.pairs))
        fixed = data.noise, data.place, data.basis, shared_places, data.tolerance
        return model, Readings(data.points, residual, *fixed)

    def prepare(self, count: int) -> None:
        """Work out, before threads ask for it, what any number of targets will need."""
        del count
        _ = self.cells, self._compiled

    def jobs(self, centres: FloatArray, support: Support) -> Iterable[IntArray | Cut]:
        """Cut targets into jobs (arrays of indices) for `estimate`."""
        del support
        everywhere = np.arange(len(centres))
        return (everywhere[t] for t in tiles(len(centres), 1, job_size(len(centres))))

    def estimate(self, centres: FloatArray, support: Support) -> tuple[FloatArray, FloatArray]:
        """Estimate and variance of the targets of one job."""
        solved = self._own(centres, support)
        return solved.estimate, solved.variance

    def _own(
        self,
        centres: FloatArray,
        support: Support,
        want_weights: bool = False,
        index: IntArray | None = None,
    ) -> Solved:
        from detect.geostat.kernels import FINE, solve_each
        from detect.geostat.search import nearest_of_each

        if index is None:
            index = np.asarray(nearest_of_each(self.cells, self._reduced(centres), self.count))
        if self._compiled is None:
            return self._in_batches(centres, support, index, want_weights)
        weights = np.zeros((len(centres), index.shape[1]) if want_weights else (0, 0))
        estimate, variance, status = solve_each(
            *self._compiled,
            index,
            centres,
            self.data.target_basis(centres, support),
            support.offsets,
            support.weights,
            support.prior_variance(self.variogram),
            weights,
        )
        estimate += self.data.mean
        for t in np.flatnonzero(status != FINE):
            one = self.plain.rescued(centres[t : t + 1], support, index[t], None)
            estimate[t], variance[t] = one.estimate[0], one.variance[0]
            if want_weights and one.weights is not None:
                weights[t] = one.weights[0]
        return Solved(estimate, variance, weights if want_weights else None, index)

    def _in_batches(
        self, centres: FloatArray, support: Support, index: IntArray, want_weights: bool
    ) -> Solved:
        """Solve each target by the plain path, within the memory budget."""
        k = index.shape[1]
        parts = [
            self.plain.solve(centres[t], support, index[t], None, want_weights)
            for t in tiles(len(centres), 8 * k * (2 * k + 4 * len(support.weights)))
        ]
        weights = [p.weights for p in parts if p.weights is not None]
        return Solved(
            np.concatenate([p.estimate for p in parts]),
            np.concatenate([p.variance for p in parts]),
            np.concatenate(weights) if weights else None,
            index,
        )

    def _reduced(self, centres: FloatArray) -> FloatArray:
        return np.ascontiguousarray(centres @ self._matrix)

    def weights(self, centres: FloatArray, support: Support) -> csr_matrix:
        """Weights of the data in each target's estimate, sparse (T, N)."""
        shape = (len(centres), len(self.data))
        parts = [
            self._own(centres[t], support, want_weights=True) for t in tiles(len(centres), 1, JOB)
        ]
        columns = np.concatenate([p.index for p in parts if p.index is not None])
        values = np.concatenate([p.weights for p in parts if p.weights is not None])
        ends = np.arange(0, columns.size + 1, columns.shape[1])
        return csr_matrix((values.ravel(), columns.ravel(), ends), shape)

    def rule(self, centres: FloatArray, support: Support) -> Callable[[FloatArray], FloatArray]:
        """Return the function that takes columns (N, R) of values to estimates (T, R)."""
        return self.weights(centres, support).__matmul__

    def posterior(
        self, centres: FloatArray, support: Support, prior: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Estimates (M,) and the joint covariance (M, M) of their errors; overwrites ``prior``."""
        weights = self.weights(centres, support)
        # The mean's weights add up to 1, so the known mean drops out except in simple kriging.
        mean = self.data.mean + weights @ self.data.residual
        return mean, self.joint_errors(weights, centres, support, prior)

    def joint_errors(
        self, w: csr_matrix, centres: FloatArray, support: Support, prior: FloatArray
    ) -> FloatArray:
        """Covariance (M, M) of the errors of estimates by weights W (M, N); overwrites ``prior``.

        With ``prior`` the covariance of the targets: ``prior - W c - (W c)' + W K W'``, exact for
        the weights used, although no two targets need share readings.
        """
        data, nugget = self.data, self.variogram.nugget
        used = np.unique(w.indices)
        w = w[:, used]
        points, place = data.points[used], data.place[used]
        for tile in tiles(len(centres), 16 * len(used)):
            # Of the targets in a tile, only the readings that they use.
            rows = np.unique(w[tile].indices)
            k = cross_covariance(self.variogram, points[rows], points)
            if nugget > 0:
                k += nugget * (place[rows, None] == place)
            k[np.arange(len(rows)), rows] += data.noise[used[rows]]
            wk = w[tile][:, rows] @ k
            c0 = support.covariance(self.variogram, centres[tile], points)
            data.add_nugget(c0, centres[tile], support, nugget, used)
            wc = (w @ c0.T).T
            prior[tile] += (w @ (wk - c0).T).T
            prior[:, tile] -= wc.T
        return prior

    def leave_one_out(self) -> tuple[FloatArray, FloatArray]:
        """Predict each datum from its k nearest others; the variance includes its own noise."""
        data = self.data
        if len(data) <= data.drift.terms:
            raise GeostatError("leaving out a reading leaves too few to fix the mean or drift")
        from detect.geostat.search import nearest_of_each

        count = min(self.count, len(data) - 1)
        parts = []
        for t in tiles(len(data), 1, JOB):
            one_more = nearest_of_each(self.cells, self._reduced(data.points[t]), count + 1)
            # Itself is first, except among readings at one place: drop it where it is, else the
            # last.
            is_self = one_more == np.arange(t.start, t.stop)[:, None]
            is_self[~is_self.any(axis=1), -1] = True
            index = one_more[~is_self].reshape(-1, count)
            parts.append(self._own(data.points[t], Support.point(), index=index))
        variance = np.concatenate([p.variance for p in parts])
        return np.concatenate([p.estimate for p in parts]), variance + data.noise


def job_size(count: int) -> int:
    """Targets in one job of so many: a few jobs for each core, none too large."""
    return int(np.clip(count // (4 * cores()), 16, JOB))
