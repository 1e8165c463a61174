"""How likely a rehearsal is, given the coil's physics: the sums behind `detect.lanes.trial`."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import log_ndtr, ndtr, ndtri, xlogy

from detect.lanes.field import FloatArray, loop_field

# Parameters: log air range of each target, then these.
LOG_SNR, LAPSE, LOG_NOISE, GAMMA = range(4)
NO_TARGET = frozenset({"none", "empty", "empty hand", "nothing"})
"""What a try with an empty hand may be called."""

# Past this the signal says "loud", and more digits only overflow.
_LOUDEST = 1e5
# Tries are compared with the curve in groups of one place; where places hardly repeat, in this
# many groups of like loudness.
_GROUPS = 8


@dataclass(frozen=True, eq=False)
class Tries:
    """A rehearsal as arrays, one entry a try.

    Attributes
    ----------
    names : tuple of str
        Targets, in the order they first come.
    target : ndarray of int
        Which of them, or -1 for an empty hand.
    squared_field : ndarray
        ``|B|²`` at the target for 1 A, T².
    heard : ndarray of bool
    signal : ndarray
        NaN where none was written.
    full_scale : float
    radius_m, farthest_m : float
        Of the coil; the largest distance tried.
    place : ndarray of int
        Tries at one place with one target share a number.
    """

    names: tuple[str, ...]
    target: NDArray[np.int64]
    squared_field: FloatArray
    heard: NDArray[np.bool_]
    signal: FloatArray
    full_scale: float
    radius_m: float
    farthest_m: float
    place: NDArray[np.int64]

    @classmethod
    def of(cls, trial: pd.DataFrame, coil_diameter_m: float, full_scale: float | None) -> Tries:
        """Return the tries of a trial table."""
        words = trial["target"].astype(str).str.strip()
        empty = words.str.casefold().isin(NO_TARGET).to_numpy()
        names = tuple(dict.fromkeys(words[~empty]))
        target = np.array([-1 if e else names.index(w) for w, e in zip(words, empty, strict=True)])
        offset = trial["offset_m"].to_numpy(dtype=float)
        distance = trial["distance_to_coil_m"].to_numpy(dtype=float)
        radius = 0.5 * float(coil_diameter_m)
        b_rho, b_z = loop_field(radius, offset, distance)
        reach = np.hypot(offset, distance)[~empty]
        signal = (
            trial["signal"].to_numpy(dtype=float)
            if "signal" in trial
            else np.full(len(trial), np.nan)
        )
        keys = pd.MultiIndex.from_arrays([target, np.abs(offset).round(4), distance.round(4)])
        return cls(
            names=names,
            target=target.astype(np.int64),
            squared_field=np.where(empty, 0.0, b_rho**2 + b_z**2),
            heard=trial["detected"].to_numpy(dtype=float) == 1.0,
            signal=signal,
            full_scale=float("inf") if full_scale is None else float(full_scale),
            radius_m=radius,
            farthest_m=float(reach.max()) if len(reach) else radius,
            place=pd.factorize(keys)[0].astype(np.int64),
        )

    @cached_property
    def has_signal(self) -> NDArray[np.bool_]:
        """Which tries have a signal."""
        return np.isfinite(self.signal)

    def ratio(self, theta: FloatArray) -> FloatArray:
        """Return the mean signal over the threshold of each try; 0 for an empty hand."""
        air = np.exp(theta[: len(self.names)])
        # |B| on the axis in closed form: mu0 a² / 2 (a² + R²)^(3/2).
        on_axis = 2e-7 * np.pi * self.radius_m**2 / (self.radius_m**2 + air**2) ** 1.5
        own = np.where(self.target >= 0, on_axis[self.target], 1.0)
        return np.minimum(self.squared_field / own**2, _LOUDEST)


def negative_log_likelihood(theta: FloatArray, tries: Tries, target: int | None = None) -> float:
    """Return minus the log-likelihood; of what was heard of one target only, where named."""
    first = len(tries.names)
    snr, lapse = np.exp(theta[first + LOG_SNR]), theta[first + LAPSE]
    ratio, gain = tries.ratio(theta), _gain(snr)
    x = snr * (gain * ratio - 1.0)
    heard = np.log1p(-lapse) + log_ndtr(x)
    # Missed: by a lapse, or by the threshold.
    missed = np.logaddexp(np.log(np.maximum(lapse, 1e-300)), np.log1p(-lapse) + log_ndtr(-x))
    each = np.where(tries.heard, heard, missed)
    if target is not None:
        return -float(each[tries.target == target].sum())
    total = float(each.sum())
    if tries.has_signal.any():
        total += _of_signals(theta, tries, ratio, snr)
    return -total


def _of_signals(theta: FloatArray, tries: Tries, ratio: FloatArray, snr: float) -> float:
    mean, spread = _signal_law(theta, tries, ratio, snr)
    y, own = tries.signal, tries.has_signal
    over = own & (y >= tries.full_scale)
    own = own & ~over
    z = (y[own] - mean[own]) / spread[own]
    exact = -0.5 * z**2 - np.log(spread[own]) - 0.5 * np.log(2.0 * np.pi)
    return float(exact.sum() + log_ndtr((mean[over] - tries.full_scale) / spread[over]).sum())


def _signal_law(
    theta: FloatArray, tries: Tries, ratio: FloatArray, snr: float
) -> tuple[FloatArray, FloatArray]:
    first = len(tries.names)
    noise = np.exp(theta[first + LOG_NOISE])
    mean = mean_signal(ratio, snr, float(noise))
    return mean, np.hypot(noise, theta[first + GAMMA] * mean)


def alarm_probability(ratio: FloatArray, snr: float, lapse: float = 0.0) -> FloatArray:
    """Return how often a try with this signal ratio is heard, false alarms included."""
    return (1.0 - lapse) * ndtr(snr * (_gain(snr) * ratio - 1.0))


def mean_signal(ratio: FloatArray, snr: float, noise: float) -> FloatArray:
    """Return the mean signal in the meter's unit at a signal ratio."""
    return _gain(snr) * snr * noise * ratio


