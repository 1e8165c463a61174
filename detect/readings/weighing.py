"""Every answer about a target that the readings leave open, weighed.

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

from detect.readings.belief import Answers, Belief, believed
from detect.readings.inversion import RELATIVE_ERROR
from detect.readings.response_table import (
    DEEPEST_M,
    FARTHEST_M,
    REACH_SHARE,
    response_table,
)
from detect.survey.settings import Detector

Floats = NDArray[np.float64]

#: readings this near to a pick speak of it, m: both neighbours of a lane a metre off
HEARD_WITHIN_M = 1.25
#: least and most that a place along the lane may be in doubt, m (1 sigma)
LEAST_ALONG_M, MOST_ALONG_M = 0.03, 0.12
#: strengths expected: Student's t of ln strength about the reference target, scale and degrees of
#: freedom. Most things sought are within a factor of ten of it, and an anchor is not ruled out
#: (common practice, no source)
LN_STRENGTH_SCALE, LN_STRENGTH_FREEDOM = 1.5, 3.0
#: answers are left out that are this much worse than the best, in ln of probability
WORTH_A_LOOK = 12.0
#: places are told apart to this, m: half of it moves the response by 2.5 % at the most
#: from 0.12 m off the coil's plane
STEP_M = 0.002
#: height errors no smaller than this, m; error of a lane's level, noise sigmas (common practice, no
#: source)
LEAST_HEIGHT_ERROR_M, LEVEL_SD = 0.01, 0.2
#: a pick of filter z is known along the lane to about this over z, m
WIDTH_M = 0.3


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
class Lattice:
    """The answers that are weighed.

    Attributes
    ----------
    across_m : (A,) array
        Places across the lane, about the pick, m.
    along : (B,) array
        Places along the lane, about the pick, in standard deviations of what is known of it.
    distances : int
        Distances to the coil, going up in steps of one ratio.
    ln_strengths : (Q,) array
        Strengths about the best of each place and depth, in ln.
    offsets : (K,) array
        Places of the coil across its lane, in standard deviations of the line error; odd in number.
    """

    across_m: Floats
    along: Floats
    distances: int
    ln_strengths: Floats
    offsets: Floats


#: for what is told of a target
FINE = Lattice(
    np.linspace(-0.8, 0.8, 21),
    np.linspace(-1.8, 1.8, 5),
    18,
    np.linspace(-1.2, 1.2, 13),
    np.linspace(-2.0, 2.0, 7),
)
#: for a first round: farther along the lane, for the pick is not refined yet
COARSE = Lattice(
    np.linspace(-0.72, 0.72, 13),
    np.linspace(-3.0, 3.0, 7),
    10,
    np.linspace(-0.9, 0.9, 7),
    np.linspace(-1.6, 1.6, 5),
)


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
    offset_weights: Floats

    def score(self, q: Floats, gain: Floats, some: NDArray[np.int64]) -> Floats:
        """Log likelihood of strengths (Q, M) of some answers, the lane's error averaged out."""
        q, gain = q[..., None], gain[:, None] * q[..., None] ** 2
        ya, aa = self.ya[some], self.aa[some]
        # in place, for there are a million of these: minus half the misfit and half ln of swollen
        along = ya - q * aa
        swollen = gain * aa
        swollen += 1.0
        score = ya + along
        score *= q
        along *= along
        along *= gain
        along /= swollen
        score += along
        score -= self.yy
        score -= np.log(swollen, out=swollen)
        score *= 0.5
        if self.full.size:
            beyond = (q[..., None] * self.over[some] - self.full) / self.full_sd
            score = score + log_ndtr(beyond).sum(axis=-1)
        top = score.max(axis=-1, keepdims=True)
        score -= top
        return np.asarray(np.log(np.exp(score, out=score) @ self.offset_weights) + top[..., 0])


