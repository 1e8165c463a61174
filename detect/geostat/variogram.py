"""The variogram model: what "range", "azimuth" and "nugget" mean throughout the tool."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from detect.geostat.errors import FloatArray, GeostatError
from detect.geostat.shapes import MODELS, correlation, practical_range


@dataclass(frozen=True)
class Variogram:
    r"""Variogram of a second-order stationary field.

    With ``theta`` the azimuth of the major axis clockwise from grid north, the lag ``(de, dn)`` is
    taken along and across that axis and reduced to one distance::

        along  = de sin(theta) + dn cos(theta)
        across = de cos(theta) - dn sin(theta)
        h      = sqrt(along^2 + (across / anisotropy_ratio)^2)

        gamma(h) = 0                                      at h = 0
                 = nugget + partial_sill (1 - rho(h/a))   for h > 0

        spherical    rho = 1 - 1.5 (h/a) + 0.5 (h/a)^3 for h < a, else 0   (reaches its sill at a)
        exponential  rho = exp(-h/a)                                       (95 % of its sill at 3 a)
        gaussian     rho = exp(-(h/a)^2)                                   (95 % of its sill at
        1.732 a) matern       rho = 2^(1-nu)/Gamma(nu) (h/a)^nu K_nu(h/a)           (nu =
        smoothness; 0.5 is exponential)

    The range ``a`` is the distance parameter of these formulas, along the major axis. Other
    programs mean other things by "range" (some three times ours for the exponential) and count
    angles the other way round.

    Parameters
    ----------
    model : {"spherical", "exponential", "gaussian", "matern"}
        Shape of the structure (``"nested"`` is made by `nested` only).
    nugget : float
        Variance of what changes within less than the sampling distance (microscale), >= 0.
        Measurement error is not this: give it to `Kriging` as ``measurement_sd``.
    partial_sill : float
        Variance of the structure, >= 0.
    range_m : float
        Distance parameter a along the major axis, metres.
    anisotropy_ratio : float
        Minor range divided by major range, in (0, 1].
    azimuth_deg : float
        Bearing of the major axis, degrees clockwise from grid north.
    smoothness : float
        nu of the Matern model, in (0, 20]; unused by the others.
    structures : tuple of Variogram
        Structures of a nested model; empty for a single one.

    Raises
    ------
    GeostatError
        A parameter out of its range.
    """

    model: str = "spherical"
    nugget: float = 0.0
    partial_sill: float = 1.0
    range_m: float = 1.0
    anisotropy_ratio: float = 1.0
    azimuth_deg: float = 0.0
    smoothness: float = 1.5
    structures: tuple[Variogram, ...] = ()

    def __post_init__(self) -> None:
        known = ("nested",) if self.structures else MODELS
        if self.model not in known:
            raise GeostatError(f"variogram model {self.model!r} is not one of {', '.join(MODELS)}")
        numbers = {
            "nugget": (self.nugget, 0.0, np.inf),
            "partial_sill": (self.partial_sill, 0.0, np.inf),
            "range_m": (self.range_m, 0.0, np.inf),
            "anisotropy_ratio": (self.anisotropy_ratio, 0.0, 1.0),
            "azimuth_deg": (self.azimuth_deg, -np.inf, np.inf),
            "smoothness": (self.smoothness, 0.0, 20.0),
        }
        open_at_zero = ("range_m", "anisotropy_ratio", "smoothness")
        for name, (value, low, high) in numbers.items():
            inside = np.isfinite(value) and low <= value <= high
            if not inside or (name in open_at_zero and value == 0.0):
                bracket = "(" if name in open_at_zero else "["
                raise GeostatError(
                    f"variogram {name} = {value!r} is outside {bracket}{low}, {high}]"
                )
        if self.nugget + self.partial_sill <= 0:
            raise GeostatError("variogram has neither nugget nor partial_sill: its sill is 0")

    @classmethod
    def nested(cls, variograms: Iterable[Variogram]) -> Variogram:
        """Add structures up: nuggets into one, each structure with its own range and anisotropy."""
        given = tuple(variograms)
        if not given:
            raise GeostatError("a nested variogram needs at least one structure")
        # A part that is nugget alone adds no structure, but its shape still stands for "some
        # structure".
        parts = tuple(replace(p, nugget=0.0) for v in given for p in v.parts if p.partial_sill > 0)
        nugget = float(sum(v.nugget for v in given))
        if not parts:
            return replace(given[0], nugget=nugget)
        if len(parts) == 1:
            return replace(parts[0], nugget=nugget)
        longest = max(parts, key=lambda p: p.range_m)
        return cls(
            model="nested",
            nugget=nugget,
            partial_sill=float(sum(p.partial_sill for p in parts)),
            range_m=longest.range_m,
            anisotropy_ratio=longest.anisotropy_ratio,
            azimuth_deg=longest.azimuth_deg,
            structures=parts,
        )

    @classmethod
    def from_table(cls, table: Mapping[str, Any]) -> Variogram:
        """Make the variogram of a ``survey.toml`` table (unknown keys: the schema's business).

        ``structures`` are added to the nugget of the table itself, and to its own structure where
        it gives a ``partial_sill``.
        """
        own = {k: v for k, v in table.items() if k != "structures" and v is not None}
        nested = [cls.from_table(s) for s in table.get("structures") or ()]
        if not nested:
            return cls(**own)
        if "partial_sill" in own:
            return cls.nested([cls(**own), *nested])
        whole = cls.nested(nested)
        return replace(whole, nugget=whole.nugget + float(own.get("nugget", 0.0)))

    def to_table(self) -> dict[str, Any]:
        """Return the variogram as the plain table that `from_table` reads."""
        if self.structures:
            return {"nugget": self.nugget, "structures": [s.to_table() for s in self.structures]}
        table: dict[str, Any] = {
            "model": self.model,
            "nugget": self.nugget,
            "partial_sill": self.partial_sill,
            "range_m": self.range_m,
            "anisotropy_ratio": self.anisotropy_ratio,
            "azimuth_deg": self.azimuth_deg,
        }
        return table | ({"smoothness": self.smoothness} if self.model == "matern" else {})

    @property
    def parts(self) -> tuple[Variogram, ...]:
        """The single structures: this one itself unless nested."""
        return self.structures or (self,)

    @property
    def sill(self) -> float:
        """Nugget plus partial sills: the variance of the field."""
        return self.nugget + self.partial_sill

    @property
    def practical_range_m(self) -> float:
        """Distance along the major axis where the longest structure is spent, metres."""
        return max(p.range_m * practical_range(p.model, p.smoothness) for p in self.parts)

    @property
    def reach_m(self) -> float:
        """Distance past which the covariance is 0 (infinite unless all are spherical)."""
        compact = all(p.model == "spherical" for p in self.parts)
        return max(p.range_m for p in self.parts) if compact else float("inf")

    @property
    def reduction(self) -> FloatArray:
        """Matrix (2, 2) to coordinates where the structure is isotropic with range 1.

        Of the strongest structure, when nested. ``(de, dn) @ reduction`` has length h / a.
        """
        part = max(self.parts, key=lambda p: p.partial_sill)
        theta = np.radians(part.azimuth_deg)
        sin, cos = np.sin(theta), np.cos(theta)
        across = part.anisotropy_ratio
        return np.array([[sin, cos / across], [cos, -sin / across]]) / part.range_m

    def structure_covariance(self, de: npt.ArrayLike, dn: npt.ArrayLike) -> FloatArray:
        """Covariance without the nugget, at lag components in metres."""
        east, north = np.broadcast_arrays(
            np.asarray(de, dtype=np.float64), np.asarray(dn, dtype=np.float64)
        )
        total = np.zeros(east.shape)
        for part in self.parts:
            matrix = part.reduction
            if part.anisotropy_ratio == 1.0:
                h = np.hypot(east, north)
                h /= part.range_m
            else:
                h = np.hypot(
                    east * matrix[0, 0] + north * matrix[1, 0],
                    east * matrix[0, 1] + north * matrix[1, 1],
                )
            rho = correlation(part.model, np.atleast_1d(h), part.smoothness).reshape(east.shape)
            total += part.partial_sill * rho
        return total

    def covariance(self, de: npt.ArrayLike, dn: npt.ArrayLike) -> FloatArray:
        """Covariance at lag components in metres: the sill at lag exactly 0, else sill - gamma."""
        structured = self.structure_covariance(de, dn)
        zero = (np.asarray(de) == 0) & (np.asarray(dn) == 0)
        return structured + np.where(zero, self.nugget, 0.0)

    def semivariance(self, de: npt.ArrayLike, dn: npt.ArrayLike) -> FloatArray:
        """Semivariance at lag components in metres: 0 at lag exactly 0."""
        return self.sill - self.covariance(de, dn)
