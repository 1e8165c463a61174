"""Readings at one place: averaged once, here; and the error that is left in their mean."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from detect.geostat.errors import FloatArray
from detect.geostat.variogram import Variogram


def merge_repeats(
    points: ArrayLike, values: ArrayLike
) -> tuple[FloatArray, FloatArray, NDArray[np.int64]]:
    """Average values that share a position (to the millimetre).

    Kriging of means with error ``sd / sqrt(count)`` equals kriging of all the repeats with error
    ``sd`` each, and keeps the system regular.

    Parameters
    ----------
    points : (N, 2) array
        Positions, m.
    values : (N,) array
        Values at the positions.

    Returns
    -------
    points, values, repeats
        ``(M, 2)``, ``(M,)`` and ``(M,)`` in order of first appearance.
    """
    points = np.asarray(points, dtype=float)
    values = np.asarray(values, dtype=float)
    first, place = first_of_place(points)
    count = np.bincount(place)
    mean = np.bincount(place, weights=values) / count
    return points[first], mean, count.astype(np.int64)


def first_of_place(points: FloatArray) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First reading of each place (M,), and the place of each reading (N,), in that order."""
    _, first, inverse = np.unique(
        np.round(points, 3), axis=0, return_index=True, return_inverse=True
    )
    order = np.argsort(first)
    rank = np.empty_like(order)
    rank[order] = np.arange(len(order))
    return first[order], rank[np.asarray(inverse).ravel()]


def split_nugget(variogram: Variogram) -> tuple[Variogram, float]:
    """Take the nugget as the error of one reading: the field without it, and its root.

    A model that is nothing but nugget stays as it is, with error 0: the map is then the mean, and
    its variance must not become 0.
    """
    if variogram.partial_sill == 0:
        return variogram, 0.0
    return replace(variogram, nugget=0.0), float(np.sqrt(variogram.nugget))
