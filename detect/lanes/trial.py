"""A rehearsal told by its tries: air range, threshold and noise by maximum likelihood."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.optimize import brentq, minimize
from scipy.special import chdtri

from detect.lanes.field import FloatArray, loop_field
from detect.lanes.trial_likelihood import (
    GAMMA,
    LAPSE,
    LOG_NOISE,
    LOG_SNR,
    Tries,
    misfit,
    negative_log_likelihood,
    simulated,
)

CONFIDENCE = 0.95
_DRAWS = 99
# Fewer than one true curve in twenty is so far off its tries: it is called a poor fit.
_POOR = 0.05
_SNR = (0.3, 30.0)
_MOST_LAPSES = 0.3
# A likelihood this near to its best at the edge of what is looked at has no best within.
_FLAT = 0.05
# Half way to the ends of an interval a rounded peak has lost half a unit of log-likelihood; one
# that has lost less than this on both sides is a plateau.
_PLATEAU = 0.1


@dataclass(frozen=True)
class Interval:
    """An estimate with its confidence interval; None where the tries set no bound.

    Attributes
    ----------
    estimate : float or None
        Most likely value; None where the likelihood only rises towards one side.
    low, high : float or None
        Ends of the 95 % interval (profile likelihood).
    """

    estimate: float | None
    low: float | None
    high: float | None

    @property
    def closed(self) -> bool:
        """Whether there is an estimate with both its ends."""
        return None not in (self.estimate, self.low, self.high)


@dataclass(frozen=True)
class TrialFit:
    """What a rehearsal says of the coil, the meter and the diver.

    Attributes
    ----------
    targets : pandas.DataFrame
        One row a target: ``target``, ``tries``, ``heard``, ``air_range_m``, ``low_m``, ``high_m``
        (NaN where the tries set no bound).
    threshold_snr : Interval
        Alarm threshold over the noise's standard deviation.
    noise, threshold : Interval or None
        The same in the meter's unit; None without signals.
    lapse : float
        Share of tries missed whatever the distance.
    scatter : float
        Error of a signal in proportion to it (placing the target, say); 0 without signals.
    p_heard, p_signal : float
        Goodness of fit: share of simulated rehearsals that lie farther off the curve than this one,
        for what was heard and for the signals (NaN without).
    log_likelihood : float
    theta : ndarray
        The parameters, as `detect.lanes.trial_likelihood` orders them.
    notes : tuple of str
    """

    targets: pd.DataFrame
    threshold_snr: Interval
    noise: Interval | None
    threshold: Interval | None
    lapse: float
    scatter: float
    p_heard: float
    p_signal: float
    log_likelihood: float
    theta: FloatArray
    notes: tuple[str, ...]

    @property
    def poor(self) -> tuple[str, ...]:
        """What the curve does not fit, in words, with the chance of a misfit as bad."""
        looks = ((self.p_heard, "what was heard"), (self.p_signal, "the signals"))
        return tuple(f"{what} (p = {p:.3f})" for p, what in looks if p < _POOR)


def fit_trial(
    trial: pd.DataFrame,
    coil_diameter_m: float,
    *,
    full_scale: float | None = None,
    seed: int = 1,
    draws: int = _DRAWS,
) -> TrialFit:
    r"""Fit the coil's physics to a rehearsal.

    For a try at offset :math:`\rho` from the coil's axis and :math:`z` from its plane the mean
    signal over the threshold is :math:`r = |B(\rho, z)|^2 / |B(0, R)|^2`
    (`detect.lanes.footprint.response_ratio`), with an air range :math:`R` for each target. With
    :math:`k` the threshold over the noise, :math:`\sigma` the noise, :math:`\lambda` the share of
    lapses, :math:`\gamma` the proportional error and :math:`c` as in
    `detect.lanes.footprint.look_probability`:

    .. math::

        P(\text{heard}) &= (1 - \lambda)\, \Phi\bigl(k (c r - 1)\bigr) \\
        \text{signal} &\sim N\bigl(c k \sigma r,\; \sigma^2 + (\gamma c k \sigma r)^2\bigr)

    so that the threshold is :math:`k \sigma` in the meter's unit, and a signal at ``full_scale``
    counts as at least that.

    Parameters
    ----------
    trial : pandas.DataFrame
        Columns ``target`` ("none": a try with an empty hand), ``offset_m``,
        ``distance_to_coil_m``, ``detected`` (0 or 1) and ``signal`` (NaN where none was written).
    coil_diameter_m : float
        Mean diameter of the winding, m.
    full_scale : float, optional
        The meter's limit.
    seed, draws : int
        For the simulated rehearsals behind the goodness of fit.

    Returns
    -------
    TrialFit

    Raises
    ------
    ValueError
        If there is no try of any target.

    Notes
    -----
    Intervals are those of the profile likelihood: all values whose best likelihood is within
    half of the 95 % quantile of chi-square with one degree of freedom of the best of all. Where
    every try was heard (or none was) only one end exists, and no estimate is made. Limits: the coil
    level, the target small; what was heard and what was written are taken as two looks at one mean;
    tries do not lean on each other (mixed order, the diver not told). Sources: maximum and profile
    likelihood, the parametric bootstrap, and a lapse rate as used for thresholds of the senses
    (textbooks, from memory).
    """
    tries = Tries.of(trial, coil_diameter_m, full_scale)
    if not tries.names:
        raise ValueError("there is no try of any target")
    bounds = _bounds(tries)
    theta, least = _best(tries, bounds)
    enough = least + 0.5 * float(chdtri(1, 1.0 - CONFIDENCE))
    notes: list[str] = []

    def interval(place: int, of_threshold: bool = False) -> Interval:
        return _profile(tries, theta, bounds, place, enough, of_threshold)

    rows = []
    for place, name in enumerate(tries.names):
        own = interval(place)
        mine = tries.target == place
        rows.append(
            (
                name,
                int(mine.sum()),
                int(tries.heard[mine].sum()),
                *(np.nan if v is None else v for v in (own.estimate, own.low, own.high)),
            )
        )
    columns = ["target", "tries", "heard", "air_range_m", "low_m", "high_m"]
    targets = pd.DataFrame(rows, columns=columns)
    first = len(tries.names)
    has_signal = bool(tries.has_signal.any())
    heard, signal = _fit_quality(tries, theta, bounds, np.random.default_rng(seed), draws)
    lapse = float(theta[first + LAPSE])
    notes += _unbounded_notes(targets)
    if lapse > 0.03 and tries.heard.any():
        notes.append(
            f"{100 * lapse:.0f} % of the tries were missed whatever the distance: the ear, not the "
            "coil; POD does not count such lapses"
        )
    return TrialFit(
        targets=targets,
        threshold_snr=interval(first + LOG_SNR),
        noise=interval(first + LOG_NOISE) if has_signal else None,
        threshold=interval(first + LOG_NOISE, True) if has_signal else None,
        lapse=lapse,
        scatter=float(theta[first + GAMMA]) if has_signal else 0.0,
        p_heard=heard,
        p_signal=signal,
        log_likelihood=-least,
        theta=theta,
        notes=tuple(notes),
    )


def axis_distance(
    offset_m: FloatArray, distance_m: FloatArray, coil_diameter_m: float
) -> FloatArray:
    r"""Return the distance on the coil's axis at which a target would sound as loud, m.

    From :math:`|B|^2 \propto (a^2 + z^2)^{-3}` on the axis; 0 where it is louder than at the
    coil's very centre.
    """
    a = 0.5 * coil_diameter_m
    b_rho, b_z = loop_field(a, offset_m, distance_m)
    _, centre = loop_field(a, 0.0, 0.0)
    squared = a**2 * ((centre**2 / (b_rho**2 + b_z**2)) ** (1.0 / 3.0) - 1.0)
    return np.sqrt(np.maximum(squared, 0.0))


def _unbounded_notes(targets: pd.DataFrame) -> list[str]:
    """Say for each target without an estimate what is known, and what to try."""
    notes = []
    ends = targets[["air_range_m", "low_m", "high_m"]].to_numpy(dtype=float)
    for name, (estimate, low, high) in zip(targets["target"], ends, strict=True):
        if np.isfinite(estimate):
            continue
        said = "the tries say nothing of its air range"
        if np.isfinite(low) and np.isfinite(high):
            said = f"its air range is anywhere from {low:.2f} to {high:.2f} m (95 %); try between"
        elif np.isfinite(low):
            said = f"its air range is at least {low:.2f} m (95 %); try it farther off"
        elif np.isfinite(high):
            said = f"its air range is at most {high:.2f} m (95 %); try it nearer"
        notes.append(f"target {name}: {said}")
    return notes


def _bounds(tries: Tries) -> list[tuple[float, float]]:
    """Return what is looked at for each parameter."""
    # From well under the coil's own size to several times as far as anything was held.
    near = np.log(0.1 * tries.radius_m)
    far = np.log(4.0 * max(tries.farthest_m, 2.0 * tries.radius_m))
    bounds = [(near, far)] * len(tries.names)
    bounds += [(np.log(_SNR[0]), np.log(_SNR[1])), (0.0, _MOST_LAPSES)]
    if tries.has_signal.any():
        spread = max(float(np.ptp(tries.signal[tries.has_signal])), 1e-9)
        bounds += [(np.log(1e-4 * spread), np.log(10.0 * spread)), (0.0, 2.0)]
    return bounds


def _best(tries: Tries, bounds: list[tuple[float, float]]) -> tuple[FloatArray, float]:
    """Return the most likely parameters, from several starts, and minus their log-likelihood."""
    found: tuple[FloatArray, float] | None = None
    ranges = np.linspace(*bounds[0], 50)
    for snr in (1.5, 4.0, 12.0):
        theta = np.array([0.5 * sum(bounds[0])] * len(tries.names) + [np.log(snr), 0.01])
        for place in range(len(tries.names)):
            trial = np.tile(theta, (len(ranges), 1))
            trial[:, place] = ranges
            worth = [negative_log_likelihood(t, tries, target=place) for t in trial]
            theta[place] = ranges[int(np.argmin(worth))]
        if tries.has_signal.any():
            theta = np.append(theta, [_first_noise(tries, theta), 0.1])
        theta = np.clip(theta, *np.array(bounds).T)
        theta, value = _climb(lambda t: negative_log_likelihood(t, tries), theta, bounds)
        if found is None or value < found[1] - 1e-9:
            found = theta, value
    assert found is not None
    return found


def _first_noise(tries: Tries, theta: FloatArray) -> float:
    """Return the logarithm of a first guess at the noise: the loudest half over what they mean."""
    ratio = tries.ratio(theta)
    loud = tries.has_signal & (ratio >= np.median(ratio[tries.has_signal])) & (ratio > 0.0)
    if not loud.any():
        return float(np.log(max(float(np.std(tries.signal[tries.has_signal])), 1e-6)))
    scale = np.median(tries.signal[loud] / ratio[loud])
    return float(np.log(max(scale, 1e-6)) - theta[len(tries.names) + LOG_SNR])


def _climb(
    worth: Callable[[FloatArray], float], theta: FloatArray, bounds: list[tuple[float, float]]
) -> tuple[FloatArray, float]:
    for _ in range(3):  # once more from where it stopped: finite differences stop early on a slope
        before = worth(theta)
        result = minimize(worth, theta, method="L-BFGS-B", bounds=bounds)
        theta = np.clip(result.x, *np.array(bounds).T)
        if before - result.fun < 1e-7:
            break
    return theta, float(worth(theta))


def _profile(
    tries: Tries,
    theta: FloatArray,
    bounds: list[tuple[float, float]],
    place: int,
    enough: float,
    of_threshold: bool,
) -> Interval:
    """Return estimate and interval of one parameter (all are logarithms), the others at their best.

    With `of_threshold` the place of the noise holds the threshold: noise times threshold_snr.
    """
    snr = len(tries.names) + LOG_SNR

    def worth(t: FloatArray) -> float:
        if of_threshold:
            t = t.copy()
            t[place] -= t[snr]
        return negative_log_likelihood(t, tries)

    start = theta.copy()
    limits = bounds[place]
    if of_threshold:
        start[place] += start[snr]
        limits = (limits[0] + bounds[snr][0], limits[1] + bounds[snr][1])
    free = [i for i in range(len(theta)) if i != place]
    best = start.copy()

    def rest(value: float) -> float:
        """Return the best of the others with this one held, begun where the last one ended."""

        def held(others: FloatArray) -> float:
            full = np.empty(len(theta))
            full[free], full[place] = others, value
            return worth(full)

        others, least = _climb(held, best[free], [bounds[i] for i in free])
        best[free] = others
        return least

    ends: list[float | None] = []
    flat = False
    for side, limit in ((-1, limits[0]), (1, limits[1])):
        best[:] = start
        inner, step = start[place], 0.02
        end = None
        while True:
            outer = side * min(side * (inner + side * step), side * limit)
            if rest(outer) > enough:
                end = brentq(lambda v: rest(v) - enough, *sorted((inner, outer)), xtol=1e-4)
                break
            if outer == limit:
                flat |= rest(limit) < enough - 0.5 * float(chdtri(1, 1.0 - CONFIDENCE)) + _FLAT
                break
            inner, step = outer, 2.0 * step
        ends.append(end)
    low, high = ends
    if low is not None and high is not None:
        half_way = [0.5 * (start[place] + end) for end in (low, high)]
        best[:] = start
        least = enough - 0.5 * float(chdtri(1, 1.0 - CONFIDENCE))
        flat |= all(rest(value) < least + _PLATEAU for value in half_way)
    return Interval(
        None if flat else float(np.exp(start[place])),
        None if low is None else float(np.exp(low)),
        None if high is None else float(np.exp(high)),
    )


def _fit_quality(
    tries: Tries,
    theta: FloatArray,
    bounds: list[tuple[float, float]],
    rng: np.random.Generator,
    draws: int,
) -> tuple[float, float]:
    """Return how often rehearsals simulated from the fit, and fitted again, misfit as much."""
    here = misfit(theta, tries)
    worse = np.zeros(2)
    for _ in range(draws):
        other = simulated(theta, tries, rng)
        again = minimize(
            negative_log_likelihood, theta, args=(other,), method="L-BFGS-B", bounds=bounds,
            options={"maxiter": 15},
        ).x  # fmt: skip
        worse += np.array(misfit(again, other)) >= np.array(here) - 1e-9
    p = (worse + 1.0) / (draws + 1.0)
    return float(p[0]), float(p[1]) if tries.has_signal.any() else float("nan")
