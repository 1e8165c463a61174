"""Fitting a variogram to the readings themselves: restricted maximum likelihood."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.linalg import LinAlgError
from scipy.optimize import minimize
from scipy.spatial import cKDTree
from scipy.special import chdtri

from detect.geostat.errors import FloatArray, GeostatError, IntArray, as_points, as_values
from detect.geostat.fit import VariogramFit
from detect.geostat.likelihood import Block, climb, information, profile, restricted_log_likelihood
from detect.geostat.parallel import one_thread
from detect.geostat.partition import compact_blocks
from detect.geostat.shapes import MODELS, practical_range
from detect.geostat.variogram import Variogram
from detect.geostat.wls import PARAMETERS

#: To this many readings the likelihood is of all of them together.
MOST_TOGETHER = 600

#: Readings of a block, and blocks, where there are more.
BLOCK, MOST_BLOCKS = 200, 10

#: Smoothnesses of the Matern model that are tried; the kernels know the half-integer ones.
SMOOTHNESSES = (0.5, 1.0, 1.5, 2.5)

#: Ratios of anisotropy that are searched.
LEAST_RATIO = 0.1


@dataclass(frozen=True)
class _Bounds:
    """Bounds of share, log range, log ratio; azimuth is free. ``share`` 1 would have no range."""

    log_range: tuple[float, float]
    turns: bool

    @property
    def pairs(self) -> list[tuple[float | None, float | None]]:
        plain: list[tuple[float | None, float | None]] = [(0.0, 1.0 - 1e-6), self.log_range]
        return plain + ([(np.log(LEAST_RATIO), 0.0), (None, None)] if self.turns else [])


def fit_reml(
    points: npt.ArrayLike,
    values: npt.ArrayLike,
    model: str = "exponential",
    *,
    repeats: npt.ArrayLike | None = None,
    drift: str = "constant",
    smoothness: float | Literal["fit"] = 1.5,
    anisotropic: bool = False,
    range_bounds: tuple[float, float] | None = None,
    start: Variogram | None = None,
) -> VariogramFit:
    r"""Fit nugget, partial sill and range by the likelihood of the readings' contrasts.

    No bins, and the readings' own covariances as weights: for normal readings the estimates of
    least variance. The sill is solved for, and the nugget's share and the range (with
    ``anisotropic`` also ratio and azimuth) are climbed by their gradient from several starts.

    Parameters
    ----------
    points, values : (N, 2) and (N,) arrays
        Places, metres, and readings, no two at one place (`detect.geostat.model.merge_repeats`).
    model : str
        One of the models.
    repeats : (N,) array of int, optional
        Readings that were averaged at each place: the nugget of their mean is that much less.
        So the nugget is taken as the readings' error, not as microscale variation.
    drift : {"none", "constant", "linear", "quadratic"}
        Form of the unknown mean; ``"none"`` for a mean known to be 0.
    smoothness : float or "fit"
        Of the Matern model; ``"fit"`` takes the likeliest of `SMOOTHNESSES`, and says which others
        the readings bear out as well.
    anisotropic : bool
        Whether to fit ratio and azimuth too.
    range_bounds : (float, float), optional
        Of ``range_m``; default: practical range from half of the usual step to the layout's
        diagonal.
    start : Variogram, optional
        With ``anisotropic``: the isotropic optimum to turn, when it is known already.

    Returns
    -------
    VariogramFit
        ``standard_errors`` from the expected information; ``log_likelihood`` set;
        ``weighted_sse`` NaN and ``experimental`` empty.

    Raises
    ------
    GeostatError
        NaN, fewer than ten readings, readings at one place, all readings alike, an unknown model.

    Notes
    -----
    Sources: Kitanidis, Water Resources Research 19 (1983) 909-921; Mardia & Marshall, Biometrika 71
    (1984) 135-146; Stein, Interpolation of Spatial Data (1999), section 6.4 (all from memory).
    Limits: a few wild readings move it more than they move the bins; past 600 readings, blocks of
    200 are taken as independent, each with its own mean, and past 2,000 ten of them, spread over
    the site, stand for all. Cost: the cube of the block times some forty steps. Nested structures
    are not fitted: two ranges and three variances are more than the contrasts of a few hundred
    readings can tell apart; `detect.geostat.nested.fit_nested` fits them to the bins.
    """
    if smoothness == "fit":
        if model != "matern":
            raise GeostatError(f"a {model} model has no smoothness to fit")
        with_smoothness = partial(
            fit_reml,
            points,
            values,
            model,
            repeats=repeats,
            drift=drift,
            anisotropic=anisotropic,
            range_bounds=range_bounds,
            start=start,
        )
        return _likeliest([with_smoothness(smoothness=s) for s in SMOOTHNESSES])
    position = as_points(points)
    reading = as_values(values, len(position))
    count = np.ones(len(position), np.int64) if repeats is None else np.asarray(repeats)
    if model not in MODELS:
        raise GeostatError(f"variogram model {model!r} is not one of {', '.join(MODELS)}")
    if len(position) < 10:
        raise GeostatError(f"{len(position)} readings are too few for restricted likelihood (10)")
    if np.ptp(reading) == 0:
        raise GeostatError("all readings are alike: there is no variogram to fit")
    step = cKDTree(position).query(position, k=2)[0][:, 1]
    if step.min() == 0:
        raise GeostatError(f"readings share a place (index {int(np.argmin(step))}): merge them")
    blocks = _blocks(position, reading, count, drift)
    practical = practical_range(model, smoothness)
    low, high = range_bounds or (
        0.5 * float(np.median(step)) / practical,
        float(np.hypot(*np.ptp(position, axis=0))) / practical,
    )
    if not 0 < low < high < np.inf:
        raise GeostatError(f"range_bounds = ({low}, {high}) must be two lengths, the shorter first")
    bounds = (float(np.log(low)), float(np.log(high)))
    template = Variogram(model, 0.5, 0.5, low, smoothness=smoothness)
    # Blocks of some hundred readings: threads would wait for each other more than they help.
    with one_thread():
        variogram, value = _optimum(blocks, template, bounds, anisotropic, start)
        at_bound = _at_bound(variogram, low, high)
        errors = _standard_errors(blocks, variogram, at_bound)
    notes, poor = _judge(variogram, errors, at_bound, len(position))
    if len(blocks) > 1:
        used = sum(len(b.values) for b in blocks)
        notes.append(f"likelihood of {len(blocks)} blocks, {used} of {len(position)} readings")
    return VariogramFit(
        variogram,
        float("nan"),
        errors,
        at_bound,
        poor,
        tuple(notes),
        pd.DataFrame(columns=["pairs", "lag_m", "semivariance"]),
        method="restricted maximum likelihood",
        log_likelihood=value,
    )


def _likeliest(fits: list[VariogramFit]) -> VariogramFit:
    """Return the fit of the highest likelihood, and note which smoothnesses are as good.

    Within half the 95 % quantile of chi-squared of one degree of freedom of it (Wilks 1938, from
    memory).
    """
    best = max(fits, key=lambda f: f.log_likelihood)
    others = [
        f"{f.variogram.smoothness:g}"
        for f in fits
        if f is not best and f.log_likelihood > best.log_likelihood - chdtri(1, 0.05) / 2
    ]
    note = f"smoothness {best.variogram.smoothness:g} is the likeliest of those tried"
    if others:
        note += f"; the readings do not rule out {', '.join(others)}"
    return replace(best, notes=(*best.notes, note))


def _optimum(
    blocks: list[Block],
    template: Variogram,
    bounds: tuple[float, float],
    anisotropic: bool,
    start: Variogram | None,
) -> tuple[Variogram, float]:
    """Isotropic optimum, and where that is wanted and likelier the anisotropic one."""
    if start is not None:
        best: tuple[Variogram, float] | None = (start, restricted_log_likelihood(blocks, start))
    else:
        best = _search(blocks, template, _Bounds(bounds, False))
    if best is None:
        raise GeostatError("the likelihood cannot be evaluated: near-duplicate readings?")
    if anisotropic:
        turned = _search(blocks, best[0], _Bounds(bounds, True))
        if turned is not None and turned[1] > best[1]:
            return turned
    return best


def _blocks(points: FloatArray, values: FloatArray, repeats: IntArray, drift: str) -> list[Block]:
    """All readings in one block, or blocks that are taken as independent."""
    most = len(points) if len(points) <= MOST_TOGETHER else BLOCK
    parts = compact_blocks(points, most, MOST_BLOCKS)
    return Block.all(points, values, repeats, drift, parts)


def _unit(template: Variogram, x: Sequence[float] | FloatArray) -> Variogram:
    """Variogram of sill 1 at a point of the search: share, log range[, log ratio, azimuth]."""
    share = float(x[0])
    unit = replace(template, nugget=share, partial_sill=1.0 - share, range_m=float(np.exp(x[1])))
    if len(x) == 2:
        return unit
    return replace(
        unit,
        anisotropy_ratio=float(np.exp(min(x[2], 0.0))),
        azimuth_deg=float(np.degrees(x[3]) % 180.0),
    )


def _search(
    blocks: list[Block], template: Variogram, bounds: _Bounds
) -> tuple[Variogram, float] | None:
    """Climb from the better half of several starts; None when no start can be evaluated."""

    def height(x: FloatArray) -> float:
        try:
            return -profile(blocks, _unit(template, x))[0]
        except LinAlgError:
            return 1e300

    def downhill(x: FloatArray) -> tuple[float, FloatArray]:
        try:
            value, slopes, _ = climb(blocks, _unit(template, x), bounds.turns)
        except LinAlgError:
            return 1e300, np.zeros(len(x))
        return -value, -slopes

    low, high = bounds.log_range
    if bounds.turns:
        share = template.nugget / template.sill
        log_range = np.log(template.range_m)
        starts = [
            np.array([min(share, 0.95), min(log_range + 0.2, high), np.log(0.6), np.radians(a)])
            for a in (0.0, 45.0, 90.0, 135.0)
        ]
    else:
        starts = [
            np.array([share, low + part * (high - low)])
            for share in (0.05, 0.4)
            for part in (0.3, 0.55, 0.8)
        ]
    first = [height(x) for x in starts]
    order = [i for i in np.argsort(first) if first[i] < 1e300][: (len(starts) + 1) // 2 - 1]
    found = [
        minimize(
            downhill,
            starts[i],
            jac=True,
            method="L-BFGS-B",
            bounds=bounds.pairs,
            options={"maxiter": 60, "ftol": 1e-10},
        )
        for i in order
    ]
    found = [f for f in found if f.fun < 1e300]
    if not found:
        return None
    best = min(found, key=lambda f: float(f.fun))
    unit = _unit(template, best.x)
    sill = profile(blocks, unit)[1]
    return (
        replace(unit, nugget=unit.nugget * sill, partial_sill=unit.partial_sill * sill),
        -float(best.fun),
    )


def _at_bound(variogram: Variogram, low: float, high: float) -> tuple[str, ...]:
    """Parameters that ended at a bound."""
    share, a = variogram.nugget / variogram.sill, variogram.range_m
    at = {
        "nugget": share < 1e-6,
        "partial_sill": share > 1.0 - 2e-6,
        "range_m": a < low * (1 + 1e-4) or a > high * (1 - 1e-4),
        "anisotropy_ratio": variogram.anisotropy_ratio < LEAST_RATIO * (1 + 1e-4),
    }
    return tuple(name for name, is_at in at.items() if is_at)


def _standard_errors(
    blocks: list[Block], variogram: Variogram, at_bound: tuple[str, ...]
) -> dict[str, float]:
    """Roots of the diagonal of the inverse information, over the parameters not at a bound."""
    out = dict.fromkeys(PARAMETERS, float("nan"))
    free = [i for i, name in enumerate(PARAMETERS) if name not in at_bound]
    if "partial_sill" in at_bound:
        free = [0]
    info = information(blocks, variogram)[np.ix_(free, free)]
    scale = np.sqrt(np.diag(info))
    if (scale == 0).any() or np.linalg.cond(info / np.outer(scale, scale)) > 1e12:
        return out
    variance = np.diag(np.linalg.inv(info / np.outer(scale, scale))) / scale**2
    return out | {PARAMETERS[i]: float(np.sqrt(v)) for i, v in zip(free, variance, strict=True)}


def _judge(
    variogram: Variogram, errors: dict[str, float], at_bound: tuple[str, ...], count: int
) -> tuple[list[str], bool]:
    """What is wrong with a fit, in words, and whether it is poor."""
    notes, poor = [], False
    flat = "partial_sill" in at_bound
    if flat:
        notes.append("no spatial structure found: the model is all nugget")
    elif "range_m" in at_bound:
        notes.append(f"the range stopped at the bound of its search, {variogram.range_m:.3g} m")
        poor = True
    if errors["range_m"] > 0.5 * variogram.range_m:
        notes.append(f"the range is uncertain by {errors['range_m']:.2g} m")
        poor |= errors["range_m"] > variogram.range_m
    if count < 30:
        notes.append(f"only {count} readings to fit three parameters to")
        poor = True
    return notes, poor or flat
