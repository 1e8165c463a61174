"""How much metal lies where: all readings explained by sources that cannot be negative."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, partial

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray
from scipy.optimize import Bounds, minimize
from scipy.sparse import csr_matrix, diags

from detect.geostat.parallel import run, threads
from detect.readings.inversion import RELATIVE_ERROR
from detect.readings.sources import Sources, response_operator, sources_under
from detect.survey.settings import Detector

Floats = NDArray[np.float64]

#: penalties that are tried, the harshest first; at 1 a source must explain about what noise alone
#: would
PENALTIES = (6.0, 2.5, 1.0)
FOLDS = 3
#: resampled fits behind the standard deviation
REPLICATES = 8
#: steps of the optimiser: further ones move single sources about within a coil's width, not the sum
#: over a cell's neighbourhood
STEPS = 50
#: steps while penalties are compared
FEWER_STEPS = 20
#: steps of a fit that starts at another one's end, among the fewer sources that are left to it
MORE_STEPS = 60
#: steps that the optimiser remembers: more cost more each, and lead down no faster
MEMORY = 10


@dataclass(frozen=True, eq=False)
class System:
    """Readings and what is heard of each source, columns scaled to one length.

    Attributes
    ----------
    operator : (N, S) sparse
        Responses; each column is ``threshold`` long.
    scale : (S,) array
        Strength of a source is its unknown over this.
    signal, weight : (N,) arrays
        Readings, and one over their variance.
    at_least : (N,) bool array
        Readings at full scale: the signal is that or more.
    """

    operator: csr_matrix
    scale: Floats
    signal: Floats
    weight: Floats
    at_least: NDArray[np.bool_]

    @cached_property
    def across(self) -> csr_matrix:
        """The operator on its side, (S, N): rows of some sources are taken out of it quickly."""
        return csr_matrix(self.operator.T)

    @classmethod
    def of(
        cls,
        points: Floats,
        signal: Floats,
        at_least: NDArray[np.bool_],
        sources: Sources,
        detector: Detector,
        noise_sd: float,
    ) -> System:
        """Build the system; the error of a reading is its noise and a tenth of itself."""
        threshold = detector.threshold_snr * noise_sd
        operator = response_operator(points, sources, detector, threshold)
        length = np.sqrt(np.asarray(operator.multiply(operator).sum(axis=0)).ravel())
        scale = np.where(length > 0, length, threshold) / threshold
        error = np.hypot(noise_sd, RELATIVE_ERROR * np.maximum(signal, 0.0))
        return cls(csr_matrix(operator @ diags(1.0 / scale)), scale, signal, error**-2, at_least)

    def misfit(self, unknown: Floats) -> Floats:
        """Error of each reading (N,): none where a reading at full scale is exceeded."""
        error = self.signal - self.operator @ unknown
        return np.where(self.at_least, np.maximum(error, 0.0), error)


def fit_sources(
    system: System,
    penalty: float,
    weight: Floats | None = None,
    steps: int = STEPS,
    start: Floats | None = None,
) -> Floats:
    r"""Return the unknowns (S,) that explain the readings at the least cost.

    .. math:: \min_{u \ge 0} \tfrac12 \sum_i w_i (y_i - (A u)_i)^2 + \lambda \sum_j u_j

    with the square one-sided for readings at full scale. Columns of A have one length, so that a
    deep source, heard little, is not charged more than a shallow one that explains as much. Solved
    by scipy's L-BFGS-B among the sources that are in at the start or whose slope there is below 0.
    From a start of 0 none is lost by that: with A and u not negative the misfit is never above the
    reading, so where ``a_j' W y <= lambda`` the slope is never below 0 (safe screening, El Ghaoui
    et al. 2012, Pac. J. Optim. 8, made simpler by the signs; from memory).

    Parameters
    ----------
    system : System
    penalty : float
        Without unit.
    weight : (N,) array, optional
        In place of the system's.
    steps : int
        Of the optimiser at most.
    start : (S,) array, optional
        The answer to a question like this one; 0 if not given.

    Returns
    -------
    (S,) array

    Notes
    -----
    Limit: stopped after ``steps``; the sum over a square has then settled to a few per cent, while
    single sources of a cluster still trade places. From a start that is not 0 a source which only
    the later steps would call in stays out.
    """
    w = system.weight if weight is None else weight
    out = np.zeros(system.operator.shape[1]) if start is None else start.copy()

    def slope(operator: csr_matrix, across: csr_matrix, u: Floats) -> tuple[float, Floats]:
        error = operator @ u - system.signal
        error = np.where(system.at_least, np.minimum(error, 0.0), error)
        weighted = w * error
        return 0.5 * float(weighted @ error) + penalty * float(u.sum()), across @ weighted + penalty

    kept = np.flatnonzero((out > 0.0) | (slope(system.operator, system.across, out)[1] < 0.0))
    if kept.size == 0:
        return out
    across = system.across[kept]
    some = csr_matrix(across.T)
    with threads(0):  # short vectors: threads would wait for each other more than they help
        found = minimize(
            lambda u: slope(some, across, u),
            out[kept],
            jac=True,
            method="L-BFGS-B",
            bounds=Bounds(0.0, np.inf),
            options={"maxiter": steps, "maxcor": MEMORY},
        )
    out[kept] = found.x
    return out


def choose_penalty(system: System, lanes: NDArray[np.int64]) -> tuple[float, pd.DataFrame]:
    """Choose the penalty whose sources predict lanes they were not fitted to best.

    Parameters
    ----------
    system : System
    lanes : (N,) int array
        Lane of each reading; every third lane is left out in turn.

    Returns
    -------
    penalty : float
    table : DataFrame
        ``penalty, misfit``: mean weighted squared error of left-out readings.
    """

    def left_out(fold: int) -> list[float]:
        """Misfit of one fold's lanes at each penalty, each fit from where the last one ended."""
        out = lanes % FOLDS == fold
        weight = np.where(out, 0.0, system.weight)
        misfit, u = [], None
        for penalty in PENALTIES:
            u = fit_sources(system, penalty, weight, FEWER_STEPS, u)
            misfit.append(float(np.sum((system.weight * system.misfit(u) ** 2)[out])))
        return misfit

    total = np.zeros(len(PENALTIES))
    for _, misfit in run(left_out, range(FOLDS)):
        total += np.array(misfit) / len(lanes)
    table = pd.DataFrame({"penalty": PENALTIES, "misfit": total})
    return PENALTIES[int(np.argmin(table["misfit"].to_numpy()))], table


