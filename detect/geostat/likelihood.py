"""The restricted likelihood of a variogram model, its gradient and its information."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.linalg import LinAlgError, lapack

from detect.geostat.covariance import cross_covariance
from detect.geostat.drift import Drift
from detect.geostat.errors import FloatArray, IntArray
from detect.geostat.variogram import Variogram

#: Step of the logarithm of a length or ratio, and of an angle in radians, for slopes.
_STEP = 1e-4


@dataclass(frozen=True, eq=False)
class Block:
    """Readings taken as independent of those of other blocks.

    Parameters
    ----------
    points, values : (N, 2) and (N,) arrays
        Places, metres, and readings; no two at one place.
    share : (N,) array
        Part of the nugget in each: one over the readings that were averaged there.
    basis : (N, P) array
        Drift functions.
    """

    points: FloatArray
    values: FloatArray
    share: FloatArray
    basis: FloatArray

    @classmethod
    def all(
        cls,
        points: FloatArray,
        values: FloatArray,
        repeats: IntArray,
        drift: str,
        blocks: Sequence[IntArray],
    ) -> list[Block]:
        """Make the blocks of readings; each has drift coefficients of its own."""
        return [
            cls(
                points[b],
                values[b],
                1.0 / repeats[b],
                Drift.over(drift, points[b]).at(points[b]),
            )
            for b in blocks
        ]

    @property
    def freedom(self) -> int:
        """Readings less drift functions."""
        return len(self.values) - self.basis.shape[1]

    @cached_property
    def log_det_basis(self) -> float:
        """``log |F'F|``."""
        return float(np.linalg.slogdet(self.basis.T @ self.basis)[1])

    def structure(self, variogram: Variogram) -> FloatArray:
        """Covariance of the structures alone, (N, N)."""
        return cross_covariance(variogram, self.points, self.points)


@dataclass(frozen=True, eq=False)
class Projection:
    """``P = K^-1 - K^-1 F (F'K^-1 F)^-1 F'K^-1`` of one block, with what else the likelihood needs.

    Parameters
    ----------
    p : (N, N) array
        P.
    py : (N,) array
        P y.
    quadratic : float
        y'P y.
    log_det : float
        ``log |K| + log |F'K^-1 F| - log |F'F|``.
    """

    p: FloatArray
    py: FloatArray
    quadratic: float
    log_det: float

    @classmethod
    def of(cls, block: Block, k: FloatArray) -> Projection:
        """Project with covariance ``k`` (overwritten).

        Raises
        ------
        LinAlgError
            ``k`` is singular.
        """
        factor, info = lapack.dpotrf(k.T, lower=1, overwrite_a=1)
        if info != 0:
            raise LinAlgError("the covariance of the readings is singular")
        log_det = 2.0 * float(np.log(np.diag(factor)).sum())
        p = lapack.dpotri(factor, lower=1, overwrite_c=1)[0]
        p = np.tril(p) + np.tril(p, -1).T
        if block.basis.size:
            g = p @ block.basis
            s = block.basis.T @ g
            p -= g @ np.linalg.solve(s, g.T)
            log_det += float(np.linalg.slogdet(s)[1]) - block.log_det_basis
        py = p @ block.values
        return cls(p, py, float(block.values @ py), log_det)


def restricted_log_likelihood(blocks: Sequence[Block], variogram: Variogram) -> float:
    r"""Log density of the readings' contrasts, free of the unknown drift.

    ::

        l = -1/2 [ (n - p) log 2 pi + log |K| + log |F'K^-1 F| - log |F'F| + y'P y ]

    the normal density of ``A'y`` for any orthonormal ``A`` with ``A'F = 0``. Without drift
    functions it is the ordinary likelihood. Sources: Patterson & Thompson, Biometrika 58 (1971)
    545-554; Harville, Biometrika 61 (1974) 383-385; Kitanidis, Water Resources Research 19 (1983)
    909-921 (all from memory). Blocks are independent (block composite likelihood: Caragea & Smith,
    J. Multivariate Analysis 98 (2007) 1417-1440, from memory).
    """
    total = 0.0
    for block in blocks:
        projection = Projection.of(block, _covariance(block, variogram))
        total += block.freedom * np.log(2.0 * np.pi) + projection.log_det + projection.quadratic
    return -0.5 * total


