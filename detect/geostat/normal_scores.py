"""Normal scores: skewed readings made normal by their ranks, and estimates brought back exactly."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr, ndtri

from detect.geostat.covariance import tiles
from detect.geostat.errors import FloatArray, GeostatError, as_values

#: Score at which a tail that is given an end reaches it: one reading in 3.5 million lies past it.
TAIL_END = 5.0


@dataclass(frozen=True, eq=False)
class NormalScores:
    r"""A table of readings and their normal scores, straight lines between.

    ``z = phi(y)`` is continuous and rises; outside of the table it is constant. Make it with
    `NormalScores.of`.

    Parameters
    ----------
    scores, values : (K,) arrays
        Ascending; ``K >= 2``.

    Notes
    -----
    Source: Gaussian anamorphosis, Journel & Huijbregts, Mining Geostatistics (1978), VI.B; Deutsch
    & Journel, GSLIB (1998), V.2.1 (both from memory). Limit: ranks make the single readings normal,
    not their joint distribution, and a tail past the readings is an assumption.
    """

    scores: FloatArray
    values: FloatArray

    @classmethod
    def of(
        cls,
        values: npt.ArrayLike,
        weights: npt.ArrayLike | None = None,
        *,
        low: float | None = None,
        high: float | None = None,
        plotting: str = "hazen",
    ) -> NormalScores:
        """Tabulate readings.

        Parameters
        ----------
        values : (N,) array
            Readings; those that are alike share the middle of their ranks.
        weights : (N,) array, optional
            Declustering weights (`detect.geostat.declustering`).
        low, high : float, optional
            Ends of the tails: from the least reading a straight line leads to ``low`` at a score of
            -5, from the greatest one to ``high`` at +5. Default: no tails, nothing is less or more
            than what was read.
        plotting : {"hazen", "blom"}
            Probability of rank r of n: ``(r - 1/2) / n`` or ``(r - 3/8) / (n + 1/4)``.

        Raises
        ------
        GeostatError
            NaN, readings all alike, weights that do not fit, or a tail that ends inside.
        """
        z = as_values(values, np.size(values))
        w = np.ones(len(z)) if weights is None else as_values(weights, len(z), "weights")
        if (w < 0).any() or w.sum() == 0:
            raise GeostatError("weights must not be negative, nor all 0")
        if plotting not in ("hazen", "blom"):
            raise GeostatError(f"plotting {plotting!r} is not one of hazen, blom")
        table, where = np.unique(z[w > 0], return_inverse=True)
        if len(table) < 2:
            raise GeostatError("readings that are all alike have no normal scores")
        weight = np.bincount(where, weights=w[w > 0])
        middle = (np.cumsum(weight) - weight / 2.0) / weight.sum()
        if plotting == "blom":
            count = len(z)
            middle = (count * middle + 0.125) / (count + 0.25)
        y = ndtri(middle)
        if low is not None:
            if low > table[0]:
                raise GeostatError(f"low = {low} lies above the least reading, {table[0]}")
            y, table = np.r_[min(-TAIL_END, y[0] - 1e-9), y], np.r_[low, table]
        if high is not None:
            if high < table[-1]:
                raise GeostatError(f"high = {high} lies below the greatest reading, {table[-1]}")
            y, table = np.r_[y, max(TAIL_END, y[-1] + 1e-9)], np.r_[table, high]
        return cls(y, table)

    def forward(self, values: npt.ArrayLike) -> FloatArray:
        """Scores of readings."""
        return np.interp(np.asarray(values, dtype=float), self.values, self.scores)

    def back(self, scores: npt.ArrayLike) -> FloatArray:
        """Readings of scores: so also quantiles of readings of quantiles of scores."""
        return np.interp(np.asarray(scores, dtype=float), self.scores, self.values)

    def back_moments(
        self, mean: npt.ArrayLike, variance: npt.ArrayLike
    ) -> tuple[FloatArray, FloatArray]:
        r"""Mean and variance of ``phi(Y)`` for normal Y, exactly.

        A straight piece of phi has closed moments under the normal density g: with ``u = y - m``
        and ``t = u / s``, over ``t1 < t < t2``::

            int g          = G(t2) - G(t1)
            int u g        = s (g(t1) - g(t2))
            int u^2 g      = s^2 (G(t2) - G(t1) + t1 g(t1) - t2 g(t2))

        summed over the pieces. No quadrature, so kinks and steep tails do no harm. Taking
        ``phi(mean)`` instead would give the median, too low for skewed readings.

        Parameters
        ----------
        mean, variance : (M,) arrays
            Of the scores, as kriging gives them.

        Returns
        -------
        mean, variance : (M,) arrays
            Of the readings, in their unit and its square.
        """
        m = np.atleast_1d(np.asarray(mean, dtype=float))
        v = np.broadcast_to(np.asarray(variance, dtype=float), m.shape)
        if (v < 0).any() or not (np.isfinite(m).all() and np.isfinite(v).all()):
            raise GeostatError("means must be numbers and variances not negative")
        out_mean, out_variance = np.empty(len(m)), np.empty(len(m))
        for tile in tiles(len(m), 8 * 4 * len(self.scores)):
            out_mean[tile], out_variance[tile] = self._moments(m[tile], np.sqrt(v[tile]))
        return out_mean, out_variance

    def _moments(self, m: FloatArray, s: FloatArray) -> tuple[FloatArray, FloatArray]:
        s = np.maximum(s, 1e-12)[:, None]
        centre = self.back(m)
        u = self.scores - m[:, None]
        t = u / s
        below, density = ndtr(t), np.exp(-0.5 * t * t) / np.sqrt(2.0 * np.pi)
        slope = np.diff(self.values) / np.diff(self.scores)
        # phi less its value at the mean: the variance is then no difference of large numbers
        height = (self.values - centre[:, None])[:, :-1] - slope * u[:, :-1]
        i0 = np.diff(below)
        i1 = -s * np.diff(density)
        i2 = s * s * (i0 - np.diff(t * density))
        first, last = self.values[0] - centre, self.values[-1] - centre
        left, right = below[:, 0], ndtr(-t[:, -1])
        shift = (height * i0 + slope * i1).sum(axis=1) + first * left + last * right
        square = (height**2 * i0 + 2.0 * height * slope * i1 + slope**2 * i2).sum(axis=1)
        square += first**2 * left + last**2 * right
        return centre + shift, np.maximum(square - shift**2, 0.0)

    def hermite(self, order: int) -> FloatArray:
        r"""Coefficients ``phi_n = E[phi(Y) H_n(Y)]`` in normalised Hermite polynomials.

        (order + 1,) of them, by parts over the straight pieces of slope b::

            phi_0 = E phi,   phi_1 = sum b (G(t2) - G(t1))
            phi_n = sum b (H_{n-2}(t1) g(t1) - H_{n-2}(t2) g(t2)) / sqrt(n (n - 1))

        Source of the expansion: Chiles & Delfiner, Geostatistics (2012), 6.2.3 and appendix A.5
        (from memory; their sign of odd terms is the other).
        """
        y = self.scores
        slope = np.diff(self.values) / np.diff(y)
        density = np.exp(-0.5 * y * y) / np.sqrt(2.0 * np.pi)
        out = np.zeros(order + 1)
        out[0] = self.back_moments([0.0], [1.0])[0][0]
        if order >= 1:
            out[1] = slope @ np.diff(ndtr(y))
        older, old = np.zeros_like(y), np.ones_like(y)
        for n in range(2, order + 1):
            # old = H_{n-2}: H_k = (y H_{k-1} - sqrt(k-1) H_{k-2}) / sqrt(k)
            out[n] = slope @ -np.diff(old * density) / np.sqrt(n * (n - 1.0))
            k = n - 1
            older, old = old, (y * old - np.sqrt(k - 1.0) * older) / np.sqrt(k)
        return out

    def covariance(self, rho: npt.ArrayLike, order: int = 200) -> FloatArray:
        """Covariance of two readings whose scores correlate by ``rho``: ``sum phi_n^2 rho^n``.

        Limit: near ``rho`` = 1 the sum to ``order`` leaves a little of the variance out.
        """
        squares = self.hermite(order) ** 2
        squares[0] = 0.0
        return np.polynomial.polynomial.polyval(np.asarray(rho, dtype=float), squares)