def _expected(theta: FloatArray, tries: Tries) -> tuple[float, FloatArray, FloatArray]:
    """Return threshold over noise, and of each try its signal ratio and how often it is heard."""
    first = len(tries.names)
    snr, ratio = float(np.exp(theta[first + LOG_SNR])), tries.ratio(theta)
    return snr, ratio, alarm_probability(ratio, snr, float(theta[first + LAPSE]))


def simulated(theta: FloatArray, tries: Tries, rng: np.random.Generator) -> Tries:
    """Return a rehearsal at the same places, drawn from the fitted law."""
    snr, ratio, share = _expected(theta, tries)
    heard = rng.random(len(share)) < share
    signal = tries.signal
    if tries.has_signal.any():
        mean, spread = _signal_law(theta, tries, ratio, snr)
        drawn = np.minimum(rng.normal(mean, spread), tries.full_scale)
        signal = np.where(tries.has_signal, drawn, np.nan)
    return replace(tries, heard=heard, signal=signal)


def misfit(theta: FloatArray, tries: Tries) -> tuple[float, float]:
    r"""Return how far what was heard, and the signals, lie off the curve.

    The deviance :math:`2 \sum o \ln(o/e)` over groups, heard and missed, and
    :math:`\sum n (\bar y - m)^2 / s^2` over groups of signals below full scale.
    """
    snr, ratio, share = _expected(theta, tries)
    group = tries.place
    if group.max() + 1 > len(group) / 3:
        order = np.argsort(np.argsort(ratio, kind="stable"), kind="stable")
        group = order * _GROUPS // len(order)
    count = np.bincount(group)
    seen, expected = np.bincount(group, tries.heard), np.bincount(group, share)
    expected = np.clip(expected, 1e-9, count - 1e-9)
    deviance = 2.0 * float(
        np.sum(
            xlogy(seen, seen / expected) + xlogy(count - seen, (count - seen) / (count - expected))
        )
    )
    if not tries.has_signal.any():
        return deviance, 0.0
    mean, spread = _signal_law(theta, tries, ratio, snr)
    own = tries.has_signal & (tries.signal < tries.full_scale)
    z = np.where(own, (tries.signal - mean) / spread, 0.0)
    number = np.maximum(np.bincount(group, own), 1.0)
    return deviance, float(np.sum(np.bincount(group, z) ** 2 / number))


def chances(
    theta: FloatArray, tries: Tries
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return how likely each try was to come out as it did, as far off or farther.

    Returns
    -------
    heard, signal : (N,) arrays
        Chance of having been heard, or missed, as it was; two-sided chance of its signal, or of one
        at full scale (NaN without a signal).
    mean, spread : (N,) arrays
        Of the signals expected; NaN without signals.
    """
    snr, ratio, share = _expected(theta, tries)
    heard = np.where(tries.heard, share, 1.0 - share)
    if not tries.has_signal.any():
        none = np.full(len(share), np.nan)
        return heard, none, none, none
    mean, spread = _signal_law(theta, tries, ratio, snr)
    over = tries.signal >= tries.full_scale
    off = np.where(over, tries.full_scale - mean, np.abs(tries.signal - mean)) / spread
    signal = np.where(over, ndtr(-off), 2.0 * ndtr(-off))
    return heard, np.where(tries.has_signal, signal, np.nan), mean, spread


def _gain(snr: float) -> float:
    """Return the factor that makes a target at its air range heard half of the time."""
    return 1.0 + float(ndtri(0.5 * (1.0 + ndtr(-snr)))) / snr
