"""Matching pursuit: the loudest target is fitted and taken off, then the next, down to noise."""

from __future__ import annotations

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from detect.readings.inversion import (
    RELATIVE_ERROR,
    Readings,
    fit_together,
)
from detect.readings.matched_filter import MatchedFilter
from detect.readings.response_table import REACH_SHARE
from detect.readings.sources import Sources, sources_under
from detect.survey.settings import Detector

Floats = NDArray[np.float64]

#: a target is fitted to the readings this near, m
FIT_RADIUS_M = 1.0
#: picks closer together than this are one target, m
SAME_TARGET_M = 0.3
#: picks nearer to each other than this are fitted together, m
TOGETHER_M = 1.2
#: readings that a fit together needs besides one for each unknown; fewer, as a log of a reading a
#: metre has about a target, leave the first fit as it is (what they leave open is weighed later)
SPARE = 2
#: more targets than this are not told apart by one fit
MOST_TOGETHER = 12
MOST_PICKS = 200
#: relative change of the misfit at which a pick is placed well enough to be taken off: all are
#: fitted again, together
ROUGHLY = 1e-3
#: the same where targets are fitted together: all answers about each are weighed after that
CLOSELY = 1e-5


def pursue(
    points: Floats,
    signal: Floats,
    detector: Detector,
    noise_sd: float,
    field: xr.DataArray,
    surveyed: NDArray[np.bool_],
    least: float,
) -> tuple[Floats, Floats]:
    """Pick targets one by one where a matched filter stands out.

    The source with the largest z (:class:`detect.readings.matched_filter.MatchedFilter`) is refined
    (`Readings.start`, `fit_together`), its signal taken off the readings, and the filter run again
    (matching pursuit, Mallat & Zhang 1993, IEEE Trans. Signal Process. 41; from memory).

    Parameters
    ----------
    points, signal : (N, 2) and (N,) arrays
        Used readings.
    detector : Detector
    noise_sd : float
    field : DataArray (n, e)
        Map under whose cells targets are looked for.
    surveyed : (L, K) bool array
        Cells where the readings speak.
    least : float
        Stop when no z reaches this.

    Returns
    -------
    targets : (P, 4) array
        ``e, n, depth, ln strength`` in the order found.
    z : (P,) array

    Notes
    -----
    Limit: greedy. A pair that looks like one target is one target.
    """
    sources = sources_under(field, detector, points)
    heard = surveyed.ravel()[sources.cell]
    sources = Sources(sources.nodes[heard], sources.depths, sources.cell[heard])
    listen = MatchedFilter(points, sources, detector, noise_sd)
    places, tree = listen.places[:, :2], cKDTree(points)
    reach = REACH_SHARE * detector.air_range_m
    left, taken = signal.astype(float).copy(), np.zeros(len(signal))
    variance = noise_sd**2 + (RELATIVE_ERROR * signal) ** 2
    listen.hear(left, variance, taken)
    targets: list[Floats] = []
    found: list[float] = []
    barred = np.zeros(len(places), bool)
    while len(targets) < MOST_PICKS and len(places):
        z = np.where(barred, -np.inf, listen.z)
        best = int(np.argmax(z))
        if z[best] < least:
            break
        start = places[best]
        near = np.array(tree.query_ball_point(start, FIT_RADIUS_M), dtype=int)
        barred |= np.hypot(*(places - start).T) < 1e-9  # never twice from one place
        if len(near) == 0:
            continue
        local = Readings(points[near], left[near], detector, noise_sd)
        first = local.start((float(start[0]), float(start[1])))
        row = fit_together(local, first[None], ROUGHLY)[0]
        everywhere = np.array(tree.query_ball_point(row[:2], reach), dtype=int)
        signal_of_it = Readings(points[everywhere], left[everywhere], detector, noise_sd).heard(
            row[None]
        )[0]
        left[everywhere] -= signal_of_it
        taken[everywhere] += signal_of_it
        listen.hear(left, variance, taken, everywhere)
        targets.append(row)
        found.append(float(z[best]))
    return np.array(targets).reshape(-1, 4), np.array(found)


def merged(targets: Floats, z: Floats, q: Floats) -> tuple[Floats, Floats, Floats]:
    """Drop picks within `SAME_TARGET_M` of a stronger one."""
    keep: list[int] = []
    for i in np.argsort(-z, kind="stable"):
        apart = np.hypot(*(targets[keep, :2] - targets[i, :2]).T) if keep else np.array([np.inf])
        if apart.min() >= SAME_TARGET_M:
            keep.append(int(i))
    return targets[keep], z[keep], q[keep]


def grouped(targets: Floats) -> list[NDArray[np.int64]]:
    """Return the numbers of the targets (P, 4) of each group that overlaps."""
    if len(targets) == 0:
        return []
    pairs = cKDTree(targets[:, :2]).query_pairs(TOGETHER_M, output_type="ndarray")
    ones = np.ones(len(pairs), bool)
    graph = csr_matrix((ones, (pairs[:, 0], pairs[:, 1])), (len(targets), len(targets)))
    count, group = connected_components(graph, directed=False)
    return [np.flatnonzero(group == number) for number in range(count)]


def refine(
    targets: Floats, points: Floats, signal: Floats, detector: Detector, noise_sd: float
) -> Floats:
    """Fit targets that overlap together, each group to the readings around it.

    Parameters
    ----------
    targets : (P, 4) array
        From `merged`.
    points, signal : (N, 2) and (N,) arrays
        Readings below full scale.

    Returns
    -------
    (P, 4) array
        In the order of the targets; in crowds of more than `MOST_TOGETHER` as they were.
    """
    tree, refined = cKDTree(points), targets.copy()
    for members in grouped(targets):
        near = np.unique(np.concatenate(tree.query_ball_point(targets[members, :2], FIT_RADIUS_M)))
        crowded = len(members) > MOST_TOGETHER or len(near) < 4 * len(members) + SPARE
        if not crowded:
            near = near.astype(int)
            readings = Readings(points[near], signal[near], detector, noise_sd)
            refined[members] = fit_together(readings, targets[members], CLOSELY)
    return refined
