"""Fitting a variogram model: weighted least squares with bounds, and honest about a poor fit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from detect.geostat.errors import GeostatError
from detect.geostat.shapes import MODELS, practical_range
from detect.geostat.variogram import Variogram
from detect.geostat.wls import PARAMETERS, Bins, Optimum, default_range_bounds, optimise

#: What ``model="best"`` compares. Gaussian is tried last and on a condition: see `fit_variogram`.
CANDIDATES = ("spherical", "exponential", "matern", "gaussian")

#: A bin with fewer pairs than this says little (common practice, from memory).
FEW_PAIRS = 30


@dataclass(frozen=True)
class VariogramFit:
    """A fitted model and how far to trust it.

    Parameters
    ----------
    variogram : Variogram
        The model.
    weighted_sse : float
        ``sum w (gamma_bin - gamma_model)^2``, w = pairs / lag^2.
    standard_errors : dict of str to float
        Of ``nugget``, ``partial_sill``, ``range_m``; NaN at a bound or where they cannot be told.
        They treat the bins as independent, which they are not: a lower limit.
    at_bound : tuple of str
        Parameters that ended at a bound.
    poor : bool
        Whether the fit should not be relied on; ``notes`` say why.
    notes : tuple of str
        What was noticed, in words.
    experimental : DataFrame
        The bins that were fitted.
    fallback : bool
        Whether the model was assumed and not fitted.
    method : str
        How it was fitted, in words.
    log_likelihood : float
        Of a fit by likelihood, else NaN.
    comparison : DataFrame or None
        Candidates it was chosen from, see `detect.geostat.choice.choose_variogram`: ``candidate``,
        ``log_score``, ``gain``, ``gain_error``.
    """

    variogram: Variogram
    weighted_sse: float
    standard_errors: dict[str, float]
    at_bound: tuple[str, ...]
    poor: bool
    notes: tuple[str, ...]
    experimental: pd.DataFrame = field(repr=False)
    fallback: bool = False
    method: str = "weighted least squares"
    log_likelihood: float = float("nan")
    comparison: pd.DataFrame | None = field(default=None, repr=False)


def fit_variogram(
    experimental: pd.DataFrame,
    model: str = "spherical",
    *,
    range_bounds: tuple[float, float] | None = None,
    max_nugget: float | None = None,
    smoothness: float = 1.5,
    anisotropy_ratio: float = 1.0,
    azimuth_deg: float = 0.0,
) -> VariogramFit:
    r"""Fit nugget, partial sill and range to an experimental variogram.

    Minimises ``sum_k N_k / h_k^2 (gamma_k - gamma(h_k))^2``. For a given range the nugget and the
    partial sill are a non-negative linear least squares with a closed form; so the range alone is
    searched over the whole of its bounds, and the best few starts are polished in all three
    parameters together.

    Parameters
    ----------
    experimental : DataFrame
        ``pairs, lag_m, semivariance``, from `experimental_variogram`.
    model : str
        One of the models, or ``"best"``: the smallest weighted sum of squares, where the gaussian
        counts only with a nugget of at least 5 % of its sill (without one its kriging systems are
        ill conditioned and its maps overshoot) and only if a tenth better than the next; the notes
        say what was compared.
    range_bounds : (float, float), optional
        Bounds of ``range_m``; default: practical range from half of the first lag to twice the
        last.
    max_nugget : float, optional
        Upper bound of the nugget; default none.
    smoothness : float
        Of the Matern model; not fitted.
    anisotropy_ratio, azimuth_deg : float
        Passed to the model. With a ratio below 1 the experimental variogram should be along the
        major axis.

    Returns
    -------
    VariogramFit
        Always; a fit that failed is replaced by an assumed model with ``poor`` and ``fallback``
        set.

    Raises
    ------
    GeostatError
        No bins, a NaN in them, or an unknown model.

    Notes
    -----
    Source of the weights: the R package gstat, ``fit.method = 7`` (from its manual; reproduced on
    meuse in the tests); cf. Cressie (1985). Limit: the bins share readings, so the weights are not
    the optimal ones.
    """
    if model != "best" and model not in MODELS:
        raise GeostatError(f"variogram model {model!r} is not one of best, {', '.join(MODELS)}")
    bins = Bins.of(experimental)
    if range_bounds is not None and not 0 < range_bounds[0] < range_bounds[1] < np.inf:
        raise GeostatError(f"range_bounds = {range_bounds} must be two lengths, the shorter first")
    fits = []
    for name in CANDIDATES if model == "best" else (model,):
        template = Variogram(
            name,
            anisotropy_ratio=anisotropy_ratio,
            azimuth_deg=azimuth_deg,
            smoothness=smoothness,
        )
        optimum = None
        if len(bins) >= 3 and bins.gamma.any():
            bounds = range_bounds or default_range_bounds(bins, template)
            top = np.inf if max_nugget is None else float(max_nugget)
            optimum = optimise(bins, template, bounds, top)
        if optimum is None:
            return _fall_back(bins, template, experimental)
        fits.append(_judge(bins, optimum, experimental))
    return _choose(fits) if model == "best" else fits[0]


def _judge(bins: Bins, optimum: Optimum, experimental: pd.DataFrame) -> VariogramFit:
    """Say what is wrong with a fit, and whether that makes it poor."""
    variogram, error = optimum.variogram, optimum.standard_errors["range_m"]
    pairs, thin = int(bins.pairs.sum()), int((bins.pairs < FEW_PAIRS).sum())
    mean = np.average(bins.gamma, weights=bins.weight)
    spread = float(bins.weight @ (bins.gamma - mean) ** 2)
    explained = 1.0 - optimum.sse / spread if spread > 0 else 0.0
    flat = "partial_sill" in optimum.at_bound
    stopped = "range_m" in optimum.at_bound and not flat
    few = len(bins) < 5 or pairs < 5 * FEW_PAIRS
    notes = []
    if thin:
        notes.append(f"{thin} of {len(bins)} lags have fewer than {FEW_PAIRS} pairs")
    if few:
        notes.append(f"only {len(bins)} lags and {pairs} pairs to fit three parameters to")
    if flat:
        notes.append("no spatial structure found at these lags: the model is all nugget")
    elif explained < 0.5:
        notes.append(f"the model explains only {100 * explained:.0f} % of the variogram's shape")
    if stopped:
        notes.append(f"the range stopped at the bound of its search, {variogram.range_m:.3g} m")
    if error > 0.5 * variogram.range_m:
        notes.append(f"the range is uncertain by {error:.2g} m")
    poor = (
        few
        or flat
        or stopped
        or explained < 0.5
        or thin > len(bins) / 2
        or error > variogram.range_m
    )
    return VariogramFit(
        variogram,
        optimum.sse,
        optimum.standard_errors,
        optimum.at_bound,
        poor,
        tuple(notes),
        experimental,
    )


def _fall_back(bins: Bins, template: Variogram, experimental: pd.DataFrame) -> VariogramFit:
    """Return an assumed model: a tenth of the variance nugget, range half of the longest lag."""
    variance = float(np.average(bins.gamma, weights=bins.pairs)) if len(bins) else 0.0
    variance = variance or float(experimental.attrs.get("variance", 0.0)) or 1.0
    longest = float(bins.lag.max() if len(bins) else experimental.attrs.get("cutoff_m", 1.0))
    variogram = replace(
        template,
        nugget=0.1 * variance,
        partial_sill=0.9 * variance,
        range_m=longest / 2.0 / practical_range(template.model, template.smoothness),
    )
    note = (
        f"no model could be fitted to {len(bins)} lags: assumed {template.model} with the variance "
        "of the data, a tenth of it nugget, and a practical range of half the longest lag "
        f"({longest / 2.0:.3g} m)"
    )
    errors = dict.fromkeys(PARAMETERS, float("nan"))
    return VariogramFit(
        variogram, float("nan"), errors, (), True, (note,), experimental, fallback=True
    )


def _choose(fits: Sequence[VariogramFit]) -> VariogramFit:
    """Pick among the candidates and say why."""
    ranked = sorted(fits, key=lambda f: f.weighted_sse)
    best, next_best = ranked[0], ranked[1]
    why = "the smallest weighted sum of squares"
    if best.variogram.model == "gaussian":
        nugget = best.variogram.nugget / best.variogram.sill
        gain = 1.0 - best.weighted_sse / next_best.weighted_sse if next_best.weighted_sse else 0.0
        if nugget < 0.05 or gain < 0.1:
            best = next_best
            why = (
                f"gaussian fits {100 * gain:.0f} % better, but its nugget is {100 * nugget:.1f} % "
                "of its sill: its kriging systems would be unstable, or the gain is slight"
            )
    table = ", ".join(f"{f.variogram.model} {f.weighted_sse:.4g}" for f in ranked)
    return replace(best, notes=(f"{best.variogram.model} chosen: {why} ({table})", *best.notes))
