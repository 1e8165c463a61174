"""The kinds of things sought: what the coil and the lanes make of each."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import xarray as xr

from detect.lanes.depths import deepest_detectable, lost_depth
from detect.lanes.footprint import Look, footprint
from detect.lanes.lateral import lateral_curve
from detect.lanes.spacing import widest_spacing, worst_and_mean
from detect.survey.settings import REFERENCE

if TYPE_CHECKING:
    from detect.survey.settings import Detector, Settings

CLASS_COLUMNS = (
    "target",
    "air_range_m",
    "burial_depth_m",
    "footprint_m",
    "sweep_width_m",
    "coverage_factor",
    "worst_pod",
    "mean_pod",
    "widest_spacing_m",
    "holds_to_m",
    "deepest_m",
    "lost_m",
)
_DEPTHS = 20


@dataclass(frozen=True)
class TargetClass:
    """One kind of thing sought.

    Attributes
    ----------
    name : str
        As in ``[[targets]]``; the one of ``[detector]`` is the reference target.
    detector : Detector
        The coil with this target's air range and burial depth.
    found : int
        How many of it the survey has found.
    must_find : bool
        Whether lanes and infill keep ``required_pod`` for it.
    """

    name: str
    detector: Detector
    found: int = 0
    must_find: bool = False


def target_classes(settings: Settings) -> tuple[TargetClass, ...]:
    """Return the reference target and every class of ``[[targets]]``.

    Raises
    ------
    SurveyError
        If there is no ``[detector]``.
    """
    detector = settings.detector
    classes = [TargetClass(REFERENCE, detector, must_find=True)]
    for target in settings.targets:
        own = {"air_range_m": target.air_range_m}
        if target.burial_depth_m is not None:
            own["burial_depth_m"] = target.burial_depth_m
        adapted = detector.model_copy(update=own)
        classes.append(TargetClass(target.name, adapted, target.found, target.must_find))
    return tuple(classes)


def pod_of(cover: xr.Dataset, name: str) -> xr.DataArray:
    """Return the POD of one class, on (n, e), out of a coverage."""
    if name == REFERENCE:
        return cover["pod"]
    return cover["pod_target"].sel(target=name, drop=True)


def lowest_pod(cover: xr.Dataset, classes: Sequence[TargetClass]) -> xr.DataArray:
    """Return at each cell the POD of whichever class is heard worst there, on (n, e).

    Parameters
    ----------
    cover : xarray.Dataset
        As `detect.lanes.coverage.coverage` returns for all of the classes.
    classes : sequence of TargetClass
        One at least.
    """
    lowest = np.minimum.reduce([pod_of(cover, one.name).to_numpy() for one in classes])
    return cover["pod"].copy(data=lowest)


def class_spacings(classes: Sequence[TargetClass], spacings: Iterable[float]) -> pd.DataFrame:
    """Return what each lane spacing promises for each class.

    Parameters
    ----------
    classes : sequence of TargetClass
    spacings : iterable of float
        Lane spacings, m.

    Returns
    -------
    pandas.DataFrame
        Columns ``target``, ``spacing_m``, ``worst_pod``, ``mean_pod``.
    """
    spacings = sorted(float(s) for s in spacings)
    rows = []
    for one in classes:
        curve = lateral_curve(Look.of(one.detector))
        rows += [(one.name, s, *worst_and_mean(curve, s)) for s in spacings]
    return pd.DataFrame(rows, columns=["target", "spacing_m", "worst_pod", "mean_pod"])


def class_depths(classes: Sequence[TargetClass], spacing_m: float) -> pd.DataFrame:
    """Return how the POD of each class falls with burial depth, with lanes ``spacing_m`` apart.

    Parameters
    ----------
    classes : sequence of TargetClass
    spacing_m : float
        Distance between lanes, m.

    Returns
    -------
    pandas.DataFrame
        Columns ``target``, ``burial_depth_m``, ``worst_pod``, ``mean_pod``; for each class from the
        bed to where it is lost.
    """
    rows = []
    for one in classes:
        # Closer together towards where it is lost: there POD falls.
        shares = 1.0 - np.linspace(1.0, 0.0, _DEPTHS) ** 1.6
        for depth in max(lost_depth(one.detector), 0.01) * shares:
            curve = lateral_curve(Look.of(one.detector, float(depth)))
            rows.append((one.name, float(depth), *worst_and_mean(curve, spacing_m)))
    return pd.DataFrame(rows, columns=["target", "burial_depth_m", "worst_pod", "mean_pod"])


def class_table(
    classes: Sequence[TargetClass], spacing_m: float, depths: pd.DataFrame | None = None
) -> pd.DataFrame:
    """Return what the coil, and lanes ``spacing_m`` apart, make of each class.

    Parameters
    ----------
    classes : sequence of TargetClass
    spacing_m : float
        Distance between lanes, m.
    depths : pandas.DataFrame, optional
        As `class_depths` returns for this spacing, where it is at hand.

    Returns
    -------
    pandas.DataFrame
        One row a class. ``footprint_m`` (half-width), ``sweep_width_m``, ``coverage_factor``,
        ``worst_pod``, ``mean_pod`` at its ``burial_depth_m``; ``widest_spacing_m`` that keeps
        ``required_pod`` for it (NaN: none does); and three depths below the bed, m:
        ``holds_to_m``, down to which the lanes keep ``required_pod`` at their worst point (NaN: not
        even on the bed; interpolated); ``deepest_m``, to which one look straight down keeps it;
        ``lost_m``, past which one pass straight over it finds it less than once in twenty.
    """
    depths = class_depths(classes, spacing_m) if depths is None else depths
    rows = []
    for one in classes:
        detector = one.detector
        curve = lateral_curve(Look.of(detector))
        widest = widest_spacing(detector)
        own = depths[depths["target"] == one.name]
        rows.append(
            (
                one.name,
                float(detector.air_range_m),
                float(detector.burial_depth_m),
                footprint(detector),
                curve.sweep_width_m,
                curve.sweep_width_m / spacing_m,
                *worst_and_mean(curve, spacing_m),
                widest.spacing_m if widest.reachable else float("nan"),
                _holds_to(own, float(detector.required_pod)),
                deepest_detectable(detector),
                lost_depth(detector),
            )
        )
    return pd.DataFrame(rows, columns=list(CLASS_COLUMNS))


def _holds_to(depths: pd.DataFrame, required: float) -> float:
    """Return the depth at which the worst point falls under what is required; NaN: at once."""
    depth, worst = depths["burial_depth_m"].to_numpy(float), depths["worst_pod"].to_numpy(float)
    if worst[0] < required:
        return float("nan")
    # Ascending for the interpolation: POD never rises with depth.
    falling = np.minimum.accumulate(worst)
    return float(np.interp(required, falling[::-1], depth[::-1]))
