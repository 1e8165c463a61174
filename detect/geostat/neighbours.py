"""Which readings an estimate uses: the nearest, by the distance that the model sees."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from detect.geostat.errors import FloatArray, IntArray
from detect.geostat.variogram import Variogram


class Nearest:
    """Search for the k nearest readings, where the strongest structure is isotropic.

    With geometric anisotropy a reading far off along the major axis tells more than a near one
    across it, so distance is measured as the model does. Without anisotropy this is plain
    distance.

    Parameters
    ----------
    variogram : Variogram
        Its `reduction` gives the distance.
    points : (N, 2) array
        Readings, metres.
    count : int
        k; all readings when there are fewer.
    """

    def __init__(self, variogram: Variogram, points: FloatArray, count: int) -> None:
        self._matrix = variogram.reduction
        self._tree = cKDTree(points @ self._matrix)
        self.count = min(count, len(points))

    def of(self, targets: FloatArray) -> IntArray:
        """Indices (T, k) of the nearest readings of each target (T, 2), nearest first."""
        _, index = self._tree.query(targets @ self._matrix, k=np.arange(1, self.count + 1))
        return np.asarray(index, dtype=np.int64)
