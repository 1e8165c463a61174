"""Where a target may lie, how deep and how strong: every answer that the readings leave open.

A fit gives one answer and its slopes. Between lanes that is not enough: a target heard on one lane
lies as well on either side of it, and deep and strong sounds like shallow and weak. So all answers
of a lattice are weighed against the readings, with what a diver does to them: a lane swum to one
side, at another height, at another level of the meter.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr

from detect.lanes import response_ratio
from detect.readings.inversion import DEEPEST_M, RELATIVE_ERROR
from detect.survey.settings import Detector

Floats = NDArray[np.float64]

#: readings this near to a pick speak of it, m: both neighbours of a lane a metre off
HEARD_WITHIN_M = 1.25
#: places looked at across the lane, about the pick, m
ACROSS_M = np.linspace(-0.8, 0.8, 21)
#: places looked at along the lane, in standard deviations of the fit
ALONG_SD = np.linspace(-1.8, 1.8, 5)
#: least and most of that standard deviation, m
LEAST_ALONG_M, MOST_ALONG_M = 0.03, 0.12
#: distances to the coil go up in so many steps of one ratio
DISTANCES = 18
#: strengths looked at about the best of each place, in ln
LN_STRENGTHS = np.linspace(-1.2, 1.2, 13)
#: strengths expected: Student's t of ln strength about the reference target, scale and degrees of
#: freedom. Most things sought are within a factor of ten of it, and an anchor is not ruled out
#: (common practice, no source)
LN_STRENGTH_SCALE, LN_STRENGTH_FREEDOM = 1.5, 3.0
#: places of the coil across the lane, in standard deviations of the line error (normal weights)
OFFSETS = np.linspace(-2.0, 2.0, 7)
OFFSET_WEIGHTS = np.exp(-0.5 * OFFSETS**2) / np.exp(-0.5 * OFFSETS**2).sum()
#: answers are left out that are this much worse than the best, in ln of probability
WORTH_A_LOOK = 12.0
#: step and end of the table of responses, m: within two per cent
STEP_M, TABLE_M = 0.004, 4.0
#: height errors no smaller than this, m; error of a taped place along the lane, m; error of a
#: lane's level, noise sigmas (common practice, no source)
LEAST_HEIGHT_ERROR_M, TAPE_M, LEVEL_SD = 0.01, 0.03, 0.2
#: a pick of filter z is known along the lane to about this over z, m
WIDTH_M = 0.3
#: depth and strength are told as numbers where the strength's 90 % lie within this factor
TOLD_WITHIN = 10.0
UNTOLD = "depth and strength cannot be told apart"
#: each side of the lane has at least this probability, for a target to lie on either
EITHER_SIDE = 0.2
#: an arm's reach: the place told is the one with most probability this near
REACH_M = 0.25


@dataclass(frozen=True)
class Belief:
    """What is left open about one target.

    Attributes
    ----------
    e, n : float
        The place that most probably has the target within `REACH_M`, m.
    within_reach : float
        That probability.
    position_sd_m : float
        Root mean square distance from it, over the root of two (one axis), m.
    sides : tuple of float
        Probability that the target lies left and right of the lane that hears it best, more than
        half an arm's reach off.
    depth_m, depth_sd_m, depth_low_m, depth_high_m : float
        Median, standard deviation, and the interval that holds 90 %.
    strength, strength_sd, strength_low, strength_high : float
        The same of strength, in reference targets.
    """

    e: float
    n: float
    within_reach: float
    position_sd_m: float
    sides: tuple[float, float]
    depth_m: float
    depth_sd_m: float
    depth_low_m: float
    depth_high_m: float
    strength: float
    strength_sd: float
    strength_low: float
    strength_high: float

    @property
    def note(self) -> str:
        """What must be said besides: a range in place of a number, either side of a lane."""
        words = []
        if self.strength_high > TOLD_WITHIN * self.strength_low:
            words.append(
                f"{UNTOLD}: {self.depth_low_m:.1f} to {self.depth_high_m:.1f} m, "
                f"{self.strength_low:.2g} to {self.strength_high:.2g} reference targets (90 %)"
            )
        if self.depth_high_m > DEEPEST_M - 0.1:
            words.append(f"perhaps deeper than {DEEPEST_M} m, or not a small target")
        if min(self.sides) > EITHER_SIDE:
            words.append("on either side of its lane")
        return "; ".join(words)


@dataclass(frozen=True, eq=False)
class Heard:
    """Readings about a pick: its own share of them, their errors, and who swam where.

    Attributes
    ----------
    points, signal, variance : (N, 2), (N,) and (N,) arrays
        What other targets are taken to add is off the signal, and their doubt is in the variance.
    track : (N,) int array
    heading_deg : (N,) array
    at_least : (N,) bool array
        Readings at full scale: the signal is that or more.
    """

    points: Floats
    signal: Floats
    variance: Floats
    track: NDArray[np.int64]
    heading_deg: Floats
    at_least: NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class _Lane:
    """What one lane says of M answers, the lane swum at K places aside: inner products (M, K).

    `over` holds the responses (M, K, F) at readings at full scale, `full` and `full_sd` what they
    are at least, and how sharp that bound is.
    """

    yy: float
    ya: Floats
    aa: Floats
    over: Floats
    full: Floats
    full_sd: Floats

    def score(self, q: Floats, gain: Floats, some: NDArray[np.int64]) -> Floats:
        """Log likelihood of strengths (Q, M) of some answers, the lane's error averaged out."""
        q, gain = q[..., None], gain[:, None] * q[..., None] ** 2
        aa = self.aa[some]
        along = self.ya[some] - q * aa
        swollen = 1.0 + gain * aa
        misfit = self.yy - q * (self.ya[some] + along) - gain * along**2 / swollen
        score = -0.5 * misfit - 0.5 * np.log(swollen)
        if self.full.size:
            beyond = (q[..., None] * self.over[some] - self.full) / self.full_sd
            score = score + log_ndtr(beyond).sum(axis=-1)
        top = score.max(axis=-1, keepdims=True)
        return np.asarray(np.log(np.exp(score - top) @ OFFSET_WEIGHTS) + top[..., 0])


