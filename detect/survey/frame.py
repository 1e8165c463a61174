"""The local grid among the other norths: baseline, true, magnetic and map directions.

All bearings are degrees clockwise. Four norths meet on a site and none is another:

- grid north, the n axis of the local grid, whose true bearing is ``grid_north_deg``;
- true north;
- magnetic north, east of true by the declination;
- map north, the northing axis of ``map_crs``, east of true by the convergence.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from detect.survey.errors import Problem, SurveyError
from detect.survey.settings import SETTINGS_FILE, FrameSettings

FloatArray: TypeAlias = NDArray[np.float64]


def compass(angle_deg: ArrayLike) -> Any:
    """Bring angles into [0, 360) degrees."""
    turned = np.mod(np.asarray(angle_deg, dtype=float), 360.0)
    # The remainder of a tiny negative angle rounds to 360 itself.
    return np.where(turned >= 360.0, 0.0, turned)[()]


@dataclass(frozen=True)
class Frame:
    """The site's local grid and how it lies on the map.

    Parameters
    ----------
    grid_north_deg : float
        True bearing of the grid's n axis.
    magnetic_declination_deg : float
        Declination, positive where magnetic north lies east of true north.
    convergence_deg : float
        Bearing of map north from true north at the map origin (positive east); 0 without
        ``map_crs``.
    scale : float
        Point scale factor of the map at its origin (map metres a ground metre); 1 without
        ``map_crs``.
    map_crs : str or None
        Coordinate reference system of the map.
    map_origin : tuple of float or None
        Map position (E, N) of local (0, 0), metres.
    baseline : tuple of two points or None
        Local (e, n) of the baseline's zero and of its far end, metres.
    """

    grid_north_deg: float = 0.0
    magnetic_declination_deg: float = 0.0
    convergence_deg: float = 0.0
    scale: float = 1.0
    map_crs: str | None = None
    map_origin: tuple[float, float] | None = None
    baseline: tuple[tuple[float, float], tuple[float, float]] | None = None

    @classmethod
    def from_settings(cls, settings: FrameSettings) -> Frame:
        """Build the frame of a survey.

        Parameters
        ----------
        settings : FrameSettings
            The ``[frame]`` section.

        Returns
        -------
        Frame

        Raises
        ------
        SurveyError
            Where ``map_crs`` is unknown, not in metres east and north, lacks its ``map_origin``,
            or does not reach the origin given; where the baseline has no length.
        """
        problems: list[Problem] = []
        convergence, scale = 0.0, 1.0
        if settings.map_crs is not None:
            try:
                convergence, scale = map_distortion(settings.map_crs, settings.map_origin)
            except ValueError as error:
                what, _, remedy = str(error).partition(" -> ")
                key = "frame.map_origin" if "map_origin" in what else "frame.map_crs"
                problems.append(Problem(SETTINGS_FILE, what, remedy, column=key))
        if settings.baseline is not None and settings.baseline[0] == settings.baseline[1]:
            problems.append(
                Problem(
                    SETTINGS_FILE,
                    "the baseline's two ends are the same point",
                    "give the zero peg and the far peg",
                    column="frame.baseline",
                )
            )
        if problems:
            raise SurveyError(problems)
        return cls(
            grid_north_deg=settings.grid_north_deg,
            magnetic_declination_deg=settings.magnetic_declination_deg,
            convergence_deg=convergence,
            scale=scale,
            map_crs=settings.map_crs,
            map_origin=settings.map_origin,
            baseline=settings.baseline,
        )

    @property
    def has_map(self) -> bool:
        """Whether the grid is tied to a map (``map_origin`` is given)."""
        return self.map_origin is not None

    def true_bearing(self, grid_deg: ArrayLike) -> Any:
        """Turn a grid bearing into a true bearing, degrees in [0, 360)."""
        return compass(np.asarray(grid_deg, dtype=float) + self.grid_north_deg)

    def grid_bearing(self, true_deg: ArrayLike) -> Any:
        """Turn a true bearing into a grid bearing, degrees in [0, 360)."""
        return compass(np.asarray(true_deg, dtype=float) - self.grid_north_deg)

    def magnetic_bearing(self, grid_deg: ArrayLike) -> Any:
        """Turn a grid bearing into what the compass shows, degrees in [0, 360).

        Magnetic = true - declination (east positive). Deviation by the diver's own steel is not in
        it.
        """
        return compass(self.true_bearing(grid_deg) - self.magnetic_declination_deg)

    def map_bearing(self, grid_deg: ArrayLike) -> Any:
        """Turn a grid bearing into a bearing on the map, degrees in [0, 360).

        Map = true - convergence.
        """
        return compass(self.true_bearing(grid_deg) - self.convergence_deg)

    def to_map(self, e: ArrayLike, n: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Place local positions on the map.

        E = E0 + k (e cos a + n sin a), N = N0 + k (n cos a - e sin a), where a is the map bearing
        of grid north and k the point scale factor at the origin. Convergence and scale are those
        of the origin: over a site of 1 km they change by less than a centimetre's worth in
        transverse Mercator. The height reduction to the ellipsoid is left out (1.6 mm a kilometre
        for each 10 m of depth).

        Parameters
        ----------
        e, n : array_like
            Local coordinates, metres.

        Returns
        -------
        tuple of ndarray
            E and N in metres; about (0, 0) where no ``map_origin`` is given.
        """
        e, n = np.asarray(e, dtype=float), np.asarray(n, dtype=float)
        east0, north0 = self.map_origin or (0.0, 0.0)
        sin, cos = self._turn()
        return (
            east0 + self.scale * (e * cos + n * sin),
            north0 + self.scale * (n * cos - e * sin),
        )

    def to_local(self, east: ArrayLike, north: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Bring map positions (E, N) into the local grid; the inverse of :meth:`to_map`."""
        east0, north0 = self.map_origin or (0.0, 0.0)
        de = (np.asarray(east, dtype=float) - east0) / self.scale
        dn = (np.asarray(north, dtype=float) - north0) / self.scale
        sin, cos = self._turn()
        return de * cos - dn * sin, de * sin + dn * cos

    def along_baseline(
        self, chainage_m: ArrayLike, offset_m: ArrayLike
    ) -> tuple[FloatArray, FloatArray]:
        """Place points taped along the baseline and square off it.

        Parameters
        ----------
        chainage_m : array_like
            Distance from the baseline's zero, metres.
        offset_m : array_like
            Distance square off the baseline, metres, positive to the right of someone looking from
            zero.

        Returns
        -------
        tuple of ndarray
            Local e and n, metres.

        Raises
        ------
        ValueError
            Where the frame has no baseline.
        """
        if self.baseline is None:
            raise ValueError("the frame has no baseline: give frame.baseline")
        (e0, n0), (e1, n1) = self.baseline
        length = np.hypot(e1 - e0, n1 - n0)
        ue, un = (e1 - e0) / length, (n1 - n0) / length
        chainage = np.asarray(chainage_m, dtype=float)
        offset = np.asarray(offset_m, dtype=float)
        return e0 + chainage * ue + offset * un, n0 + chainage * un - offset * ue

    def _turn(self) -> tuple[float, float]:
        """Sine and cosine of the map bearing of grid north."""
        turn = np.radians(self.grid_north_deg - self.convergence_deg)
        return float(np.sin(turn)), float(np.cos(turn))


def map_distortion(map_crs: str, map_origin: tuple[float, float] | None) -> tuple[float, float]:
    """Convergence and point scale factor of a map at a place.

    Parameters
    ----------
    map_crs : str
        Any name pyproj knows, for example ``"EPSG:32633"``.
    map_origin : tuple of float or None
        Map position E, N in metres.

    Returns
    -------
    tuple of float
        Bearing of map north from true north (degrees, positive east), and map metres a ground
        metre.

    Raises
    ------
    ValueError
        Worded "what -> remedy", where the map cannot be used.

    Notes
    -----
    Both come from PROJ's factors of the projection (Snyder, Map Projections: A Working Manual, USGS
    PP 1395, 1987, gives the series). The scale is the square root of the areal scale, which for a
    conformal map is the scale in every direction.
    """
    from pyproj import CRS, Proj
    from pyproj.exceptions import CRSError, ProjError

    try:
        crs = CRS.from_user_input(map_crs)
    except CRSError:
        raise ValueError(
            f'"{map_crs}" is not a known map -> give an EPSG code such as "EPSG:32633"'
        ) from None
    axes = {(axis.direction.lower(), axis.unit_name.lower()) for axis in crs.axis_info[:2]}
    if not crs.is_projected or axes != {("east", "metre"), ("north", "metre")}:
        raise ValueError(
            f'"{map_crs}" ({crs.name}) is not a map in metres east and north -> '
            "give a projected system in metres, such as the UTM zone of the site"
        )
    if map_origin is None:
        raise ValueError(
            "map_crs is given without map_origin -> "
            "add map_origin = [E, N], the map position of local 0,0"
        )
    try:
        projection = Proj(crs)
        lon, lat = projection(*map_origin, inverse=True, errcheck=True)
        factors = projection.get_factors(lon, lat, errcheck=True)
        again = projection(lon, lat, errcheck=True)
    except ProjError:
        again = (np.inf, np.inf)
    if not np.allclose(again, map_origin, rtol=0, atol=0.01):
        raise ValueError(
            f"map_origin {list(map_origin)} is not on the map {map_crs} -> "
            "check the order [E, N] and the zone"
        )
    return float(factors.meridian_convergence), float(np.sqrt(factors.areal_scale))