class Weigher:
    """Weighs all answers about a target; what depends on the coil only is worked out once."""

    def __init__(self, detector: Detector, noise_sd: float, lattice: Lattice = FINE) -> None:
        self.detector, self.noise_sd, self.lattice = detector, noise_sd, lattice
        self.threshold = detector.threshold_snr * noise_sd
        near, far = detector.coil_height_m, detector.coil_height_m + DEEPEST_M
        edges = np.geomspace(max(near, 0.05), far, lattice.distances + 1)
        self.distances = np.sqrt(edges[1:] * edges[:-1])
        self.depth_edges = edges - near
        # depths are as likely all the way down: a wider step weighs more
        self.ln_width = np.log(np.diff(edges))
        normal = np.exp(-0.5 * lattice.offsets**2)
        self.offset_weights = normal / normal.sum()

    @cached_property
    def table(self) -> Floats:
        """Signal of the reference target by distance and by place off the axis (D, R)."""
        farthest = max(FARTHEST_M, REACH_SHARE * self.detector.air_range_m)
        rho = np.arange(0.0, farthest, STEP_M)
        return self.threshold * response_table(self.detector)(rho, self.distances[:, None])

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
        answers = self._answers(place, along_sd_m, heard)
        chance = np.exp(answers.score - answers.score.max())
        chance /= chance.sum()
        belief = believed(
            chance, answers, self.depth_edges, self.distances - self.detector.coil_height_m
        )
        rho = np.hypot(*(answers.places[answers.spot][:, None] - elsewhere).transpose(2, 0, 1))
        unit = self.table[answers.depth[:, None], self._column(rho)]
        mean = np.sum(chance * np.exp(answers.ln_q), axis=0) @ unit
        square = np.sum(chance * np.exp(2.0 * answers.ln_q), axis=0) @ unit**2
        return belief, mean, np.maximum(square - mean**2, 0.0)

    def _answers(self, place: Floats, along_sd_m: float, heard: Heard) -> Answers:
        """Weigh the lattice about a place; answers far behind the best are left out."""
        nearest = int(np.argmin(np.hypot(*(heard.points - place).T)))
        angle = np.deg2rad(heard.heading_deg[nearest])
        ahead = np.array([np.sin(angle), np.cos(angle)])
        aside = np.array([ahead[1], -ahead[0]])
        spread = float(np.clip(along_sd_m, LEAST_ALONG_M, MOST_ALONG_M))
        across, along = (
            x.ravel()
            for x in np.meshgrid(self.lattice.across_m, spread * self.lattice.along, indexing="ij")
        )
        places = place + across[:, None] * aside + along[:, None] * ahead
        lanes = [self._lane(places, heard, t) for t in np.unique(heard.track)]
        depth, spot = (x.ravel() for x in np.indices((len(self.distances), len(places))))
        middle = len(self.lattice.offsets) // 2
        power = sum(lane.aa[:, middle] for lane in lanes)
        match = sum(lane.ya[:, middle] for lane in lanes)
        best = np.log(np.maximum(match / np.maximum(power, 1e-300), 1e-3))
        rough = self._score(lanes, best[None], depth, np.arange(len(depth)))[0]
        some = np.flatnonzero(rough > rough.max() - WORTH_A_LOOK)
        ln_q = best[some] + self.lattice.ln_strengths[:, None]
        score = self._score(lanes, ln_q, depth[some], some)
        off = float((heard.points[nearest] - place) @ aside)
        return Answers(score, ln_q, depth[some], spot[some], places, across - off)

    def _score(
        self, lanes: list[_Lane], ln_q: Floats, depth: NDArray[np.int64], some: NDArray[np.int64]
    ) -> Floats:
        """Log of prior times likelihood of strengths (Q, M) of some answers (M,)."""
        wide = 1.0 + (ln_q / LN_STRENGTH_SCALE) ** 2 / LN_STRENGTH_FREEDOM
        prior = self.ln_width[depth] - 0.5 * (LN_STRENGTH_FREEDOM + 1.0) * np.log(wide)
        q, gain = np.exp(ln_q), self.gain_variance[depth]
        return np.asarray(prior + sum(lane.score(q, gain, some) for lane in lanes))

    def _lane(self, places: Floats, heard: Heard, track: int) -> _Lane:
        """Hold one lane's readings against all answers, the lane swum at each offset."""
        mine = heard.track == track
        told, full = mine & ~heard.at_least, mine & heard.at_least
        angle = np.deg2rad(heard.heading_deg[mine][0])
        aside = np.array([np.cos(angle), -np.sin(angle)])
        offsets = self.lattice.offsets
        moved = places[:, None] - (self.detector.line_error_m * offsets)[:, None] * aside
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
            self.offset_weights,
        )

    def _responses(self, places: Floats, points: Floats) -> Floats:
        """Signal of the reference target at places (C, K, 2), all depths -> (D * C, K, N)."""
        rho = np.hypot(places[..., None, 0] - points[:, 0], places[..., None, 1] - points[:, 1])
        signal = np.take(self.table, self._column(rho).ravel(), axis=1)
        return np.asarray(signal.reshape(len(self.table) * len(places), *rho.shape[1:]))

    def _column(self, rho: Floats) -> NDArray[np.int64]:
        """Return which column of the table is nearest to distances off the axis."""
        return np.minimum((rho / STEP_M + 0.5).astype(np.int64), self.table.shape[1] - 1)
