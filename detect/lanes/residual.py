"""What could still lie unseen: how many targets a class may have left, given what was found."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr
from scipy.special import nbdtr, nbdtrik
from shapely.geometry.base import BaseGeometry

from detect.lanes.gaps import TOLERANCE, site_cells
from detect.lanes.targets import TargetClass

RESIDUAL_COLUMNS = (
    "target",
    "air_range_m",
    "burial_depth_m",
    "required_pod",
    "mean_pod",
    "share_met",
    "found",
    "expected_left",
    "could_remain",
)


def could_remain(mean_pod: float, found: int, confidence: float = 0.95) -> float:
    r"""Return how many targets could remain undetected, at ``confidence``.

    The site holds an unknown number :math:`N` of the class, each anywhere in it with equal chance
    and found independently with :math:`\bar p`, the mean POD over the site (the POD-weighted share
    of its area). Of these :math:`x` were found. With no prior opinion on :math:`N` (all numbers
    alike) the number left, :math:`u = N - x`, follows the negative binomial law

    .. math:: P(u \mid x) = \binom{x + u}{u} \bar p^{\,x+1} (1 - \bar p)^u

    and the answer is the smallest :math:`u` with :math:`P(U \le u) \ge` confidence. With nothing
    found: the smallest with :math:`(1 - \bar p)^{u+1} \le 1 -` confidence.

    Parameters
    ----------
    mean_pod : float
        Mean POD over the site, 0 to 1.
    found : int
        Targets of the class found.
    confidence : float
        Above 0, below 1.

    Returns
    -------
    float
        A whole number; infinite where nothing could have been found.

    Raises
    ------
    ValueError
        If a number is out of range.

    Notes
    -----
    The same number is the exact one-sided confidence bound from the binomial law: the largest
    :math:`N - x` for which finding so few, :math:`P(\mathrm{Bin}(N, \bar p) \le x)`, is not rarer
    than 1 - confidence. Source: Bayes' theorem with a uniform prior on the binomial index; the
    negative binomial as that posterior, and its tie to the binomial tail (textbooks, from memory);
    tests hold both against enumeration. Limits: what is found is known to be of the class;
    targets do not mask each other; the depth assumed is the true one. A class that lies deeper
    than assumed may be there in any number.
    """
    if not 0.0 <= mean_pod <= 1.0:
        raise ValueError(f"the mean POD must lie between 0 and 1, not at {mean_pod}")
    if found < 0 or not 0.0 < confidence < 1.0:
        raise ValueError("found must not be negative, and confidence lies between 0 and 1")
    if mean_pod == 0.0:
        return float("inf")
    if mean_pod == 1.0:
        return 0.0
    most = float(np.ceil(nbdtrik(confidence, found + 1, mean_pod)))
    # the inverse is found by search: where it lies a hair above a whole number, that one holds
    if most > 0 and nbdtr(most - 1, found + 1, mean_pod) >= confidence:
        most -= 1
    return most


def residual_table(
    cover: xr.Dataset,
    outline: BaseGeometry,
    keep_outs: Iterable[Any],
    classes: Sequence[TargetClass],
    confidence: float = 0.95,
) -> pd.DataFrame:
    """Return for each class what was looked at and what could remain.

    Parameters
    ----------
    cover : xarray.Dataset
        ``pod`` on (n, e) for the reference target (the first class) and, for the others,
        ``pod_target`` on (target, n, e).
    outline : shapely.Polygon
        The site, grid coordinates.
    keep_outs : iterable
        Polygons, or records with a ``polygon`` attribute: what lies in them is not counted.
    classes : sequence of TargetClass
        The reference target first.
    confidence : float

    Returns
    -------
    pandas.DataFrame
        ``target``, its ``air_range_m``, ``burial_depth_m`` and ``required_pod``; ``mean_pod`` over
        the site, ``share_met`` (of the site with the required POD), ``found``, ``expected_left``
        (mean of the posterior, (x + 1)(1 - p)/p) and ``could_remain`` (`could_remain`).
    """
    site = site_cells(cover, outline, keep_outs)
    rows = []
    for number, one in enumerate(classes):
        field = cover["pod"] if number == 0 else cover["pod_target"].sel(target=one.name)
        pods = field.to_numpy()[site]
        required = float(one.detector.required_pod)
        mean = float(np.mean(pods)) if pods.size else float("nan")
        known = pods.size > 0 and mean > 0.0
        rows.append(
            (
                one.name,
                float(one.detector.air_range_m),
                float(one.detector.burial_depth_m),
                required,
                mean,
                float(np.mean(pods >= required - TOLERANCE)) if pods.size else float("nan"),
                one.found,
                (one.found + 1) * (1.0 - mean) / mean if known else float("inf"),
                could_remain(min(mean, 1.0), one.found, confidence) if known else float("inf"),
            )
        )
    return pd.DataFrame(rows, columns=list(RESIDUAL_COLUMNS))
