"""A set of point values with the variogram chosen for it, ready to be asked for estimates.

Signal, contacts, contact depth and seabed all go through :func:`point_model`, so that repeats
are merged, the nugget is split and the fallback is said in one place.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from detect.geostat.choice import choose_variogram
from detect.geostat.experimental import experimental_variogram
from detect.geostat.fit import VariogramFit, fit_variogram
from detect.geostat.kriging import Kriging
from detect.geostat.repeats import merge_repeats, split_nugget
from detect.geostat.variogram import Variogram

Floats = NDArray[np.float64]

#: Places up to which a variogram is chosen by leaving out one at a time.
FEW = 600


@dataclass(frozen=True)
class PointModel:
    """Merged points, their variogram and the kriging estimator over them.

    Attributes
    ----------
    points : (N, 2) array
        Merged positions ``e, n``, m.
    values : (N,) array
        Mean of the values at each position.
    repeats : (N,) array of int
        How many values were merged into each.
    measurement_sd : float
        One-sigma error of a single value, filtered from the estimates (0: none).
    variogram : Variogram
        The model the estimates use; its nugget is what stays after ``measurement_sd``.
    kriging : Kriging
        The estimator.
    fit : VariogramFit or None
        The fit behind ``variogram``; None when the model was given.
    """

    points: Floats
    values: Floats
    repeats: NDArray[np.int64]
    measurement_sd: float
    variogram: Variogram
    kriging: Kriging
    fit: VariogramFit | None

    @property
    def errors(self) -> Floats | None:
        """Error of each merged value, ``measurement_sd / sqrt(repeats)``; None without error."""
        return self.measurement_sd / np.sqrt(self.repeats) if self.measurement_sd > 0 else None


def point_model(
    points: ArrayLike,
    values: ArrayLike,
    *,
    variogram: Variogram | Literal["fit"] = "fit",
    measurement_sd: float | Literal["auto"] = "auto",
    neighbours: int = 0,
    drift: str = "constant",
    width_m: float | None = None,
    cutoff_m: float | None = None,
    groups: ArrayLike | Sequence[str] | None = None,
    least_sd: float = 0.0,
) -> PointModel:
    """Merge repeats, choose the variogram and build the estimator.

    With ``variogram="fit"`` the fitted nugget is taken as measurement and position error: a coil
    or a probe rod averages over more than a hand's breadth, so what changes between two readings
    at one place is error, not ground. It is filtered from the estimates. A variogram that is
    given keeps its nugget as it stands, and nothing is filtered unless ``measurement_sd`` says so.

    Parameters
    ----------
    points : (N, 2) array
        Positions, m; repeats allowed.
    values : (N,) array
        Values.
    variogram : Variogram or "fit"
        A model to use as it is, or "fit".
    measurement_sd : float or "auto"
        Error of one value; "auto" is the root of the fitted nugget, or 0 for a given model.
    neighbours : int
        Neighbours a node; 0 uses all points.
    drift : str
        Passed to :class:`Kriging`.
    width_m, cutoff_m : float, optional
        Bins of the variogram that is fitted, see
        :func:`detect.geostat.experimental.experimental_variogram`.
    groups : (N,) array or sequence, optional
        Lane of each value: the variogram is chosen by leaving out whole lanes, see
        :func:`detect.geostat.choice.choose_variogram`. Without, up to 600 places choose by
        leaving out one at a time; more are taken as lanes that are not known, where that would
        only test the next step along, and the bins decide.
    least_sd : float
        The error of one value is taken to be no smaller than this.

    Returns
    -------
    PointModel

    Raises
    ------
    GeostatError
        Fewer than three positions, or what :class:`Kriging` refuses.
    """
    merged, mean, repeats = merge_repeats(points, values)
    fit: VariogramFit | None = None
    if variogram == "fit":
        if groups is not None or len(merged) <= FEW:
            fit = choose_variogram(
                points, values, groups=groups, drift=drift, width_m=width_m, cutoff_m=cutoff_m
            )
        else:
            bins = experimental_variogram(points, values, width_m=width_m, cutoff_m=cutoff_m)
            fit = fit_variogram(bins, "best")
        model = fit.variogram
    else:
        model = variogram
    if measurement_sd != "auto":
        sd = float(measurement_sd)
    elif fit is not None:
        model, sd = split_nugget(model)
    else:
        sd = 0.0
    sd = max(sd, least_sd)
    error = sd / np.sqrt(repeats) if sd > 0 else None
    kriging = Kriging(
        merged, mean, model, measurement_sd=error, neighbours=neighbours or None, drift=drift
    )
    return PointModel(merged, mean, repeats, sd, model, kriging, fit)
