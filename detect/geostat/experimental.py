"""The experimental variogram: half the mean squared difference of pairs, by lag."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from detect.geostat.errors import FloatArray, GeostatError, IntArray, as_points, as_values

ESTIMATORS = ("matheron", "cressie", "dowd")


def experimental_variogram(
    points: npt.ArrayLike,
    values: npt.ArrayLike,
    *,
    width_m: float | None = None,
    cutoff_m: float | None = None,
    first_m: float | None = None,
    azimuth_deg: float | None = None,
    tolerance_deg: float = 22.5,
    bandwidth_m: float | None = None,
    estimator: str = "matheron",
) -> pd.DataFrame:
    r"""Sample variogram in bins of lag.

    With ``d`` the absolute differences of the N pairs of a bin::

        matheron  gamma = mean(d^2) / 2
        cressie   gamma = mean(d^(1/2))^4 / (0.457 + 0.494 / N + 0.045 / N^2) / 2
        dowd      gamma = 2.198 median(d)^2 / 2

    Bin k holds the pairs at distances in ``(k width, (k + 1) width]`` up to the cutoff; pairs at
    one place are left out. Pairs are never stored: a compiled loop visits those within the cutoff
    and no others (`detect.geostat.pair_kernels`; a second or two to load when first used).

    Parameters
    ----------
    points : (N, 2) array
        Positions ``e, n``, metres.
    values : (N,) array
        Readings.
    width_m, cutoff_m : float, optional
        Bin width and longest lag. Default: a third of the diagonal of the points' bounding box,
        and a fifteenth of that (the rule of the R package gstat, which this reproduces).
    first_m : float, optional
        Upper edge of the first bin, the others follow at the width. Default the width. Half of a
        lane spacing here and the spacing as width centre the bins on the lanes.
    azimuth_deg : float, optional
        Only pairs whose bearing (clockwise from grid north, either way round) is within
        ``tolerance_deg`` of this.
    tolerance_deg : float
        Half-angle of the sector, 0 to 90.
    bandwidth_m : float, optional
        With an azimuth: only pairs that lie no farther off it than this, metres.
    estimator : {"matheron", "cressie", "dowd"}
        The last two shrug off a few wild readings; all three assume roughly normal differences.

    Returns
    -------
    DataFrame
        ``pairs`` (int), ``lag_m`` (their mean distance), ``semivariance``; empty bins are left out.
        ``attrs``: the parameters, ``readings``, ``variance`` (sample variance of the values).

    Raises
    ------
    GeostatError
        NaN or infinity (named by index), fewer than two readings, all at one place, or a parameter
        out of its range.

    Notes
    -----
    Limit: with few pairs in a bin (fewer than 30: common practice, from memory) the value is
    unreliable; Cressie's and Dowd's estimators are biased for skewed differences. Sources: Matheron
    (1963); bins as documented by gstat (check_values.md 1.2); Cressie & Hawkins, Math. Geology 12
    (1980) 115-125; Dowd, in Geostatistics for Natural Resources Characterization (1984) 91-106 (all
    from memory).
    """
    position = as_points(points)
    reading = as_values(values, len(position))
    if len(position) < 2:
        raise GeostatError("a variogram needs at least two readings")
    diagonal = float(np.hypot(*np.ptp(position, axis=0)))
    if diagonal == 0.0:
        raise GeostatError("all readings are at one place: no variogram")
    cutoff = diagonal / 3.0 if cutoff_m is None else float(cutoff_m)
    width = cutoff / 15.0 if width_m is None else float(width_m)
    first = width if first_m is None else float(first_m)
    if not (0 < width < np.inf and 0 < cutoff < np.inf and 0 < first < np.inf):
        raise GeostatError(
            f"width_m = {width}, cutoff_m = {cutoff} and first_m = {first} must be positive lengths"
        )
    if estimator not in ESTIMATORS:
        raise GeostatError(f"estimator {estimator!r} is not one of {', '.join(ESTIMATORS)}")

    from detect.geostat import pair_kernels

    bins = 1 + max(int(np.ceil((cutoff - first) / width - 1e-9)), 0)
    lags = pair_kernels.Lags(
        cutoff, first, width, bins, *_sector(azimuth_deg, tolerance_deg, bandwidth_m)
    )
    # No lag is longer than the diagonal: a cutoff far past it would only make the strips useless.
    lags = lags._replace(cutoff=min(cutoff, 1.01 * diagonal))
    strips = pair_kernels.strips(position, reading, lags.cutoff)
    count, lag, power = pair_kernels.moments(strips, lags, estimator == "cressie").T
    pairs = np.rint(count).astype(np.int64)
    some = pairs > 0
    if estimator == "dowd":
        gamma = 2.198 / 2.0 * pair_kernels.medians(strips, lags, pairs)[some] ** 2
    else:
        gamma = _mean_half_square(estimator, pairs[some], power[some])
    frame = pd.DataFrame(
        {"pairs": pairs[some], "lag_m": lag[some] / count[some], "semivariance": gamma}
    )
    frame.attrs = {
        "width_m": width,
        "cutoff_m": cutoff,
        "first_m": first,
        "azimuth_deg": azimuth_deg,
        "tolerance_deg": tolerance_deg,
        "bandwidth_m": bandwidth_m,
        "estimator": estimator,
        "readings": len(reading),
        "variance": float(np.var(reading, ddof=1)),
    }
    return frame


def _mean_half_square(estimator: str, pairs: IntArray, power: FloatArray) -> FloatArray:
    """Semivariance from the bins' sums of squares (matheron) or of square roots (cressie)."""
    if estimator == "matheron":
        return power / (2.0 * pairs)
    return (power / pairs) ** 4 / (0.457 + 0.494 / pairs + 0.045 / pairs**2) / 2.0


def _sector(
    azimuth_deg: float | None, tolerance_deg: float, bandwidth_m: float | None
) -> tuple[float, float, float, float, float]:
    """Sine and cosine of the azimuth and of the tolerance, and the bandwidth."""
    if not 0.0 <= tolerance_deg <= 90.0:
        raise GeostatError(f"tolerance_deg = {tolerance_deg} is outside [0, 90]")
    if bandwidth_m is not None and not bandwidth_m > 0:
        raise GeostatError(f"bandwidth_m = {bandwidth_m} must be a positive length")
    if azimuth_deg is None:
        if bandwidth_m is not None:
            raise GeostatError("bandwidth_m needs an azimuth_deg")
        return 0.0, 1.0, 1.0, 0.0, float("inf")
    if not np.isfinite(azimuth_deg):
        raise GeostatError(f"azimuth_deg = {azimuth_deg} is not a bearing")
    # a pair on the sector's edge is inside, whatever rounding makes of it
    edge = np.radians(min(tolerance_deg + 1e-9, 90.0))
    theta = np.radians(azimuth_deg)
    return (
        float(np.sin(theta)),
        float(np.cos(theta)),
        float(np.sin(edge)),
        float(np.cos(edge)) if edge < np.pi / 2 else 0.0,
        float("inf") if bandwidth_m is None else float(bandwidth_m) * (1 + 1e-12),
    )
