"""How deep the contacts lie, and the bed above them."""

from __future__ import annotations

import numpy as np
import pandas as pd

from detect.geostat.model import PointModel, point_model
from detect.probes.contacts import FEWEST_PROBES, contact_indicator


def contact_depth_model(probes: pd.DataFrame | None, neighbours: int = 0) -> PointModel | None:
    """Build the estimator of contact depth below the bed from probes that met something.

    Parameters
    ----------
    probes : DataFrame or None
        Probe table.
    neighbours : int
        Neighbours a node; 0 uses all.

    Returns
    -------
    PointModel or None
        None with fewer than eight contacts.

    Notes
    -----
    Limit: a probe that ran out says only "deeper than this" and is not used here, so where many
    ran out the estimate errs shallow; the contact probability beside it says where that is.
    """
    if probes is None:
        return None
    met = probes[contact_indicator(probes) > 0]
    if len(met) < FEWEST_PROBES:
        return None
    return point_model(
        met[["e", "n"]].to_numpy(float), met["depth_m"].to_numpy(float), neighbours=neighbours
    )


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
