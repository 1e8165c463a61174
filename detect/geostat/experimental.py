"""The experimental variogram: half the mean squared difference of pairs, by lag."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt
import pandas as pd

from detect.geostat.errors import FloatArray, GeostatError, as_points, as_values

#: Pairs held at once.
_PAIRS = 500_000


def experimental_variogram(
    points: npt.ArrayLike,
    values: npt.ArrayLike,
    *,
    width_m: float | None = None,
    cutoff_m: float | None = None,
    azimuth_deg: float | None = None,
    tolerance_deg: float = 22.5,
) -> pd.DataFrame:
    r"""Sample variogram ``gamma(h) = sum (z_i - z_j)^2 / (2 N(h))`` in bins of lag.

    Bin k holds the pairs at distances in ``(k width, (k + 1) width]`` up to the cutoff; pairs at
    one place are left out. Pairs are made in tiles and never stored.

    Parameters
    ----------
    points : (N, 2) array
        Positions ``e, n``, metres.
    values : (N,) array
        Readings.
    width_m, cutoff_m : float, optional
        Bin width and longest lag. Default: a third of the diagonal of the points' bounding box,
        and a fifteenth of that (the rule of the R package gstat, which this reproduces).
    azimuth_deg : float, optional
        Only pairs whose bearing (clockwise from grid north, either way round) is within
        ``tolerance_deg`` of this.
    tolerance_deg : float
        Half-angle of the sector.

    Returns
    -------
    DataFrame
        ``pairs`` (int), ``lag_m`` (their mean distance), ``semivariance``; empty bins are left out.
        ``attrs``: ``width_m``, ``cutoff_m``, ``azimuth_deg``, ``tolerance_deg``, ``readings``,
        ``variance`` (sample variance of the values).

    Raises
    ------
    GeostatError
        NaN or infinity (named by index), fewer than two readings, all at one place, or a bad bin
        width.

    Notes
    -----
    Limit: with few pairs in a bin (fewer than 30: common practice, from memory) the value is
    unreliable. Source: Matheron (1963); bins as documented by gstat (check_values.md 1.2).
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
    if not (0 < width < np.inf and 0 < cutoff < np.inf):
        raise GeostatError(f"width_m = {width} and cutoff_m = {cutoff} must be positive lengths")
    bins = int(np.ceil(cutoff / width - 1e-9))
    count, lag, square = np.zeros(bins), np.zeros(bins), np.zeros(bins)
    for i, j in _pairs(position, cutoff):
        de = position[j, 0] - position[i, 0]
        dn = position[j, 1] - position[i, 1]
        h = np.hypot(de, dn)
        keep = (h > 0) & (h <= cutoff * (1 + 1e-12))
        if azimuth_deg is not None:
            keep &= _along(de, dn, azimuth_deg, tolerance_deg)
        h = h[keep]
        # A lag on a bin's upper edge belongs to it: 0.3 m in bins of 0.1 m is not to fall past by
        # rounding.
        which = np.clip(np.ceil(h / width - 1e-9).astype(np.int64) - 1, 0, bins - 1)
        difference = reading[j[keep]] - reading[i[keep]]
        count += np.bincount(which, minlength=bins)
        lag += np.bincount(which, h, minlength=bins)
        square += np.bincount(which, difference * difference, minlength=bins)
    some = count > 0
    frame = pd.DataFrame(
        {
            "pairs": count[some].astype(np.int64),
            "lag_m": lag[some] / count[some],
            "semivariance": square[some] / (2.0 * count[some]),
        }
    )
    frame.attrs = {
        "width_m": width,
        "cutoff_m": cutoff,
        "azimuth_deg": azimuth_deg,
        "tolerance_deg": tolerance_deg,
        "readings": len(reading),
        "variance": float(np.var(reading, ddof=1)),
    }
    return frame


def _along(de: FloatArray, dn: FloatArray, azimuth_deg: float, tolerance_deg: float) -> npt.NDArray:
    """Whether the bearing of each pair is within the tolerance of the azimuth, either way round."""
    bearing = np.degrees(np.arctan2(de, dn))
    off = np.abs((bearing - azimuth_deg + 90.0) % 180.0 - 90.0)
    return off <= tolerance_deg + 1e-9


def _pairs(position: FloatArray, cutoff: float) -> Iterator[tuple[npt.NDArray, npt.NDArray]]:
    """Yield index arrays of all pairs not further apart than the cutoff along the longer axis."""
    axis = int(np.argmax(np.ptp(position, axis=0)))
    order = np.argsort(position[:, axis], kind="stable")
    sorted_axis = position[order, axis]
    last = np.searchsorted(sorted_axis, sorted_axis + cutoff * (1 + 1e-12), side="right")
    total = len(order)
    partners = last - np.arange(total) - 1
    ends = np.cumsum(partners)
    start = 0
    while start < total:
        done = ends[start - 1] if start else 0
        stop = max(start + 1, int(np.searchsorted(ends, done + _PAIRS, side="right")))
        size = partners[start:stop]
        i = np.repeat(np.arange(start, stop), size)
        first = np.cumsum(size) - size
        j = np.arange(len(i)) - np.repeat(first, size) + i + 1
        yield order[i], order[j]
        start = stop
