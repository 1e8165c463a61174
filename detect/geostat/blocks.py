"""Squares as targets: points in a square, exact covariances within and between squares."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from detect.geostat.covariance import cross_covariance, tiles
from detect.geostat.errors import FloatArray, GeostatError, IntArray
from detect.geostat.variogram import Variogram


@dataclass(frozen=True)
class Support:
    """What a target averages over: the point itself, or weighted points in a square.

    Parameters
    ----------
    size_m : float
        Side of the square along the axes; 0 for a point.
    offsets : (G, 2) array
        Displacements from the centre, metres.
    weights : (G,) array
        Adding up to 1.
    azimuth_deg : float
        Bearing of two of the square's sides.
    """

    size_m: float
    offsets: FloatArray
    weights: FloatArray
    azimuth_deg: float = 0.0

    @classmethod
    def point(cls) -> Support:
        """Return the support of a point."""
        return cls(0.0, np.zeros((1, 2)), np.ones(1))

    @classmethod
    def square(cls, size_m: float, azimuth_deg: float = 0.0, order: int = 4) -> Support:
        """Square of side ``size_m`` discretised by ``order`` x ``order`` Gauss-Legendre points.

        Two of its sides lie on the bearing ``azimuth_deg``, clockwise from grid north.
        """
        if not (np.isfinite(size_m) and size_m > 0):
            raise GeostatError(f"size_m = {size_m!r} must be a positive length in metres")
        if not np.isfinite(azimuth_deg):
            raise GeostatError(f"azimuth_deg = {azimuth_deg!r} is not a bearing in degrees")
        unit, weights = _gauss_points(order)
        offsets = unit * (size_m / 2.0)
        return cls(float(size_m), offsets @ turn(-azimuth_deg), weights, float(azimuth_deg))

    @property
    def is_point(self) -> bool:
        """Whether the target is a point."""
        return self.size_m == 0.0

    @property
    def radius_m(self) -> float:
        """Distance from the centre within which the support's points lie, metres."""
        return float(np.hypot(*self.offsets.T).max())

    def covariance(self, variogram: Variogram, targets: FloatArray, data: FloatArray) -> FloatArray:
        """Covariance (no nugget) of each target (T, 2) with each datum (N, 2) -> (T, N)."""
        if self.is_point:
            return cross_covariance(variogram, targets, data)
        total = np.zeros((len(targets), len(data)))
        for offset, weight in zip(self.offsets, self.weights, strict=True):
            one = cross_covariance(variogram, targets + offset, data)
            one *= weight
            total += one
        return total

    def pair_covariance(self, variogram: Variogram, de: FloatArray, dn: FloatArray) -> FloatArray:
        """Covariance (no nugget) of targets with data, for lags from centre to datum."""
        total = np.zeros(np.broadcast_shapes(de.shape, dn.shape))
        for (oe, on), weight in zip(self.offsets, self.weights, strict=True):
            total += weight * variogram.structure_covariance(de - oe, dn - on)
        return total

    def average(self, function_values: FloatArray) -> FloatArray:
        """Mean over the support of values (..., G, P) at the support's points -> (..., P)."""
        return np.einsum("...gp,g->...p", function_values, self.weights)

    def prior_variance(self, variogram: Variogram) -> float:
        """Variance of the target before any data: the sill, or that of a square's mean."""
        if self.is_point:
            return variogram.sill
        return within_square(seen_from(variogram, self.azimuth_deg), self.size_m)

    def between(self, variogram: Variogram, centres: FloatArray) -> FloatArray:
        """Covariance of the means of squares at ``centres`` before any data, (M, M)."""
        along = centres @ turn(self.azimuth_deg)
        return between_squares(seen_from(variogram, self.azimuth_deg), along, self.size_m)


@lru_cache
def _gauss_points(order: int) -> tuple[FloatArray, FloatArray]:
    """Gauss-Legendre points (G, 2) of the square of side 2, and their weights adding up to 1."""
    nodes, weights = np.polynomial.legendre.leggauss(order)
    e, n = np.meshgrid(nodes, nodes)
    return np.column_stack([e.ravel(), n.ravel()]), np.outer(weights, weights).ravel() / 4.0


def turn(azimuth_deg: float) -> FloatArray:
    """Matrix (2, 2) that takes ``e, n`` to axes turned clockwise by ``azimuth_deg``: p @ turn."""
    sin, cos = np.sin(np.radians(azimuth_deg)), np.cos(np.radians(azimuth_deg))
    return np.eye(2) if azimuth_deg == 0.0 else np.array([[cos, sin], [-sin, cos]])


