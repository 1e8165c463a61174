"""A matched filter over a lattice of sources: which of them stands out of what is left."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from detect.readings.sources import Sources, response_operator
from detect.survey.settings import Detector

Floats = NDArray[np.float64]
Numbers = NDArray[np.int64]

#: share of what is taken off that may be left by wander, tilt and shape (common practice, no
#: source): a second target under a loud one must stand out of that
LEFTOVER = 0.25
#: faintest strength that is told, in reference targets
FAINTEST = 1e-3


class MatchedFilter:
    r"""How far each source stands out of the readings, other targets taken off.

    For a source with responses a at the readings, what is left r of them and errors of variance
    1/w the filter is

    .. math:: z = \sum_i a_i w_i r_i / \sqrt{\sum_i a_i^2 w_i}

    the signal-to-noise ratio of its best strength :math:`\sum a w r / \sum a^2 w`, normal with
    variance 1 where there is nothing (Turin 1960, IRE Trans. Inf. Theory 6; from memory).

    Parameters
    ----------
    points : (N, 2) array
        Places of the readings, m.
    sources : Sources
    detector : Detector
    noise_sd : float
        Of one reading.

    Attributes
    ----------
    places : (S, 3) array
        ``e, n, depth`` of each source.

    Notes
    -----
    Limit: errors of readings are taken to be independent.
    """

    def __init__(
        self, points: Floats, sources: Sources, detector: Detector, noise_sd: float
    ) -> None:
        depth = np.repeat(sources.depths, len(sources.nodes))
        places = np.tile(sources.nodes, (len(sources.depths), 1))
        self.places = np.column_stack([places, depth])
        self._heard = response_operator(
            points, sources, detector, detector.threshold_snr * noise_sd
        )
        self._squares = self._heard.power(2)
        self._weight, self._weighted = np.zeros((2, len(points)))
        self._match, self._power = np.zeros((2, len(depth)))

    def hear(
        self, left: Floats, variance: Floats, added: Floats, changed: Numbers | None = None
    ) -> None:
        """Take in the readings.

        Parameters
        ----------
        left, variance, added : (N,) arrays
            What is left of each reading, the variance of its error, and what targets that were
            taken off added to it: `LEFTOVER` of that is in doubt besides.
        changed : (C,) array of int, optional
            The readings that are not as they were the last time; all if not given.
        """
        some = slice(None) if changed is None else changed
        weight = 1.0 / (variance[some] + (LEFTOVER * added[some]) ** 2)
        weighted = weight * left[some]
        if changed is None:
            self._match, self._power = self._heard.T @ weighted, self._squares.T @ weight
        else:
            self._match += self._heard[some].T @ (weighted - self._weighted[some])
            self._power += self._squares[some].T @ (weight - self._weight[some])
        self._weight[some], self._weighted[some] = weight, weighted

    @property
    def z(self) -> Floats:
        """How far each source stands out, (S,), standard deviations."""
        return np.asarray(self._match / np.sqrt(np.maximum(self._power, 1e-300)))

    def target(self, source: int) -> Floats:
        """Return a source as a target ``e, n, depth, ln strength``, at its best strength."""
        strength = self._match[source] / max(self._power[source], 1e-300)
        return np.append(self.places[source], np.log(max(strength, FAINTEST)))
