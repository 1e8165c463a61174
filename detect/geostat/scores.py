"""Scores of a cross-validation: how wrong, how biased, and whether the variances are honest."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import ndtri

from detect.geostat.errors import FloatArray, GeostatError, as_values


@dataclass(frozen=True)
class Scores:
    """Scores of left-out readings; errors are reading minus estimate, in the unit of the readings.

    Parameters
    ----------
    mean_error, rmse, mae : float
        Bias, root mean square and mean absolute error.
    mean_squared_standardised : float
        Mean of error^2 / variance: 1 when the variances are right, more when they are too small.
    coverage_90 : float
        Share of readings inside their 90 % interval (normal).
    correlation : float
        Of readings and estimates; NaN when either is constant.
    n : int
        Readings scored.
    log_score : float
        Mean log density of the readings under their predicted normal distributions: the larger the
        better, and the only one of these that weighs accuracy and honest variances together
        (Gneiting & Raftery, J. Am. Stat. Assoc. 102 (2007) 359-378, from memory).
    """

    mean_error: float
    rmse: float
    mae: float
    mean_squared_standardised: float
    coverage_90: float
    correlation: float
    n: int
    log_score: float = float("nan")

    def as_dict(self) -> dict[str, float]:
        """Return the scores as a plain dictionary."""
        return asdict(self)


def leave_one_out_scores(
    values: npt.ArrayLike, estimate: npt.ArrayLike, variance: npt.ArrayLike
) -> Scores:
    """Score estimates of left-out readings, of `Kriging.leave_one_out` or `leave_groups_out`.

    Parameters
    ----------
    values, estimate, variance : (N,) arrays
        Readings, their predictions from the others, and the variance of reading about prediction.

    Returns
    -------
    Scores

    Raises
    ------
    GeostatError
        Different lengths, NaN, or a variance that is not positive.

    Notes
    -----
    Source: Chiles & Delfiner, Geostatistics (2012), 2.6.3 and 3.3.3 (from memory). Limit: on
    lanes, a reading left out still has its neighbours on the lane; leave whole lanes out
    (`detect.geostat.leave_groups_out`) for the error between lanes.
    """
    z, p, v = _checked(values, estimate, variance)
    error = z - p
    constant = np.ptp(z) == 0 or np.ptp(p) == 0
    return Scores(
        mean_error=float(error.mean()),
        rmse=float(np.sqrt((error**2).mean())),
        mae=float(np.abs(error).mean()),
        mean_squared_standardised=float((error**2 / v).mean()),
        coverage_90=float((np.abs(error) <= ndtri(0.95) * np.sqrt(v)).mean()),
        correlation=float("nan") if constant else float(np.corrcoef(z, p)[0, 1]),
        n=len(z),
        log_score=float(-0.5 * (np.log(2.0 * np.pi * v) + error**2 / v).mean()),
    )


def standardised_errors(
    values: npt.ArrayLike, estimate: npt.ArrayLike, variance: npt.ArrayLike
) -> FloatArray:
    """Errors over their stated standard deviations, (N,): normal with variance 1 if all is well.

    Parameters and errors as of `leave_one_out_scores`.
    """
    z, p, v = _checked(values, estimate, variance)
    return (z - p) / np.sqrt(v)


def interval_coverage(
    values: npt.ArrayLike,
    estimate: npt.ArrayLike,
    variance: npt.ArrayLike,
    levels: Sequence[float] = (0.5, 0.68, 0.8, 0.9, 0.95, 0.99),
) -> pd.DataFrame:
    """Share of the readings inside their central normal intervals.

    Parameters
    ----------
    values, estimate, variance : (N,) arrays
        As of `leave_one_out_scores`.
    levels : sequence of float
        Probabilities of the intervals, in (0, 1).

    Returns
    -------
    DataFrame
        ``level``, ``coverage``, and ``mean_width`` of the intervals in the unit of the readings:
        of two methods with right coverage the one with narrower intervals is better (Goovaerts,
        Geoderma 103 (2001) 3-26, from memory).
    """
    z, p, v = _checked(values, estimate, variance)
    level = np.asarray(levels, dtype=float)
    if not ((level > 0) & (level < 1)).all():
        raise GeostatError(f"levels = {tuple(levels)} must lie between 0 and 1")
    half = ndtri(0.5 + level / 2.0)
    inside = np.abs(z - p) / np.sqrt(v) <= half[:, None]
    return pd.DataFrame(
        {
            "level": level,
            "coverage": inside.mean(axis=1),
            "mean_width": 2.0 * half * np.sqrt(v).mean(),
        }
    )


def _checked(
    values: npt.ArrayLike, estimate: npt.ArrayLike, variance: npt.ArrayLike
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Values, estimates and variances as arrays of one length, the variances positive."""
    count = np.size(values)
    if count == 0:
        raise GeostatError("no readings to score")
    z = as_values(values, count)
    p = as_values(estimate, count, "estimate")
    v = as_values(variance, count, "variance")
    if (v <= 0).any():
        raise GeostatError(f"variance is not positive at index {int(np.argmax(v <= 0))}")
    return z, p, v
