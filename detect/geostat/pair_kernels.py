"""Compiled loops over pairs of readings: each pair within the cutoff is visited, none is stored.

Imported when a variogram is first asked for: numba takes a second to load, and its machine code
is kept on disk after the first call.

Readings are sorted into strips across north, and by east within a strip. The partners of a
reading then lie in a few runs of the sorted arrays, one a strip, each cut to what the cutoff can
reach: little more than the pairs wanted is looked at. Every pair is seen once, from the reading
that comes first in the order.

The readings are dealt out over a fixed number of hands that each keep their own sums, added up in
a fixed order at the end: the answer does not depend on the number of threads. The threads are
those of `detect.geostat.parallel`, not numba's own, which would end the program when it forks.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from detect.geostat.errors import FloatArray, IntArray
from detect.geostat.parallel import run

#: Hands the readings are dealt to; more than any machine's cores would idle at, few enough to add.
_HANDS = 64

#: Partners looked at in one go; their lags stay in the first-level cache.
_RUN = 512

#: Bits settled in one pass of the search for a median: the 63 of a positive float take six passes.
_DIGIT = 11


class Lags(NamedTuple):
    """Which pairs count, and in which bin.

    Parameters
    ----------
    cutoff, first, width : float
        Longest lag; upper edge of the first bin; width of the others, metres.
    bins : int
        Number of bins.
    sin, cos : float
        Of the azimuth, clockwise from north.
    sin_tolerance, cos_tolerance : float
        Of the half-angle of the sector; 1 and 0 when every bearing counts.
    bandwidth : float
        Farthest that a pair may lie off the azimuth, metres (may be infinite).
    """

    cutoff: float
    first: float
    width: float
    bins: int
    sin: float
    cos: float
    sin_tolerance: float
    cos_tolerance: float
    bandwidth: float


class Strips(NamedTuple):
    """Readings sorted by strip, then east. Build with `strips`.

    Parameters
    ----------
    e, n, z : (N,) arrays
        East, north (metres from the layout's corner) and value, sorted.
    strip : (N,) int array
        Strip of each.
    start : (S + 1,) int array
        First reading of each strip.
    height : float
        Height of a strip, metres.
    """

    e: FloatArray
    n: FloatArray
    z: FloatArray
    strip: IntArray
    start: IntArray
    height: float


def strips(points: FloatArray, values: FloatArray, cutoff: float) -> Strips:
    """Sort readings (N, 2) and (N,) for pairs up to the cutoff."""
    corner = points.min(axis=0)
    e, n = (points - corner).T
    extent_e, extent_n = float(e.max()), float(n.max())
    # Strips a fifth of the cutoff high look at few pairs past it; where readings are sparse, higher
    # ones, so that the run in a strip (about 16 partners) is not dearer to find than to visit.
    density = len(e) / ((extent_e + cutoff) * (extent_n + cutoff))
    share = float(np.clip(16.0 / (density * cutoff * cutoff), 0.2, 1.0))
    height = max(cutoff * share, extent_n / (2.0 * len(e)))
    strip = np.floor(n / height).astype(np.int64)
    order = np.lexsort((e, strip))
    count = np.bincount(strip, minlength=int(strip.max()) + 1)
    start = np.r_[0, np.cumsum(count)].astype(np.int64)
    return Strips(
        np.ascontiguousarray(e[order]),
        np.ascontiguousarray(n[order]),
        np.ascontiguousarray(values[order]),
        strip[order],
        start,
        height,
    )


@njit(cache=True, nogil=True)
def _first_past(e: FloatArray, low: int, high: int, bound: float) -> int:
    """First index in [low, high) whose value is above the bound, else ``high``."""
    while low < high:
        middle = (low + high) >> 1
        if e[middle] > bound:
            high = middle
        else:
            low = middle + 1
    return low


@njit(cache=True, nogil=True)
def _run_of(s: Strips, i: int, strip: int, cutoff: float) -> tuple[int, int]:
    """First and past-the-last partner of reading i in a strip no lower than its own."""
    low, high = s.start[strip], s.start[strip + 1]
    half = cutoff
    slack = 1e-6 * cutoff  # for rounding: look a little further, each pair is measured anyway
    if strip == s.strip[i]:
        low = i + 1
    else:
        up = strip * s.height - s.n[i]  # to the near edge of the strip
        if up > 0.0:
            half = np.sqrt(max(cutoff * cutoff - up * up, 0.0))
        low = _first_past(s.e, low, high, s.e[i] - half - slack)
    return low, _first_past(s.e, low, high, s.e[i] + half + slack)


@njit(cache=True, nogil=True, fastmath={"nnan", "nsz", "contract"}, error_model="numpy")
def _measure(
    e: FloatArray,
    n: FloatArray,
    from_e: float,
    from_n: float,
    lags: Lags,
    lag: FloatArray,
    into: npt.NDArray[np.int32],
) -> None:
    """Lag and bin of pairs of one reading with a run of others; bin ``bins`` is the waste.

    Written for the processor's vector unit: no branches, nothing but floats until the last line.
    """
    sin, cos = lags.sin, lags.cos
    sin_tolerance, cos_tolerance = lags.sin_tolerance, lags.cos_tolerance
    bandwidth = lags.bandwidth
    farthest = (lags.cutoff * (1.0 + 1e-12)) ** 2
    per_metre = 1.0 / lags.width
    # A lag on a bin's upper edge belongs to it: 0.3 m in bins of 0.1 m is not to fall past by
    # rounding.
    shift = lags.first / lags.width + 1e-9
    last, waste = lags.bins - 1.0, lags.bins + 0.0
    for k in range(len(e)):
        de, dn = e[k] - from_e, n[k] - from_n
        square = de * de + dn * dn
        h = np.sqrt(square)
        along = abs(de * sin + dn * cos)
        across = abs(de * cos - dn * sin)
        b = min(max(np.ceil(h * per_metre - shift), 0.0), last)
        keep = (square > 0.0) & (square <= farthest) & (across <= bandwidth)
        keep &= across * cos_tolerance <= along * sin_tolerance
        lag[k] = h
        into[k] = np.int32(b if keep else waste)


def moments(s: Strips, lags: Lags, root: bool) -> FloatArray:
    """Sums over the pairs of each bin -> (bins, 3): pairs, lags, squared differences.

    With ``root``, square roots of the absolute differences in place of their squares.
    """
    hands = min(_HANDS, len(s.e))
    return _by_hand(_moments, hands, s, lags, root).sum(axis=(0, 1))[: lags.bins, :3]


def _by_hand(kernel: Callable[..., Any], hands: int, *arguments: Any) -> Any:
    """Stack what a kernel returns for each of the hands, in their order."""
    parts = dict(run(lambda hand: kernel(hand, hands, *arguments), range(hands)))
    return np.stack([parts[hand] for hand in range(hands)])


@njit(cache=True, nogil=True)
def _moments(hand: int, hands: int, s: Strips, lags: Lags, root: bool) -> FloatArray:
    """Sums of `moments` of one hand, by turn -> (2, bins + 1, 4)."""
    count = len(s.e)
    reach, top = int(np.ceil(lags.cutoff / s.height)) + 1, len(s.start) - 2
    lag, into = np.empty(_RUN), np.empty(_RUN, np.int32)
    total = np.zeros((2, lags.bins + 1, 4))
    for i in range(hand, count, hands):
        for strip in range(s.strip[i], min(s.strip[i] + reach, top) + 1):
            low, high = _run_of(s, i, strip, lags.cutoff)
            while low < high:
                stop = min(low + _RUN, high)
                _measure(s.e[low:stop], s.n[low:stop], s.e[i], s.n[i], lags, lag, into)
                for k in range(stop - low):
                    d = s.z[low + k] - s.z[i]
                    # Neighbours on a lane fall in one bin: two sums, by turns, do not wait
                    # for each other.
                    turn, b = k & 1, into[k]
                    total[turn, b, 0] += 1.0
                    total[turn, b, 1] += lag[k]
                    total[turn, b, 2] += np.sqrt(abs(d)) if root else d * d
                low = stop
    return total


@njit(cache=True, nogil=True)
def _digits(hand: int, hands: int, s: Strips, lags: Lags, known: IntArray, shift: int) -> IntArray:
    """Count one hand's next digit of differences that begin as ``known`` -> (bins + 1, 2048)."""
    count = len(s.e)
    reach, top = int(np.ceil(lags.cutoff / s.height)) + 1, len(s.start) - 2
    out = np.zeros((lags.bins + 1, 1 << _DIGIT), np.int64)
    lag, into = np.empty(_RUN), np.empty(_RUN, np.int32)
    difference = np.empty(_RUN)
    bits = difference.view(np.int64)
    for i in range(hand, count, hands):
        for strip in range(s.strip[i], min(s.strip[i] + reach, top) + 1):
            low, high = _run_of(s, i, strip, lags.cutoff)
            while low < high:
                stop = min(low + _RUN, high)
                _measure(s.e[low:stop], s.n[low:stop], s.e[i], s.n[i], lags, lag, into)
                for k in range(stop - low):
                    difference[k] = abs(s.z[low + k] - s.z[i])
                for k in range(stop - low):
                    b, digits = into[k], bits[k] >> shift
                    if digits >> _DIGIT == known[b]:
                        out[b, digits & ((1 << _DIGIT) - 1)] += 1
                low = stop
    return out


@njit(cache=True, nogil=True)
def _beyond(hand: int, hands: int, s: Strips, lags: Lags, value: FloatArray) -> FloatArray:
    """One hand's pairs differing up to ``value``, and the least past it -> (bins + 1, 2)."""
    count = len(s.e)
    reach, top = int(np.ceil(lags.cutoff / s.height)) + 1, len(s.start) - 2
    out = np.zeros((lags.bins + 1, 2))
    lag, into = np.empty(_RUN), np.empty(_RUN, np.int32)
    for i in range(hand, count, hands):
        for strip in range(s.strip[i], min(s.strip[i] + reach, top) + 1):
            low, high = _run_of(s, i, strip, lags.cutoff)
            while low < high:
                stop = min(low + _RUN, high)
                _measure(s.e[low:stop], s.n[low:stop], s.e[i], s.n[i], lags, lag, into)
                for k in range(stop - low):
                    b, d = into[k], abs(s.z[low + k] - s.z[i])
                    if b < lags.bins:
                        if d <= value[b]:
                            out[b, 0] += 1.0
                        elif out[b, 1] == 0.0 or d < out[b, 1]:
                            out[b, 1] = d  # 0 stands for none yet: no d past value is 0
                low = stop
    return out


def medians(s: Strips, lags: Lags, pairs: IntArray) -> FloatArray:
    """Median absolute difference of each bin's pairs, exactly; 0 in an empty bin -> (bins,).

    Non-negative floats sort as their bits do, so the bits of the lower middle difference are
    settled eleven at a time, the highest first, by counting the pairs that agree so far: six
    passes over the pairs, and a seventh for the upper middle one. Memory: 16 kB a bin and hand
    (radix selection: Knuth, The Art of Computer Programming 3, 5.2.5, from memory).
    """
    bins = np.arange(lags.bins)
    few = min(8, len(s.e))
    left = np.maximum(pairs - 1, 0) // 2
    known = np.zeros(lags.bins + 1, np.int64)
    known[-1] = -1  # the waste agrees with nothing
    for shift in range(5 * _DIGIT, -1, -_DIGIT):
        so_far = _by_hand(_digits, few, s, lags, known, shift).sum(axis=0)[:-1].cumsum(axis=1)
        digit = np.minimum((so_far <= left[:, None]).sum(axis=1), (1 << _DIGIT) - 1)
        left = left - np.where(digit > 0, so_far[bins, digit - 1], 0)
        known[:-1] = (known[:-1] << _DIGIT) | digit
    lower = np.where(pairs > 0, known[:-1], 0).view(np.float64)
    hands = _by_hand(_beyond, min(_HANDS, len(s.e)), s, lags, lower)[:, :-1]
    above = np.where(hands[..., 1] > 0, hands[..., 1], np.inf).min(axis=0)
    upper = np.where(hands[..., 0].sum(axis=0) > pairs // 2, lower, above)
    return np.where(pairs > 0, (lower + upper) / 2.0, 0.0)
