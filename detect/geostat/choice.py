"""Which variogram: candidates fitted in several ways, and the one that predicts lanes best."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import numpy.typing as npt
import pandas as pd

from detect.geostat.crossvalidation import leave_groups_out
from detect.geostat.drift import Drift
from detect.geostat.errors import FloatArray, GeostatError, IntArray, as_points, as_values
from detect.geostat.experimental import experimental_variogram
from detect.geostat.fit import VariogramFit, fit_variogram
from detect.geostat.kriging import Kriging
from detect.geostat.nested import fit_anisotropic, fit_nested
from detect.geostat.parallel import threads
from detect.geostat.partition import compact_blocks
from detect.geostat.reml import fit_reml
from detect.geostat.repeats import first_of_place, merge_repeats, split_nugget
from detect.geostat.variogram import Variogram

#: Fewer places than this, and there is nothing to choose by.
FEWEST = 20

#: Readings of one block of the cross-validation, and blocks that stand for all.
BLOCK, MOST_BLOCKS = 500, 6

#: Log density a reading below which a gain is no reason to leave the plain fit.
LEAST_GAIN = 1e-3

#: Most places for which likelihood is worth its time: with more, bins fix the model as well.
FEW_ENOUGH_FOR_LIKELIHOOD = 1000

#: Models that are fitted by likelihood.
LIKELY = ("exponential", "spherical")

#: Azimuths of the directional variograms that anisotropy is fitted to.
AZIMUTHS = (0.0, 45.0, 90.0, 135.0)

#: Five parameters of two structures ask for at least this many bins (no source).
BINS_TO_NEST = 20


@dataclass(frozen=True, eq=False)
class Places:
    """Merged readings with the lay-out of their cross-validation. Build with `Places.of`.

    Parameters
    ----------
    points, values, repeats : (N, 2), (N,) and (N,) arrays
        As of `merge_repeats`.
    groups : (N,) int array
        What is left out together.
    clusters : (N,) int array
        What errs together: the groups, or compact blocks where groups are single readings.
    blocks : list of int arrays
        Readings that are cross-validated among themselves.
    drift : str
        Form of the mean.
    """

    points: FloatArray
    values: FloatArray
    repeats: IntArray
    groups: IntArray
    clusters: IntArray
    blocks: list[IntArray]
    drift: str

    @property
    def scored(self) -> IntArray:
        """Indices of the readings in the blocks, in their order."""
        return np.concatenate(self.blocks)

    @classmethod
    def of(
        cls,
        points: FloatArray,
        values: FloatArray,
        groups: npt.ArrayLike | Sequence[str] | None,
        drift: str,
    ) -> Places:
        """Merge repeats, cut blocks, and number the groups and clusters."""
        merged, mean, repeats = merge_repeats(points, values)
        first, _ = first_of_place(points)
        blocks = compact_blocks(merged, BLOCK, MOST_BLOCKS)
        if groups is None:
            label = np.arange(len(merged))
        else:
            given = np.asarray(groups)
            if given.shape != (len(points),):
                raise GeostatError(f"{given.size} group labels for {len(points)} readings")
            label = np.unique(given, return_inverse=True)[1].ravel()[first]
        clusters = label
        if len(np.unique(label)) > len(merged) / 2:  # readings on their own: neighbours go together
            clusters = np.empty(len(merged), np.int64)
            for number, part in enumerate(compact_blocks(merged, max(len(merged) // 16, 1))):
                clusters[part] = number
        return cls(merged, mean, repeats, label, clusters, blocks, drift)


def choose_variogram(
    points: npt.ArrayLike,
    values: npt.ArrayLike,
    *,
    groups: npt.ArrayLike | Sequence[str] | None = None,
    drift: str = "constant",
    width_m: float | None = None,
    cutoff_m: float | None = None,
) -> VariogramFit:
    r"""Fit candidates, predict what was left out with each, and keep the one that does it best.

    Candidates: the best single model by weighted least squares (`fit_variogram` with ``"best"``),
    two nested structures, geometric anisotropy fitted to four directions, and for up to 1,000
    places restricted likelihood with an exponential and a spherical model, and the likelier of
    these with anisotropy.

    Each is scored by the mean log density of the readings, predicted with their whole lane left
    out (`leave_groups_out`), or one by one where no lanes are given. The weighted least squares fit
    stands unless another one that is not poor gains more than its standard error, which is taken
    over lanes and not over readings.

    Parameters
    ----------
    points, values : (N, 2) and (N,) arrays
        Places, metres, and readings; repeats at a place allowed.
    groups : (N,) array or sequence, optional
        Lane of each reading.
    drift : {"constant", "linear", "quadratic"}
        Form of the unknown mean. With a drift the bins are of the least-squares residuals, a
        little too low at long lags (Cressie 1993, 3.4.3, from memory); the likelihood is not.
    width_m, cutoff_m : float, optional
        Of the bins, see `experimental_variogram`.

    Returns
    -------
    VariogramFit
        The chosen one, with the pooled experimental variogram, the ``comparison`` and first among
        its notes why. The nugget is scored as the readings' error.

    Raises
    ------
    GeostatError
        NaN, not one group a reading, or what `experimental_variogram` refuses.

    Notes
    -----
    Sources: Gneiting & Raftery (2007) for the log score; the rule of one standard error is that of
    Breiman et al., Classification and Regression Trees (1984) (both from memory). Limits: past
    3,000 places six blocks of 500 stand for all, and a lane is left out block by block. The
    variograms are fitted once, with all readings.
    """
    position = as_points(points)
    reading = as_values(values, len(position))
    places = Places.of(position, reading, groups, drift)
    residual = reading - _trend(position, reading, drift)
    bins = experimental_variogram(position, residual, width_m=width_m, cutoff_m=cutoff_m)
    plain = fit_variogram(bins, "best")
    if len(places.values) < FEWEST or np.ptp(reading) == 0:
        return plain
    # Blocks of some hundred readings: threads would wait for each other more than they help.
    with threads(0):
        tried = [(plain, _log_density(plain, places))]
        for fit in _candidates(plain, position, residual, bins, places):
            tried.append((fit, _log_density(fit, places)))
    return _pick(tried, places, bins, "readings" if groups is None else "lanes")


def _trend(points: FloatArray, values: FloatArray, drift: str) -> FloatArray:
    """Least-squares drift at the readings; 0 for a constant mean, which no bin sees."""
    if drift == "constant":
        return np.zeros(len(values))
    basis = Drift.over(drift, points).at(points)
    return basis @ np.linalg.lstsq(basis, values, rcond=None)[0]


def _candidates(
    plain: VariogramFit,
    points: FloatArray,
    residual: FloatArray,
    bins: pd.DataFrame,
    places: Places,
) -> Iterator[VariogramFit]:
    """Fits that may replace the plain one, those that the readings do not allow left out."""
    lags = {"width_m": bins.attrs["width_m"], "cutoff_m": bins.attrs["cutoff_m"]}

    def turned() -> VariogramFit:
        views = [experimental_variogram(points, residual, azimuth_deg=a, **lags) for a in AZIMUTHS]
        return fit_anisotropic(views, plain.variogram.model)

    def likely(model: str, start: Variogram | None = None) -> VariogramFit:
        return fit_reml(
            places.points,
            places.values,
            model,
            repeats=places.repeats,
            drift=places.drift,
            start=start,
            anisotropic=start is not None,
        )

    if len(bins) >= BINS_TO_NEST:
        yield from _allowed(lambda: fit_nested(bins, ("exponential", "spherical")))
    yield from _allowed(turned)
    if len(places.values) > FEW_ENOUGH_FOR_LIKELIHOOD:
        return
    best: VariogramFit | None = None
    for model in LIKELY:
        for fit in _allowed(partial(likely, model)):
            best = fit if best is None or fit.log_likelihood > best.log_likelihood else best
            yield fit
    if best is not None and best.variogram.partial_sill > 0:
        yield from _allowed(partial(likely, best.variogram.model, best.variogram))


def _allowed(fit: Callable[[], VariogramFit]) -> Iterator[VariogramFit]:
    """Yield the fit, or nothing where the readings do not allow it."""
    try:
        found = fit()
    except GeostatError:
        return
    if not found.fallback:
        yield found


def left_out(
    variogram: Variogram, places: Places, values: FloatArray | None = None
) -> tuple[FloatArray, FloatArray] | None:
    """Estimate and variance of each scored reading with its group left out, block by block.

    The nugget is taken as the error of one reading. ``values`` may stand in for those of the
    places, on another scale. None where the model has no solution.
    """
    model, sd = split_nugget(variogram)
    reading = places.values if values is None else values
    found = []
    for block in places.blocks:
        label = places.groups[block]
        error = sd / np.sqrt(places.repeats[block])
        groups = len(np.unique(label))
        try:
            kriging = Kriging(
                places.points[block], reading[block], model, error, drift=places.drift
            )
            alone = groups < 2 or groups == len(label)
            found.append(kriging.leave_one_out() if alone else leave_groups_out(kriging, label))
        except GeostatError:
            return None
    estimate, variance = (np.concatenate(part) for part in zip(*found, strict=True))
    return estimate, variance


def _log_density(fit: VariogramFit, places: Places) -> FloatArray | None:
    """Log density of each scored reading with its group left out; None where it has none."""
    predicted = left_out(fit.variogram, places)
    if predicted is None:
        return None
    estimate, variance = predicted
    error = places.values[places.scored] - estimate
    return -0.5 * (np.log(2.0 * np.pi * variance) + error**2 / variance)


def _pick(
    tried: Sequence[tuple[VariogramFit, FloatArray | None]],
    places: Places,
    bins: pd.DataFrame,
    what: str,
) -> VariogramFit:
    """Keep the plain fit unless another gains more than the standard error of its gain."""
    clusters = places.clusters[places.scored]
    plain = tried[0][1]
    rows, chosen, chosen_gain, why = [], 0, 0.0, "nothing gains more than its standard error"
    for number, (fit, density) in enumerate(tried):
        if density is None:
            continue
        gain, error = gain_over(density, plain, clusters)
        rows.append(
            {
                "candidate": describe(fit),
                "log_score": float(density.mean()),
                "gain": gain,
                "gain_error": error,
            }
        )
        sound = not fit.poor or tried[0][0].poor
        if number and sound and gain > max(error, chosen_gain, LEAST_GAIN):
            chosen, chosen_gain = number, gain
            why = f"gains {gain:.3f} ± {error:.3f} a reading over {describe(tried[0][0])}"
    best = tried[chosen][0]
    first = f"{describe(best)} chosen with {what} left out: {why}"
    return replace(
        best,
        experimental=bins,
        notes=(first, *best.notes),
        comparison=pd.DataFrame(rows),
    )


def gain_over(
    density: FloatArray, plain: FloatArray | None, clusters: IntArray
) -> tuple[float, float]:
    """Mean gain of a score over the plain one's, and its standard error over clusters.

    The readings of a lane err together: the error is that of the clusters' sums. Where the plain
    one has no score the gain is infinite.
    """
    if plain is None:
        return float("inf"), 0.0
    gain = density - plain
    mean = float(gain.mean())
    sums = np.bincount(clusters, weights=gain - mean)
    return mean, float(np.sqrt(np.sum(sums**2)) / len(gain))


def describe(fit: VariogramFit) -> str:
    """Name a fit in words: model, anisotropy, method."""
    v = fit.variogram
    name = " and ".join(p.model for p in v.parts)
    turned = any(p.anisotropy_ratio < 1.0 for p in v.parts)
    return f"{'anisotropic ' if turned else ''}{name} by {fit.method}"
