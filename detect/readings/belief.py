"""What is told of a target out of all answers: its place, its depth and strength with ranges."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from detect.readings.response_table import DEEPEST_M

Floats = NDArray[np.float64]

#: depth and strength are told as numbers where the strength's 90 % lie within this factor
TOLD_WITHIN = 10.0
#: each side of the lane has at least this probability, for a target to lie on either
EITHER_SIDE = 0.2
#: an arm's reach: the place told is the one with most probability this near
REACH_M = 0.25
#: a target with another this near, m, may be several pieces: the lower ends of its ranges are taken
#: this much weaker, and shallower, m. So they hold nearly as often as those of lone ones (sites 400
#: to 415 of `tests/benchmarks/buried_sites.py`)
CROWD_M, CROWD_WEAKER, CROWD_SHALLOWER_M = 1.5, 5.0, 0.12
#: one with another this near, m, may be a part of a stronger piece, and is taken so much stronger
PARTS_M, PARTS_STRONGER = 0.7, 2.0
#: how a note begins that gives ranges in place of numbers
UNTOLD = "ranges, no number"


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
    neighbour_m : float
        Distance to the next target, infinite for one alone, m.
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
    neighbour_m: float = np.inf

    def beside(self, neighbour_m: float) -> Belief:
        """Return what is left open when the next target is this far off, m.

        Metal too close together to be told apart looks deeper, and so much stronger, than any of
        it; and one piece that wander tears in two looks like two weaker ones.
        """
        weaker, stronger = _wider(np.array(neighbour_m))
        shallower = CROWD_SHALLOWER_M if neighbour_m < CROWD_M else 0.0
        return replace(
            self,
            depth_low_m=max(self.depth_low_m - shallower, 0.0),
            strength_low=self.strength_low / float(weaker),
            strength_high=self.strength_high * float(stronger),
            neighbour_m=neighbour_m,
        )

    @property
    def note(self) -> str:
        """What must be said besides: a range in place of a number, either side of a lane."""
        words = []
        if self.strength_high > TOLD_WITHIN * self.strength_low:
            words.append(
                f"{UNTOLD}: {self.depth_low_m:.2f} to {self.depth_high_m:.2f} m, "
                f"{self.strength_low:.2g} to {self.strength_high:.2g} reference targets (90 %)"
            )
        if self.depth_high_m > DEEPEST_M - 0.1:
            words.append(f"perhaps deeper than {DEEPEST_M} m, or not a small target")
        if self.neighbour_m < CROWD_M:
            words.append(f"another {self.neighbour_m:.1f} m off: may be several pieces")
        if min(self.sides) > EITHER_SIDE:
            words.append("on either side of its lane")
        return "; ".join(words)


def _wider(neighbour_m: Floats) -> tuple[Floats, Floats]:
    """Return how much weaker and stronger the ends of a range are taken with another so near."""
    weaker = np.where(neighbour_m < CROWD_M, CROWD_WEAKER, 1.0)
    return weaker, np.where(neighbour_m < PARTS_M, PARTS_STRONGER, 1.0)


def strength_as_if_alone(anomalies: pd.DataFrame) -> tuple[Floats, Floats]:
    """Return the ends (P,) of the ranges of strength before they were widened for neighbours.

    What is in a square is the metal of all pieces, whichever of them an anomaly stands for.

    Parameters
    ----------
    anomalies : DataFrame
        ``strength_low, strength_high, neighbour_m``, from
        :func:`detect.readings.anomalies.find_anomalies`.
    """
    weaker, stronger = _wider(anomalies["neighbour_m"].to_numpy(float))
    low, high = (anomalies[f"strength_{end}"].to_numpy(float) for end in ("low", "high"))
    return low * weaker, high / stronger


@dataclass(frozen=True, eq=False)
class Answers:
    """Answers that are worth a look: M of places and depths, each with Q strengths.

    `score` and `ln_q` are (Q, M), `depth` and `spot` (M,); `places` (C, 2) and how far each is off
    the lane (C,).
    """

    score: Floats
    ln_q: Floats
    depth: NDArray[np.int64]
    spot: NDArray[np.int64]
    places: Floats
    off_lane: Floats


def believed(chance: Floats, answers: Answers, depth_edges_m: Floats, depths_m: Floats) -> Belief:
    """Draw what is told out of the chances of all answers.

    Parameters
    ----------
    chance : (Q, M) array
        Adding up to 1.
    answers : Answers
    depth_edges_m, depths_m : (D + 1,) and (D,) arrays
        Depths that the answers stand for, and their middles, m.

    Returns
    -------
    Belief
    """
    places, ln_q, off_lane = answers.places, answers.ln_q, answers.off_lane
    by_answer = chance.sum(axis=0)
    by_place = np.bincount(answers.spot, by_answer, len(places))
    by_depth = np.bincount(answers.depth, by_answer, len(depths_m))
    apart = np.hypot(*(places[:, None] - places).transpose(2, 0, 1))
    at = int(np.argmax((apart <= REACH_M) @ by_place))
    near = np.where(apart[at] <= REACH_M, by_place, 0.0)
    told = near @ places / near.sum()
    away = np.hypot(*(places - told).T)
    low, middling, high = np.interp(
        (0.05, 0.5, 0.95), np.append(0.0, np.cumsum(by_depth)), np.maximum(depth_edges_m, 0.0)
    )
    middle = np.maximum(depths_m, 0.0)
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