class Weigher:
    """Weighs all answers about a target; what depends on the coil only is worked out once."""

    def __init__(self, detector: Detector, noise_sd: float) -> None:
        self.detector, self.noise_sd = detector, noise_sd
        self.threshold = detector.threshold_snr * noise_sd
        near, far = detector.coil_height_m, detector.coil_height_m + DEEPEST_M
        edges = np.geomspace(max(near, 0.05), far, DISTANCES + 1)
        self.distances = np.sqrt(edges[1:] * edges[:-1])
        self.depth_edges = edges - near
        # depths are as likely all the way down: a wider step weighs more
        self.ln_width = np.log(np.diff(edges))

    @cached_property
    def table(self) -> Floats:
        """Signal of the reference target by distance and squared place off the axis (D, R)."""
        rho = np.arange(0.0, TABLE_M, STEP_M)
        return np.asarray(
            self.threshold * response_ratio(rho, self.distances[:, None], self.detector)
        )

    @cached_property
    def gain_variance(self) -> Floats:
        """Variance of a lane's relative gain at each distance: height, and a tenth besides.

        On the axis ``|B|^2`` goes as ``(z^2 + a^2)^-3``, so a height error dz changes it by
        ``6 z dz / (z^2 + a^2)``.
        """
        a, z = self.detector.coil_diameter_m / 2.0, self.distances
        height = max(self.detector.height_error_m, LEAST_HEIGHT_ERROR_M)
        return np.asarray(RELATIVE_ERROR**2 + (6.0 * z * height / (z**2 + a**2)) ** 2)

    def weigh(
        self, place: Floats, along_sd_m: float, heard: Heard, elsewhere: Floats
    ) -> tuple[Belief, Floats, Floats]:
        r"""Weigh every place, depth and strength of the lattice.

        The readings y of one lane, given the target's signal a at strength 1 and the lane's error
        across, are normal with mean ``q a`` and covariance

        .. math:: C = \mathrm{diag}(v) + s^2 11' + \gamma^2 q^2 a a'

        with s the error of the lane's level and gamma that of its gain (height and tilt), inverted
        in closed form (Sherman & Morrison 1950, from memory). The lane's error across is averaged
        out over its normal distribution. Lanes are independent of each other; answers are weighed
        by the product over lanes, a flat prior of place and depth and a wide one of strength
        (Bayes' rule).

        Parameters
        ----------
        place : (2,) array
            Where the target was picked, m.
        along_sd_m : float
            How well its place along the lane is known, m.
        heard : Heard
        elsewhere : (N, 2) array
            Places where the target may be heard as well, m.

        Returns
        -------
        belief : Belief
        mean, variance : (N,) arrays
            What the target is expected to add at those places, over all answers, and its spread.

        Notes
        -----
        Limits: one small target, others taken as fitted; depths past `DEEPEST_M` are not looked
        at; the lattice ends 0.8 m across from the pick.
        """
        nearest = int(np.argmin(np.hypot(*(heard.points - place).T)))
        angle = np.deg2rad(heard.heading_deg[nearest])
        ahead = np.array([np.sin(angle), np.cos(angle)])
        aside = np.array([ahead[1], -ahead[0]])
        spread = float(np.clip(along_sd_m, LEAST_ALONG_M, MOST_ALONG_M))
        across, along = (x.ravel() for x in np.meshgrid(ACROSS_M, spread * ALONG_SD, indexing="ij"))
        places = place + across[:, None] * aside + along[:, None] * ahead
        lanes = [self._lane(places, heard, t) for t in np.unique(heard.track)]
        depth, spot = (x.ravel() for x in np.indices((len(self.distances), len(places))))
        middle = len(OFFSETS) // 2
        power = sum(lane.aa[:, middle] for lane in lanes)
        match = sum(lane.ya[:, middle] for lane in lanes)
        best = np.log(np.maximum(match / np.maximum(power, 1e-300), 1e-3))
        rough = self._score(lanes, best[None], depth, np.arange(len(depth)))[0]
        some = np.flatnonzero(rough > rough.max() - WORTH_A_LOOK)
        ln_q = best[some] + LN_STRENGTHS[:, None]
        score = self._score(lanes, ln_q, depth[some], some)
        chance = np.exp(score - score.max())
        off = float((heard.points[nearest] - place) @ aside)
        chance /= chance.sum()
        belief = self._told(chance, ln_q, depth[some], spot[some], places, across - off)
        rho = np.hypot(*(places[spot[some]][:, None] - elsewhere).transpose(2, 0, 1))
        index = np.minimum((rho / STEP_M + 0.5).astype(np.int64), self.table.shape[1] - 1)
        unit = self.table[depth[some][:, None], index]
        mean = np.sum(chance * np.exp(ln_q), axis=0) @ unit
        square = np.sum(chance * np.exp(2.0 * ln_q), axis=0) @ unit**2
        return belief, mean, np.maximum(square - mean**2, 0.0)

    def _score(
        self, lanes: list[_Lane], ln_q: Floats, depth: NDArray[np.int64], some: NDArray[np.int64]
    ) -> Floats:
        """Log of prior times likelihood of strengths (Q, M) of some answers (M,)."""
        wide = 1.0 + (ln_q / LN_STRENGTH_SCALE) ** 2 / LN_STRENGTH_FREEDOM
        prior = self.ln_width[depth] - 0.5 * (LN_STRENGTH_FREEDOM + 1.0) * np.log(wide)
        q, gain = np.exp(ln_q), self.gain_variance[depth]
        return np.asarray(prior + sum(lane.score(q, gain, some) for lane in lanes))

    def _lane(self, places: Floats, heard: Heard, track: int) -> _Lane:
        """Hold one lane's readings against all answers, the lane swum at each of `OFFSETS`."""
        mine = heard.track == track
        told, full = mine & ~heard.at_least, mine & heard.at_least
        angle = np.deg2rad(heard.heading_deg[mine][0])
        aside = np.array([np.cos(angle), -np.sin(angle)])
        moved = places[:, None] - (self.detector.line_error_m * OFFSETS)[:, None] * aside
        y, w = heard.signal[told], 1.0 / heard.variance[told]
        a = self._responses(moved, heard.points[told])
        level = (LEVEL_SD * self.noise_sd) ** 2
        free = level / (1.0 + level * w.sum())
        one_a, one_y = a @ w, float(w @ y)
        return _Lane(
            float(w @ y**2) - free * one_y**2,
            a @ (w * y) - free * one_a * one_y,
            a**2 @ w - free * one_a**2,
            self._responses(moved, heard.points[full]),
            heard.signal[full],
            np.sqrt(heard.variance[full]),
        )

    def _responses(self, places: Floats, points: Floats) -> Floats:
        """Signal of the reference target at places (C, K, 2), all depths -> (D * C, K, N)."""
        rho = np.hypot(places[..., None, 0] - points[:, 0], places[..., None, 1] - points[:, 1])
        index = np.minimum((rho / STEP_M + 0.5).astype(np.int64), self.table.shape[1] - 1)
        return np.asarray(
            self.table[:, index].reshape(len(self.table) * len(places), *index.shape[1:])
        )

    def _told(
        self,
        chance: Floats,
        ln_q: Floats,
        depth: NDArray[np.int64],
        spot: NDArray[np.int64],
        places: Floats,
        off_lane: Floats,
    ) -> Belief:
        """Draw what is told out of the chances (Q, M) of answers at depth and spot (M,)."""
        by_answer = chance.sum(axis=0)
        by_place = np.bincount(spot, by_answer, len(places))
        by_depth = np.bincount(depth, by_answer, len(self.distances))
        apart = np.hypot(*(places[:, None] - places).transpose(2, 0, 1))
        at = int(np.argmax((apart <= REACH_M) @ by_place))
        near = np.where(apart[at] <= REACH_M, by_place, 0.0)
        told = near @ places / near.sum()
        away = np.hypot(*(places - told).T)
        low, middling, high = np.interp(
            (0.05, 0.5, 0.95), np.append(0.0, np.cumsum(by_depth)), np.maximum(self.depth_edges, 0)
        )
        middle = np.maximum(self.distances - self.detector.coil_height_m, 0.0)
        order = np.argsort(ln_q, axis=None)
        passed = np.cumsum(chance.ravel()[order])
        ln_low, ln_mid, ln_high = np.interp((0.05, 0.5, 0.95), passed, ln_q.ravel()[order])
        mean_ln = float(np.sum(chance * ln_q))
        ln_sd = float(np.sqrt(np.sum(chance * (ln_q - mean_ln) ** 2)))
        return Belief(
            e=float(told[0]),
            n=float(told[1]),
            within_reach=float(by_place[away <= REACH_M].sum()),
            position_sd_m=float(np.sqrt(by_place @ away**2 / 2.0)),
            sides=(
                float(by_place[off_lane < -REACH_M / 2.0].sum()),
                float(by_place[off_lane > REACH_M / 2.0].sum()),
            ),
            depth_m=float(middling),
            depth_sd_m=float(np.sqrt(by_depth @ (middle - by_depth @ middle) ** 2)),
            depth_low_m=float(low),
            depth_high_m=float(high),
            strength=float(np.exp(ln_mid)),
            strength_sd=float(np.exp(ln_mid) * ln_sd),
            strength_low=float(np.exp(ln_low)),
            strength_high=float(np.exp(ln_high)),
        )