def profile(blocks: Sequence[Block], unit: Variogram) -> tuple[float, float]:
    r"""Restricted log likelihood with the sill at its best, and that sill.

    For ``K = sill R`` the best sill is ``y'P_R y / (n - p)``.

    Parameters
    ----------
    blocks : sequence of Block
    unit : Variogram
        Of sill 1.
    """
    found = [Projection.of(b, _covariance(b, unit)) for b in blocks]
    return _profile(blocks, found)


def climb(blocks: Sequence[Block], unit: Variogram, turns: bool) -> tuple[float, FloatArray, float]:
    r"""`profile` with its slopes::

        dl/dt = -1/2 [ tr(P_R R_t) - y'P_R R_t P_R y / sill ]

    Parameters
    ----------
    blocks : sequence of Block
    unit : Variogram
        Of sill 1.
    turns : bool
        Whether to take slopes by ratio and azimuth as well.

    Returns
    -------
    value : float
    slopes : (2,) or (4,) array
        By the nugget's share of the sill, log range, and log ratio and azimuth (radians).
    sill : float
        The best.
    """
    found = []
    traces = np.zeros((2, 4 if turns else 2))
    shape = replace(unit, nugget=0.0, partial_sill=1.0)
    for block in blocks:
        projection = Projection.of(block, _covariance(block, unit))
        found.append(projection)
        by_share = -block.structure(shape)
        by_share.flat[:: len(by_share) + 1] += block.share
        slopes = [unit.partial_sill * s for s in shape_slopes(block, shape, turns)]
        for i, slope in enumerate([by_share, *slopes]):
            traces[0, i] += np.vdot(projection.p, slope)
            traces[1, i] += projection.py @ slope @ projection.py
    value, sill = _profile(blocks, found)
    return value, -0.5 * (traces[0] - traces[1] / sill), sill


def _profile(blocks: Sequence[Block], found: Sequence[Projection]) -> tuple[float, float]:
    """Value and sill from the projections of unit sill."""
    freedom = sum(b.freedom for b in blocks)
    sill = sum(p.quadratic for p in found) / freedom
    log_det = sum(p.log_det for p in found)
    return -0.5 * (freedom * (np.log(2.0 * np.pi * sill) + 1.0) + log_det), sill


def information(blocks: Sequence[Block], variogram: Variogram) -> FloatArray:
    """Expected information ``1/2 tr(P K_i P K_j)`` of nugget, partial sill and range, (3, 3).

    Source: Mardia & Marshall, Biometrika 71 (1984) 135-146, with P for the restricted likelihood
    (Kitanidis 1983); both from memory.
    """
    total = np.zeros((3, 3))
    shape = replace(variogram, nugget=0.0, partial_sill=1.0)
    for block in blocks:
        p = Projection.of(block, _covariance(block, variogram)).p
        slope = shape_slopes(block, shape, False)[0]
        products = [
            p * block.share,  # P times a diagonal
            p @ block.structure(shape),
            p @ slope * (variogram.partial_sill / variogram.range_m),
        ]
        for i in range(3):
            for j in range(i + 1):
                total[i, j] += 0.5 * np.vdot(products[i], products[j].T)
                total[j, i] = total[i, j]
    return total


def shape_slopes(block: Block, shape: Variogram, turns: bool) -> list[FloatArray]:
    """Slopes of the correlation by log range, and by log ratio and azimuth in radians."""
    pairs = [
        (
            replace(shape, range_m=shape.range_m * np.exp(_STEP)),
            replace(shape, range_m=shape.range_m * np.exp(-_STEP)),
        )
    ]
    if turns:
        ratio, azimuth = shape.anisotropy_ratio, shape.azimuth_deg
        # at a ratio of 1 only downwards: above it the axes change places
        up = min(ratio * np.exp(_STEP), 1.0)
        low = up * np.exp(-2.0 * _STEP)
        turn = np.degrees(_STEP)
        pairs += [
            (replace(shape, anisotropy_ratio=up), replace(shape, anisotropy_ratio=low)),
            (
                replace(shape, azimuth_deg=azimuth + turn),
                replace(shape, azimuth_deg=azimuth - turn),
            ),
        ]
    return [(block.structure(a) - block.structure(b)) / (2.0 * _STEP) for a, b in pairs]


def _covariance(block: Block, variogram: Variogram) -> FloatArray:
    """Covariance of the readings: structures, and each one's part of the nugget."""
    k = block.structure(variogram)
    k.flat[:: len(k) + 1] += variogram.nugget * block.share
    return k
