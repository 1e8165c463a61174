"""Equivalent sources: small targets on a lattice under the bed, and what each adds to a reading."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from scipy.sparse import csr_matrix, hstack
from scipy.spatial import cKDTree

from detect.readings.response_table import REACH_SHARE, response_table
from detect.survey.settings import Detector

Floats = NDArray[np.float64]

#: depths of the sources: distances to the coil as shares of the air range. Their responses differ
#: by enough to be told apart; the last is heard from three to five reference targets up.
DISTANCE_SHARES = (0.36, 0.69, 1.16)
#: widest spacing of the lattice, m: finer than the coil is wide
WIDEST_STEP_M = 0.25
#: a reading that stands this many sigma out is loud; what it hears lies within this of it, m
LOUD_SNR, NEAR_M = 3.0, 0.8


@dataclass(frozen=True, eq=False)
class Sources:
    """K places of a lattice, with D depths under each.

    Attributes
    ----------
    nodes : (K, 2) array
        e, n of the places, m.
    depths : (D,) array
        Below the bed, m.
    cell : (K,) array of int
        Cell of the map that each place belongs to, counted in (n, e) order.
    """

    nodes: Floats
    depths: Floats
    cell: NDArray[np.int64]

    def by_cell(self, strength: Floats, cells: int) -> Floats:
        """Add up strengths (..., D * K) over depths and places of each cell -> (..., cells)."""
        flat = strength.reshape(-1, len(self.depths), len(self.nodes)).sum(axis=1)
        out = np.stack([np.bincount(self.cell, row, cells).astype(float) for row in flat])
        return out.reshape(*strength.shape[:-1], cells)


def source_depths(detector: Detector) -> Floats:
    """Return the depths that sources are put at, m: those of `DISTANCE_SHARES` below the bed."""
    depths = np.array(DISTANCE_SHARES) * detector.air_range_m - detector.coil_height_m
    return np.unique(np.maximum(depths, 0.02))


def lattice_near(
    points: Floats, reach_m: float, step_m: float, origin: tuple[float, float]
) -> NDArray[np.int64]:
    """Return column and row (K, 2) of the lattice squares whose middle is near any of the points.

    Laid from the points outwards, so that it costs what the lanes cover and not what lies between
    them. Square (0, 0) has its south-west corner at ``origin``.
    """
    corner = np.floor((points - origin) / step_m).astype(np.int64)
    wide = int(np.ceil(reach_m / step_m))
    away = np.arange(-wide, wide + 1)
    steps = np.stack(np.meshgrid(away, away), axis=-1).reshape(-1, 2)
    steps = steps[np.hypot(*steps.T) * step_m <= reach_m + step_m]
    here = np.unique(corner, axis=0)  # readings share squares: each is grown once
    grown = (here[:, None] + steps).reshape(-1, 2)
    low = grown.min(axis=0)
    high = int(np.ptp(grown[:, 1])) + 1
    # one number a square: sorting those is ten times as fast as sorting pairs
    numbers = np.unique((grown[:, 0] - low[0]) * high + grown[:, 1] - low[1])
    squares = np.column_stack(np.divmod(numbers, high)) + low
    middle = (squares + 0.5) * step_m + origin
    near, _ = cKDTree(points).query(middle, distance_upper_bound=reach_m)
    return np.asarray(squares[np.isfinite(near)])


def sources_near(places: Floats, detector: Detector) -> Sources:
    """Lay sources within `NEAR_M` of places (N, 2), each place of the lattice a cell of its own."""
    origin = places.min(axis=0)
    squares = lattice_near(places, NEAR_M, WIDEST_STEP_M, (float(origin[0]), float(origin[1])))
    nodes = (squares + 0.5) * WIDEST_STEP_M + origin
    return Sources(nodes, source_depths(detector), np.arange(len(nodes)))


def sources_under(field: xr.DataArray, detector: Detector, points: Floats) -> Sources:
    """Lay sources under the cells of a map (n, e), wherever a reading at the points hears them.

    Each cell is cut so that no step of the lattice is too wide.
    """
    e, n = np.asarray(field["e"], float), np.asarray(field["n"], float)
    node_m = float(e[1] - e[0]) if e.size > 1 else WIDEST_STEP_M
    parts = int(np.ceil(node_m / WIDEST_STEP_M - 1e-9))
    step = node_m / parts
    origin = (e[0] - node_m / 2.0, n[0] - node_m / 2.0)
    squares = lattice_near(points, REACH_SHARE * detector.air_range_m, step, origin)
    inside = ((squares >= 0) & (squares < np.array([e.size, n.size]) * parts)).all(axis=1)
    squares = squares[inside]
    column, row = (squares // parts).T
    return Sources((squares + 0.5) * step + origin, source_depths(detector), row * e.size + column)


def response_operator(
    points: Floats, sources: Sources, detector: Detector, threshold: float
) -> csr_matrix:
    """Return what a source of strength 1 adds to each reading, sparse ``(N, D * K)``.

    ``threshold`` times the coil's response
    (:class:`detect.readings.response_table.ResponseTable`), and 0 past `REACH_SHARE` air ranges.

    Parameters
    ----------
    points : (N, 2) array
        Places of the coil, m.
    sources : Sources
    detector : Detector
    threshold : float
        Signal at the edge of detection, signal units.
    """
    reach = REACH_SHARE * detector.air_range_m
    pairs = cKDTree(points).sparse_distance_matrix(
        cKDTree(sources.nodes), reach, output_type="ndarray"
    )
    table, away = response_table(detector), np.ascontiguousarray(pairs["v"])
    shape = len(points), len(sources.nodes)
    layers = []
    for depth in sources.depths:
        heard = threshold * table(away, detector.coil_height_m + float(depth))
        layers.append(csr_matrix((heard, (pairs["i"], pairs["j"])), shape))
    return csr_matrix(hstack(layers, format="csr"))
