"""The weighted least squares search behind a variogram fit: bins, optimum, standard errors."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.optimize import least_squares

from detect.geostat.errors import FloatArray, GeostatError
from detect.geostat.shapes import correlation, practical_range
from detect.geostat.variogram import Variogram

PARAMETERS = ("nugget", "partial_sill", "range_m")


@dataclass(frozen=True, eq=False)
class Bins:
    """Bins of an experimental variogram as arrays.

    Parameters
    ----------
    lag, gamma, pairs : (K,) arrays
        Mean distance (m), semivariance and number of pairs.
    """

    lag: FloatArray
    gamma: FloatArray
    pairs: FloatArray

    @classmethod
    def of(cls, experimental: pd.DataFrame) -> Bins:
        """Read and check the columns ``pairs, lag_m, semivariance``."""
        missing = {"pairs", "lag_m", "semivariance"} - set(experimental.columns)
        if missing:
            names = ", ".join(sorted(missing))
            raise GeostatError(f"the experimental variogram has no column {names}")
        if len(experimental) == 0:
            raise GeostatError("the experimental variogram is empty: no pairs within the cutoff")
        columns = [experimental[c].to_numpy(np.float64) for c in ("lag_m", "semivariance", "pairs")]
        if not all(np.isfinite(c).all() for c in columns):
            raise GeostatError("the experimental variogram holds NaN or infinity")
        some = (columns[2] > 0) & (columns[0] > 0)
        return cls(*(c[some] for c in columns))

    def __len__(self) -> int:
        return len(self.lag)

    @property
    def weight(self) -> FloatArray:
        """Weight of each bin: pairs / lag^2."""
        return self.pairs / self.lag**2

    def rise(self, template: Variogram, range_m: float) -> FloatArray:
        """``1 - rho`` of the template's shape at the lags."""
        return 1.0 - correlation(template.model, self.lag / range_m, template.smoothness)


@dataclass(frozen=True)
class Optimum:
    """Best parameters within their bounds.

    Parameters
    ----------
    variogram : Variogram
        With them.
    sse : float
        Weighted sum of squares.
    standard_errors : dict of str to float
        NaN at a bound or where they cannot be told.
    at_bound : tuple of str
        Parameters at a bound.
    """

    variogram: Variogram
    sse: float
    standard_errors: dict[str, float]
    at_bound: tuple[str, ...]


def default_range_bounds(bins: Bins, template: Variogram) -> tuple[float, float]:
    """Practical range from half of the first lag to twice the last, as ``range_m``."""
    practical = practical_range(template.model, template.smoothness)
    return float(bins.lag.min() / 2.0 / practical), float(bins.lag.max() * 2.0 / practical)


def optimise(
    bins: Bins, template: Variogram, range_bounds: tuple[float, float], max_nugget: float
) -> Optimum | None:
    """Search the range over its bounds, polish the best starts; None when all is zero.

    Parameters
    ----------
    bins : Bins
        What is fitted.
    template : Variogram
        Model, anisotropy and smoothness.
    range_bounds : (float, float)
        Of ``range_m``, metres.
    max_nugget : float
        Bound of the nugget (may be infinite).
    """
    low, high = range_bounds
    ranges = np.geomspace(low, high, 120)
    scan = np.array([_linear(bins, bins.rise(template, a), max_nugget)[2] for a in ranges])
    # Starts: the local minima of the scan, best first.
    inner = np.r_[True, scan[1:] <= scan[:-1]] & np.r_[scan[:-1] <= scan[1:], True]
    starts = np.flatnonzero(inner)[np.argsort(scan[inner])][:4]
    found = [_polish(bins, template, float(ranges[s]), range_bounds, max_nugget) for s in starts]
    nugget, sill, range_m, sse = min(found, key=lambda f: f[3])
    if nugget + sill <= 0:
        return None
    total = nugget + sill
    at = {
        "nugget": nugget <= 1e-9 * total or nugget >= max_nugget * (1 - 1e-9),
        "partial_sill": sill <= 1e-9 * total,
        "range_m": range_m <= low * (1 + 1e-6) or range_m >= high * (1 - 1e-6),
    }
    variogram = replace(template, nugget=nugget, partial_sill=sill, range_m=range_m)
    errors = _standard_errors(bins, variogram, sse, at)
    return Optimum(variogram, sse, errors, tuple(n for n, is_at in at.items() if is_at))


