"""All targets of a site fitted at once, with the lag and with what a diver does to a lane.

One target fitted alone takes its neighbours' share, and a lane swum a hand's breadth aside for a
change of lag. Here everything that moves a reading is an unknown of one fit, held by what is known
of it beforehand.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csc_matrix, csr_matrix, diags, hstack
from scipy.sparse.linalg import SuperLU, splu
from scipy.spatial import cKDTree

from detect.readings.inversion import RELATIVE_ERROR
from detect.readings.response_table import DEEPEST_M, ResponseTable, response_table
from detect.readings.robust import huber_weights
from detect.survey.settings import Detector

Floats = NDArray[np.float64]
Numbers = NDArray[np.int64]

#: a lane's place aside and its height are free at knots this far apart, linear between, m
KNOT_M = 2.0
#: what is known beforehand (1 sigma): height of the coil, m; level of a lane, noise sigmas; place
#: along a lane of all its readings, and of each, m (common practice, no source)
HEIGHT_SD_M, LEVEL_SD, ALONG_SD_M, EACH_SD_M = 0.015, 0.2, 0.03, 0.02
#: the same of a target: depth, m, and ln of strength in reference targets (no source)
DEPTH_M, DEPTH_SD_M, LN_STRENGTH_SD = 0.5, 0.5, 1.5
#: a target is heard this far, m
REACH_M = 1.5
#: a reading more sigmas off than this pulls no harder (Huber)
HUBER = 2.0
#: most that a target moves in one step: m, ratio of distances to the coil, ln of loudness
STEP_M, STEP_RATIO, STEP_LN = 0.2, 1.5, 0.7
#: a target that adds less than this, in sigmas, is dropped
LEAST_HEARD = 1.0
#: a fit is done when a step gains less than this, and moves the lag by less, m
GAIN, STILL_M = 0.5, 1e-3
TRIES = 5
#: damping that a fit starts with: with less, half of the steps have to be taken back
DAMPING = 1.0


@dataclass(frozen=True, eq=False)
class Swum:
    """Used readings, and the coil that took them.

    Attributes
    ----------
    points : (N, 2) array
        Places as logged, m.
    heading_deg, signal, track : (N,) arrays
        Tracks are numbered from 0.
    at_full_scale : (N,) bool array
    detector : Detector
    noise_sd : float
        Of one reading.
    """

    points: Floats
    heading_deg: Floats
    signal: Floats
    track: Numbers
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


def lane_knots(points: Floats, ahead: Floats, track: Numbers) -> csr_matrix:
    """Return weights (N, K) that bring values at knots along each track to its readings."""
    along = np.empty(len(points))
    knot, first = np.empty(len(points), np.int64), 0
    for number in range(int(track.max()) + 1):
        mine = track == number
        place = points[mine] @ ahead[mine].mean(axis=0)
        place -= place.min()
        parts = max(int(np.ceil(place.max() / KNOT_M)), 1)
        place *= parts / max(float(place.max()), 1e-9)
        before = np.minimum(place.astype(np.int64), parts - 1)
        along[mine], knot[mine] = place - before, first + before
        first += parts + 1
    row = np.arange(len(points))
    values = np.concatenate([1.0 - along, along])
    return csr_matrix(
        (values, (np.concatenate([row, row]), np.concatenate([knot, knot + 1]))),
        (len(points), first),
    )


@dataclass(frozen=True, eq=False)
class _Heard:
    """What the targets add: of each pair its signal and slopes (P,), of each reading the sum.

    `left` is what is left of a reading, `ahead` and `aside` how its sum changes as the coil moves,
    `by_height` as it rises.
    """

    each: Floats
    slopes: Floats
    total: Floats
    left: Floats
    ahead: Floats
    aside: Floats
    by_height: Floats


class SiteFit:
    r"""A fit of targets, lag, and the wander, height, level and place along of each lane.

    A reading is the sum of its targets' signals where the coil was, and its lane's level. Least is

    .. math:: \sum_i h\big((y_i - m_i(x)) / s_i\big) + \tfrac12 \sum_j (x_j - p_j)^2 / t_j^2

    with h Huber's function (1964, Ann. Math. Stat. 35), and p and t what is known of the unknowns
    beforehand; s holds the noise, a tenth of the targets' signal, and what `EACH_SD_M` does to it.
    Steps are those of Levenberg and Marquardt (Nocedal & Wright 2006, ch. 10; all from memory).

    Parameters
    ----------
    swum : Swum
    lag_m : float
        Where the lag starts; nothing is known of it beforehand.

    Attributes
    ----------
    targets : (G, 4) array
        ``e, n, depth, ln strength``.
    lag_m : float
    """

    _heard: _Heard
    _weight: Floats

    def __init__(self, swum: Swum, lag_m: float) -> None:
        self.swum, self.targets = swum, np.empty((0, 4))
        self.threshold = swum.detector.threshold_snr * swum.noise_sd
        self.table: ResponseTable = response_table(swum.detector)
        self.ahead = swum.ahead
        self.side = np.column_stack([self.ahead[:, 1], -self.ahead[:, 0]])
        self.knots = lane_knots(swum.points, self.ahead, swum.track)
        count, tracks = len(swum.points), int(swum.track.max()) + 1
        self.lanes = csr_matrix((np.ones(count), (np.arange(count), swum.track)), (count, tracks))
        per_knot, per_track = np.ones(self.knots.shape[1]), np.ones(tracks)
        height = max(HEIGHT_SD_M, swum.detector.height_error_m)
        self._known = np.concatenate(
            [
                per_knot * swum.detector.line_error_m,
                per_knot * height,
                per_track * LEVEL_SD * swum.noise_sd,
                per_track * ALONG_SD_M,
                [np.inf],
            ]
        )
        self._ends = np.cumsum([len(per_knot), len(per_knot), tracks, tracks])
        self._swimming = np.append(np.zeros(len(self._known) - 1), lag_m)

    @property
    def lag_m(self) -> float:
        """How far the needle comes behind, m."""
        return float(self._swimming[-1])

    def left_over(self) -> tuple[Floats, Floats, Floats]:
        """Return what is left of each reading, its variance, and the sum of its targets."""
        level = np.split(self._swimming, self._ends)[2]
        left, total = self.swum.signal - level[self.swum.track], np.zeros(len(self.swum.signal))
        variance = np.full(len(left), self.swum.noise_sd**2)
        if not len(self.targets):  # no targets are known: readings stand for them
            variance += (RELATIVE_ERROR * left) ** 2
        else:
            left[self._near] = np.where(self._answered(self._heard.left), 0.0, self._heard.left)
            variance[self._near], total[self._near] = 1.0 / self._weight, self._heard.total
        return left, variance, total

    def fit(self, more: Floats, steps: int) -> None:
        """Take in more targets (M, 4), drop those no longer heard, and fit all again."""
        if len(self.targets):
            power = self._heard.each**2 * self._weight[self._reading]
            loud = np.bincount(self._target, power, len(self.targets)) > LEAST_HEARD**2
            self.targets = self.targets[loud]
        self.targets = np.vstack([self.targets, more])
        self._lay_out()
        heard = self._hear(self.targets, self._swimming)
        damping = DAMPING
        for _ in range(steps):
            weight = self._weights(heard)
            slopes, pull = self._slopes(heard), self._pull(heard.left, weight)
            off = self._off(self.targets, self._swimming)
            down = slopes.T @ (pull * heard.left) - off * self._rigid
            normal = csc_matrix(slopes.T @ diags(pull) @ slopes + diags(self._rigid**2))
            cost = self._cost(heard.left, weight, off)
            for _ in range(TRIES):
                step = _factored(normal + diags(damping * normal.diagonal())).solve(down)
                targets, swimming = self._moved(step)
                tried = self._hear(targets, swimming)
                gain = cost - self._cost(tried.left, weight, self._off(targets, swimming))
                if gain > 0.0:
                    break
                damping *= 6.0
            else:
                break
            still = abs(swimming[-1] - self._swimming[-1]) < STILL_M
            self.targets, self._swimming, heard = targets, swimming, tried
            damping = max(damping / 4.0, 1e-5)
            if still and gain < GAIN:
                break
        self._heard, self._weight = heard, self._weights(heard)

    def lag_sd_m(self) -> float:
        """Return the standard deviation of the lag as far as the fit's slopes tell it, m."""
        slopes, pull = self._slopes(self._heard), self._pull(self._heard.left, self._weight)
        normal = csc_matrix(slopes.T @ diags(pull) @ slopes + diags(self._rigid**2))
        last = np.append(np.zeros(normal.shape[0] - 1), 1.0)
        return float(np.sqrt(_factored(normal).solve(last)[-1]))

    def _lay_out(self) -> None:
        """Find which readings hear which targets, and which unknowns of the lanes those touch."""
        places = cKDTree(self.swum.moved_back(self.lag_m))
        pairs = places.sparse_distance_matrix(
            cKDTree(self.targets[:, :2]), REACH_M, output_type="ndarray"
        )
        self._target = pairs["j"].astype(np.int64)
        near, reading = np.unique(pairs["i"], return_inverse=True)
        self._near, self._reading = near.astype(np.int64), reading.astype(np.int64)
        knots, lanes = self.knots[self._near], self.lanes[self._near]
        knot, lane = (np.flatnonzero(x.sum(axis=0)) for x in (knots, lanes))
        self._near_knots, self._near_lanes = knots[:, knot], lanes[:, lane]
        first, second, third, fourth = self._ends
        self._free = np.concatenate(
            [knot, first + knot, second + lane, third + lane, [fourth]]
        ).astype(np.int64)
        target = (0.1, 0.1, 1.0 / DEPTH_SD_M, 1.0 / LN_STRENGTH_SD)
        self._rigid = np.append(np.tile(target, len(self.targets)), 1.0 / self._known[self._free])

    def _hear(self, targets: Floats, swimming: Floats) -> _Heard:
        """Return what targets add to the readings that hear them, and how that changes."""
        near, at, swum = self._near, self._reading, self.swum
        aside, height, level, late, lag = np.split(swimming, self._ends)
        track = swum.track[near]
        ahead, side = self.ahead[near], self.side[near]
        coil = swum.points[near] - (lag + late[track])[:, None] * ahead
        coil += (self.knots @ aside)[near][:, None] * side
        away = coil[at] - targets[self._target, :2]
        rho = np.hypot(*away.T)
        height = swum.detector.coil_height_m + (self.knots @ height)[near]
        loud = self.threshold * np.exp(targets[self._target, 3])
        each, by_rho, by_height = (
            loud * x for x in self.table.with_slopes(rho, height[at] + targets[self._target, 2])
        )
        by_place = (by_rho / np.maximum(rho, 1e-6))[:, None] * away
        count = len(near)
        total, by_e, by_n, rise = (
            np.bincount(at, x, count).astype(float) for x in (each, *by_place.T, by_height)
        )
        return _Heard(
            each,
            np.column_stack([-by_place, by_height, each]),
            total,
            swum.signal[near] - total - level[track],
            by_e * ahead[:, 0] + by_n * ahead[:, 1],
            by_e * side[:, 0] + by_n * side[:, 1],
            rise,
        )

    def _slopes(self, heard: _Heard) -> csr_matrix:
        """Return how each reading (rows) changes with each unknown."""
        column = 4 * self._target[:, None] + np.arange(4)
        by_target = csr_matrix(
            (heard.slopes.ravel(), (np.repeat(self._reading, 4), column.ravel())),
            (len(self._near), 4 * len(self.targets)),
        )
        knots, lanes, late = self._near_knots, self._near_lanes, -heard.ahead
        parts = [
            by_target,
            knots.multiply(heard.aside[:, None]),
            knots.multiply(heard.by_height[:, None]),
            lanes,
            lanes.multiply(late[:, None]),
            csr_matrix(late[:, None]),
        ]
        return csr_matrix(hstack(parts, format="csr"))

    def _weights(self, heard: _Heard) -> Floats:
        """One over the variance of each reading."""
        shaken = EACH_SD_M * np.hypot(heard.ahead, heard.aside)
        spread = self.swum.noise_sd**2 + (RELATIVE_ERROR * heard.total) ** 2 + shaken**2
        return np.asarray(1.0 / spread)

    def _answered(self, left: Floats) -> NDArray[np.bool_]:
        """Tell readings at full scale that the targets exceed: no error is left there."""
        return np.asarray(self.swum.at_full_scale[self._near] & (left <= 0.0))

    def _pull(self, left: Floats, weight: Floats) -> Floats:
        """Weights of a step: less where a reading is far off."""
        off = np.abs(left) * np.sqrt(weight)
        pull = weight * huber_weights(off, HUBER)
        return np.where(self._answered(left), 0.0, pull)

    def _off(self, targets: Floats, swimming: Floats) -> Floats:
        """How far the unknowns are from what was known beforehand, sigmas."""
        depth, strength = targets[:, 2] - DEPTH_M, targets[:, 3]
        places = np.zeros((len(targets), 2))
        off = np.column_stack([places, depth / DEPTH_SD_M, strength / LN_STRENGTH_SD])
        return np.append(off, swimming[self._free] / self._known[self._free])

    def _cost(self, left: Floats, weight: Floats, off: Floats) -> float:
        error = np.where(self._answered(left), 0.0, np.abs(left) * np.sqrt(weight))
        near = np.minimum(error, HUBER)
        return float(np.sum(near * (error - 0.5 * near)) + 0.5 * off @ off)

    def _moved(self, step: Floats) -> tuple[Floats, Floats]:
        """Return targets and lanes after a step; a target keeps its loudness as it sinks.

        On the axis the response goes as ``(z^2 + a^2)^-3``: with that followed, a long step in
        depth does not make a loud target vanish.
        """
        row = step[: 4 * len(self.targets)].reshape(-1, 4)
        coil, radius2 = self.swum.detector.coil_height_m, self.table.radius2
        before = coil + self.targets[:, 2]
        least = np.maximum(before / STEP_RATIO, coil)
        after = np.clip(
            before + row[:, 2], least, np.minimum(before * STEP_RATIO, coil + DEEPEST_M)
        )
        louder = row[:, 3] - 6.0 * before / (before**2 + radius2) * row[:, 2]
        sunk = 3.0 * np.log((after**2 + radius2) / (before**2 + radius2))
        targets = np.column_stack(
            [
                self.targets[:, :2] + np.clip(row[:, :2], -STEP_M, STEP_M),
                after - coil,
                self.targets[:, 3] + np.clip(louder, -STEP_LN, STEP_LN) + sunk,
            ]
        )
        swimming = self._swimming.copy()
        swimming[self._free] += step[4 * len(self.targets) :]
        return targets, swimming


def _factored(normal: csc_matrix) -> SuperLU:
    """Factor a symmetric positive definite matrix; no pivots are needed."""
    return splu(
        csc_matrix(normal),
        permc_spec="MMD_AT_PLUS_A",
        diag_pivot_thresh=0.0,
        options={"SymmetricMode": True},
    )
