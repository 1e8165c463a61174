"""What the errors of two kinds of evidence have in common: the draws of one follow the other's.

Strength and signal come from the same readings: where a loud thing lies between two lanes, both are
too low. Contact and overburden come from the same probes: where the first contact lies deeper than
thought, fewer probes meet it. Drawn by themselves the two would make up for each other, and a
square would look surer of its place than it is.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

Floats = NDArray[np.float64]

#: rank correlation of the errors of strength and signal of a square, from invented sites: 0.36 over
#: all squares, 0.35 over those whose place is in doubt
#: (tests/benchmarks/evidence_together.py; docs/measured.md)
STRENGTH_WITH_SIGNAL = 0.35


def contact_with_depth(share: float) -> float:
    r"""Return the correlation of meeting something and of how deep it lies.

    A probe of length L meets what lies at D < L. With D normal and p the share that meets something

    .. math:: corr(1[D < L], D) = -\varphi(\Phi^{-1}(p)) / \sqrt{p (1 - p)}

    Parameters
    ----------
    share : float
        Of the probes that met something, 0 to 1; at either end nothing is known: 0.

    Notes
    -----
    Source: Pearson 1909, Biometrika 7, biserial correlation (from memory). Limit: holds if every
    probe that met nothing would meet something deeper down, as the depths are estimated.
    """
    if not 0.0 < share < 1.0:
        return 0.0
    return -float(np.exp(-0.5 * ndtri(share) ** 2) / np.sqrt(2.0 * np.pi * share * (1.0 - share)))


def follow(drawn: Floats, leader: Floats, correlation: float) -> Floats:
    r"""Put the draws of each square into an order that correlates with those of other evidence.

    Square by square the normal scores z of the draws and u of the leader's are mixed,

    .. math:: t = \rho u + \sqrt{1 - \rho^2} z

    and the drawn values are put in the order of t: what is drawn for a square stays as it is, only
    in which realisation is changed. Neighbours stay alike as far as rho^2 leaves it to z, and are
    alike as the leader's are for the rest.

    Parameters
    ----------
    drawn, leader : (R, M) array
    correlation : float
        Of the normal scores.

    Returns
    -------
    (R, M) array

    Notes
    -----
    Source: Iman and Conover 1982, Commun. Stat. B 11, rank correlation imposed on samples; the
    mix is the Markov-type coregionalisation of Almeida and Journel 1994, Math. Geol. 26 (both from
    memory).
    """
    target = correlation * _scores(leader) + np.sqrt(1.0 - correlation**2) * _scores(drawn)
    return np.take_along_axis(np.sort(drawn, axis=0), _places(target), axis=0)


def _places(values: Floats) -> NDArray[np.int64]:
    """Return the place of each draw among those of its square, from 0."""
    return np.argsort(np.argsort(values, axis=0, kind="stable"), axis=0, kind="stable")


def _scores(values: Floats) -> Floats:
    """Return the normal scores of the draws of each square."""
    return np.asarray(ndtri((_places(values) + 0.5) / len(values)))


def together(draws: Mapping[str, Floats], contact_share: float | None) -> dict[str, Floats]:
    """Let strength follow signal, and overburden contact.

    Parameters
    ----------
    draws : mapping of (R, M) array
        Each evidence drawn by itself.
    contact_share : float or None
        Share of the probes that met something.

    Returns
    -------
    dict of (R, M) array
    """
    joint = dict(draws)
    if {"strength", "signal"} <= draws.keys():
        joint["strength"] = follow(draws["strength"], draws["signal"], STRENGTH_WITH_SIGNAL)
    if {"overburden", "contact"} <= draws.keys() and contact_share is not None:
        common = contact_with_depth(contact_share)
        joint["overburden"] = follow(draws["overburden"], draws["contact"], common)
    return joint
