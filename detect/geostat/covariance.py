"""Covariances between sets of points, and the tiles that keep them within a memory budget."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from scipy.spatial import cKDTree
from scipy.spatial.distance import cdist

from detect.geostat.errors import FloatArray, IntArray
from detect.geostat.shapes import correlation
from detect.geostat.variogram import Variogram

#: Bytes one array of a tile may take; a tile needs about four such arrays at once.
TILE_BYTES = 16 * 2**20


def tiles(count: int, bytes_each: int, budget: int = TILE_BYTES) -> Iterator[slice]:
    """Cut ``count`` items of ``bytes_each`` into slices that fit the budget (one item at least)."""
    step = max(1, budget // max(bytes_each, 1))
    for start in range(0, count, step):
        yield slice(start, min(start + step, count))


def by_square(points: FloatArray, side: float, origin: float | None = None) -> Iterator[IntArray]:
    """Group points (M, 2) by the square of a lattice they fall in; yield the indices of each.

    The lattice goes through ``origin`` (both coordinates), or the lowest corner of the points.
    """
    cell = np.floor((points - (points.min(axis=0) if origin is None else origin)) / side)
    cell = (cell - cell.min(axis=0)).astype(np.int64)
    key = cell[:, 1] * (cell[:, 0].max() + 1) + cell[:, 0]
    order = np.argsort(key, kind="stable")
    breaks = np.flatnonzero(np.diff(key[order])) + 1
    yield from np.split(order, breaks)


def cross_covariance(variogram: Variogram, a: FloatArray, b: FloatArray) -> FloatArray:
    """Covariance without nugget between points ``a`` (A, 2) and ``b`` (B, 2) -> (A, B)."""
    total: FloatArray | None = None
    for part in variogram.parts:
        matrix = part.reduction
        h = cdist(a @ matrix, b @ matrix)
        rho = correlation(part.model, h, part.smoothness)
        rho *= part.partial_sill
        total = rho if total is None else np.add(total, rho, out=total)
    assert total is not None
    return total


def same_place_distance(points: FloatArray) -> float:
    """Distance in metres below which two positions are one place: 1e-9 of the layout's diagonal.

    Not exactly zero, because a rotated or projected copy of a position differs in its last digits.
    """
    return float(max(1e-9 * np.hypot(*np.ptp(points, axis=0)), 1e-12))


def places(points: FloatArray, tolerance: float) -> tuple[IntArray, IntArray]:
    """Number the places of the points.

    Returns
    -------
    place : (N,) int
        The lowest index among the points that share this one's place.
    pairs : (Q, 2) int
        Pairs of points that share a place.
    """
    pairs = cKDTree(points).query_pairs(tolerance, output_type="ndarray").astype(np.int64)
    place = np.arange(len(points), dtype=np.int64)
    if len(pairs):
        np.minimum.at(place, pairs.max(axis=1), pairs.min(axis=1))
    return place, pairs
