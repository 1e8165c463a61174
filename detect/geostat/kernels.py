"""Compiled kriging: one system for each target, or one shared by the targets of a tile.

Imported when first needed, like `detect.geostat.search`. The interpreter's lock is released, so
threads take jobs side by side; the compiled code is kept on disk.
"""

from __future__ import annotations

import numpy as np

from detect.geostat.elimination import (
    add_covariance,
    backward,
    covariance_with,
    drift_root,
    eliminate,
    forward,
    load,
    share_nugget,
)
from detect.geostat.search import compiled, inlined
from detect.geostat.tile_lattice import shared_neighbourhood

#: Status of a target whose system failed: singular, or a drift that its readings cannot fix.
FINE, SINGULAR, NO_DRIFT = 0, 1, 2

#: Targets of a tile that are solved at once: their columns stay in the cache.
COLUMNS = 192

#: Targets of a tile, at most, that go through the elimination with the readings.
FEW = 48


@compiled
def solve_each(  # type: ignore[no-untyped-def]
    model, readings, index, targets, f0, offsets, gauss, prior, weights
):
    """Estimate each target (T, 2) from its own readings ``index`` (T, k).

    Returns estimate, variance and status (T,), and fills ``weights`` (T, k) unless it is empty.
    """
    count, k = index.shape
    terms = readings.basis.shape[1]
    estimate, variance = np.empty(count), np.empty(count)
    status = np.zeros(count, dtype=np.int8)
    a = np.empty((k, k + terms + 2))
    c0 = np.empty(k)
    w = np.empty((1, k))
    for t in range(count):
        px, py = load(model, readings, index[t], a)
        x, y = targets[t, 0], targets[t, 1]
        c0[:] = 0.0
        for g in range(len(gauss)):
            add_covariance(model, x + offsets[g, 0], y + offsets[g, 1], px, py, gauss[g], c0)
        if len(gauss) == 1 and model.nugget > 0.0:
            for i in range(k):
                if (px[i] - x) ** 2 + (py[i] - y) ** 2 <= readings.tolerance**2:
                    share_nugget(model, readings, index[t], px, py, x, y, i, c0)
                    break
        for i in range(k):
            a[i, k + terms + 1] = c0[i]
        if not eliminate(a, k):
            status[t] = SINGULAR
            continue
        root, good = drift_root(a, k, terms)
        if not good:
            status[t] = NO_DRIFT
            continue
        v = a[:, k + terms + 1]
        w[0] = v
        total = prior
        for i in range(k):
            total -= v[i] * v[i]
        # R (f0 - A' v), and the weights' right side v + A S^-1 (f0 - A' v).
        r = f0[t].copy()
        for p in range(terms):
            for i in range(k):
                r[p] -= a[i, k + p] * v[i]
        rr = np.zeros(terms)
        for p in range(terms):
            for q in range(p + 1):
                rr[p] += root[p, q] * r[q]
            total += rr[p] * rr[p]
        for q in range(terms):
            shift = 0.0
            for p in range(q, terms):
                shift += root[p, q] * rr[p]
            for i in range(k):
                w[0, i] += a[i, k + q] * shift
        value = 0.0
        for i in range(k):
            value += w[0, i] * a[i, k + terms]
        estimate[t], variance[t] = value, total
        if weights.shape[0] > 0:
            backward(a, k, w)
            weights[t] = w[0]
    return estimate, variance, status


@inlined
def solve_shared(  # type: ignore[no-untyped-def]
    model, readings, trend, index, targets, f0, offsets, gauss, prior, out
):
    """Estimate targets (T, 2) of one tile, all from the readings ``index`` (k,).

    ``trend`` is (beta, R) of `detect.geostat.trend.Trend`, and the readings are residuals from it.
    Fills ``out``: estimate and variance (T,) and, unless they are empty, the weights (T, k) of
    simple kriging and what they leave of the drift functions, ``f0 - F' w`` (T, P). Returns the
    status of the tile.
    """
    beta, root = trend
    estimate, variance, weights, unmet = out
    count, k, terms = len(targets), len(index), len(beta)
    tx, ty = targets[:, 0].copy(), targets[:, 1].copy()
    few = count if count <= FEW else 0
    a = np.empty((k, k + terms + 1 + few))
    px, py = load(model, readings, index, a)
    c0 = np.empty((k, few))
    if few > 0:
        covariance_with(model, readings, index, px, py, tx, ty, offsets, gauss, c0)
        for i in range(k):
            for t in range(few):
                a[i, k + terms + 1 + t] = c0[i, t]
    if not eliminate(a, k):
        return SINGULAR
    # K^-1 [F, y] of the readings, so that an estimate is a sum over its covariances.
    dual = a[:, k : k + terms + 1].T.copy()
    backward(a, k, dual)
    buffer = np.empty(k * min(COLUMNS, count))
    r = np.empty((terms, COLUMNS))
    for begin in range(0, count, COLUMNS):
        width = min(COLUMNS, count - begin)
        part = buffer[: k * width].reshape((k, width))  # contiguous rows, or nothing vectorises
        x, y = tx[begin : begin + width], ty[begin : begin + width]
        value, total = estimate[begin : begin + width], variance[begin : begin + width]
        for t in range(width):
            value[t], total[t] = 0.0, prior
        for p in range(terms):
            for t in range(width):
                r[p, t] = f0[begin + t, p]
                value[t] += f0[begin + t, p] * beta[p]
        if few > 0:
            part = c0
        else:
            covariance_with(model, readings, index, px, py, x, y, offsets, gauss, part)
        for i in range(k):
            row, alpha = part[i], dual[terms, i]
            for t in range(width):
                value[t] += alpha * row[t]
            for p in range(terms):
                share = dual[p, i]
                for t in range(width):
                    r[p, t] -= share * row[t]
        for p in range(terms):
            for t in range(width):
                e = 0.0
                for q in range(p + 1):
                    e += root[p, q] * r[q, t]
                total[t] += e * e
        if few > 0:
            for i in range(k):
                for t in range(width):
                    part[i, t] = a[i, k + terms + 1 + t]
        else:
            forward(a, k, part)
        for i in range(k):
            row = part[i]
            for t in range(width):
                total[t] -= row[t] * row[t]
        if len(weights) > 0:
            for t in range(width):
                for i in range(k):
                    weights[begin + t, i] = part[i, t]
                for p in range(terms):
                    unmet[begin + t, p] = r[p, t]
            backward(a, k, weights[begin : begin + width])
    return FINE


