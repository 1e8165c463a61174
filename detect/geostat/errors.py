"""What goes wrong in an estimate, named by the index of the reading or the place of the node."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


class GeostatError(ValueError):
    """The data, the model or the layout cannot give an estimate; the message says where."""


class GeostatWarning(UserWarning):
    """The result stands, but it is approximate in the way the message says."""


def as_points(points: npt.ArrayLike, name: str = "points") -> FloatArray:
    """Return positions as an (N, 2) float array of ``e, n`` in metres.

    Raises
    ------
    GeostatError
        Wrong shape, nothing at all, or a NaN or infinity (its indices are named).
    """
    array = np.asarray(points, dtype=np.float64)
    if array.ndim == 1 and array.size == 2:
        array = array.reshape(1, 2)
    if array.ndim != 2 or array.shape[1] != 2:
        raise GeostatError(f"{name} must have shape (N, 2) for e and n, not {array.shape}")
    if len(array) == 0:
        raise GeostatError(f"{name} is empty")
    _refuse_not_finite(array, name)
    return np.ascontiguousarray(array)


def as_values(values: npt.ArrayLike, count: int, name: str = "values") -> FloatArray:
    """Return one finite number for each of ``count`` points.

    Raises
    ------
    GeostatError
        Wrong length, or a NaN or infinity (its indices are named).
    """
    array = np.asarray(values, dtype=np.float64)
    if array.shape == (count, 1):
        array = array[:, 0]
    if array.shape != (count,):
        raise GeostatError(f"{name} must have shape ({count},), not {array.shape}")
    _refuse_not_finite(array, name)
    return np.ascontiguousarray(array)


def as_variances(sd: npt.ArrayLike | None, count: int) -> FloatArray:
    """Return the measurement variance of each datum from its sd (scalar, (N,) or None)."""
    if sd is None:
        return np.zeros(count)
    array: FloatArray = (
        np.broadcast_to(np.asarray(sd, dtype=np.float64), (count,)).copy()
        if (np.ndim(sd) == 0)
        else as_values(sd, count, "measurement_sd")
    )
    _refuse_not_finite(array, "measurement_sd")
    if (array < 0).any():
        raise GeostatError(f"measurement_sd is negative at index {_list(array < 0)}")
    return array**2


def _refuse_not_finite(array: FloatArray, name: str) -> None:
    bad = ~np.isfinite(array)
    if bad.any():
        rows = bad.any(axis=1) if bad.ndim == 2 else bad
        raise GeostatError(f"{name} holds NaN or infinity at index {_list(rows)}")


def _list(mask: Any, most: int = 8) -> str:
    """Indices of a mask as text, cut after ``most``."""
    where = np.flatnonzero(mask)
    text = ", ".join(str(i) for i in where[:most])
    return text + (f" and {len(where) - most} more" if len(where) > most else "")


def closest_pair(points: FloatArray) -> tuple[int, int, float]:
    """Indices of the two closest points and their distance in metres."""
    if len(points) < 2:
        return 0, 0, np.inf
    distance, index = cKDTree(points).query(points, k=2)
    # With coincident points the tree may return the point itself second: take whichever is not it.
    own = index[:, 1] == np.arange(len(points))
    other = np.where(own, index[:, 0], index[:, 1])
    i = int(np.argmin(distance[:, 1]))
    a, b = sorted((i, int(other[i])))
    return a, b, float(distance[i, 1])


def describe_pair(points: FloatArray, origin: FloatArray, indices: IntArray | None = None) -> str:
    """Return the closest pair as text; ``indices`` are the caller's numbers of the points."""
    a, b, distance = closest_pair(points)
    i, j = sorted((a, b) if indices is None else (int(indices[a]), int(indices[b])))
    e, n = points[a] + origin
    return (
        f"the closest readings are index {i} and {j}, {distance:.3g} m apart, at ({e:.3f}, {n:.3f})"
    )
