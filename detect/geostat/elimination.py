"""Compiled parts of a kriging system: covariances, elimination, the drift's Schur complement.

Imported when first needed, like `detect.geostat.search`.

The bordered system is eliminated as in `detect.geostat.system.GlobalSystem`. The covariances are
kept as an upper triangle with the drift functions and the readings (and, for a single target, its
covariances) as further columns, so that one elimination, row by row, leaves ``U = L'``, ``L^-1
F``, ``L^-1 y`` and ``L^-1 c0`` at once in loops that run along memory.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from detect.geostat.errors import FloatArray, IntArray
from detect.geostat.search import compiled
from detect.geostat.variogram import Variogram

_KINDS = {"spherical": 0, "exponential": 1, "gaussian": 2}
_HALF_INTEGERS = {0.5: 1, 1.5: 3, 2.5: 4}


class Model(NamedTuple):
    """Variogram for the kernels: a row of ``parts`` a structure (kind, partial sill, matrix)."""

    parts: FloatArray
    nugget: float
    sill: float


class Readings(NamedTuple):
    """Readings for the kernels; see `detect.geostat.data.Data`."""

    points: FloatArray
    residual: FloatArray
    noise: FloatArray
    place: IntArray
    basis: FloatArray
    shared_places: bool
    tolerance: float


def model_of(variogram: Variogram) -> Model | None:
    """Describe a variogram to the kernels; None for a Matern of a smoothness they do not know."""
    rows = []
    for part in variogram.parts:
        kind = _KINDS.get(part.model, _HALF_INTEGERS.get(part.smoothness))
        if kind is None:
            return None
        rows.append([float(kind), part.partial_sill, *part.reduction.ravel()])
    return Model(np.array(rows), variogram.nugget, variogram.sill)


@compiled
def add_covariance(model, x, y, px, py, weight, out):  # type: ignore[no-untyped-def]
    """Add ``weight`` times the structure's covariance of a place with places (N,) to ``out``."""
    n = len(out)
    for p in range(len(model.parts)):
        kind, sill = int(model.parts[p, 0]), weight * model.parts[p, 1]
        m00, m01 = model.parts[p, 2], model.parts[p, 3]
        m10, m11 = model.parts[p, 4], model.parts[p, 5]
        if kind == 0:
            for i in range(n):
                e, v = px[i] - x, py[i] - y
                a, b = e * m00 + v * m10, e * m01 + v * m11
                h = min(np.sqrt(a * a + b * b), 1.0)
                out[i] += sill * (1.0 + h * (0.5 * h * h - 1.5))
        else:
            for i in range(n):
                e, v = px[i] - x, py[i] - y
                a, b = e * m00 + v * m10, e * m01 + v * m11
                h = a * a + b * b
                if kind == 2:
                    out[i] += sill * np.exp(-h)
                    continue
                h = np.sqrt(h)
                rho = np.exp(-h)
                if kind == 3:
                    rho *= 1.0 + h
                elif kind == 4:
                    rho *= 1.0 + h + h * h / 3.0
                out[i] += sill * rho


@compiled
def covariance_of_means(model, points, start):  # type: ignore[no-untyped-def]
    """Covariance (G, G), no nugget, of means over groups of points that follow each other."""
    groups = len(start) - 1
    px, py = points[:, 0].copy(), points[:, 1].copy()
    k = np.zeros((groups, groups))
    row = np.empty(len(px))
    for g in range(groups):
        first = start[g]
        row[first:] = 0.0
        for i in range(first, start[g + 1]):
            x, y = px[i], py[i]
            add_covariance(model, x, y, px[first:], py[first:], 1.0, row[first:])
        for h in range(g, groups):
            total = 0.0
            for i in range(start[h], start[h + 1]):
                total += row[i]
            k[g, h] = total / ((start[g + 1] - first) * (start[h + 1] - start[h]))
            k[h, g] = k[g, h]
    return k


