"""Drift: the functions whose unknown combination is the mean of the field."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from detect.geostat.errors import FloatArray, GeostatError

TERMS = {"none": 0, "constant": 1, "linear": 3, "quadratic": 6}


@dataclass(frozen=True)
class Drift:
    """Polynomial drift in coordinates centred and scaled on the data: well conditioned.

    Parameters
    ----------
    kind : {"none", "constant", "linear", "quadratic"}
        ``"none"`` is simple kriging with a known mean.
    centre : (2,) array
        Origin, metres.
    scale_m : float
        Length that becomes 1.
    """

    kind: str
    centre: FloatArray
    scale_m: float

    @classmethod
    def over(cls, kind: str, points: FloatArray) -> Drift:
        """Scale a drift to the points; refuses a layout that cannot tell its terms apart."""
        if kind not in TERMS:
            raise GeostatError(f"drift {kind!r} is not one of constant, linear, quadratic")
        low, high = points.min(axis=0), points.max(axis=0)
        drift = cls(kind, (low + high) / 2.0, float(max(np.max(high - low) / 2.0, 1e-12)))
        if drift.terms > 1:
            singular = np.linalg.svd(drift.at(points), compute_uv=False)
            if len(points) < drift.terms or singular[-1] < 1e-8 * singular[0]:
                raise GeostatError(
                    f"a {kind} drift has {drift.terms} terms, and this layout of {len(points)} "
                    "readings cannot tell them apart (all on one line or curve, or too few): "
                    "use drift='constant'"
                )
        return drift

    @property
    def terms(self) -> int:
        """Number of drift functions."""
        return TERMS[self.kind]

    def at(self, points: FloatArray) -> FloatArray:
        """Values of the drift functions at points (..., 2) -> (..., terms)."""
        u = (points[..., 0] - self.centre[0]) / self.scale_m
        v = (points[..., 1] - self.centre[1]) / self.scale_m
        columns = (np.ones_like(u), u, v, u * u, u * v, v * v)[: self.terms]
        return np.stack(columns, axis=-1) if columns else np.empty((*u.shape, 0))
