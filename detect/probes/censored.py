"""A field fitted to depths of which some are only lower limits."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.optimize import minimize

from detect.geostat import Variogram
from detect.geostat.covariance import cross_covariance
from detect.probes.truncated import expectation_propagation

Floats = NDArray[np.float64]

#: no push is read closer than this, m (common practice, no source)
LEAST_ERROR_M = 0.01
#: models that are tried, the likelier one kept
MODELS = ("exponential", "spherical")
#: a push repeated beside itself differs by this, within a factor of two (common practice, no
#: source): from the depths alone an error and a short range are hard to tell apart
USUAL_ERROR_M, ERROR_FACTOR = 0.05, 2.0
#: the practical range is this share of the site's length, within a factor of e (no
#: source)
USUAL_RANGE, RANGE_FACTOR = 0.25, 2.72
#: with more pushes than this the model is known well enough: no others are carried along
ENOUGH = 300


@dataclass(frozen=True)
class CensoredFit:
    """Maximum likelihood fit of a normal field to depths, some of them only lower limits.

    Attributes
    ----------
    mean : float
        Of the field, m.
    variogram : Variogram
        Of the field without the error of a push.
    error_sd : float
        Error of one push and what changes within a hand's breadth, m.
    log_likelihood : float
    notes : tuple of str
    others : tuple of CensoredFit
        Models about as far from this one as the depths leave open, each as likely as the others;
        empty where the model was given,
        or with more than 300 pushes.
    """

    mean: float
    variogram: Variogram
    error_sd: float
    log_likelihood: float
    notes: tuple[str, ...] = ()
    others: tuple[CensoredFit, ...] = ()


@dataclass(frozen=True, eq=False)
class _Push:
    """Depths in the order contacts, then those that ran out."""

    points: Floats
    depth: Floats
    met: int

    def covariance(self, variogram: Variogram, error_sd: float) -> Floats:
        k = cross_covariance(variogram, self.points, self.points)
        k.flat[:: len(k) + 1] += error_sd**2
        return k

    def given_contacts(self, mean: float, k: Floats) -> tuple[Floats, Floats, float]:
        """Mean and covariance of those that ran out given the contacts; log density of these."""
        met, departure = self.met, self.depth[: self.met] - mean
        factor = cho_factor(k[:met, :met], lower=True, check_finite=False)
        weighted = cho_solve(factor, departure, check_finite=False)
        across = k[met:, :met]
        density = -0.5 * (
            departure @ weighted
            + 2.0 * np.log(np.diag(factor[0])).sum()
            + met * np.log(2.0 * np.pi)
        )
        covariance = k[met:, met:] - across @ cho_solve(factor, across.T, check_finite=False)
        return mean + across @ weighted, covariance, float(density)


def _likelihood(parameters: Floats, push: _Push, model: str) -> tuple[float, Floats, float]:
    """Return the log likelihood, its gradient, and the precision of the mean given the others.

    Parameters are the mean, and the logarithms of field variance, range and error variance. At
    the fixed point of expectation propagation the gradient is that of the density of the depths
    and the limits' pseudo-readings with the factors held (Seeger 2005, from memory).
    """
    mean = parameters[0]
    sill, length, error = np.exp(parameters[1:])
    field = Variogram(model=model, nugget=0.0, partial_sill=1.0, range_m=length)
    step = 1e-4
    longer = Variogram(model=model, nugget=0.0, partial_sill=1.0, range_m=length * np.exp(step))
    shape = cross_covariance(field, push.points, push.points)
    slope = (cross_covariance(longer, push.points, push.points) - shape) / step
    k = sill * shape
    k.flat[:: len(k) + 1] += error
    value, extra = push.depth.copy(), np.zeros(len(k))
    below, covariance, likelihood = push.given_contacts(mean, k)
    if len(below):
        sites = expectation_propagation(below, covariance, push.depth[push.met :], tolerance=1e-7)
        likelihood += sites.log_probability
        value[push.met :], extra[push.met :] = sites.value, sites.variance
    inverse = np.linalg.inv(k + np.diag(extra))
    b = inverse @ (value - mean)
    middle = np.outer(b, b) - inverse
    gradient = np.array(
        [
            b.sum(),
            0.5 * sill * np.sum(middle * shape),
            0.5 * sill * np.sum(middle * slope),
            0.5 * error * np.trace(middle),
        ]
    )
    return likelihood, gradient, float(inverse.sum())


@dataclass(frozen=True, eq=False)
class _Belief:
    """Lognormal prior of range and error variance: centre and precision (3,), sill first."""

    centre: Floats
    precision: Floats

    @classmethod
    def of(cls, widest: float, practical: float) -> _Belief:
        centre = [1.0, USUAL_RANGE * widest / practical, USUAL_ERROR_M**2]
        spread = np.array([np.inf, np.log(RANGE_FACTOR), np.log(ERROR_FACTOR**2)])
        return cls(np.log(centre), 1.0 / spread**2)

    def add_to(self, parameters: Floats, value: float, gradient: Floats) -> tuple[float, Floats]:
        pull = self.precision * (parameters[1:] - self.centre)
        gradient = gradient.copy()
        gradient[1:] -= pull
        return value - 0.5 * float(pull @ (parameters[1:] - self.centre)), gradient


def _negative(parameters: Floats, push: _Push, model: str, belief: _Belief) -> tuple[float, Floats]:
    likelihood, gradient, _ = _likelihood(parameters, push, model)
    value, gradient = belief.add_to(parameters, likelihood, gradient)
    return -value, -gradient


def fit_censored(
    points: Floats,
    depth: Floats,
    ran_out: NDArray[np.bool_],
    model: str | None = None,
    range_bounds: tuple[float, float] | None = None,
) -> CensoredFit:
    r"""Fit mean, sill, range and error by penalised likelihood, each stop a lower limit.

    .. math:: L = p(y_{met}) \; P(y_{out} > c_{out} \mid y_{met})

    The first factor is a normal density, the second comes from expectation propagation. Where
    depths are independent the likelihood is exact, and that of the censored normal. Range and
    error have wide lognormal priors: some tens of probes hardly tell an error from a short range.

    Parameters
    ----------
    points : (N, 2) array
        m.
    depth : (N,) array
        Depth of contact, or depth reached, m.
    ran_out : (N,) bool array
        Pushed to ``depth`` without contact.
    model : str, optional
        Fit this model only; otherwise the likelier of exponential and spherical.
    range_bounds : (float, float), optional
        Of ``range_m``; default: practical range from half of the median step to the layout's
        diagonal.

    Returns
    -------
    CensoredFit

    Notes
    -----
    Source: likelihood of censored data, e.g. Cohen 1991, Truncated and Censored Samples; of a
    normal field, Mardia & Marshall 1984, Biometrika 71 (both from memory). Limit: isotropic.
    """
    order = np.argsort(ran_out, kind="stable")
    push = _Push(points[order], depth[order], int((~ran_out).sum()))
    lag = np.hypot(*(points[:, None] - points[None]).transpose(2, 0, 1))
    np.fill_diagonal(lag, np.inf)
    step = max(float(np.median(lag.min(axis=1))), 1e-3)
    np.fill_diagonal(lag, 0.0)
    widest = float(lag.max())
    # a start that already knows that the stops lie deeper
    spread = max(float(np.std(depth[~ran_out])), LEAST_ERROR_M)
    mean = float(np.mean(depth) + spread * ran_out.mean())
    variance = 2.0 * spread**2
    best: CensoredFit | None = None
    highest = -np.inf
    for name in (model,) if model else MODELS:
        practical = 1.0 if name == "spherical" else 3.0
        lengths = range_bounds or (0.5 * step / practical, widest / practical)
        bounds = [
            (None, None),
            (np.log(variance) - 12.0, np.log(variance) + 6.0),
            (np.log(lengths[0]), np.log(lengths[1])),
            (2.0 * np.log(LEAST_ERROR_M), np.log(variance) + 6.0),
        ]
        lattice = [
            np.array([mean, np.log(variance * (1.0 - s)), np.log(r), np.log(variance * s)])
            for r in np.clip(np.geomspace(3.0 * step, 0.5 * widest, 3) / practical, *lengths)
            for s in (0.1, 0.5)
        ]
        belief = _Belief.of(widest, practical)
        values = [_negative(at, push, name, belief)[0] for at in lattice]
        start = lattice[int(np.argmin(values))]
        found = minimize(
            _negative, start, (push, name, belief), jac=True, method="L-BFGS-B", bounds=bounds
        )
        if -found.fun <= highest:
            continue
        highest = -float(found.fun)
        notes = [f"{name} by likelihood with the stops as lower limits"]
        if found.x[2] >= bounds[2][1] - 1e-6:
            notes.append("the range is as long as the site: the depth drifts across it")
        if found.x[2] <= bounds[2][0] + 1e-6 or found.x[1] < found.x[3] - np.log(100.0):
            notes.append("depths differ as much between neighbours as across the site")
        likelihood = _likelihood(found.x, push, name)[0]
        best = replace(_fit_at(found.x, name, likelihood), notes=tuple(notes))
        at, within, held = found.x, bounds, belief
    assert best is not None
    if len(points) > ENOUGH:
        return best
    others = _open_models(at, within, push, best.variogram.model, held)
    return replace(best, others=tuple(_fit_at(x, best.variogram.model, np.nan) for x in others))


def _fit_at(parameters: Floats, model: str, log_likelihood: float) -> CensoredFit:
    sill, length, error = np.exp(parameters[1:])
    variogram = Variogram(model=model, nugget=0.0, partial_sill=float(sill), range_m=float(length))
    return CensoredFit(float(parameters[0]), variogram, float(np.sqrt(error)), log_likelihood)


def _open_models(
    best: Floats, bounds: list[tuple[float | None, float]], push: _Push, model: str, belief: _Belief
) -> Floats:
    """Return six sets of parameters with the mean and the spread of what the depths leave open.

    Sill, range and error are taken as lognormal, with the curvature of the likelihood and its
    prior; their centre is moved from the optimum by one Newton step for the mean that was fitted
    beside them (from likelihood to restricted likelihood: sills are else too small). Sigma points
    as of Julier & Uhlmann 1997 (from memory), each of the same weight.
    """
    step = 0.05
    curvature, pull = np.zeros((4, 4)), np.zeros(4)
    for i in range(4):
        move = np.zeros(4)
        move[i] = step
        _, high, above = _likelihood(best + move, push, model)
        _, low, below = _likelihood(best - move, push, model)
        curvature[i] = (low - high) / (2.0 * step)
        pull[i] = -0.5 * (np.log(above) - np.log(below)) / (2.0 * step)
    values, vectors = np.linalg.eigh((curvature + curvature.T) / 2.0)
    # where the likelihood is not curved downwards (at a bound) the prior alone speaks
    precision = (vectors * np.maximum(values, 1e-6)) @ vectors.T
    precision[1:, 1:] += np.diag(belief.precision)
    covariance = np.linalg.inv(precision)[1:, 1:]
    root = np.sqrt(3.0) * np.linalg.cholesky(covariance)
    points = np.tile(best, (6, 1))
    points[:, 1:] += covariance @ pull[1:]
    points[:3, 1:] += root.T
    points[3:, 1:] -= root.T
    limits = np.array(bounds, dtype=float)  # None becomes NaN, which fmin and fmax pass over
    return np.fmin(np.fmax(points, limits[:, 0]), limits[:, 1])