@compiled
def eliminate(a, k):  # type: ignore[no-untyped-def]
    """Cholesky of the first k columns of ``a`` (k, k + R), carrying the others along.

    Leaves the upper factor U and ``U'^-1`` times the other columns. False at a pivot below 1e-13
    of its diagonal entry. Two rows at a time: each row above them is read once for both.
    """
    for j in range(0, k, 2):
        pair = j + 1 < k
        s, t = a[j, j:], a[j + 1 if pair else j, j:]
        own, other = s[0], t[1] if pair else 1.0
        if pair:
            t[0] = 0.0
        p = 0
        while pair and p + 4 <= j:
            f0, f1, f2, f3 = a[p, j], a[p + 1, j], a[p + 2, j], a[p + 3, j]
            g0, g1, g2, g3 = a[p, j + 1], a[p + 1, j + 1], a[p + 2, j + 1], a[p + 3, j + 1]
            r0, r1, r2, r3 = a[p, j:], a[p + 1, j:], a[p + 2, j:], a[p + 3, j:]
            for i in range(len(s)):
                x0, x1, x2, x3 = r0[i], r1[i], r2[i], r3[i]
                s[i] -= f0 * x0 + f1 * x1 + f2 * x2 + f3 * x3
                t[i] -= g0 * x0 + g1 * x1 + g2 * x2 + g3 * x3
            p += 4
        while p < j:
            r0 = a[p, j:]
            f0 = r0[0]
            for i in range(len(s)):
                s[i] -= f0 * r0[i]
            if pair:
                g0 = r0[1]
                for i in range(len(s)):
                    t[i] -= g0 * r0[i]
            p += 1
        if not s[0] > 1e-13 * own:
            return False
        scale = 1.0 / np.sqrt(s[0])
        for i in range(len(s)):
            s[i] *= scale
        if pair:
            g0 = s[1]
            for i in range(1, len(s)):
                t[i] -= g0 * s[i]
            if not t[1] > 1e-13 * other:
                return False
            scale = 1.0 / np.sqrt(t[1])
            for i in range(1, len(s)):
                t[i] *= scale
    return True


@compiled
def forward(a, k, c):  # type: ignore[no-untyped-def]
    """Solve ``U' v = c`` in place for the columns of ``c`` (k, T), two rows at a time."""
    width = c.shape[1]
    for j in range(0, k, 2):
        pair = j + 1 < k
        s, t = c[j], c[j + 1 if pair else j]
        p = 0
        while pair and p + 4 <= j:
            f0, f1, f2, f3 = a[p, j], a[p + 1, j], a[p + 2, j], a[p + 3, j]
            g0, g1, g2, g3 = a[p, j + 1], a[p + 1, j + 1], a[p + 2, j + 1], a[p + 3, j + 1]
            r0, r1, r2, r3 = c[p], c[p + 1], c[p + 2], c[p + 3]
            for i in range(width):
                x0, x1, x2, x3 = r0[i], r1[i], r2[i], r3[i]
                s[i] -= f0 * x0 + f1 * x1 + f2 * x2 + f3 * x3
                t[i] -= g0 * x0 + g1 * x1 + g2 * x2 + g3 * x3
            p += 4
        while p < j:
            f0, r0 = a[p, j], c[p]
            for i in range(width):
                s[i] -= f0 * r0[i]
            if pair:
                g0 = a[p, j + 1]
                for i in range(width):
                    t[i] -= g0 * r0[i]
            p += 1
        scale = 1.0 / a[j, j]
        for i in range(width):
            s[i] *= scale
        if pair:
            g0, scale = a[j, j + 1], 1.0 / a[j + 1, j + 1]
            for i in range(width):
                t[i] = (t[i] - g0 * s[i]) * scale


@compiled
def backward(a, k, c):  # type: ignore[no-untyped-def]
    """Solve ``U w = c`` in place for the rows of ``c`` (R, k)."""
    for r in range(len(c)):
        column = c[r]
        for j in range(k - 1, -1, -1):
            row, known = a[j, j + 1 : k], column[j + 1 : k]
            total = 0.0
            for p in range(len(known)):
                total += row[p] * known[p]
            column[j] = (column[j] - total) / a[j, j]


