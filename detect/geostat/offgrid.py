"""Values of a lattice field at places between its nodes, drawn jointly and not snapped."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_matrix
from scipy.sparse.linalg import spsolve_triangular
from scipy.spatial import cKDTree

from detect.geostat.covariance import tiles
from detect.geostat.errors import FloatArray, IntArray
from detect.geostat.lattice import Lattice
from detect.geostat.variogram import Variogram

#: Side of the patch of lattice nodes that a place is drawn from, and the places drawn before it
#: that count.
PATCH = 6
BEFORE = 24


@dataclass(frozen=True, eq=False)
class OffGrid:
    r"""Rule that draws the field at Q places given the field on a lattice.

    The places are put in a random order, and each is drawn from its conditional distribution given
    the patch of 6 x 6 lattice nodes around it and those of its 24 nearest fellows that came
    before::

        z_i = sum_g w_ig z_g + sum_j a_ij z_j + sqrt(d_i) eps_i

    so that all are solved at once from the sparse triangular ``(I - A) z = W z_lattice + sqrt(d)
    eps``. The weights are regularised by 1e-10 of the sill (a patch of a smooth model is nearly
    singular), but ``d`` is the exact error variance of the weights used, so the variance at each
    place is the model's.

    Limit: an approximation (Vecchia, J. R. Stat. Soc. B 50 (1988) 297; Katzfuss & Guinness, Stat.
    Sci. 36 (2021) 124; from memory) that relies on near values screening far ones: the tests bound
    the error of the implied covariances.

    Parameters
    ----------
    order : (Q,) int array
        Places in the order in which they are drawn.
    lattice_weights : sparse (Q, G)
        W, rows in drawing order.
    lower : sparse (Q, Q)
        I - A, unit lower triangular, in drawing order.
    root : (Q,) array
        sqrt(d).
    """

    order: IntArray
    lattice_weights: csr_matrix
    lower: csr_matrix
    root: FloatArray

    @classmethod
    def of(cls, variogram: Variogram, lattice: Lattice, places: FloatArray) -> OffGrid:
        """Work out the weights for distinct places (Q, 2), none of them on the lattice."""
        count = len(places)
        order = np.random.default_rng(0).permutation(count)
        places = places[order]
        k = min(BEFORE, count - 1)
        tree = cKDTree(places)
        span = np.arange(PATCH) - (PATCH // 2 - 1)
        patch = np.stack(np.meshgrid(span, span), axis=-1).reshape(-1, 2)
        size = len(patch) + k
        rows, w_index, w_value, a_index, a_value = [], [], [], [], []
        root = np.empty(count)
        for tile in tiles(count, 8 * 5 * size * size):
            here = places[tile]
            corner = np.floor(lattice.position(here)).astype(np.int64)
            cell = corner[:, None, :] + patch
            nodes = lattice.origin + cell * np.array(lattice.step)
            fellow = _earlier(tree, here, tile.start, k)
            near = np.concatenate([nodes, places[fellow]], axis=1)
            used = np.concatenate(
                [np.ones((len(here), len(patch)), bool), fellow < _own(tile)], axis=1
            )
            weights, variance = _conditional(variogram, here, near, used)
            root[tile] = np.sqrt(np.maximum(variance, 0.0))
            rows.append(np.repeat(np.arange(tile.start, tile.stop), len(patch)))
            w_index.append((cell[..., 1] * lattice.shape[1] + cell[..., 0]).ravel())
            w_value.append(weights[:, : len(patch)].ravel())
            a_index.append(np.concatenate([fellow, _own(tile)], axis=1).ravel())
            own_weight = np.ones((len(here), 1))
            a_value.append(np.concatenate([-weights[:, len(patch) :], own_weight], axis=1).ravel())
        shape = (count, lattice.shape[0] * lattice.shape[1])
        w = csr_matrix(
            (np.concatenate(w_value), (np.concatenate(rows), np.concatenate(w_index))), shape
        )
        a_rows = np.repeat(np.arange(count), k + 1)
        values, columns = np.concatenate(a_value), np.concatenate(a_index)
        some = columns <= a_rows
        lower = csr_matrix((values[some], (a_rows[some], columns[some])), (count, count))
        return cls(order, w, lower, root)

    def draw(
        self, fields: FloatArray, rng: np.random.Generator, weights: csr_matrix | None = None
    ) -> FloatArray:
        """Values (Q, R) at the places for lattice fields (G, R).

        ``weights`` stands for `lattice_weights` where only some nodes are given.
        """
        right = (self.lattice_weights if weights is None else weights) @ fields
        right += self.root[:, None] * rng.standard_normal(right.shape)
        solved = spsolve_triangular(self.lower, right, lower=True, unit_diagonal=True)
        out = np.empty_like(solved)
        out[self.order] = solved
        return out


def _own(tile: slice) -> IntArray:
    return np.arange(tile.start, tile.stop, dtype=np.int64)[:, None]


def _earlier(tree: cKDTree, here: FloatArray, start: int, k: int) -> IntArray:
    """Nearest fellows (B, k) of each place, itself left out."""
    if k == 0:
        return np.empty((len(here), 0), dtype=np.int64)
    _, index = tree.query(here, k=np.arange(1, k + 2))
    own = index == np.arange(start, start + len(here))[:, None]
    own[~own.any(axis=1), -1] = True
    return np.asarray(index, dtype=np.int64)[~own].reshape(len(here), k)


def _conditional(
    variogram: Variogram, here: FloatArray, near: FloatArray, used: np.ndarray
) -> tuple[FloatArray, FloatArray]:
    """Weights (B, k) of the used points, and the exact variance of their error (B,)."""
    lattice = PATCH * PATCH
    # The patch is the same one everywhere: its covariances are worked out once.
    lag = near[0, :lattice, None, :] - near[0, None, :lattice, :]
    c = np.empty((len(near), near.shape[1], near.shape[1]))
    c[:, :lattice, :lattice] = variogram.structure_covariance(lag[..., 0], lag[..., 1])
    lag = near[:, :, None, :] - near[:, None, lattice:, :]
    c[:, :, lattice:] = variogram.structure_covariance(lag[..., 0], lag[..., 1])
    c[:, lattice:, :lattice] = c[:, :lattice, lattice:].transpose(0, 2, 1)
    c *= used[:, :, None] & used[:, None, :]
    to = near - here[:, None, :]
    c0 = variogram.structure_covariance(to[..., 0], to[..., 1]) * used
    sill = variogram.partial_sill
    diagonal = np.arange(near.shape[1])
    c[:, diagonal, diagonal] += np.where(used, 1e-10 * sill, sill)
    w = np.linalg.solve(c, c0[..., None])[..., 0] * used
    c[:, diagonal, diagonal] -= np.where(used, 1e-10 * sill, sill)
    error = (
        sill
        - 2.0 * np.einsum("bk,bk->b", w, c0)
        + np.einsum("bk,bkl,bl->b", w, c, w, optimize=True)
    )
    return w, error
