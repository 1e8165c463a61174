"""The lag once more, finer: from each target that lanes of both directions heard.

A target is heard at one place along the lanes whichever way they were swum, and however far to the
side it lies. What the two ways disagree by is twice the lag.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from detect.readings.inversion import RELATIVE_ERROR, Readings
from detect.readings.pursuit import LEFTOVER, merged, pursue, refine
from detect.readings.sources import WIDEST_STEP_M
from detect.readings.weighing import COARSE, HEARD_WITHIN_M, Heard, Weigher
from detect.survey.settings import Detector

Floats = NDArray[np.float64]

#: targets are looked for down to this many sigmas, and asked for a lag from this many up
LEAST_SNR, ASKED_SNR = 4.0, 6.0
#: lags that each target is asked about, past the one the readings were moved back by, m
OFF_M = np.linspace(-0.16, 0.16, 9)
#: error that targets share, m (from sites of `tests/benchmarks/buried_sites.py`, seeds 100 to 115)
SHARED_SD_M = 0.015
FEWEST_TARGETS = 4
ALONG_SD_M = 0.04
#: cells along a side of the map that targets are looked for under: they are cut finer there
CELLS = 200


@dataclass(frozen=True, eq=False)
class Swum:
    """Used readings, and the coil that took them.

    Attributes
    ----------
    points : (N, 2) array
        Places as logged, m.
    heading_deg, signal, track : (N,) arrays
    at_full_scale : (N,) bool array
    detector : Detector
    noise_sd : float
        Of one reading.
    """

    points: Floats
    heading_deg: Floats
    signal: Floats
    track: NDArray[np.int64]
    at_full_scale: NDArray[np.bool_]
    detector: Detector
    noise_sd: float

    @property
    def ahead(self) -> Floats:
        """Unit vectors of the ways swum, (N, 2)."""
        angle = np.deg2rad(self.heading_deg)
        return np.column_stack([np.sin(angle), np.cos(angle)])

    def moved_back(self, lag_m: float) -> Floats:
        """Places (N, 2) where the coil was, if the needle is that late."""
        return self.points - lag_m * self.ahead


def lag_by_targets(swum: Swum, first_guess_m: float) -> tuple[float, float, int]:
    """Return the lag that strong targets agree on, its standard deviation, and how many told.

    Targets are picked and fitted as for the anomalies, with the readings moved back by a first
    guess, and each is asked about lags past that.

    Parameters
    ----------
    swum : Swum
    first_guess_m : float

    Returns
    -------
    lag_m, sd_m : float
        The first guess and NaN where fewer than `FEWEST_TARGETS` told.
    targets : int

    Notes
    -----
    The standard deviation is that of the jackknife over targets (Tukey 1958, from memory), with
    `SHARED_SD_M` for what they share. Limit: targets lie as they were told apart at the first
    guess; a guess more than 0.16 m off is not mended whole.
    """
    points, signal = swum.moved_back(first_guess_m), swum.signal
    field = _under(points)
    everywhere = np.ones(field.shape, bool)
    targets, z = pursue(points, signal, swum.detector, swum.noise_sd, field, everywhere, LEAST_SNR)
    targets, z, _ = merged(targets, z, z)
    told = ~swum.at_full_scale
    fits = refine(targets, points[told], signal[told], swum.detector, swum.noise_sd)
    rows = np.array([fit.row for fit in fits]).reshape(-1, 4)
    evidence = _evidence(swum, first_guess_m + OFF_M, points, rows, z)
    count = len(evidence)
    if count < FEWEST_TARGETS:
        return first_guess_m, float("nan"), count
    total = evidence.sum(axis=0)
    without = np.array([top_of_parabola(OFF_M, total - own) for own in evidence])
    spread = (count - 1) / count * np.sum((without - without.mean()) ** 2)
    lag = first_guess_m + top_of_parabola(OFF_M, total)
    return lag, float(np.hypot(np.sqrt(spread), SHARED_SD_M)), count


def top_of_parabola(x: Floats, y: Floats) -> float:
    """Return where the parabola through the largest of y (L,) and its neighbours has its top."""
    at = int(np.clip(np.argmax(y), 1, len(x) - 2))
    curve = np.polyfit(x[at - 1 : at + 2], y[at - 1 : at + 2], 2)
    if curve[0] >= 0:
        return float(x[np.argmax(y)])
    return float(np.clip(-curve[1] / (2.0 * curve[0]), x[0], x[-1]))


def _evidence(swum: Swum, lags_m: Floats, points: Floats, targets: Floats, z: Floats) -> Floats:
    """Return what each target says of the lags: ln of how probable the readings are, (G, L).

    The readings around it, what its neighbours add taken off, are moved back by each lag, and all
    answers about the target are weighed (:meth:`detect.readings.weighing.Weigher.weigh`): the sum
    of their probabilities is that of the lag (marginal likelihood, Bayes' rule). Wander, height
    and level of each lane are averaged out, so that they do not pass for a lag.
    """
    noise_sd, ahead = swum.noise_sd, swum.ahead
    each = Readings(points, swum.signal, swum.detector, noise_sd).heard(targets)
    together = each.sum(axis=0)
    tree, weigher = cKDTree(points), Weigher(swum.detector, noise_sd, COARSE)
    moved = [swum.moved_back(lag) for lag in lags_m]
    out = []
    for number in np.flatnonzero(z >= ASKED_SNR):
        place = targets[number, :2]
        near = np.array(tree.query_ball_point(place, HEARD_WITHIN_M), dtype=int)
        own = each[number, near]
        if not _both_ways(ahead[near]):
            continue
        others = together[near] - own
        rest = swum.signal[near] - others
        variance = noise_sd**2 + (RELATIVE_ERROR * rest) ** 2 + (LEFTOVER * others) ** 2
        about = variance, swum.track[near], swum.heading_deg[near], swum.at_full_scale[near]
        out.append(
            [weigher.evidence(place, ALONG_SD_M, Heard(at[near], rest, *about)) for at in moved]
        )
    return np.array(out).reshape(-1, len(lags_m))


def _both_ways(ahead: Floats) -> bool:
    """Tell whether some of the ways (N, 2) go against the first."""
    return len(ahead) > 0 and bool((ahead @ ahead[0] < -0.7).any())


def _under(points: Floats) -> xr.DataArray:
    """Return a map about the points that targets are looked for under."""
    low, high = points.min(axis=0) - 1.0, points.max(axis=0) + 1.0
    cell = max(float((high - low).max()) / CELLS, WIDEST_STEP_M)
    e, n = (np.arange(a + cell / 2, b + cell, cell) for a, b in zip(low, high, strict=True))
    return xr.DataArray(np.zeros((n.size, e.size)), coords={"n": n, "e": e}, dims=("n", "e"))