@compiled
def drift_root(a, k, terms):  # type: ignore[no-untyped-def]
    """Inverse lower factor R (P, P) of ``S = A'A``, ``R'R = S^-1``; False if S is singular.

    Scaled to a unit diagonal first: the terms differ in size within a small neighbourhood.
    """
    s = np.zeros((terms, terms))
    scale = np.empty(terms)
    for p in range(terms):
        for q in range(p + 1):
            for i in range(k):
                s[p, q] += a[i, k + p] * a[i, k + q]
        scale[p] = 1.0 / np.sqrt(s[p, p])
    for p in range(terms):
        for q in range(p + 1):
            s[p, q] *= scale[p] * scale[q]
    root = np.zeros((terms, terms))
    for p in range(terms):
        for q in range(p + 1):
            for i in range(q):
                s[p, q] -= s[p, i] * s[q, i]
            if q < p:
                s[p, q] /= s[q, q]
        if not s[p, p] > 1e-12:
            return root, False
        s[p, p] = np.sqrt(s[p, p])
    for q in range(terms):
        root[q, q] = 1.0 / s[q, q]
        for p in range(q + 1, terms):
            for i in range(q, p):
                root[p, q] -= s[p, i] * root[i, q]
            root[p, q] /= s[p, p]
    for p in range(terms):
        for q in range(p + 1):
            root[p, q] *= scale[q]
    return root, True


@compiled
def load(model, readings, index, a):  # type: ignore[no-untyped-def]
    """Write covariances, drift functions and residuals of the readings ``index`` into ``a``.

    Returns their coordinates (k,) and (k,).
    """
    k, terms = len(index), readings.basis.shape[1]
    px, py = np.empty(k), np.empty(k)
    for i in range(k):
        px[i], py[i] = readings.points[index[i], 0], readings.points[index[i], 1]
    for j in range(k):
        row = a[j, j:k]
        row[:] = 0.0
        add_covariance(model, px[j], py[j], px[j:], py[j:], 1.0, row)
        if readings.shared_places and model.nugget > 0.0:
            for i in range(j + 1, k):
                if readings.place[index[i]] == readings.place[index[j]]:
                    a[j, i] += model.nugget
        a[j, j] = model.sill + readings.noise[index[j]]
        for p in range(terms):
            a[j, k + p] = readings.basis[index[j], p]
        a[j, k + terms] = readings.residual[index[j]]
    return px, py


@compiled
def covariance_with(model, readings, index, px, py, x, y, offsets, weights, out):  # type: ignore[no-untyped-def]
    """Covariance (k, T) of targets (T,) with readings; a point on one shares its nugget."""
    # Loops run along whichever is longer.
    if len(x) < len(px):
        column = np.empty(len(px))
        for t in range(len(x)):
            column[:] = 0.0
            for g in range(len(weights)):
                e, n = x[t] + offsets[g, 0], y[t] + offsets[g, 1]
                add_covariance(model, e, n, px, py, weights[g], column)
            for i in range(len(px)):
                out[i, t] = column[i]
    else:
        out[:] = 0.0
        for i in range(len(px)):
            for g in range(len(weights)):
                e, n = px[i] - offsets[g, 0], py[i] - offsets[g, 1]
                add_covariance(model, e, n, x, y, weights[g], out[i])
    if len(weights) > 1 or model.nugget == 0.0:
        return
    reach = readings.tolerance**2
    for i in range(len(px)):
        hits = 0
        for t in range(len(x)):
            hits += (px[i] - x[t]) ** 2 + (py[i] - y[t]) ** 2 <= reach
        if hits > 0:
            for t in range(len(x)):
                if (px[i] - x[t]) ** 2 + (py[i] - y[t]) ** 2 <= reach:
                    share_nugget(model, readings, index, px, py, x[t], y[t], i, out[:, t])


@compiled
def share_nugget(model, readings, index, px, py, x, y, first, out):  # type: ignore[no-untyped-def]
    """Add the nugget to the readings at the place of the reading nearest to a target.

    ``first`` is one within the tolerance; only the first such of all does it.
    """
    nearest, best = first, (px[first] - x) ** 2 + (py[first] - y) ** 2
    for i in range(len(px)):
        d = (px[i] - x) ** 2 + (py[i] - y) ** 2
        if d <= readings.tolerance**2 and i < first:
            return
        if d < best:
            nearest, best = i, d
    for i in range(len(px)):
        if readings.place[index[i]] == readings.place[index[nearest]]:
            out[i] += model.nugget
