"""Kriging systems in plain numpy: for models that the kernels do not know, and to name failures."""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_solve, solve_triangular

from detect.geostat.blocks import Support
from detect.geostat.data import Data
from detect.geostat.errors import FloatArray, GeostatError, GeostatWarning, IntArray, describe_pair
from detect.geostat.system import ADDED_NUGGETS, has_near_duplicates
from detect.geostat.trend import Trend
from detect.geostat.variogram import Variogram

#: A reading whose variance given its neighbours is below this share of its own is a repeat in
#: disguise.
SMALLEST_PIVOT = 1e-13


@dataclass(frozen=True, eq=False)
class Solved:
    """Results of a batch: estimate (B,), variance (B,) and what was asked for.

    That is the weights (B, k), the readings they belong to (B, k), and the drift functions that
    they leave (B, P).
    """

    estimate: FloatArray
    variance: FloatArray
    weights: FloatArray | None
    index: IntArray | None = None
    unmet: FloatArray | None = None


def forward(factor: FloatArray, right: FloatArray) -> FloatArray:
    """Solve ``L x = b`` for a batch of lower factors (B, k, k) and right sides (B, k, R)."""
    x = np.empty_like(right)
    for j in range(factor.shape[1]):
        known = np.einsum("bi,bir->br", factor[:, j, :j], x[:, :j])
        x[:, j] = (right[:, j] - known) / factor[:, j, j, None]
    return x


def backward(factor: FloatArray, right: FloatArray) -> FloatArray:
    """Solve ``L' x = b`` for a batch of lower factors (B, k, k) and right sides (B, k, R)."""
    x = np.empty_like(right)
    for j in reversed(range(factor.shape[1])):
        known = np.einsum("bi,bir->br", factor[:, j + 1 :, j], x[:, j + 1 :])
        x[:, j] = (right[:, j] - known) / factor[:, j, j, None]
    return x


class SingularError(GeostatError):
    """A system that is singular to working precision."""


