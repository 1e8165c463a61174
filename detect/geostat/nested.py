"""Fits of more than one structure or direction: nested models and geometric anisotropy."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
from scipy.optimize import least_squares, nnls

from detect.geostat.errors import FloatArray, GeostatError
from detect.geostat.fit import VariogramFit, fit_variogram
from detect.geostat.shapes import MODELS, correlation, practical_range
from detect.geostat.variogram import Variogram
from detect.geostat.wls import PARAMETERS, Bins, default_range_bounds

#: Least ratio of minor to major range that is fitted.
LEAST_RATIO = 0.1


def fit_nested(
    experimental: pd.DataFrame, models: tuple[str, str] = ("spherical", "spherical")
) -> VariogramFit:
    r"""Fit a nugget and two structures, the first the shorter, by weighted least squares.

    For given ranges the three sills are a non-negative least squares (Lawson & Hanson 1974); a
    lattice of pairs of ranges is searched over that, and the best few are polished.

    Parameters
    ----------
    experimental : DataFrame
        From `experimental_variogram`.
    models : (str, str)
        Of the shorter and the longer structure.

    Returns
    -------
    VariogramFit
        Of the single structure when a second is not wanted (its sill is 0, or there are fewer
        than eight bins); the notes say so. Standard errors are not given: the parameters of two
        structures trade off against each other.

    Raises
    ------
    GeostatError
        No bins, a NaN in them, or an unknown model.

    Notes
    -----
    Source: linear model of regionalisation in one variable, Journel & Huijbregts, Mining
    Geostatistics (1978), III.A (from memory). Limit: five parameters follow noise in the bins as
    well; whether the second structure helps is for cross-validation to say.
    """
    for name in models:
        if name not in MODELS:
            raise GeostatError(f"variogram model {name!r} is not one of {', '.join(MODELS)}")
    single = fit_variogram(experimental, models[1])
    bins = Bins.of(experimental)
    if len(bins) < 8 or single.fallback:
        note = "too few lags for a second structure"
        return replace(single, notes=(*single.notes, note), poor=True)
    templates = [Variogram(name) for name in models]
    limits = [np.log(default_range_bounds(bins, t)) for t in templates]
    root = np.sqrt(bins.weight)

    def sills(log_ranges: FloatArray) -> tuple[FloatArray, FloatArray]:
        shapes = [
            bins.rise(t, float(np.exp(a))) for t, a in zip(templates, log_ranges, strict=True)
        ]
        design = np.column_stack([np.ones(len(bins)), *shapes])
        best, _ = nnls(root[:, None] * design, root * bins.gamma)
        return best, root * (design @ best - bins.gamma)

    lattice = [np.linspace(low, high, 14) for low, high in limits]
    practical = [np.log(practical_range(t.model, t.smoothness)) for t in templates]
    starts = [
        (float(np.sum(sills(np.array([a, b]))[1] ** 2)), a, b)
        for a in lattice[0]
        for b in lattice[1]
        if a + practical[0] < b + practical[1] - 0.3
    ]
    found = [
        least_squares(
            lambda x: sills(x)[1],
            [a, b],
            bounds=([low for low, _ in limits], [high for _, high in limits]),
            diff_step=1e-5,
        )
        for _, a, b in sorted(starts)[:3]
    ]
    best = min(found, key=lambda f: float(f.cost))
    nugget, short, long = sills(best.x)[0]
    sse = float(2.0 * best.cost)
    if short <= 1e-6 * bins.gamma.max() or long <= 1e-6 * bins.gamma.max():
        return replace(single, notes=(*single.notes, "a second structure is not wanted"))
    parts = [
        Variogram(t.model, 0.0, float(s), float(np.exp(a)))
        for t, s, a in zip(templates, (short, long), best.x, strict=True)
    ]
    at = ("range_m",) if np.exp(best.x[1]) >= np.exp(limits[1][1]) * (1 - 1e-4) else ()
    variogram = replace(Variogram.nested(parts), nugget=float(nugget))
    notes = ("the longer range stopped at the bound of its search",) if at else ()
    return VariogramFit(
        variogram,
        sse,
        dict.fromkeys(PARAMETERS, float("nan")),
        at,
        bool(at),
        notes,
        experimental,
    )


def fit_anisotropic(
    directional: Sequence[pd.DataFrame], model: str = "exponential", *, smoothness: float = 1.5
) -> VariogramFit:
    r"""Fit one model with geometric anisotropy to experimental variograms of several directions.

    Minimises the weighted squares of `fit_variogram` over all directions together, each bin at its
    mean lag along the azimuth of its variogram.

    Parameters
    ----------
    directional : sequence of DataFrame
        From `experimental_variogram` with different ``azimuth_deg``, at least three.
    model : str
        One of the models.
    smoothness : float
        Of the Matern model; not fitted.

    Returns
    -------
    VariogramFit
        ``experimental`` holds all the bins, with a column ``azimuth_deg``. Standard errors of
        nugget, partial sill and range are left to the isotropic fit: NaN.

    Raises
    ------
    GeostatError
        Fewer than three azimuths, no bins, or an unknown model.

    Notes
    -----
    Source: Chiles & Delfiner, Geostatistics (2012), 2.5.2 (geometric anisotropy; from memory).
    Limit: a sector of bearings stands for its middle, which rounds off an ellipse narrower than
    the sector; and lanes see their own direction from the step up, but across it only whole
    spacings.
    """
    if model not in MODELS:
        raise GeostatError(f"variogram model {model!r} is not one of {', '.join(MODELS)}")
    azimuths = [float(f.attrs.get("azimuth_deg") or 0.0) for f in directional]
    known = all(f.attrs.get("azimuth_deg") is not None for f in directional)
    if not known or len({a % 180.0 for a in azimuths}) < 3:
        raise GeostatError("anisotropy needs variograms of at least three azimuths")
    frame: pd.DataFrame = pd.concat(
        [f.assign(azimuth_deg=a) for f, a in zip(directional, azimuths, strict=True)],
        ignore_index=True,
    )
    pooled = fit_variogram(frame, model, smoothness=smoothness)
    if pooled.fallback:
        return pooled
    bins = Bins.of(frame)
    theta = np.radians(frame["azimuth_deg"].to_numpy()[frame["pairs"].to_numpy() > 0])
    template = pooled.variogram
    low, high = np.log(default_range_bounds(bins, template))
    root = np.sqrt(bins.weight)

    def fitted(x: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Sills and residuals for log range, log ratio, azimuth (radians)."""
        along, across = np.cos(theta - x[2]), np.sin(theta - x[2])
        h = bins.lag * np.hypot(along, across / np.exp(x[1])) / np.exp(x[0])
        design = np.column_stack(
            [np.ones(len(bins)), 1.0 - correlation(model, h, template.smoothness)]
        )
        best, _ = nnls(root[:, None] * design, root * bins.gamma)
        return best, root * (design @ best - bins.gamma)

    start = float(np.clip(np.log(template.range_m), low, high))
    starts = [
        np.array([np.clip(start + wider, low, high), np.log(ratio), np.radians(turn)])
        for wider in (-0.5, 0.0, 0.5)
        for ratio in (0.7, 0.4, 0.2)
        for turn in np.arange(0.0, 180.0, 22.5)
    ]
    starts.sort(key=lambda x: float(np.sum(fitted(x)[1] ** 2)))
    found = [
        least_squares(
            lambda x: fitted(x)[1],
            first,
            bounds=([low, np.log(LEAST_RATIO), -10.0], [high, 0.0, 10.0]),
            diff_step=1e-5,
        )
        for first in _apart(starts)
    ]
    best = min(found, key=lambda f: float(f.cost))
    nugget, sill = fitted(best.x)[0]
    if nugget + sill <= 0:
        return pooled
    ratio = float(np.exp(min(best.x[1], 0.0)))
    at = tuple(
        name
        for name, is_at in (
            ("range_m", best.x[0] >= high - 1e-4 or best.x[0] <= low + 1e-4),
            ("anisotropy_ratio", ratio <= LEAST_RATIO * (1 + 1e-4)),
        )
        if is_at
    )
    variogram = replace(
        template,
        nugget=float(nugget),
        partial_sill=float(sill),
        range_m=float(np.exp(best.x[0])),
        anisotropy_ratio=ratio,
        azimuth_deg=float(np.degrees(best.x[2]) % 180.0),
    )
    notes = tuple(f"{name} stopped at the bound of its search" for name in at)
    return VariogramFit(
        variogram,
        float(2.0 * best.cost),
        dict.fromkeys(PARAMETERS, float("nan")),
        at,
        pooled.poor or bool(at),
        notes,
        frame,
    )


def _apart(starts: Sequence[FloatArray], most: int = 2) -> list[FloatArray]:
    """Keep the first few starts, best first, whose azimuths lie 45 degrees apart or more."""
    kept: list[FloatArray] = []
    for x in starts:
        turns = [abs((x[2] - y[2] + np.pi / 2) % np.pi - np.pi / 2) for y in kept]
        if len(kept) < most and all(t > np.pi / 4 - 1e-9 for t in turns):
            kept.append(x)
    return kept
