"""The bed above the contacts."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from detect.geostat.model import PointModel, point_model
from detect.probes.contacts import FEWEST_PROBES


def seabed_model(seabed: pd.DataFrame | None, neighbours: int = 0) -> PointModel | None:
    """Build the estimator of the seabed surface: kriging over a plane (linear drift).

    Parameters
    ----------
    seabed : DataFrame or None
        Soundings ``e, n, depth_m`` reduced to one water level.
    neighbours : int
        Neighbours a node; 0 uses all.

    Returns
    -------
    PointModel or None
        None with fewer than eight soundings. The variogram is that of the departures from the
        least-squares plane (Cressie 1993, section 3.4.3, from memory: a little too low at long
        lags, which leaves the surface almost unchanged).
    """
    if seabed is None or len(seabed) < FEWEST_PROBES:
        return None
    points = seabed[["e", "n"]].to_numpy(float)
    depth = seabed["depth_m"].to_numpy(float)
    plane = np.column_stack([np.ones(len(points)), points - points.mean(axis=0)])
    if np.linalg.matrix_rank(plane) < 3:
        return point_model(points, depth, neighbours=neighbours)
    departure = depth - plane @ np.linalg.lstsq(plane, depth, rcond=None)[0]
    shape = point_model(points, departure, neighbours=neighbours)
    return point_model(
        points,
        depth,
        variogram=shape.variogram,
        measurement_sd=shape.measurement_sd,
        neighbours=neighbours,
        drift="linear",
    )


def relief(
    points: NDArray[np.float64],
    depth: NDArray[np.float64],
    nodes: NDArray[np.float64],
    bed: NDArray[np.float64],
    variance: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return how far the bed stands above a smooth one: mounds positive, scours negative.

    The smooth bed is the plane through most soundings, by biweight regression (Beaton & Tukey
    1974, from memory; tuning constant 4.685): soundings on a mound lose their say, so the plane
    does not climb it.

    Parameters
    ----------
    points : (N, 2) array
        Soundings, m.
    depth : (N,) array
        m, positive down.
    nodes : (M, 2) array
        m.
    bed, variance : (M,) array
        Kriged depth of the bed, m, and its variance, m2.

    Returns
    -------
    height, variance : (M,) array
        m, and m2; that of the plane is added, as if it were independent of the map.

    Notes
    -----
    Limit: where the bed itself is curved the relief shows the curve; where a mound takes up more
    than about a third of the site the plane gives way to it.
    """
    middle = points.mean(axis=0)
    design = np.column_stack([np.ones(len(points)), points - middle])
    weight = np.ones(len(points))
    coefficients = np.zeros(3)
    departure, spread = depth, 1.0
    for _ in range(50):
        root = np.sqrt(weight)[:, None]
        fresh = np.linalg.lstsq(design * root, depth * root[:, 0], rcond=None)[0]
        departure = depth - design @ fresh
        # the median absolute deviation as a standard deviation (check_values.md 5)
        spread = max(1.482602218505602 * float(np.median(np.abs(departure))), 1e-6)
        weight = np.clip(1.0 - (departure / (4.685 * spread)) ** 2, 0.0, None) ** 2
        if np.allclose(fresh, coefficients, atol=1e-6):
            break
        coefficients = fresh
    normal = (design * weight[:, None]).T @ design
    covariance = spread**2 * np.linalg.pinv(normal)
    there = np.column_stack([np.ones(len(nodes)), nodes - middle])
    of_plane = np.einsum("ij,jk,ik->i", there, covariance, there)
    return there @ fresh - bed, variance + of_plane
