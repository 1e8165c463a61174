"""A section through the bed: what stands where along a line, all levels from one datum."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri

from detect.geostat.model import PointModel
from detect.probes.contacts import contact_indicator
from detect.probes.depths import ContactDepth

Floats = NDArray[np.float64]
Point = tuple[float, float]


@dataclass(frozen=True, eq=False)
class Section:
    """A section along a line.

    Attributes
    ----------
    line : DataFrame
        Every step along the line: ``distance_m, e, n, seabed_m, seabed_sd_m, horizon_m,
        horizon_p05_m, horizon_p95_m``; levels are depths below the datum, NaN where not known.
    probes : DataFrame
        Probes near the line, in their order along it: ``probe, distance_m, offset_m`` (positive to
        the right of the line), ``contact, ran_out, top_m, bottom_m``; levels below the datum.
    datum : str
        What levels are counted from.
    start, end : (e, n)
    within_m : float
        Probes no further from the line than this are shown.
    """

    line: pd.DataFrame
    probes: pd.DataFrame
    datum: str
    start: Point
    end: Point
    within_m: float


def along(points: Floats, start: Point, end: Point) -> tuple[Floats, Floats, float]:
    """Return distance along a line and offset to its right of points (N, 2), and its length."""
    run = np.subtract(end, start).astype(float)
    length = float(np.hypot(*run))
    direction = run / length
    relative = points - np.asarray(start, dtype=float)
    # to the right of (de, dn) lies (dn, -de)
    right = np.array([direction[1], -direction[0]])
    return relative @ direction, relative @ right, length


def cut_section(
    start: Point,
    end: Point,
    probes: pd.DataFrame | None,
    seabed: PointModel | None,
    depth: ContactDepth | None,
    *,
    within_m: float,
    step_m: float = 0.1,
) -> Section:
    """Cut a section.

    Levels are depths below the water level the soundings were reduced to: a probe starts at the
    kriged bed and reaches down from it. Without soundings they are depths below the bed, and the
    bed is drawn flat.

    Parameters
    ----------
    start, end : (e, n)
        Ends of the line, m; not the same.
    probes : DataFrame or None
        Probe table.
    seabed, depth : PointModel, ContactDepth or None
        Estimators of bed and contact depth.
    within_m : float
        How far off the line a probe is still shown.
    step_m : float
        Between places along the line.

    Returns
    -------
    Section

    Notes
    -----
    The horizon's band holds it with 90 % at each place: normal, with the variances of bed and
    contact depth added.
    """
    length = float(np.hypot(*np.subtract(end, start)))
    distance = np.linspace(0.0, length, max(int(np.ceil(length / step_m)), 1) + 1)
    nodes = np.asarray(start) + np.outer(distance / length, np.subtract(end, start))
    nothing = np.full(len(distance), np.nan)
    bed, bed_variance = np.zeros(len(distance)), np.zeros(len(distance))
    if seabed is not None:
        bed, bed_variance = seabed.kriging.at(nodes)
    horizon, spread = nothing, nothing
    if depth is not None:
        below, variance = depth.at(nodes)
        horizon, spread = bed + below, np.sqrt(bed_variance + variance)
    reach = ndtri(0.95)
    line = pd.DataFrame(
        {
            "distance_m": distance,
            "e": nodes[:, 0],
            "n": nodes[:, 1],
            "seabed_m": bed,
            "seabed_sd_m": np.sqrt(bed_variance),
            "horizon_m": horizon,
            # a horizon does not stand above the bed
            "horizon_p05_m": np.fmax(horizon - reach * spread, bed),
            "horizon_p95_m": horizon + reach * spread,
        }
    )
    datum = "the water level of the soundings" if seabed is not None else "the bed (no soundings)"
    near = _near(start, end, probes, seabed, within_m)
    return Section(line, near, datum, start, end, within_m)


def _near(
    start: Point,
    end: Point,
    probes: pd.DataFrame | None,
    seabed: PointModel | None,
    within_m: float,
) -> pd.DataFrame:
    columns = ["probe", "distance_m", "offset_m", "contact", "ran_out", "top_m", "bottom_m"]
    if probes is None:
        return pd.DataFrame(columns=columns)
    points = probes[["e", "n"]].to_numpy(float)
    distance, offset, length = along(points, start, end)
    top = np.zeros(len(points)) if seabed is None else seabed.kriging.at(points)[0]
    table = probes.assign(
        distance_m=distance,
        offset_m=offset,
        ran_out=contact_indicator(probes) == 0,
        top_m=top,
        bottom_m=top + probes["depth_m"].to_numpy(float),
    )
    shown = (np.abs(offset) <= within_m) & (distance >= 0) & (distance <= length)
    return table.loc[shown, columns].sort_values("distance_m").reset_index(drop=True)
