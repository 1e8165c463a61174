"""A normal vector known to exceed its limits: its probability, and draws of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.special import erfcx, log_ndtr, ndtri_exp

from detect.geostat.simulation import semidefinite_root

Floats = NDArray[np.float64]

#: chains side by side, sweeps thrown away, and draws kept of each chain before it is judged
CHAINS, BURN_IN, KEPT = 32, 60, 20
#: split R-hat below which chains count as converged (Gelman et al. 2013, 11.4, from memory), and
#: doublings allowed
CONVERGED, MOST_DOUBLINGS = 1.1, 4


def _hazard(x: Floats) -> Floats:
    """Return phi(x) / (1 - Phi(x)), without overflow."""
    return np.sqrt(2.0 / np.pi) / erfcx(x / np.sqrt(2.0))


@dataclass(frozen=True, eq=False)
class Sites:
    """The limits as if they were noisy readings: value and variance of each, and the probability.

    Attributes
    ----------
    value, variance : (C,) arrays
    log_probability : float
        Of all limits being exceeded together.
    """

    value: Floats
    variance: Floats
    log_probability: float


def expectation_propagation(
    mean: Floats, covariance: Floats, limits: Floats, sweeps: int = 200, tolerance: float = 1e-9
) -> Sites:
    r"""Approximate ``P(x > limits)`` for ``x ~ N(mean, covariance)`` by expectation propagation.

    Each condition ``x_i > c_i`` is replaced by a normal factor such that the product has the
    moments of the product with that one condition put back. Where the elements are independent
    the result is exact.

    Parameters
    ----------
    mean, limits : (C,) array
    covariance : (C, C) array
    sweeps : int
        Most updates of all factors.
    tolerance : float
        Of the change of ``log_probability``.

    Returns
    -------
    Sites

    Notes
    -----
    Source: Minka 2001 (PhD thesis, MIT); Cunningham, Hennig & Lacoste-Julien 2011,
    arXiv:1111.6832 (both from memory). Limit: approximate where the elements are correlated; the
    tests hold it against scipy's integration.
    """
    scale = np.sqrt(np.diag(covariance))
    least = 1e-10 / scale**2
    precision, shift = least.copy(), np.zeros_like(mean)
    before = np.inf
    log_probability = 0.0
    value = variance = mean
    for _ in range(sweeps):
        variance = 1.0 / precision
        value = shift * variance
        factor = cho_factor(covariance + np.diag(variance), lower=True, check_finite=False)
        gain = cho_solve(factor, covariance, check_finite=False)
        departure = value - mean
        weighted = cho_solve(factor, departure, check_finite=False)
        inside = np.maximum(np.diag(covariance) - np.einsum("ij,ij->j", covariance, gain), 1e-300)
        centre = mean + covariance @ weighted
        # the field without one condition at a time
        cavity_precision = np.maximum(1.0 / inside - precision, 1e-300)
        cavity = 1.0 / cavity_precision
        cavity_mean = cavity * (centre / inside - shift)
        spread = np.sqrt(cavity)
        past = (limits - cavity_mean) / spread
        log_each = log_ndtr(-past)
        hazard = _hazard(past)
        new_mean = cavity_mean + spread * hazard
        new_variance = cavity * np.clip(1.0 - hazard * (hazard - past), 1e-12, 1.0)
        gap = cavity + variance
        log_probability = float(
            np.sum(log_each + 0.5 * np.log(gap) + 0.5 * (cavity_mean - value) ** 2 / gap)
            - np.sum(np.log(np.diag(factor[0])))
            - 0.5 * departure @ weighted
        )
        if abs(log_probability - before) < tolerance:
            break
        before = log_probability
        precision = np.maximum(1.0 / new_variance - cavity_precision, least)
        shift = new_mean / new_variance - cavity_mean * cavity_precision
    return Sites(value, variance, log_probability)


@dataclass(frozen=True, eq=False)
class Draws:
    """Draws of the censored vector and how well their chains agree.

    Attributes
    ----------
    values : (R, C) array
        Draws; every chain in turn, so that the first rows come from different chains.
    r_hat : float
        Largest split R-hat of the elements; near 1 where the chains agree.
    effective : float
        Smallest effective number of independent draws of the elements.
    sweeps : int
        Sweeps of each chain, those thrown away included.
    """

    values: Floats
    r_hat: float
    effective: float
    sweeps: int


def agreement(chains: Floats) -> tuple[float, float]:
    """Return the largest split R-hat and the smallest effective number of draws.

    Parameters
    ----------
    chains : (S, K, C) array
        S draws of each of K chains of C elements.

    Returns
    -------
    r_hat, effective : float

    Notes
    -----
    R-hat of half chains: Gelman et al., Bayesian Data Analysis, 3rd ed. (2013), 11.4. Effective
    number from the variance of the chains' means, which needs many chains: ``S K W / (S B)`` with
    B the variance between means (batch means; both from memory).
    """
    half = len(chains) // 2
    split = np.concatenate([chains[:half], chains[half : 2 * half]], axis=1)
    within = split.var(axis=0, ddof=1).mean(axis=0)
    between = split.mean(axis=0).var(axis=0, ddof=1)
    positive = within > 0
    if not positive.any():
        return 1.0, float(chains.shape[0] * chains.shape[1])
    total = (half - 1) / half * within[positive] + between[positive]
    r_hat = np.sqrt(total / within[positive])
    means = chains.mean(axis=0).var(axis=0, ddof=1)[positive]
    whole = chains.var(axis=(0, 1))[positive]
    count = chains.shape[0] * chains.shape[1]
    effective = np.minimum(chains.shape[1] * whole / np.maximum(means, 1e-300), count)
    return float(r_hat.max()), float(effective.min())


def draw_above(mean: Floats, covariance: Floats, limits: Floats, seed: int, start: Sites) -> Draws:
    """Draw from ``x ~ N(mean, covariance)`` given ``x > limits``, by Gibbs sampling.

    Element by element from its normal distribution given the others, cut off at its limit; many
    chains side by side, started from joint draws of the approximation ``start``, spread half as
    wide again. Chains run on, doubling, until their split R-hat is below 1.1.

    Parameters
    ----------
    mean, limits : (C,) array
    covariance : (C, C) array
    seed : int
    start : Sites
        From :func:`expectation_propagation`.

    Returns
    -------
    Draws

    Notes
    -----
    Source: Geweke 1991 (truncated multivariate normal by Gibbs sampling; from memory). Cut-off
    draws by inverting the logarithm of the tail, which holds its digits far from the mean.
    """
    rng = np.random.default_rng(seed)
    size = len(mean)
    precision = np.linalg.inv(covariance)
    spread = 1.0 / np.sqrt(np.diag(precision))
    # x_i given the others: mean_i - sum_k pull_ik (x_k - mean_k)
    pull = precision * spread[:, None] ** 2
    np.fill_diagonal(pull, 0.0)
    gain = np.linalg.solve(covariance + np.diag(start.variance), covariance)
    centre = mean + gain.T @ (start.value - mean)
    left = covariance - covariance @ gain
    root = semidefinite_root((left + left.T) / 2.0, float(np.max(np.diag(covariance))))
    state = centre + 1.5 * rng.standard_normal((CHAINS, size)) @ root.T
    state = limits + np.abs(state - limits)
    departure = np.ascontiguousarray((state - mean).T)  # (C, chains): one element's row at a time

    def sweep() -> None:
        waiting = rng.exponential(size=(size, CHAINS))
        for i in range(size):
            centre_i = -pull[i] @ departure
            lowest = (limits[i] - mean[i] - centre_i) / spread[i]
            # log of (1 - Phi(lowest)) U, turned back into a normal deviate
            departure[i] = centre_i - spread[i] * ndtri_exp(log_ndtr(-lowest) - waiting[i])

    burn, thin, done = BURN_IN, 1, 0
    for doubling in range(MOST_DOUBLINGS + 1):
        for _ in range(burn):
            sweep()
        kept = np.empty((KEPT, CHAINS, size))
        for row in kept:
            for _ in range(thin):
                sweep()
            row[:] = departure.T + mean
        done += burn + KEPT * thin
        r_hat, effective = agreement(kept)
        if r_hat < CONVERGED or doubling == MOST_DOUBLINGS:
            break
        # what was kept becomes the time to forget the start
        burn, thin = 0, 2 * thin
    return Draws(kept.reshape(-1, size), r_hat, effective, done)
