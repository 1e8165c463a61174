"""Unconditional fields on a lattice by circulant embedding: exact, at the price of an FFT."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy import fft

from detect.geostat.errors import FloatArray, GeostatWarning
from detect.geostat.variogram import Variogram

#: Cells of the torus at most (one field of it is 32 MB).
MOST_CELLS = 2**22

#: Share of the variance that negative eigenvalues may hold and still be rounding.
NEGATIVE_SHARE = 1e-9


def circulant_eigenvalues(
    variogram: Variogram, step: tuple[float, float], period: tuple[int, int]
) -> FloatArray:
    """Eigenvalues of the structure's covariance wrapped on a torus of cells.

    Equation: the discrete Fourier transform of ``C(lag to the nearest image)``.

    Parameters
    ----------
    variogram : Variogram
        Its nugget is left out.
    step : (float, float)
        Cell size north and east, metres.
    period : (int, int)
        Cells north and east.

    Returns
    -------
    (P, Q) array
        Their mean is the variance of the structure.
    """
    dn, de = (
        np.minimum(np.arange(p), p - np.arange(p)) * s for p, s in zip(period, step, strict=True)
    )
    sign_n, sign_e = (np.where(np.arange(p) <= p - np.arange(p), 1.0, -1.0) for p in period)
    de, dn = (sign_e * de)[None, :], (sign_n * dn)[:, None]
    c = variogram.structure_covariance(de, dn)
    # Half a period away there are two images of one lag: with a rotated anisotropy they differ, and
    # their mean keeps the matrix symmetric.
    c = (c + np.roll(c[::-1, ::-1], (1, 1), axis=(0, 1))) / 2.0
    return np.asarray(fft.fft2(c, workers=-1).real)


@dataclass(frozen=True, eq=False)
class Embedding:
    """A torus whose covariance, over the lattice asked for, is the model's.

    Parameters
    ----------
    shape : (int, int)
        Nodes of the lattice, north and east.
    root : (P, Q) array
        Square roots of eigenvalue / cells.
    clipped_share : float
        Share of the variance in eigenvalues that had to be set to 0; up to 1e-9 is rounding.
    """

    shape: tuple[int, int]
    root: FloatArray
    clipped_share: float

    @classmethod
    def over(
        cls, variogram: Variogram, step: tuple[float, float], shape: tuple[int, int]
    ) -> Embedding:
        """Embed a lattice, the torus padded until no eigenvalue is negative.

        The first torus is the lattice plus the reach of the covariance (or the lattice again, if
        that is less); it grows by half until valid. Where `MOST_CELLS` comes first, the negative
        eigenvalues of the best torus are set to 0 and a `GeostatWarning` says how much of the
        variance that is.

        Source: Dietrich & Newsam, SIAM J. Sci. Comput. 18 (1997) 1088; Wood & Chan, J. Comp. Graph.
        Stat. 3 (1994) 409 (both from memory).
        """
        reach = _reach(variogram)
        # One more than twice the lattice: at half a torus two images would share one lag.
        padded = [
            n + int(np.ceil(min((n - 1) * s, r) / s))
            for n, s, r in zip(shape, step, reach, strict=True)
        ]
        best: tuple[float, FloatArray] | None = None
        while True:
            period = (fft.next_fast_len(max(padded[0], 1)), fft.next_fast_len(max(padded[1], 1)))
            if best is not None and period[0] * period[1] > MOST_CELLS:
                break
            values = circulant_eigenvalues(variogram, step, period)
            share = float(-values[values < 0].sum() / max(values.sum(), 1e-300))
            if best is None or share < best[0]:
                best = (share, values)
            if share <= NEGATIVE_SHARE:
                break
            padded = [int(np.ceil(1.5 * p)) + 1 for p in padded]
        share, values = best
        if share > NEGATIVE_SHARE:
            warnings.warn(
                f"the circulant embedding of this {variogram.model} model is not valid within "
                f"{MOST_CELLS} cells: the realisations are approximate "
                f"({100 * share:.2g} % of the variance was set to 0)",
                GeostatWarning,
                stacklevel=2,
            )
        root = np.sqrt(np.maximum(values, 0.0) / values.size)
        return cls(shape, root, share)

    def fields(self, rng: np.random.Generator, count: int) -> Iterator[FloatArray]:
        """Yield ``count`` independent fields of the lattice's shape, two from each transform."""
        rows, columns = self.shape
        for start in range(0, count, 2):
            noise = rng.standard_normal((2, *self.root.shape))
            torus = fft.fft2(self.root * (noise[0] + 1j * noise[1]), overwrite_x=True, workers=-1)
            yield torus.real[:rows, :columns]
            if start + 1 < count:
                yield torus.imag[:rows, :columns]


def _reach(variogram: Variogram) -> tuple[float, float]:
    """Distance north and east past which the covariance is nil (infinite for most models)."""
    north = east = 0.0
    for part in variogram.parts:
        factor = 1.0 if part.model == "spherical" else np.inf
        theta, ratio = np.radians(part.azimuth_deg), part.anisotropy_ratio
        north = max(north, factor * part.range_m * np.hypot(np.cos(theta), ratio * np.sin(theta)))
        east = max(east, factor * part.range_m * np.hypot(np.sin(theta), ratio * np.cos(theta)))
    return north, east
