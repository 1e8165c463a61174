"""Models that some tens of readings leave open: a few, each as likely as the others."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from detect.geostat.covariance import cross_covariance
from detect.geostat.errors import FloatArray, IntArray
from detect.geostat.shapes import practical_range
from detect.geostat.variogram import Variogram

#: shares of the nugget in the sill that are tried
SHARES = np.array([0.02, 0.1, 0.2, 0.35, 0.5, 0.7, 0.9])
#: practical ranges that are tried, from half of the median step to the layout's diagonal
RANGES = 9
#: the practical range is this share of the diagonal, within a factor of e (no source)
USUAL_RANGE, RANGE_FACTOR = 0.25, 2.72
#: ratios and azimuths of anisotropy that are tried, together as likely as none (no source)
RATIOS, AZIMUTHS = (0.5, 0.25), (0.0, 45.0, 90.0, 135.0)
#: models kept
KEPT = 8


@dataclass(frozen=True, eq=False)
class OpenModels:
    """Models on a lattice with what the readings say of each.

    Attributes
    ----------
    variograms : tuple of Variogram
        Each with the sill that suits the readings best; its nugget is the error of one reading.
    log_likelihood : (L,) array
        Restricted, the sill integrated out, but for a constant that all share.
    chance : (L,) array
        Likelihood times prior; adds up to 1.
    """

    variograms: tuple[Variogram, ...]
    log_likelihood: FloatArray
    chance: FloatArray

    def kept(self, count: int = KEPT) -> tuple[Variogram, ...]:
        """Return models of equal weight: those at the middle of ``count`` equal parts of chance.

        The lattice is in the order of ratio, azimuth, range and nugget (systematic sampling).
        """
        reached = np.cumsum(self.chance)
        at = np.searchsorted(reached, (np.arange(count) + 0.5) / count)
        return tuple(self.variograms[i] for i in np.minimum(at, len(reached) - 1))


def open_models(
    points: FloatArray, values: FloatArray, repeats: IntArray | None = None
) -> OpenModels:
    r"""Weigh exponential models by the restricted likelihood of the readings and a prior.

    With K = sill R, R of sill 1, and a prior of the sill that is flat in its logarithm,

    .. math:: p(y | R) \propto |R|^{-1/2} |1'R^{-1}1|^{-1/2} (y'P_R y)^{-(n - 1)/2}

    Parameters
    ----------
    points, values : (N, 2) and (N,) arrays
        Places, metres, no two alike (`detect.geostat.repeats.merge_repeats`), and readings, not
        all alike.
    repeats : (N,) array of int, optional
        Readings averaged at each place: the nugget of their mean is that much less.

    Returns
    -------
    OpenModels

    Notes
    -----
    Source: Handcock and Stein 1993, Technometrics 35; Kitanidis 1986, Water Resour. Res. 22
    (both from memory). Priors (no source): practical range lognormal about a quarter of the
    diagonal within a factor of e; the nugget's share s of density 2 (1 - s), for what is felt at
    one place is mostly felt a hand's breadth beside it; isotropic in half of the cases. Ranges of
    one area are compared: the practical range is the geometric mean of both axes'.
    Limit: the likelihood is that of normal readings, for indicators only a likeness of it; cost:
    the cube of the readings times 81.
    """
    count = np.ones(len(values)) if repeats is None else np.asarray(repeats, dtype=float)
    diagonal = float(np.hypot(*np.ptp(points, axis=0)))
    step = float(np.median(cKDTree(points).query(points, k=2)[0][:, 1]))
    practical = np.geomspace(min(0.5 * step, 0.1 * diagonal), diagonal, RANGES)
    prior_range = -0.5 * (np.log(practical / (USUAL_RANGE * diagonal)) / np.log(RANGE_FACTOR)) ** 2
    edges = np.concatenate([[0.0], (SHARES[1:] + SHARES[:-1]) / 2.0, [1.0]])
    prior_share = np.log(np.diff(edges) * (1.0 - SHARES))

    variograms: list[Variogram] = []
    likelihoods, priors = [], []
    for ratio, azimuth, prior_shape in _shapes():
        for reach, prior in zip(practical, prior_range, strict=True):
            # the minor axis shorter, the major one longer: the area within reach is the same
            length = reach / practical_range("exponential") / np.sqrt(ratio)
            shape = Variogram(
                "exponential", 0.0, 1.0, float(length), anisotropy_ratio=ratio, azimuth_deg=azimuth
            )
            likelihood, sill = _weigh(cross_covariance(shape, points, points), values, count)
            likelihoods.append(likelihood)
            priors.append(prior_shape + prior + prior_share)
            variograms += [
                Variogram(
                    "exponential",
                    float(share * total),
                    float((1.0 - share) * total),
                    float(length),
                    anisotropy_ratio=ratio,
                    azimuth_deg=azimuth,
                )
                for share, total in zip(SHARES, sill, strict=True)
            ]
    log_likelihood = np.concatenate(likelihoods)
    posterior = log_likelihood + np.concatenate(priors)
    chance = np.exp(posterior - posterior.max())
    return OpenModels(tuple(variograms), log_likelihood, chance / chance.sum())


def _shapes() -> Iterator[tuple[float, float, float]]:
    """Ratio and azimuth of each shape with the logarithm of its prior."""
    turned = [(ratio, azimuth) for ratio in sorted(RATIOS) for azimuth in AZIMUTHS]
    for ratio, azimuth in turned:
        yield ratio, azimuth, float(np.log(0.5 / len(turned)))
    yield 1.0, 0.0, float(np.log(0.5))


def _weigh(
    correlation: FloatArray, values: FloatArray, repeats: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Log likelihood and best sill of every nugget's share, from one eigendecomposition.

    With each reading times the root of its repeats the error is the same for all, so that
    structure and error share their eigenvectors.
    """
    root = np.sqrt(repeats)
    own, vectors = np.linalg.eigh(root[:, None] * correlation * root)
    y, one = vectors.T @ (root * values), vectors.T @ root
    spread = (1.0 - SHARES)[:, None] * np.maximum(own, 0.0) + SHARES[:, None]
    ones = (one**2 / spread).sum(axis=1)
    quadratic = (y**2 / spread).sum(axis=1) - (one * y / spread).sum(axis=1) ** 2 / ones
    freedom = len(values) - 1
    log_det = np.log(spread).sum(axis=1) + np.log(ones)
    return -0.5 * (log_det + freedom * np.log(quadratic)), quadratic / freedom