def seen_from(variogram: Variogram, azimuth_deg: float) -> Variogram:
    """Return the variogram in axes turned clockwise by ``azimuth_deg``."""
    if azimuth_deg == 0.0:
        return variogram
    parts = tuple(seen_from(p, azimuth_deg) for p in variogram.structures)
    return replace(variogram, azimuth_deg=variogram.azimuth_deg - azimuth_deg, structures=parts)


@lru_cache(maxsize=64)
def within_square(variogram: Variogram, size_m: float) -> float:
    r"""Mean covariance of two random points of a square along the axes, nugget left out.

    The lag of two uniform points of a segment has the density ``1 - |u|``, so with side s::

        mean C = int_{-1}^{1} int_{-1}^{1} (1 - |u|)(1 - |v|) C(s u, s v) du dv

    (four times the integral over the unit square where C is symmetric in each axis; twice the sum
    of the two quadrants otherwise). In polar coordinates the cusp of the covariance at lag 0 goes,
    and what is left is smooth between the angles of the corner, of the axes of anisotropy and of
    the place where the ellipse of a spherical range leaves the square: Gauss-Legendre panels
    between them, and along each ray between 0, the range and the edge. Measured: 1e-10 of the sill
    or better (check_values.md 1.6).

    The nugget's share of a square's mean is 0: microscale variation averages out.

    Source: Journel & Huijbregts, Mining Geostatistics (1978), II.D (auxiliary functions; from
    memory).
    """
    return float(sum(p.partial_sill * _within_unit(p, size_m) for p in variogram.parts))


# Along a ray: breaks in units of the local range, so that ranges far below the side are resolved
# as well.
_RADIAL_BREAKS = np.array([0.0, 1e-3, 1e-2, 0.1, 0.4, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0])
_ORDER = 24


def _within_unit(part: Variogram, size_m: float) -> float:
    """Mean correlation of one structure within the square."""
    nodes, weights = np.polynomial.legendre.leggauss(_ORDER)
    breaks = _angle_breaks(part, size_m)
    # Angle: all panels at once, over half a turn (the other half is the same by symmetry).
    half = np.diff(breaks) / 2.0
    theta = ((breaks[:-1] + breaks[1:]) / 2.0)[:, None] + half[:, None] * nodes
    w_theta = (half[:, None] * weights).ravel()
    theta = theta.ravel()
    cos, sin = np.abs(np.cos(theta)), np.abs(np.sin(theta))
    edge = 1.0 / np.maximum(cos, sin)
    matrix = part.reduction * size_m
    growth = np.hypot(
        np.cos(theta) * matrix[0, 0] + np.sin(theta) * matrix[1, 0],
        np.cos(theta) * matrix[0, 1] + np.sin(theta) * matrix[1, 1],
    )  # reduced distance gained per unit of radius
    limits = np.minimum(_RADIAL_BREAKS / growth[:, None], edge[:, None])
    limits = np.concatenate([limits, edge[:, None]], axis=1)
    half_r = np.diff(limits, axis=1) / 2.0
    middle = (limits[:, :-1] + limits[:, 1:]) / 2.0
    r = middle[..., None] + half_r[..., None] * nodes
    w_r = half_r[..., None] * weights
    tent = (1.0 - r * cos[:, None, None]) * (1.0 - r * sin[:, None, None]) * r
    # One number, from about 10^5 evaluations: no tile needed.
    lag_e = size_m * r * np.cos(theta)[:, None, None]
    lag_n = size_m * r * np.sin(theta)[:, None, None]
    unit = Variogram(
        part.model, 0.0, 1.0, part.range_m, part.anisotropy_ratio, part.azimuth_deg, part.smoothness
    )
    rho = unit.structure_covariance(lag_e, lag_n)
    return float(2.0 * np.sum(w_theta * np.sum(tent * rho * w_r, axis=(1, 2))))


def _angle_breaks(part: Variogram, size_m: float) -> FloatArray:
    """Angles (0 to pi, from the e axis) between which the ray integral is smooth."""
    major = np.pi / 2.0 - np.radians(part.azimuth_deg)
    breaks = [0.0, np.pi / 4, np.pi / 2, 3 * np.pi / 4, np.pi]
    # Strong anisotropy: panels narrowing towards the major axis, where the ray's reach peaks.
    narrow = part.anisotropy_ratio
    spread = (
        [0.0, *[s * narrow * f for f in (0.5, 1, 2, 4, 8) for s in (-1, 1)]] if narrow < 1 else []
    )
    breaks += [(major + d) % np.pi for d in (*spread, *([np.pi / 2] if spread else []))]
    # Where the ellipse h = range crosses the square's edges u = +-1 and v = 1 (a quadratic in the
    # other).
    q = (part.reduction @ part.reduction.T) * size_m**2
    for fixed, free in ((0, 1), (1, 0)):
        a, b, c = q[free, free], 2.0 * q[0, 1], q[fixed, fixed] - 1.0
        for t in np.roots([a, b, c]):
            if abs(t.imag) < 1e-12 and abs(t.real) <= 1.0:
                u, v = (1.0, t.real) if fixed == 0 else (t.real, 1.0)
                breaks.append(np.arctan2(v, u) % np.pi)
    out = np.unique(np.round(np.clip(breaks, 0.0, np.pi), 14))
    return out


