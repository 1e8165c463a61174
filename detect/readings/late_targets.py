"""The lag once more, finer: from each target that lanes of both directions heard.

A target is heard at one place along the lanes whichever way they were swum, and however far to the
side it lies. What the two ways disagree by is twice the lag.
"""

from __future__ import annotations

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.spatial import cKDTree

from detect.readings.inversion import DEEPEST_M, FEWEST_READINGS, REACH_M, Readings
from detect.readings.pursuit import FIT_RADIUS_M, MOST_TOGETHER, grouped, merged, pursue
from detect.readings.sources import WIDEST_STEP_M
from detect.survey.settings import Detector

Floats = NDArray[np.float64]

#: targets whose filter stands out by this many sigmas tell a lag
LEAST_SNR = 7.0
#: a group of targets may move the lag by this much, m
MOST_M = 0.2
#: what the places of two lanes' readings leave open in any one group, m (tapes read to a few
#: centimetres: common practice, no source)
TAPE_M = 0.03
#: a group this many of its standard deviations off counts less (Huber)
HUBER = 1.5
FEWEST_GROUPS = 5
ROUNDS = 20
#: cells along a side of the map that targets are looked for under: they are cut finer there
CELLS = 200


def lag_by_targets(
    points: Floats,
    forward: Floats,
    signal: Floats,
    at_full_scale: NDArray[np.bool_],
    detector: Detector,
    noise_sd: float,
) -> tuple[Floats, Floats]:
    """Return what lag is left over in each group of strong targets, and its standard deviation.

    Targets are picked as for the anomalies, and each group that overlaps is fitted with a lag of
    its own beside places, depths and strengths. The lag's variance is its part of the inverse of
    the normal matrix (Schur complement), scaled up by the misfit, with `TAPE_M` added.

    Parameters
    ----------
    points : (N, 2) array
        Places of the readings, m, moved back by a first guess of the lag.
    forward : (N, 2) array
        Unit vectors of the ways swum.
    signal : (N,) array
    at_full_scale : (N,) bool array
        Readings that count in picking and not in fitting.
    detector : Detector
    noise_sd : float

    Returns
    -------
    lag, sd : (G,) arrays
        m; groups heard on lanes of one direction only are left out.
    """
    field = _under(points)
    everywhere = np.ones(field.shape, bool)
    targets, z = pursue(points, signal, detector, noise_sd, field, everywhere, LEAST_SNR)
    targets, *_ = merged(targets, z, z)
    told = ~at_full_scale
    tree = cKDTree(points[told])
    lags, sds = [], []
    for members in grouped(targets):
        around = tree.query_ball_point(targets[members, :2], FIT_RADIUS_M)
        near = np.unique(np.concatenate(around)).astype(int)
        if len(members) > MOST_TOGETHER or len(near) < max(FEWEST_READINGS, 4 * len(members) + 2):
            continue
        some = points[told][near], forward[told][near], signal[told][near]
        lag, sd = _own_lag(*some, targets[members], detector, noise_sd)
        if sd < MOST_M:
            lags.append(lag)
            sds.append(float(np.hypot(sd, TAPE_M)))
    return np.array(lags), np.array(sds)


def combined(lag: Floats, sd: Floats) -> tuple[float, float]:
    """Return the lag that the groups agree on, and its standard deviation.

    Weighted mean, groups far off counting less (Huber 1964, Ann. Math. Stat. 35, iterated; from
    memory); standard deviation by the jackknife over groups (Tukey 1958, from memory).
    """
    count = len(lag)
    at = _huber(lag, sd)
    without = np.array([_huber(np.delete(lag, i), np.delete(sd, i)) for i in range(count)])
    spread = float(np.sqrt((count - 1) / count * np.sum((without - without.mean()) ** 2)))
    return at, spread


def _huber(lag: Floats, sd: Floats) -> float:
    """Huber's weighted mean, from the median."""
    at = float(np.median(lag))
    for _ in range(ROUNDS):
        off = np.abs(lag - at) / sd
        weight = np.minimum(1.0, HUBER / np.maximum(off, 1e-12)) / sd**2
        at = float(weight @ lag / weight.sum())
    return at


def _under(points: Floats) -> xr.DataArray:
    """Return a map about the points that targets are looked for under."""
    low, high = points.min(axis=0) - 1.0, points.max(axis=0) + 1.0
    cell = max(float((high - low).max()) / CELLS, WIDEST_STEP_M)
    e, n = (np.arange(a + cell / 2, b + cell, cell) for a, b in zip(low, high, strict=True))
    return xr.DataArray(np.zeros((n.size, e.size)), coords={"n": n, "e": e}, dims=("n", "e"))


def _own_lag(
    points: Floats,
    forward: Floats,
    signal: Floats,
    targets: Floats,
    detector: Detector,
    noise_sd: float,
) -> tuple[float, float]:
    """Fit one group of targets with a lag of its own: lag and its standard deviation, m."""
    count = len(targets)

    def moved(x: Floats) -> Readings:
        return Readings(points - x[-1] * forward, signal, detector, noise_sd)

    def slopes(x: Floats) -> Floats:
        by_target = moved(x).slopes(x[:-1])
        # the readings move back: to a target that is as if it moved ahead
        place = by_target.reshape(len(signal), count, 4)[..., :2].sum(axis=1)
        return np.column_stack([by_target, np.sum(place * forward, axis=1)])

    reach = np.array([REACH_M, REACH_M])
    low = np.column_stack([targets[:, :2] - reach, np.tile([0.0, -12.0], (count, 1))])
    high = np.column_stack([targets[:, :2] + reach, np.tile([DEEPEST_M, 12.0], (count, 1))])
    found = least_squares(
        lambda x: moved(x).misfit(x[:-1]),
        np.append(np.clip(targets, low, high).ravel(), 0.0),
        jac=slopes,
        bounds=(np.append(low.ravel(), -MOST_M), np.append(high.ravel(), MOST_M)),
        x_scale=np.append(np.tile([0.1, 0.1, 0.1, 0.5], count), 0.05),
        max_nfev=30,
    )
    free, late = found.jac[:, :-1], found.jac[:, -1]
    own = late - free @ np.linalg.lstsq(free, late, rcond=1e-6)[0]
    scale = max(1.0, 2.0 * found.cost / max(len(signal) - 4 * count - 1, 1))
    return float(found.x[-1]), float(np.sqrt(scale / max(own @ own, 1e-12)))