@dataclass(frozen=True, eq=False)
class SiteInversion:
    """Equivalent strength in each cell of a map, in reference targets.

    Attributes
    ----------
    strength : (L, K) array
        Sum of the sources in each cell, the mean over the fit and its replicates: where the lanes
        leave it open which of two cells holds the metal, both get their share.
    replicates : (R, L, K) array
        The same from readings with their lanes weighted anew.
    depths : (D,) array
        Where sources were allowed, m below the bed.
    penalty : float
    choice : DataFrame
        How each penalty predicts left-out lanes.
    """

    strength: Floats
    replicates: Floats
    depths: Floats
    penalty: float
    choice: pd.DataFrame

    @property
    def sd(self) -> Floats:
        """Standard deviation over the replicates, (L, K)."""
        return np.asarray(self.replicates.std(axis=0, ddof=1))


def invert_site(
    readings: pd.DataFrame,
    detector: Detector,
    noise_sd: float,
    field: xr.DataArray,
    seed: int,
    replicates: int = REPLICATES,
) -> SiteInversion:
    """Explain all conditioned readings by sources under the cells of a map.

    Parameters
    ----------
    readings : DataFrame
        Conditioned; ``e, n, signal, lane, used, at_full_scale``.
    detector : Detector
    noise_sd : float
        Of one reading, signal units.
    field : DataArray (n, e)
        Map whose cells are asked for.
    seed : int
        Of the resampling.
    replicates : int
        Fits with every lane's readings weighted by an exponential draw (Bayesian bootstrap, Rubin
        1981, Ann. Stat. 9, by lanes because their readings err together; from memory).

    Returns
    -------
    SiteInversion

    Notes
    -----
    Limits: strengths are pulled towards 0 by the penalty; depth and strength trade within the few
    depths, so that the strength of a lone target holds to a factor of about three; what no reading
    hears is 0 here and must be masked; the spread over replicates holds what the lanes say, not
    what the model leaves out.
    """
    used = readings[readings["used"]]
    points = used[["e", "n"]].to_numpy(float)
    sources = sources_under(field, detector, points)
    system = System.of(
        points,
        used["signal"].to_numpy(float),
        used["at_full_scale"].to_numpy(bool),
        sources,
        detector,
        noise_sd,
    )
    lanes = pd.factorize(used["lane"], sort=True)[0]
    penalty, choice = choose_penalty(system, lanes)
    rng = np.random.default_rng(seed)
    draws = [rng.exponential(size=lanes.max() + 1) for _ in range(replicates)]
    weights = [system.weight * draw[lanes] for draw in draws]
    first = fit_sources(system, penalty)
    fits = np.empty((1 + replicates, len(first)))
    fits[0] = first
    again = partial(fit_sources, system, penalty, steps=MORE_STEPS, start=first)
    for number, one in run(again, weights):
        fits[1 + number] = one
    strength = sources.by_cell(fits / system.scale, field.size)
    maps = strength.reshape(-1, *field.shape)
    return SiteInversion(maps.mean(axis=0), maps[1:], sources.depths, penalty, choice)
