"""Equivalent sources: small targets on a lattice under the bed, and what each adds to a reading."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from scipy.sparse import csr_matrix, hstack
from scipy.spatial import cKDTree

from detect.lanes import response_ratio
from detect.survey.settings import Detector

Floats = NDArray[np.float64]

#: depths of the sources: distances to the coil as shares of the air range. Their responses differ
#: by enough to be told apart; the last is heard from three to five reference targets up.
DISTANCE_SHARES = (0.36, 0.69, 1.16)
#: a source is heard out to this many air ranges: its response there is under a hundredth of the
#: threshold a reference target reaches at its air range
REACH_SHARE = 2.0
#: widest spacing of the lattice, m: finer than the coil is wide
WIDEST_STEP_M = 0.25


@dataclass(frozen=True, eq=False)
class Sources:
    """A lattice of K places under D depths.

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


def sources_under(field: xr.DataArray, detector: Detector) -> Sources:
    """Lay a lattice under the cells of a map (n, e): each cell cut so that no step is too wide."""
    e, n = np.asarray(field["e"], float), np.asarray(field["n"], float)
    node_m = float(e[1] - e[0]) if e.size > 1 else WIDEST_STEP_M
    parts = int(np.ceil(node_m / WIDEST_STEP_M - 1e-9))
    inside = ((np.arange(parts) + 0.5) / parts - 0.5) * node_m
    fine_e, fine_n = (e[:, None] + inside).ravel(), (n[:, None] + inside).ravel()
    mesh_e, mesh_n = np.meshgrid(fine_e, fine_n)
    column, row = np.meshgrid(np.arange(fine_e.size) // parts, np.arange(fine_n.size) // parts)
    nodes = np.column_stack([mesh_e.ravel(), mesh_n.ravel()])
    return Sources(nodes, source_depths(detector), (row * e.size + column).ravel())


def response_operator(
    points: Floats, sources: Sources, detector: Detector, threshold: float
) -> csr_matrix:
    r"""Return what a source of strength 1 adds to each reading, sparse ``(N, D * K)``.

    ``threshold`` times :func:`detect.lanes.response_ratio`, from a table over the distance off the
    axis at 2 mm (linear between: within 1e-4 of the peak), and 0 past `REACH_SHARE` air ranges.

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
    table = np.arange(0.0, reach + 0.004, 0.002)
    shape = len(points), len(sources.nodes)
    layers = []
    for depth in sources.depths:
        ratio = response_ratio(table, detector.coil_height_m + depth, detector)
        heard = threshold * np.interp(pairs["v"], table, ratio)
        layers.append(csr_matrix((heard, (pairs["i"], pairs["j"])), shape))
    return csr_matrix(hstack(layers, format="csr"))