def between_squares(variogram: Variogram, centres: FloatArray, size_m: float) -> FloatArray:
    """Mean covariance (nugget left out) between every two squares of one size -> (M, M).

    Equation: as in `within_square` about the lag of the centres,
    ``int int (1 - |u|)(1 - |v|) C(d_e + s u, d_n + s v) du dv``, each quadrant by 6 x 6
    Gauss-Legendre points (the tent is a polynomial in a quadrant). The diagonal is exact.

    Squares of one lattice have few different lags: each is computed once, and the matrix is
    filled row by row from their table, so that nothing larger than the matrix is held. Squares
    anywhere are taken pair by pair, a tile of rows at a time.

    Limit: for squares that touch, the cusp at lag 0 is in a corner of a quadrant and leaves about
    1e-5 of the sill.
    """
    own = within_square(variogram, size_m)
    cells = _lattice_cells(centres, size_m)
    count = len(centres)
    matrix = np.empty((count, count))
    if cells is not None:
        column, row, step = cells
        lag_e, lag_n = np.arange(-column.max(), column.max() + 1), np.arange(row.max() + 1)
        # C(-h) = C(h): half of the lags will do.
        lags = np.stack(np.meshgrid(lag_e, lag_n), axis=-1).reshape(-1, 2) * step
        half = _square_covariance(variogram, lags, size_m).reshape(len(lag_n), len(lag_e))
        half[0, : column.max() + 1] = [*half[0, : column.max() : -1], own]
        table = np.concatenate([half[:0:-1, ::-1], half])
        flat = table.ravel()
        at = (row + row.max()) * table.shape[1] + column + column.max()
        back = row * table.shape[1] + column
        for i in range(count):
            np.take(flat, at - back[i], out=matrix[i])
        return matrix
    for tile in tiles(count, 8 * 144 * count):
        # The triangle from the diagonal on; the other by symmetry.
        lag = centres[None, tile.start :] - centres[tile, None]
        shape = lag.shape[:2]
        block = _square_covariance(variogram, lag.reshape(-1, 2), size_m).reshape(shape)
        block[(np.abs(lag) <= 1e-6 * size_m).all(axis=2)] = own
        square = block[:, : len(block)]
        square[:] = (square + square.T) / 2.0
        matrix[tile, tile.start :] = block
        matrix[tile.start :, tile] = block.T
    return matrix


def _square_covariance(variogram: Variogram, lags: FloatArray, size_m: float) -> FloatArray:
    """Mean covariance of two squares for each lag (Q, 2) of their centres."""
    nodes, weights = np.polynomial.legendre.leggauss(6)
    u = np.concatenate([(nodes - 1.0) / 2.0, (nodes + 1.0) / 2.0])
    w = np.concatenate([weights, weights]) / 2.0 * (1.0 - np.abs(u))
    ue, un = (g.ravel() * size_m for g in np.meshgrid(u, u))
    w2 = np.outer(w, w).ravel()
    out = np.empty(len(lags))
    for tile in tiles(len(lags), 8 * len(w2), 2**20):
        de = lags[tile, 0, None] + ue
        dn = lags[tile, 1, None] + un
        out[tile] = variogram.structure_covariance(de, dn) @ w2
    return out


def _lattice_cells(
    centres: FloatArray, size_m: float
) -> tuple[IntArray, IntArray, FloatArray] | None:
    """Column and row of each centre, and the steps (2,); None: more lags than pairs."""
    cells = []
    for axis in (0, 1):
        values = np.unique(np.round(centres[:, axis] / (size_m * 1e-6)).astype(np.int64))
        gaps = np.diff(values)
        gaps = gaps[gaps > 2]
        step = float(gaps.min()) * size_m * 1e-6 if len(gaps) else size_m
        whole = (centres[:, axis] - centres[:, axis].min()) / step
        # The smallest gap carries the rounding of two coordinates: spread it over the width.
        if whole.max() > 0.5:
            step *= whole.max() / np.round(whole.max())
            whole = (centres[:, axis] - centres[:, axis].min()) / step
        cell = np.round(whole).astype(np.int64)
        if np.abs(whole - cell).max() * step > 1e-5 * size_m:
            return None
        cells.append((cell, step))
    (column, east), (row, north) = cells
    lags = (2 * int(column.max()) + 1) * (int(row.max()) + 1)
    if lags > max(len(centres) ** 2, 1000):
        return None
    return column, row, np.array([east, north])
