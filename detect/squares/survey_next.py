"""What to survey next: which lane or probe would settle most of the doubtful ranks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy.linalg import block_diag
from scipy.special import owens_t
from shapely.geometry.base import BaseGeometry

from detect.geostat import Kriging
from detect.geostat.blocks import Support

Floats = NDArray[np.float64]

#: a square whose chance of being among the best lies between these is doubtful
DOUBTFUL = (0.02, 0.98)
#: most doubtful squares looked at, those nearest to one half first
MOST_DOUBTFUL = 40
#: between the readings of a lane that is only thought of, m
STEP_M = 1.0
#: what is proposed at most
MOST_LANES, MOST_PROBES = 3, 5

COLUMNS = [
    *("what", "start_e", "start_n", "end_e", "end_n", "length_m"),
    *("settles", "share", "squares"),
]


def doubt(mean: Floats, variance: Floats, cut: float) -> Floats:
    r"""Return ``p (1 - p)`` of each square, p the chance that its score is above the cut."""
    return 2.0 * owens_t((mean - cut) / np.sqrt(variance), 1.0)


def doubt_left(mean: Floats, variance: Floats, cut: float, settled: Floats) -> Floats:
    r"""Return the expected ``p (1 - p)`` once readings have taken ``settled`` off the variance.

    Before the readings are taken their values are not known, but by how much they will narrow
    each score is: kriging variance depends on places only. With rho the share of the variance
    that is settled, two draws of a score given the same readings have correlation rho, and

    .. math:: E[p (1 - p)] = P(X > c, Y \le c) = 2 T(h, \sqrt{(1 - \rho) / (1 + \rho)})

    with T Owen's function and h = (mean - cut) / sd: p (1 - p) at rho = 0, and 0 at rho = 1.

    Parameters
    ----------
    mean, variance, settled : (D,) array
        Of the scores; ``settled`` at most ``variance``.
    cut : float
        Score that divides the best k from the rest.

    Notes
    -----
    Source: Owen 1956, Ann. Math. Stat. 27 (from memory). Limit: the cut is held where it is, and
    scores are normal.
    """
    rho = np.clip(settled / variance, 0.0, 1.0)
    height = (mean - cut) / np.sqrt(variance)
    return 2.0 * owens_t(height, np.sqrt((1.0 - rho) / (1.0 + rho)))


@dataclass(eq=False)
class Outlook:
    """A field as known now at the doubtful squares and at places that might be surveyed.

    Attributes
    ----------
    covariance : (D + P, D + P) array
        Of the errors, squares first; shrinks as places are thought of as surveyed.
    error_variance : float
        Of one new reading.
    factor : float
        From field to score: the weight over the spread of the evidence.
    squares : int
        D.
    """

    covariance: Floats
    error_variance: float
    factor: float
    squares: int

    @classmethod
    def of(
        cls,
        kriging: Kriging,
        centres: Floats,
        size_m: float,
        places: Floats,
        error_sd: float,
        factor: float,
    ) -> Outlook:
        """Work out the joint covariance; a square is 3 x 3 Gauss-Legendre points."""
        square, count = Support.square(size_m, order=3), len(centres)
        inside = (centres[:, None] + square.offsets).reshape(-1, 2)
        _, covariance = kriging.posterior(np.concatenate([inside, places]))
        collapse = block_diag(np.kron(np.eye(count), square.weights), np.eye(len(places)))
        return cls(collapse @ covariance @ collapse.T, error_sd**2, factor, count)

    def settled(self, places: NDArray[np.int64]) -> Floats:
        """Variance of the scores (D,) that readings at these places would settle."""
        across, own = self._of(places)
        gain = np.linalg.solve(own, across.T)
        return self.factor**2 * np.einsum(
            "ij,ji->i", across[: self.squares], gain[:, : self.squares]
        )

    def survey(self, places: NDArray[np.int64]) -> None:
        """Take these places as surveyed."""
        across, own = self._of(places)
        self.covariance = self.covariance - across @ np.linalg.solve(own, across.T)

    def _of(self, places: NDArray[np.int64]) -> tuple[Floats, Floats]:
        at = self.squares + places
        own = self.covariance[np.ix_(at, at)]
        # where nothing is left to learn the system must still have a solution
        least = 1e-9 * max(float(np.max(np.diag(self.covariance))), 1e-300)
        own = own + np.eye(len(at)) * max(self.error_variance, least)
        return self.covariance[:, at], own


def best_next(
    outlooks: Sequence[Outlook],
    candidates: Sequence[NDArray[np.int64]],
    mean: Floats,
    variance: Floats,
    cut: float,
    most: int,
) -> list[tuple[int, float, Floats]]:
    """Choose candidates one after another, each by what it settles beyond those before it.

    Parameters
    ----------
    outlooks : sequence of Outlook
        One a field that a candidate would measure; changed by what is chosen.
    candidates : sequence of int arrays
        Places of each candidate.
    mean, variance : (D,) array
        Of the scores.
    cut : float
    most : int

    Returns
    -------
    list of (candidate, settled doubt, (D,) array of it by square)
    """
    chosen: list[tuple[int, float, Floats]] = []
    left = variance.copy()
    before = doubt(mean, variance, cut)
    while len(chosen) < min(most, len(candidates)):
        best: tuple[int, float, Floats, Floats] | None = None
        for number, places in enumerate(candidates):
            if any(number == done for done, _, _ in chosen):
                continue
            settled = np.sum([o.settled(places) for o in outlooks], axis=0)
            total = np.minimum(variance - left + settled, variance)
            after = doubt_left(mean, variance, cut, total)
            gain = before - after
            if best is None or gain.sum() > best[1]:
                best = (number, float(gain.sum()), gain, total)
        if best is None or best[1] <= 1e-6:
            break
        chosen.append(best[:3])
        before, left = before - best[2], variance - best[3]
        for outlook in outlooks:
            outlook.survey(candidates[best[0]])
    return chosen


def candidate_lanes(
    centres: Floats, size_m: float, heading_deg: float, ground: BaseGeometry
) -> list[shapely.LineString]:
    """Return lanes on the usual heading over the quarter lines of the doubtful squares.

    Parameters
    ----------
    centres : (D, 2) array
        Of the doubtful squares, m.
    size_m : float
    heading_deg : float
        Of the lanes swum.
    ground : geometry
        Where a lane may go.
    """
    angle = np.deg2rad(heading_deg)
    ahead, right = (
        np.array([np.sin(angle), np.cos(angle)]),
        np.array([np.cos(angle), -np.sin(angle)]),
    )
    across = (centres @ right)[:, None] + np.array([-0.25, 0.25]) * size_m
    along = centres @ ahead
    low, high = along.min() - size_m, along.max() + size_m
    lanes = []
    for offset in np.unique(np.round(across, 2)):
        line = shapely.LineString([ahead * low + right * offset, ahead * high + right * offset])
        parts = shapely.get_parts(shapely.intersection(line, ground))
        whole = [part for part in parts if part.geom_type == "LineString" and part.length > STEP_M]
        if whole:
            lanes.append(max(whole, key=lambda part: part.length))
    return lanes


def propose(
    doubtful: pd.DataFrame,
    lanes: Sequence[shapely.LineString],
    lane_gains: Sequence[tuple[int, float, Floats]],
    probes: Floats,
    probe_gains: Sequence[tuple[int, float, Floats]],
    doubt_now: float,
) -> pd.DataFrame:
    """Return what is proposed as a table.

    Returns
    -------
    DataFrame
        ``what`` (``lane`` or ``probe``), its ends, ``settles`` (expected fall of the sum of
        p (1 - p) over the squares), ``share`` of that sum, and the squares it is about.
    """
    rows = []
    for what, gains in (("lane", lane_gains), ("probe", probe_gains)):
        for number, settles, by_square in gains:
            if what == "lane":
                ends = np.asarray(lanes[number].coords)[[0, -1]]
            else:
                ends = np.tile(probes[number], (2, 1))
            most = np.argsort(-by_square, kind="stable")[:3]
            about = [doubtful["square"].iloc[i] for i in most if by_square[i] > 0.1 * settles]
            rows.append(
                (
                    what,
                    *ends[0],
                    *ends[1],
                    float(np.hypot(*(ends[1] - ends[0]))),
                    settles,
                    settles / doubt_now if doubt_now > 0 else 0.0,
                    " ".join(about),
                )
            )
    return pd.DataFrame(rows, columns=COLUMNS)
