"""Scores of a cross-validation: how wrong, how biased, and whether the variances are honest."""

from __future__ import annotations

from dataclasses import asdict, dataclass

import numpy as np
import numpy.typing as npt
from scipy.stats import norm

from detect.geostat.errors import GeostatError, as_values


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
    """

    mean_error: float
    rmse: float
    mae: float
    mean_squared_standardised: float
    coverage_90: float
    correlation: float
    n: int

    def as_dict(self) -> dict[str, float]:
        """Return the scores as a plain dictionary."""
        return asdict(self)


def leave_one_out_scores(
    values: npt.ArrayLike, estimate: npt.ArrayLike, variance: npt.ArrayLike
) -> Scores:
    """Score estimates of left-out readings, as `Kriging.leave_one_out` returns them.

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
    lanes, a reading left out still has its neighbours on the lane; leave whole lanes out for the
    error between lanes.
    """
    count = np.size(values)
    if count == 0:
        raise GeostatError("no readings to score")
    z = as_values(values, count)
    p = as_values(estimate, count, "estimate")
    v = as_values(variance, count, "variance")
    if (v <= 0).any():
        raise GeostatError(f"variance is not positive at index {int(np.argmax(v <= 0))}")
    error = z - p
    constant = np.ptp(z) == 0 or np.ptp(p) == 0
    return Scores(
        mean_error=float(error.mean()),
        rmse=float(np.sqrt((error**2).mean())),
        mae=float(np.abs(error).mean()),
        mean_squared_standardised=float((error**2 / v).mean()),
        coverage_90=float((np.abs(error) <= norm.ppf(0.95) * np.sqrt(v)).mean()),
        correlation=float("nan") if constant else float(np.corrcoef(z, p)[0, 1]),
        n=count,
    )
