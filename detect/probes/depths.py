"""Contact depth from contacts and from probes that ran out."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from detect.geostat import Kriging
from detect.geostat.covariance import tiles
from detect.geostat.mixtures import mixed
from detect.geostat.parallel import threads
from detect.geostat.simulation import semidefinite_root
from detect.probes.censored import LEAST_ERROR_M, CensoredFit, fit_censored
from detect.probes.contacts import FEWEST_PROBES, contact_indicator
from detect.probes.truncated import CONVERGED, Draws, draw_above, expectation_propagation

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Member:
    """Depth under one model of those that the pushes leave open.

    Attributes
    ----------
    kriging : Kriging
        Over contacts, then the probes that ran out with their expected depth; error filtered.
    met : int
        Probes that met something.
    draws : Draws or None
        Joint draws of the depths of those that ran out; None where none did.
    """

    kriging: Kriging
    met: int
    draws: Draws | None

    def unread_variance(self, nodes: Floats, size_m: float | None) -> Floats:
        """Variance (M,) at nodes or of squares from what is not known of the stops."""
        if self.draws is None:
            return np.zeros(len(nodes))
        covariance = np.atleast_2d(np.cov(self.draws.values.T))
        out = np.empty(len(nodes))
        for part in tiles(len(nodes), 8 * len(covariance)):
            weights = self.kriging.weights(nodes[part], size_m)[:, self.met :]
            out[part] = np.einsum("ij,ij->i", weights @ covariance, weights)
        return out


@dataclass(frozen=True, eq=False)
class ContactDepth:
    """Estimator of contact depth below the bed.

    Attributes
    ----------
    fit : CensoredFit
    members : tuple of Member
        One for each model left open, all of the same weight.
    stops : int
        Probes that ran out.
    """

    fit: CensoredFit
    members: tuple[Member, ...]
    stops: int

    def at(self, nodes: Floats) -> tuple[Floats, Floats]:
        """Estimate depth at nodes (M, 2): mean and variance (M,), m and m2.

        The variance is that of kriging, had the depths below the stops been read, and what is
        not known of these and of the model.
        """
        return self._mixed([m.kriging.at(nodes) for m in self.members], nodes, None)

    def squares(self, centres: Floats, size_m: float) -> tuple[Floats, Floats]:
        """Estimate the mean depth over squares (M, 2): mean and variance (M,), m and m2."""
        found = [m.kriging.blocks(centres, size_m) for m in self.members]
        return self._mixed(found, centres, size_m)

    def _mixed(
        self, found: list[tuple[Floats, Floats]], nodes: Floats, size_m: float | None
    ) -> tuple[Floats, Floats]:
        variances = [
            variance + member.unread_variance(nodes, size_m)
            for member, (_, variance) in zip(self.members, found, strict=True)
        ]
        return mixed([mean for mean, _ in found], variances)

    def draw_squares(
        self, centres: Floats, size_m: float, count: int, rng: np.random.Generator
    ) -> tuple[Floats, Floats, Floats]:
        """Estimate the mean depth over squares as :meth:`squares`, and draw it jointly.

        Each draw takes a model, one set of depths for the probes that ran out, and a field given
        these: not normal where stops are near.

        Returns
        -------
        mean, variance : (M,) array
        drawn : (count, M) array
        """
        out = np.empty((count, len(centres)))
        means, variances = [], []
        for number, member in enumerate(self.members):
            rows = np.arange(number, count, len(self.members))
            mean, covariance = member.kriging.block_posterior(centres, size_m)
            variance = np.diag(covariance)
            root = semidefinite_root(covariance, member.kriging.variogram.sill)
            out[rows] = mean + rng.standard_normal((len(rows), len(centres))) @ root.T
            if member.draws is not None:
                values = member.draws.values - member.draws.values.mean(axis=0)
                weights = member.kriging.weights(centres, size_m)[:, member.met :]
                out[rows] += values[rng.integers(len(values), size=len(rows))] @ weights.T
                variance = variance + (values @ weights.T).var(axis=0)
            means.append(mean)
            variances.append(variance)
        return *mixed(means, variances), out

    def in_words(self) -> Iterator[str]:
        """Say what the estimate rests on."""
        yield from self.fit.notes
        chains = [m.draws for m in self.members if m.draws is not None]
        if not chains:
            yield "no probe ran out"
            return
        draws = sum(len(d.values) for d in chains)
        worst, fewest = max(d.r_hat for d in chains), min(d.effective for d in chains)
        pushes = self.stops + self.members[0].met
        yield (
            f"{self.stops} of {pushes} probes ran out: {draws} draws of what lies below, split "
            f"R-hat at most {worst:.3f}, at least {fewest:.0f} independent draws a model"
        )
        if worst >= CONVERGED:
            yield "the chains have not settled: read the contact depth with care"


def _member(
    points: Floats, depth: Floats, ran_out: NDArray[np.bool_], fit: CensoredFit, seed: int
) -> Member:
    read, error = points[~ran_out], max(fit.error_sd, LEAST_ERROR_M)
    values, stops, draws = depth[~ran_out], depth[ran_out], None
    if len(stops):
        above = Kriging(read, values, fit.variogram, measurement_sd=error)
        mean, covariance = above.posterior(points[ran_out])
        covariance = covariance + error**2 * np.eye(len(stops))
        start = expectation_propagation(mean, covariance, stops)
        draws = draw_above(mean, covariance, stops, seed, start)
        values = np.concatenate([values, draws.values.mean(axis=0)])
    everywhere = np.concatenate([read, points[ran_out]])
    kriging = Kriging(everywhere, values, fit.variogram, measurement_sd=error)
    return Member(kriging, len(read), draws)


def contact_depth(
    points: Floats,
    depth: Floats,
    ran_out: NDArray[np.bool_],
    *,
    fit: CensoredFit | None = None,
    seed: int = 1,
) -> ContactDepth:
    """Build the estimator of contact depth from contacts and stops.

    Parameters
    ----------
    points, depth, ran_out
        As for :func:`detect.probes.censored.fit_censored`.
    fit : CensoredFit, optional
        A model to use as it is.
    seed : int
        Of the draws of the depths below the stops.

    Returns
    -------
    ContactDepth

    Raises
    ------
    GeostatError
        What :class:`Kriging` refuses.

    Notes
    -----
    Given the contacts, the depths of the others are normal (ordinary kriging: the mean is
    unknown) and cut off above their stops. They are drawn by Gibbs sampling, and the field is
    kriged with each draw as if it had been read. Limit: a push that was stopped by something it
    could not name counts as having run out there.
    """
    # many small products: threads would wait for each other more than they help
    with threads(0):
        fit = fit or fit_censored(points, depth, ran_out)
        seeds = np.random.SeedSequence(seed).generate_state(len(fit.others) or 1)
        models = fit.others or (fit,)
        members = tuple(
            _member(points, depth, ran_out, model, int(s))
            for model, s in zip(models, seeds, strict=True)
        )
    return ContactDepth(fit, members, int(ran_out.sum()))


def contact_depth_model(probes: pd.DataFrame | None, seed: int = 1) -> ContactDepth | None:
    """Build the estimator of contact depth below the bed from all pushes.

    Parameters
    ----------
    probes : DataFrame or None
        Probe table; ``none`` says that what lies there is deeper than ``depth_m``.
    seed : int
        As for :func:`contact_depth`.

    Returns
    -------
    ContactDepth or None
        None with fewer than eight contacts.
    """
    if probes is None:
        return None
    ran_out = contact_indicator(probes) == 0
    if int((~ran_out).sum()) < FEWEST_PROBES:
        return None
    points, depth = probes[["e", "n"]].to_numpy(float), probes["depth_m"].to_numpy(float)
    return contact_depth(points, depth, ran_out, seed=seed)