def _linear(bins: Bins, rise: FloatArray, max_nugget: float) -> tuple[float, float, float]:
    """Best (nugget, partial sill) >= 0 and the weighted sum of squares, for a given shape."""
    w, g = bins.weight, bins.gamma
    sw, sx, sxx = float(w.sum()), float(w @ rise), float(w @ (rise * rise))
    sg, sxg = float(w @ g), float(w @ (rise * g))
    options = [(min(sg / sw, max_nugget), 0.0), (0.0, sxg / sxx)]  # all nugget, none
    if np.isfinite(max_nugget):
        options.append((max_nugget, max((sxg - max_nugget * sx) / sxx, 0.0)))
    det = sw * sxx - sx * sx
    if det > 1e-14 * sw * sxx:
        nugget, sill = (sxx * sg - sx * sxg) / det, (sw * sxg - sx * sg) / det
        if 0.0 <= nugget <= max_nugget and sill >= 0.0:
            options.append((nugget, sill))
    sse = [float(w @ (g - a - b * rise) ** 2) for a, b in options]
    best = int(np.argmin(sse))
    return *options[best], sse[best]


def _polish(
    bins: Bins,
    template: Variogram,
    start_m: float,
    range_bounds: tuple[float, float],
    max_nugget: float,
) -> tuple[float, float, float, float]:
    """All three parameters together from one start -> nugget, sill, range, sum of squares."""
    low, high = range_bounds
    root = np.sqrt(bins.weight)
    unit = float(np.average(bins.gamma, weights=bins.pairs)) or 1.0
    nugget, sill, _ = _linear(bins, bins.rise(template, start_m), max_nugget)

    def residual(x: FloatArray) -> FloatArray:
        return root * (unit * (x[0] + x[1] * bins.rise(template, float(x[2]))) - bins.gamma)

    limits = ([0.0, 0.0, low], [max(max_nugget / unit, 1e-12), np.inf, high])
    out = least_squares(
        residual,
        np.clip([nugget / unit, sill / unit, start_m], *limits),
        bounds=limits,
        x_scale=[1.0, 1.0, start_m],
        xtol=1e-14,
        ftol=1e-14,
        gtol=1e-14,
    )
    # Nugget and sill exactly for the range that came out: the optimiser only nears its bounds.
    range_m = float(out.x[2])
    nugget, sill, sse = _linear(bins, bins.rise(template, range_m), max_nugget)
    return nugget, sill, range_m, sse


def _standard_errors(
    bins: Bins, variogram: Variogram, sse: float, at_bound: dict[str, bool]
) -> dict[str, float]:
    """From the free parameters' Jacobian: ``s^2 (J'WJ)^-1``, ``s^2 = SSE / (bins - free)``."""
    out = dict.fromkeys(PARAMETERS, float("nan"))
    free = [i for i, name in enumerate(PARAMETERS) if not at_bound[name]]
    if variogram.partial_sill == 0:
        free = [i for i in free if i != 2]
    left = len(bins) - len(free)
    if left <= 0 or not free:
        return out
    range_m, step = variogram.range_m, 1e-5 * variogram.range_m
    slope = (bins.rise(variogram, range_m + step) - bins.rise(variogram, range_m - step)) / step / 2
    columns = [np.ones(len(bins)), bins.rise(variogram, range_m), variogram.partial_sill * slope]
    jacobian = np.column_stack(columns)[:, free]
    normal = jacobian.T @ (bins.weight[:, None] * jacobian)
    scale = np.sqrt(np.diag(normal))
    if (scale == 0).any():
        return out
    scaled = normal / np.outer(scale, scale)
    if np.linalg.cond(scaled) > 1e12:
        return out
    variance = np.diag(np.linalg.inv(scaled)) / scale**2 * (sse / left)
    for i, v in zip(free, variance, strict=True):
        out[PARAMETERS[i]] = float(np.sqrt(v))
    return out
