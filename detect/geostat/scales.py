"""On which scale to krige: as read, as normal scores, or compressed; said by lanes left out."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import ndtri

from detect.geostat.choice import Places, gain_over, left_out
from detect.geostat.errors import FloatArray, as_points, as_values
from detect.geostat.experimental import experimental_variogram
from detect.geostat.fit import VariogramFit, fit_variogram
from detect.geostat.normal_scores import NormalScores
from detect.geostat.parallel import threads

#: Probabilities of the quantiles that stand for a predicted distribution.
LEVELS = np.arange(0.025, 1.0, 0.05)

#: Share of the loss below which a gain is rounding.
LEAST_GAIN = 1e-3


@dataclass(frozen=True)
class Scale:
    """A scale to krige on: rising functions there and back.

    Parameters
    ----------
    forward, back : callable
        From readings to the scale and from the scale to readings, arrays to arrays.
    """

    forward: Callable[[FloatArray], FloatArray]
    back: Callable[[FloatArray], FloatArray]


@dataclass(frozen=True)
class ScaleChoice:
    """The scale that predicts best, and the scores of all.

    Parameters
    ----------
    name : str
        Of the scale to use: ``"as read"`` unless another gains more than the standard error.
    why : str
        In words.
    table : DataFrame
        A row a scale: ``scale``, ``score`` (mean quantile loss, in the unit of the readings, the
        less the better), ``gain`` and ``gain_error`` over the readings as read, ``rmse`` of the
        predicted mean, ``coverage_90`` and ``mean_width_90`` of the 90 % interval.
    fits : dict of str to VariogramFit
        On each scale.
    """

    name: str
    why: str
    table: pd.DataFrame
    fits: dict[str, VariogramFit]


def normal_scale(values: npt.ArrayLike, weights: npt.ArrayLike | None = None) -> Scale:
    """Normal scores of these readings, without tails."""
    scores = NormalScores.of(values, weights)
    return Scale(scores.forward, scores.back)


def compare_scales(
    points: npt.ArrayLike,
    values: npt.ArrayLike,
    scales: Mapping[str, Scale] | None = None,
    *,
    groups: npt.ArrayLike | Sequence[str] | None = None,
    width_m: float | None = None,
    cutoff_m: float | None = None,
) -> ScaleChoice:
    r"""Predict left-out lanes on each scale and compare the distributions in the readings' unit.

    On each scale a variogram is fitted to the bins and the readings are kriged; the quantiles of
    the predicted normal distribution, brought back, are scored by the quantile loss::

        2 mean over p of (z - q_p) (p - 1[z < q_p])

    which in the limit of many p is the continuous ranked probability score: it is the same for
    every scale and rewards both narrow and honest distributions.

    Parameters
    ----------
    points, values : (N, 2) and (N,) arrays
        Places, metres, and readings; repeats are averaged as read.
    scales : mapping of str to Scale, optional
        Beside ``"as read"``, which is always there. Default: normal scores.
    groups : (N,) array or sequence, optional
        Lane of each reading; without, readings are left out one by one.
    width_m, cutoff_m : float, optional
        Of the bins, see `experimental_variogram`.

    Returns
    -------
    ScaleChoice

    Raises
    ------
    GeostatError
        As `experimental_variogram` and `NormalScores.of`.

    Notes
    -----
    Source: Gneiting & Raftery, J. Am. Stat. Assoc. 102 (2007) 359-378 (from memory). Limits: the
    scores are tabulated with the left-out readings among them; the mean is by 64 Gauss-Hermite
    points, a few digits where the scale has kinks.
    """
    position = as_points(points)
    reading = as_values(values, len(position))
    places = Places.of(position, reading, groups, "constant")
    tried = {"as read": Scale(np.asarray, np.asarray)}
    tried |= {"normal scores": normal_scale(places.values)} if scales is None else dict(scales)
    z = places.values[places.scored]
    clusters = places.clusters[places.scored]
    rows: list[dict[str, object]] = []
    fits, losses = {}, {}
    for name, scale in tried.items():
        y = np.asarray(scale.forward(places.values), dtype=float)
        bins = experimental_variogram(places.points, y, width_m=width_m, cutoff_m=cutoff_m)
        fits[name] = fit_variogram(bins, "best")
        with threads(0):
            predicted = left_out(fits[name].variogram, places, y)
        if predicted is None:
            continue
        losses[name] = _quantile_loss(scale, z, *predicted)
        plain = -losses["as read"] if "as read" in losses else None
        gain, error = gain_over(-losses[name], plain, clusters)
        row = {"scale": name, "score": losses[name].mean(), "gain": gain, "gain_error": error}
        rows.append(row | _interval(scale, z, *predicted))
    table = pd.DataFrame(rows)
    gains = table["gain"].to_numpy()
    least = LEAST_GAIN * float(table["score"].iloc[0])
    sure = gains > np.maximum(table["gain_error"].to_numpy(), least)
    if not sure.any():
        return ScaleChoice("as read", "no other scale predicts better", table, fits)
    best = table.iloc[int(np.argmax(np.where(sure, gains, -np.inf)))]
    why = (
        f"quantile loss {best['score']:.3g} against {table['score'].iloc[0]:.3g} as read, "
        f"a gain of {best['gain']:.2g} ± {best['gain_error']:.1g}"
    )
    return ScaleChoice(str(best["scale"]), why, table, fits)


def _quantile_loss(
    scale: Scale, z: FloatArray, estimate: FloatArray, variance: FloatArray
) -> FloatArray:
    """Loss of each reading over the quantiles of its prediction, (N,)."""
    sd = np.sqrt(variance)
    total = np.zeros(len(z))
    for p in LEVELS:
        over = z - scale.back(estimate + sd * ndtri(p))
        total += over * (p - (over < 0))
    return 2.0 * total / len(LEVELS)


def _interval(
    scale: Scale, z: FloatArray, estimate: FloatArray, variance: FloatArray
) -> dict[str, object]:
    """Error of the mean, and the 90 % interval, in the unit of the readings."""
    sd = np.sqrt(variance)
    nodes, weights = np.polynomial.hermite_e.hermegauss(64)
    mean = scale.back(estimate[:, None] + sd[:, None] * nodes) @ weights / weights.sum()
    half = ndtri(0.95) * sd
    low, high = scale.back(estimate - half), scale.back(estimate + half)
    return {
        "rmse": float(np.sqrt(np.mean((z - mean) ** 2))),
        "coverage_90": float(np.mean((z >= low) & (z <= high))),
        "mean_width_90": float(np.mean(high - low)),
    }
