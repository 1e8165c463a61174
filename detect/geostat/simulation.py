"""Conditional realisations: fields that could be the real one, given the readings and the model."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Protocol

import numpy as np
import numpy.typing as npt
from scipy.linalg import lapack

from detect.geostat.blocks import Support
from detect.geostat.covariance import cross_covariance, places, tiles
from detect.geostat.embedding import Embedding
from detect.geostat.errors import FloatArray, GeostatError, IntArray
from detect.geostat.lattice import Lattice
from detect.geostat.offgrid import OffGrid
from detect.geostat.system import GlobalSystem
from detect.geostat.variogram import Variogram

if TYPE_CHECKING:
    from detect.geostat.kriging import Kriging

#: Up to this many points at once, covariances are factorised as they stand; beyond, the lattice.
DIRECT = 2500

#: Bytes of realisations worked on at once.
_BATCH_BYTES = 64 * 2**20


def simulate(kriging: Kriging, nodes: npt.ArrayLike, n: int, seed: int) -> FloatArray:
    r"""Draw realisations of the field, nugget included, conditional on the readings.

    * Up to 2,500 nodes with all readings: the joint posterior distribution itself (mean from
      kriging, covariance factorised by pivoted Cholesky). Exact.
    * Otherwise by kriged residuals: an unconditional field Z is drawn at the nodes *and at the
      readings' own places*, with measurement errors e, and ``Z(x) + sum_i w_i(x) (y_i - Z(x_i) -
      e_i)`` is conditional. The field comes from one covariance matrix where nodes and readings
      are at most 2,500, and else from circulant embedding on a lattice (`Embedding`), with
      readings and nodes between its nodes drawn jointly from the nodes around them (`OffGrid`),
      never snapped.

    Scaling an unconditional field by the kriging standard deviation would be right at points and
    wrong for the mean of a square.

    Parameters
    ----------
    kriging : Kriging
        Readings and model.
    nodes : (M, 2) array
        Positions, metres.
    n : int
        Realisations.
    seed : int
        Same seed, same realisations (on one machine and library version).

    Returns
    -------
    (n, M) array

    Warns
    -----
    GeostatWarning
        The embedding had to be approximated; by how much.

    Notes
    -----
    Limits: with ``neighbours``, each node is conditioned by its own neighbourhood, which leaves
    the seams that its estimates have. Source: Chiles & Delfiner, Geostatistics (2012), 7.3.1 (from
    memory).
    """
    if int(n) != n or n < 0:
        raise GeostatError(f"n = {n!r} must be a whole number of realisations")
    local = kriging.data.localise(nodes, "nodes")
    rng = np.random.default_rng(seed)
    system = kriging.system
    if isinstance(system, GlobalSystem) and len(local) <= DIRECT:
        mean, covariance = system.posterior(local, Support.point(), _prior(kriging, local))
        return (
            mean
            + rng.standard_normal((int(n), len(local)))
            @ semidefinite_root(covariance, kriging.variogram.sill).T
        )
    out = np.empty((int(n), len(local)))
    for rows, field in _residual_batches(kriging, local, int(n), rng):
        out[rows] = field.T
    return out


def semidefinite_root(covariance: FloatArray, scale: float) -> FloatArray:
    """Matrix R with R R' = covariance, which may be singular (as at a node on a reading).

    Pivoted Cholesky, stopped where what is left is below 1e-12 of ``scale``.
    """
    factor, pivot, rank, _ = lapack.dpstrf(covariance.T.copy(order="F"), tol=1e-12 * scale, lower=1)
    factor = np.tril(factor)
    factor[:, rank:] = 0.0
    root = np.empty_like(factor)
    root[pivot - 1] = factor
    return root


def _prior(kriging: Kriging, local: FloatArray) -> FloatArray:
    """Prior covariance of the field at points, nodes at one place sharing their nugget."""
    covariance = cross_covariance(kriging.variogram, local, local)
    _, pairs = places(local, kriging.data.tolerance)
    covariance.flat[:: len(local) + 1] = kriging.variogram.sill
    if len(pairs):
        i, j = pairs.T
        covariance[i, j] += kriging.variogram.nugget
        covariance[j, i] += kriging.variogram.nugget
    return covariance


class _Sampler(Protocol):
    """Draws the structure at fixed distinct places."""

    def draw(self, rng: np.random.Generator, count: int) -> FloatArray:
        """Values (P, count)."""
        ...


class _Direct:
    """Unconditional values at few places, from their covariance matrix."""

    def __init__(self, variogram: Variogram, points: FloatArray) -> None:
        covariance = cross_covariance(variogram, points, points)
        self._root = semidefinite_root(covariance, variogram.sill)

    def draw(self, rng: np.random.Generator, count: int) -> FloatArray:
        """Values (P, count)."""
        return self._root @ rng.standard_normal((self._root.shape[1], count))


class _OnLattice:
    """Unconditional values at many places: a lattice field, and `OffGrid` between its nodes."""

    def __init__(self, variogram: Variogram, nodes: FloatArray, points: FloatArray) -> None:
        lattice = Lattice.under(variogram, nodes, points)
        self._embedding = Embedding.over(variogram, lattice.step[::-1], lattice.shape)
        index = lattice.index(points)
        self._on = np.flatnonzero(index >= 0)
        self._node = index[self._on]
        self._off = np.flatnonzero(index < 0)
        self._rule = OffGrid.of(variogram, lattice, points[self._off]) if len(self._off) else None
        self._count = len(points)
        # Only the lattice nodes that somebody reads are kept of each field.
        used = (
            [self._node] if self._rule is None else [self._node, self._rule.lattice_weights.indices]
        )
        self._kept: IntArray = np.unique(np.concatenate(used)).astype(np.int64)
        if self._rule is not None:
            self._narrow = self._rule.lattice_weights[:, self._kept]
        self._node = np.searchsorted(self._kept, self._node)

    def draw(self, rng: np.random.Generator, count: int) -> FloatArray:
        """Values (P, count)."""
        kept = np.empty((len(self._kept), count))
        for r, field in enumerate(self._embedding.fields(rng, count)):
            kept[:, r] = field.ravel()[self._kept]
        out = np.empty((self._count, count))
        out[self._on] = kept[self._node]
        if self._rule is not None:
            out[self._off] = self._rule.draw(kept, rng, self._narrow)
        return out


def _residual_batches(
    kriging: Kriging, local: FloatArray, n: int, rng: np.random.Generator
) -> Iterator[tuple[slice, FloatArray]]:
    """Yield realisations (M, R) in batches, conditioned by kriged residuals."""
    data, variogram, system = kriging.data, kriging.variogram, kriging.system
    everywhere = np.concatenate([data.points, local])
    place, _ = places(everywhere, data.tolerance)
    distinct, at = np.unique(place, return_inverse=True)
    spots = everywhere[distinct]
    sampler: _Sampler
    if variogram.partial_sill == 0:
        sampler = _Nothing(len(spots))
    elif len(spots) <= DIRECT:
        sampler = _Direct(variogram, spots)
    else:
        sampler = _OnLattice(variogram, local, spots)
    noise = np.sqrt(data.noise)[:, None]
    rule = None if isinstance(system, GlobalSystem) else system.rule(local, Support.point())
    for rows in tiles(n, 8 * 3 * (len(everywhere) + len(local)), _BATCH_BYTES):
        count = rows.stop - rows.start
        z = sampler.draw(rng, count)
        z += np.sqrt(variogram.nugget) * rng.standard_normal(z.shape)
        z = z[at]
        read = z[: len(data)] + noise * rng.standard_normal((len(data), count))
        residual = data.residual[:, None] - read
        field = data.mean + z[len(data) :]
        if rule is not None:
            field += rule(residual)
        else:
            assert isinstance(system, GlobalSystem)
            field += system.predict(local, Support.point(), residual)
        yield rows, field


class _Nothing:
    """The structure of a pure nugget: none."""

    def __init__(self, count: int) -> None:
        self._count = count

    def draw(self, rng: np.random.Generator, count: int) -> FloatArray:
        """Zeros (P, count)."""
        del rng
        return np.zeros((self._count, count))