@dataclass(eq=False)
class PlainSystems:
    """Universal kriging from given readings, one small system a target or one for all of them.

    The equations are those of `detect.geostat.system.GlobalSystem`. ``added`` is an error variance
    put on every reading.
    """

    data: Data
    variogram: Variogram
    added: float = 0.0

    def solve(
        self,
        centres: FloatArray,
        support: Support,
        index: IntArray,
        place: IntArray | None = None,
        want_weights: bool = False,
    ) -> Solved:
        """Solve one tile of targets from the readings ``index`` (B, k).

        ``place`` is the place of each target (-1: at no datum); worked out when not given.
        """
        data, variogram = self.data, self.variogram
        near = data.points[index]
        k = self._covariance(index, near)
        lag = centres[:, None, :] - near
        # Support sums over its own points about the centre, so the lag points from reading to
        # target.
        c0 = support.pair_covariance(variogram, -lag[..., 0], -lag[..., 1])
        if support.is_point and variogram.nugget > 0:
            at = data.place_of(centres) if place is None else place
            c0 += variogram.nugget * (at[:, None] == data.place[index])
        basis, f0 = data.basis[index], data.target_basis(centres, support)
        terms = data.drift.terms
        factor = self._factorise(k, index, centres)
        right = np.concatenate([basis, c0[..., None], data.residual[index][..., None]], axis=2)
        solved = forward(factor, right)
        a, v, z = solved[..., :terms], solved[..., terms], solved[..., terms + 1]
        r = f0 - np.einsum("bkp,bk->bp", a, v)
        s = np.einsum("bkp,bkq->bpq", a, a)
        shift = self._drift_solve(s, r, centres, index)
        w = v + np.einsum(
            "bkp,bp->bk", a, shift
        )  # L^-1 times the covariance that the weights answer to
        estimate = data.mean + np.einsum("bk,bk->b", w, z)
        prior = support.prior_variance(variogram)
        variance = prior - np.einsum("bk,bk->b", v, v) + np.einsum("bp,bp->b", r, shift)
        weights = backward(factor, w[..., None])[..., 0] if want_weights else None
        return Solved(estimate, variance, weights)

    def _covariance(self, index: IntArray, near: FloatArray) -> FloatArray:
        """Covariance matrices (B, k, k) of the neighbours as read."""
        lag = near[:, :, None, :] - near[:, None, :, :]
        k = self.variogram.structure_covariance(lag[..., 0], lag[..., 1])
        diagonal = np.arange(index.shape[1])
        if len(self.data.pairs) and self.variogram.nugget > 0:
            place = self.data.place[index]
            k += self.variogram.nugget * (place[:, :, None] == place[:, None, :])
        k[:, diagonal, diagonal] = self.variogram.sill + self.data.noise[index] + self.added
        return k

    def _factorise(self, k: FloatArray, index: IntArray, centres: FloatArray) -> FloatArray:
        """Cholesky factors, the first failure named by its place and closest readings."""
        own = np.einsum("bii->bi", k)
        try:
            factor: FloatArray = np.asarray(np.linalg.cholesky(k), dtype=np.float64)
        except np.linalg.LinAlgError:
            # Rare: find the first that fails (a symmetric matrix is positive definite if all
            # eigenvalues are).
            bad = np.linalg.eigvalsh(k)[:, 0] <= SMALLEST_PIVOT * own[:, 0]
            raise self._singular(int(np.argmax(bad)), index, centres) from None
        pivots = np.einsum("bii->bi", factor) ** 2 / own
        bad = (pivots < SMALLEST_PIVOT).any(axis=1)
        if bad.any():
            raise self._singular(int(np.argmax(bad)), index, centres)
        return factor

    def _singular(self, row: int, index: IntArray, centres: FloatArray) -> GeostatError:
        e, n = centres[row] + self.data.origin
        pair = describe_pair(self.data.points[index[row]], self.data.origin, index[row])
        return SingularError(
            f"the kriging system at ({e:.3f}, {n:.3f}) is singular to working precision; {pair}. "
            "Merge near-duplicates, give a measurement_sd, or use a less smooth model"
        )

    def _drift_solve(
        self, s: FloatArray, r: FloatArray, centres: FloatArray, index: IntArray
    ) -> FloatArray:
        """``S^-1 r`` for each target; a neighbourhood that cannot fix the drift is named."""
        if s.shape[1] == 0:
            return np.zeros_like(r)
        if s.shape[1] == 1:
            return np.asarray(r / s[:, 0], np.float64)
        # Scaled to a unit diagonal first: the terms have different sizes in a small neighbourhood.
        scale = 1.0 / np.sqrt(np.einsum("bpp->bp", s))
        scaled = s * scale[:, :, None] * scale[:, None, :]
        bad = np.linalg.eigvalsh(scaled)[:, 0] < 1e-13
        if bad.any():
            row = int(np.argmax(bad))
            e, n = centres[row] + self.data.origin
            raise GeostatError(
                f"the {index.shape[1]} readings nearest to ({e:.3f}, {n:.3f}) lie on one line or "
                f"curve, which cannot fix a {self.data.drift.kind} drift: use more neighbours or "
                "drift='constant'"
            )
        return np.asarray(
            scale * np.linalg.solve(scaled, (scale * r)[..., None])[..., 0], np.float64
        )

    def shared(
        self,
        centres: FloatArray,
        support: Support,
        index: IntArray,
        trend: Trend,
    ) -> Solved:
        """Solve targets (T, 2) that all use the readings ``index`` (k,) and the survey's drift.

        The weights are those of simple kriging of the residuals.
        """
        data, variogram = self.data, self.variogram
        k = self._covariance(index[None], data.points[index][None])
        factor = self._factorise(k, index[None], centres)[0]
        c0 = support.covariance(variogram, centres, data.points[index])
        data.add_nugget(c0, centres, support, variogram.nugget, index)
        v = solve_triangular(factor, c0.T, lower=True)
        w = solve_triangular(factor, v, lower=True, trans=1).T
        unmet = data.target_basis(centres, support) - w @ data.basis[index]
        shift = unmet @ trend.root.T
        variance = support.prior_variance(variogram) - np.einsum("kt,kt->t", v, v)
        variance += np.einsum("tp,tp->t", shift, shift)
        estimate = data.mean + w @ data.residual[index] + unmet @ trend.beta
        return Solved(estimate, variance, w, unmet=unmet)

    def left_out(
        self, index: IntArray, centre: FloatArray, trend: Trend
    ) -> tuple[FloatArray, FloatArray]:
        """As `detect.geostat.kernels.leave_out`, for the readings ``index`` (k,)."""
        data = self.data
        k = self._covariance(index[None], data.points[index][None])
        factor = self._factorise(k, index[None], centre[None])[0]
        inverse = cho_solve((factor, True), np.eye(len(index)))
        told = np.isin(index, trend.used)
        lost = (inverse @ data.basis[index]) @ trend.root.T
        drift, diagonal = np.einsum("kp,kp->k", lost, lost), inverse.diagonal()
        own = np.where(told, diagonal - drift, diagonal)
        good = own > 1e-12 * diagonal
        own = np.where(good, own, 1.0)
        residual = data.residual[index] - data.basis[index] @ trend.beta
        variance = np.where(told, 1.0 / own, (1.0 + drift / diagonal) / diagonal)
        return (inverse @ residual) / own, np.where(good, variance, -1.0)

    def rescued(
        self, centres: FloatArray, support: Support, index: IntArray, trend: Trend | None
    ) -> Solved:
        """Solve where a kernel failed, as `shared`, or as `solve` without a drift that is given.

        The error names the place and the readings. Where no two of the readings are
        near-duplicates the model is too smooth for their spacing, and the least nugget that will
        do is added, and said.
        """
        try:
            return self._again(centres, support, index, trend)
        except SingularError:
            if has_near_duplicates(self.data.points[index]):
                raise
            for share in ADDED_NUGGETS:
                added = share * self.variogram.sill
                try:
                    again = PlainSystems(self.data, self.variogram, added)
                    solved = again._again(centres, support, index, trend)
                except SingularError:
                    continue
                e, n = centres[0] + self.data.origin
                warnings.warn(
                    f"the {self.variogram.model} model is too smooth for the readings about "
                    f"({e:.3f}, {n:.3f}): an error variance of {added:.3g} ({share:.0e} of the "
                    "sill) was added to those",
                    GeostatWarning,
                    stacklevel=2,
                )
                return solved
            raise

    def _again(
        self, centres: FloatArray, support: Support, index: IntArray, trend: Trend | None
    ) -> Solved:
        if trend is not None:
            return self.shared(centres, support, index, trend)
        return self.solve(centres, support, index[None], None, want_weights=True)
