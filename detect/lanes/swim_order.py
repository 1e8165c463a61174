"""In which order and which way lanes are swum that lie anywhere, so that little is swum between."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from detect.lanes.field import FloatArray

_SAME_M = 1e-9
# Beginnings tried: more than this change little and take long.
_MOST_BEGINNINGS = 60


def in_short_order(lanes: pd.DataFrame) -> pd.DataFrame:
    """Return lanes with the order and direction in which little is swum between them.

    Parameters
    ----------
    lanes : pandas.DataFrame
        ``start_e, start_n, end_e, end_n`` (m).

    Returns
    -------
    pandas.DataFrame
        The same rows with ``order`` (1, 2, ... as swum) and ``direction`` ("out" from start to end,
        or "back"), as `detect.lanes.dives.pack_dives` follows them.

    Notes
    -----
    From each end of each lane (of sixty at most, spread evenly) the nearest free end is swum to
    next, and so on; the shortest of these is improved by 2-opt: a stretch of the order is swum the
    other way round, lanes and all, while that shortens it. Source: G. A. Croes, *Operations
    Research* 6 (1958) 791-812 (from memory). Limit: straight distances, round no keep-outs; no
    proof that nothing is shorter.
    """
    ends = lanes[["start_e", "start_n", "end_e", "end_n"]].to_numpy(dtype=float)
    turns = _improved(_nearest_next(_between(ends)), _between(ends))
    order = np.empty(len(lanes), dtype=np.int64)
    order[turns // 2] = np.arange(1, len(lanes) + 1)
    back = np.zeros(len(lanes), dtype=bool)
    back[turns // 2] = turns % 2 == 1
    return lanes.assign(order=order, direction=np.where(back, "back", "out"))


def _between(ends: FloatArray) -> FloatArray:
    """Return the distance from the end of each swim to the start of each, shape (2 N, 2 N).

    Swim 2 i is lane i swum out, swim 2 i + 1 the same swum back.
    """
    starts = np.stack([ends[:, :2], ends[:, 2:]], axis=1).reshape(-1, 2)
    stops = np.stack([ends[:, 2:], ends[:, :2]], axis=1).reshape(-1, 2)
    return np.asarray(np.hypot(*np.moveaxis(stops[:, None] - starts[None], 2, 0)))


def _nearest_next(between: FloatArray) -> NDArray[np.int64]:
    """Return the shortest of the orders in which the nearest swim is always next."""
    swims = len(between)
    if not swims:
        return np.zeros(0, dtype=np.int64)
    best, shortest = np.zeros(0, dtype=np.int64), np.inf
    for begin in np.unique(np.linspace(0, swims - 1, min(swims, _MOST_BEGINNINGS)).astype(int)):
        free = np.ones(swims, dtype=bool)
        turns, total = [int(begin)], 0.0
        free[[begin, begin ^ 1]] = False
        while free.any():
            away = np.where(free, between[turns[-1]], np.inf)
            following = int(np.argmin(away))
            turns.append(following)
            total += float(away[following])
            free[[following, following ^ 1]] = False
        if total < shortest - _SAME_M:
            best, shortest = np.array(turns, dtype=np.int64), total
    return best


def _improved(turns: NDArray[np.int64], between: FloatArray) -> NDArray[np.int64]:
    """Return an order of which no stretch is better swum the other way round."""
    if len(turns) < 2:
        return turns
    while True:
        # What comes before a stretch i to j, and after; nothing before the first, after the last.
        before, after = turns[:-1], turns[1:]
        step = between[before, after]
        leaves, joins = np.append(0.0, step), np.append(step, 0.0)
        other = turns ^ 1
        into = np.zeros((len(turns), len(turns)))
        into[1:] = between[before[:, None], other[None, :]]
        on = np.zeros_like(into)
        on[:, :-1] = between[other[:, None], after[None, :]]
        gain = np.triu(leaves[:, None] + joins[None, :] - into - on)
        i, j = np.unravel_index(int(np.argmax(gain)), gain.shape)
        if gain[i, j] <= _SAME_M:
            return turns
        turns = turns.copy()
        turns[i : j + 1] = other[i : j + 1][::-1]
