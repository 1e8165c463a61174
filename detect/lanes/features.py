"""Chance that a grid of probes hits a feature of given size and shape, and the grid it asks for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq

from detect.lanes.field import FloatArray

Pattern = Literal["square", "triangular"]
_ORIENTATIONS = 60


@dataclass(frozen=True)
class Feature:
    """What the probe stations should find: an ellipse, or a disc where the width is the length.

    Attributes
    ----------
    length_m, width_m : float
        Its axes, m.
    bearing_deg : float or None
        Grid bearing of its length; None: it may lie along any.
    """

    length_m: float
    width_m: float
    bearing_deg: float | None = None

    def __post_init__(self) -> None:
        if not 0 < self.width_m <= self.length_m < np.inf:
            raise ValueError(
                f"a feature needs a length and a width of at most that, not {self.length_m} and "
                f"{self.width_m}"
            )

    @property
    def round(self) -> bool:
        """Whether it is a disc."""
        return self.width_m == self.length_m

    @property
    def area_m2(self) -> float:
        """Area, m²."""
        return 0.25 * np.pi * self.length_m * self.width_m


def hit_probability_square(radius: ArrayLike, spacing: ArrayLike) -> FloatArray:
    r"""Return the probability that a square grid of probes hits a disc dropped at random.

    The share of the plane within ``radius`` of a grid point. With :math:`x = r/s`: discs do not
    meet up to :math:`x = 1/2`; then each overlaps its four neighbours in lenses; from
    :math:`x = 1/\sqrt 2` the plane is covered.

    .. math:: P = \pi x^2 - 2 L(x), \qquad
              L(x) = 2x^2 \arccos\tfrac{1}{2x} - \tfrac12\sqrt{4x^2-1}

    Parameters
    ----------
    radius : array_like
        Radius of the disc, m (any unit, the same for both).
    spacing : array_like
        Side of the grid's square, m.

    Returns
    -------
    ndarray
        Probability; exact. Source: geometry of equal circles; values in check values, section 5.
    """
    x = np.asarray(radius, dtype=float) / np.asarray(spacing, dtype=float)
    return np.where(x >= np.sqrt(0.5), 1.0, np.clip(np.pi * x**2 - 2.0 * _lens(x), 0.0, 1.0))


def hit_probability_triangular(radius: ArrayLike, spacing: ArrayLike) -> FloatArray:
    r"""Return the probability that a triangular grid of probes hits a disc dropped at random.

    As for the square grid, with six neighbours and a cell of :math:`\sqrt 3/2\,s^2`:
    :math:`P = \frac{2}{\sqrt 3}(\pi x^2 - 3 L(x))`, and certain from :math:`x = 1/\sqrt 3`.

    Parameters
    ----------
    radius, spacing : array_like
        Radius of the disc and side of the grid's triangle, m.

    Returns
    -------
    ndarray
        Probability; exact.
    """
    x = np.asarray(radius, dtype=float) / np.asarray(spacing, dtype=float)
    inside = 2.0 / np.sqrt(3.0) * (np.pi * x**2 - 3.0 * _lens(x))
    return np.where(x >= 1.0 / np.sqrt(3.0), 1.0, np.clip(inside, 0.0, 1.0))


def hit_probability_ellipse(
    length: float, width: float, spacing: float, pattern: Pattern = "triangular"
) -> float:
    """Return the probability that a grid of probes hits an ellipse dropped any way round.

    Parameters
    ----------
    length, width : float
        Axes of the ellipse, m.
    spacing : float
        Side of the grid's square or triangle, m.
    pattern : {"square", "triangular"}

    Returns
    -------
    float
        Mean over 60 orientations of `lattice_share`, which is exact for each: good to 1e-4 unless
        the ellipse is a needle.
    """
    return lattice_share(spacing * _BASES[pattern], length, width)


def lattice_share(
    basis: ArrayLike, length: float, width: float, orientations: int = _ORIENTATIONS
) -> float:
    r"""Return the mean share of the plane within an ellipse around a point of a lattice.

    For each orientation the plane is stretched so that the ellipse becomes the unit disc. The
    lattice stays a lattice, and the share is the area that the disc has of the lattice's Voronoi
    cell over the area of that cell: exact, edge by edge, with :math:`h` the edge's distance and
    :math:`\phi` the angle from its foot,

    .. math:: \int \tfrac12 \min\bigl(1, h/\cos\phi\bigr)^2 d\phi

    Parameters
    ----------
    basis : array_like, shape (2, 2)
        Two vectors that span the lattice, m, a row each.
    length, width : float
        Axes of the ellipse, m.
    orientations : int
        Evenly spread over half a turn.

    Returns
    -------
    float

    Notes
    -----
    Source: geometry. Tests hold it against the closed forms for discs, the mean caliper of an
    ellipse over parallel lines, Buffon's needle, and ellipses dropped at random.
    """
    basis = np.asarray(basis, dtype=float)
    angles = (np.arange(orientations) + 0.5) * np.pi / orientations
    shares = []
    for angle in angles[:1] if length == width else angles:
        cos, sin = np.cos(angle), np.sin(angle)
        turned = basis @ np.array([[cos, -sin], [sin, cos]])
        shares.append(_disc_share(turned / np.array([0.5 * length, 0.5 * width])))
    return float(np.mean(shares))


def probe_spacing(radius: float, probability: float, pattern: Pattern = "triangular") -> float:
    """Return the widest grid spacing that hits a disc with at least ``probability``.

    Parameters
    ----------
    radius : float
        Radius of the disc, m.
    probability : float
        Above 0, at most 1.
    pattern : {"square", "triangular"}
        Grid of stations.

    Returns
    -------
    float
        Spacing, m; the inverse of the two hit probabilities.

    Raises
    ------
    ValueError
        If the radius or the probability is out of range.
    """
    if not 0 < radius < np.inf:
        raise ValueError(f"the radius must be positive, not {radius}")
    _check(probability)
    hit, cell, certain = {
        "square": (hit_probability_square, 1.0, np.sqrt(2.0)),
        "triangular": (hit_probability_triangular, np.sqrt(0.75), np.sqrt(3.0)),
    }[pattern]
    apart = np.sqrt(np.pi / (cell * probability))
    if apart >= 2.0:  # discs do not meet
        return float(radius * apart)
    if probability == 1.0:
        return float(radius * certain)
    return radius * float(
        brentq(lambda s: float(hit(1.0, s)) - probability, certain, 2.0, xtol=1e-13)
    )


def feature_spacing(feature: Feature, probability: float, pattern: Pattern = "triangular") -> float:
    """Return the widest grid spacing that hits a feature lying any way round.

    Parameters
    ----------
    feature : Feature
        Its bearing is left aside.
    probability : float
        Above 0, at most 1.
    pattern : {"square", "triangular"}

    Returns
    -------
    float
        Spacing, m.

    Raises
    ------
    ValueError
        If the probability is out of range.
    """
    _check(probability)
    # A disc of its width is found more seldom, one of its length more often.
    low = probe_spacing(0.5 * feature.width_m, probability, pattern)
    if feature.round:
        return low

    def excess(spacing: float) -> float:
        found = hit_probability_ellipse(feature.length_m, feature.width_m, spacing, pattern)
        return found - probability

    # No grid finds more than its ellipses' own areas.
    cell = float(np.linalg.det(_BASES[pattern]))
    high = float(np.sqrt(feature.area_m2 / (cell * probability)))
    if probability == 1.0 or excess(high) >= 0.0:
        return low if probability == 1.0 else high
    return float(brentq(excess, low, high, xtol=1e-6))


def _check(probability: float) -> None:
    if not 0 < probability <= 1:
        raise ValueError(f"the probability must be above 0 and at most 1, not {probability}")


_BASES = {
    "square": np.array([[1.0, 0.0], [0.0, 1.0]]),
    "triangular": np.array([[1.0, 0.0], [0.5, np.sqrt(0.75)]]),
}


def _lens(x: FloatArray) -> FloatArray:
    """Return the overlap of two discs of radius ``x`` whose centres are 1 apart."""
    wide = np.maximum(x, 0.5)
    return 2.0 * wide**2 * np.arccos(0.5 / wide) - 0.5 * np.sqrt(4.0 * wide**2 - 1.0)


def _disc_share(basis: FloatArray) -> float:
    """Return the share of a lattice's Voronoi cell that the unit disc around its point has."""
    u, v = basis
    # Gauss's reduction: the two shortest vectors, at an acute angle.
    while True:
        if u @ u > v @ v:
            u, v = v, u
        step = np.rint(u @ v / (u @ u))
        if step == 0.0:
            break
        v = v - step * u
    if u @ v < 0.0:
        v = -v
    area = float(u[0] * v[1] - u[1] * v[0])
    if area < 0.0:  # the neighbours are to follow each other anticlockwise
        u, v, area = v, u, -area
    near = np.array([u, v, v - u, -u, -v, u - v])
    h = 0.5 * np.hypot(near[:, 0], near[:, 1])
    along = near / (2.0 * h)[:, None]
    # A corner of the cell lies on the bisectors of two neighbours that follow each other.
    after = np.roll(along, -1, axis=0)
    corners = np.linalg.solve(
        np.stack([along, after], axis=1), np.stack([h, np.roll(h, -1)], axis=1)[..., None]
    )[..., 0]
    side = np.column_stack([-along[:, 1], along[:, 0]])
    first = np.arctan2((np.roll(corners, 1, axis=0) * side).sum(axis=1), h)
    last = np.arctan2((corners * side).sum(axis=1), h)
    # As many degrees to each side of the foot as the edge lies within the disc.
    inside = np.arccos(np.minimum(h, 1.0))

    def swept(angle: FloatArray) -> FloatArray:
        flat = np.clip(angle, -inside, inside)
        return 0.5 * h**2 * np.tan(flat) + 0.5 * (angle - flat)

    return float((swept(last) - swept(first)).sum()) / area