@compiled
def solve_tiles(  # type: ignore[no-untyped-def]
    model, readings, trend, cells, many, start, corner, targets, f0, offsets, gauss, prior, out
):
    """Estimate targets (E, 2) sorted by tile (see `detect.geostat.tile_lattice.Cut`).

    Each tile uses the ``many`` readings nearest to it. Fills ``out`` as `solve_shared` does, for
    all entries, and returns the status of each tile (Q,).
    """
    estimate, variance, weights, unmet = out
    status = np.zeros(len(corner), dtype=np.int8)
    for q in range(len(corner)):
        index = shared_neighbourhood(cells, corner[q, 0], corner[q, 1], corner[q, 2], many)
        a, b = start[q], start[q + 1]
        own = estimate[a:b], variance[a:b], weights[a:b], unmet[a:b]
        status[q] = solve_shared(
            model, readings, trend, index, targets[a:b], f0[a:b], offsets, gauss, prior, own
        )
    return status


@inlined
def leave_out(model, readings, trend, told, index):  # type: ignore[no-untyped-def]
    """Error and variance (k,) of each reading of a tile left out, by the closed form of Dubrule.

    As `detect.geostat.system.GlobalSystem.leave_one_out`, with the survey's drift. With ``K`` and
    ``F`` of the tile's readings, ``a = K^-1 (y - F beta)``, ``G = K^-1 F`` and ``d`` the diagonal
    of ``K^-1``: a reading that the drift was fixed by (``told``, (N,)) is taken out of it as it
    stands in the tile, ``S_i = S - g_i g_i' / d_i``, and the others then predict it with error and
    variance ``a_i / p_i`` and ``1 / p_i`` where ``p_i = d_i - g_i' S^-1 g_i``; any other with
    ``a_i / d_i`` and ``1 / d_i + g_i' S^-1 g_i / d_i^2``. A variance of -1: the others cannot fix
    the drift.
    """
    beta, root = trend
    k, terms = len(index), len(beta)
    a = np.empty((k, k + terms + 1))
    load(model, readings, index, a)
    error, variance = np.empty(k), np.empty(k)
    if not eliminate(a, k):
        return error, variance, SINGULAR
    unit = np.zeros((k, k))
    for i in range(k):
        unit[i, i] = 1.0
    forward(a, k, unit)  # L^-1
    dual = a[:, k:].T.copy()
    backward(a, k, dual)
    for i in range(k):
        diagonal = 0.0
        for j in range(i, k):
            diagonal += unit[j, i] * unit[j, i]
        drift = 0.0
        for p in range(terms):
            e = 0.0
            for q in range(p + 1):
                e += root[p, q] * dual[q, i]
            drift += e * e
        if told[index[i]]:
            own = diagonal - drift
            variance[i] = 1.0 / own if own > 1e-12 * diagonal else -1.0
            error[i] = dual[terms, i] / own
        else:
            variance[i] = (1.0 + drift / diagonal) / diagonal
            error[i] = dual[terms, i] / diagonal
    return error, variance, FINE


@compiled
def leave_out_tiles(model, readings, trend, told, cells, many, target, start, corner):  # type: ignore[no-untyped-def]
    """Error and variance (E,) of each reading predicted from the others near a tile.

    ``target``, ``start`` and ``corner`` are those of a `Cut` with the readings as targets.
    """
    error, variance = np.empty(len(target)), np.empty(len(target))
    status = np.zeros(len(corner), dtype=np.int8)
    at = np.empty(len(readings.points), dtype=np.int64)
    for i in range(len(at)):
        at[i] = -1
    for q in range(len(corner)):
        near = shared_neighbourhood(cells, corner[q, 0], corner[q, 1], corner[q, 2], many)
        own = target[start[q] : start[q + 1]]
        index = np.empty(len(near) + len(own), dtype=np.int64)
        count = 0
        # More readings at one place than a tile uses: its own are used all the same.
        for group in (near, own):
            for i in range(len(group)):
                if at[group[i]] < 0:
                    at[group[i]] = count
                    index[count] = group[i]
                    count += 1
        e, v, status[q] = leave_out(model, readings, trend, told, index[:count])
        for i in range(len(own)):
            error[start[q] + i], variance[start[q] + i] = e[at[own[i]]], v[at[own[i]]]
        for i in range(count):
            at[index[i]] = -1
    return error, variance, status
