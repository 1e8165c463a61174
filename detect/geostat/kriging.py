"""`Kriging`: fit once to the readings, ask often for points, squares, realisations."""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from detect.geostat.blocks import Support
from detect.geostat.covariance import cross_covariance, places, same_place_distance, tiles
from detect.geostat.data import Data
from detect.geostat.errors import FloatArray, GeostatError, IntArray
from detect.geostat.local import LocalSystem
from detect.geostat.parallel import cluster, run, run_on
from detect.geostat.simulation import simulate
from detect.geostat.system import GlobalSystem
from detect.geostat.tiled import TiledSystem
from detect.geostat.variogram import Variogram

if TYPE_CHECKING:
    from detect.geostat.tile_lattice import Cut

Progress = Callable[[int, int], None]

NEIGHBOURHOODS = ("tiles", "own")


class Kriging:
    """Best linear unbiased estimates of a field from its readings, with their variance.

    What the nugget and the measurement error do:

    * The variogram's nugget is variation of the field itself at less than the sampling distance.
      An estimate at the place of an exact reading is that reading with variance 0; anywhere else
      the variance includes the whole nugget. The mean of a square holds none of it.
    * ``measurement_sd`` is the error of the readings. Its square stands on the diagonal of the
      data, and the estimates are of the field free of it: a map does not pass through noisy
      readings, and its variance does not include the error of a new reading.

    Nothing is ever added to the diagonal in silence: a singular system is refused with the place
    named.

    Parameters
    ----------
    points : (N, 2) array
        Positions ``e, n``, metres.
    values : (N,) array
        Readings.
    variogram : Variogram
        Model of the field.
    measurement_sd : float or (N,) array, optional
        Standard deviation of the error of each reading, in the unit of the values.
    neighbours : int, optional
        Use only the readings near each target, this many or more; None or 0 uses all.
    drift : {"constant", "linear", "quadratic"}
        Form of the unknown mean: constant is ordinary kriging, the others universal kriging.
    mean : float, optional
        Known mean: simple kriging.
    neighbourhood : {"tiles", "own"}
        With ``neighbours``: what is used at a target. ``"tiles"``: all targets of a tile share the
        readings that are nearest to it, 2.25 times ``neighbours``, and the mean or drift of the
        whole survey; tiles overlap and are blended. Faster, and nearer to the answer from all
        readings.
        ``"own"``: each target's own nearest, with a mean of their own.

    Raises
    ------
    GeostatError
        NaN or infinity (named by index), readings at one place without measurement error (named),
        or a layout that cannot fix the drift. From the methods: a system singular to working
        precision.

    Notes
    -----
    Memory: N x N numbers for the factor of all readings (at most 11,000), tiles of targets within
    a fixed budget otherwise. Sources: Cressie, Statistics for Spatial Data (1993); Chiles &
    Delfiner, Geostatistics, 2nd ed. (2012) (both from memory); the formulas stand in
    `GlobalSystem`.
    """

    def __init__(
        self,
        points: npt.ArrayLike,
        values: npt.ArrayLike,
        variogram: Variogram,
        measurement_sd: npt.ArrayLike | None = None,
        neighbours: int | None = None,
        drift: str = "constant",
        *,
        mean: float | None = None,
        neighbourhood: str = "tiles",
    ) -> None:
        if neighbours is not None and (int(neighbours) != neighbours or neighbours < 0):
            raise GeostatError(
                f"neighbours = {neighbours!r} must be 0 (all) or a positive whole number"
            )
        if neighbourhood not in NEIGHBOURHOODS:
            raise GeostatError(
                f"neighbourhood {neighbourhood!r} is not one of {', '.join(NEIGHBOURHOODS)}"
            )
        self.variogram = variogram
        self.neighbourhood = neighbourhood
        self.data = Data.checked(points, values, measurement_sd, drift, mean)
        self.neighbours = int(neighbours or 0)
        if self.neighbours >= len(self.data):
            self.neighbours = 0

    @cached_property
    def system(self) -> GlobalSystem | LocalSystem:
        """The solver: factorised when first needed, then kept."""
        if self.neighbours:
            kind = TiledSystem if self.neighbourhood == "tiles" else LocalSystem
            return kind(self.data, self.variogram, self.neighbours)
        return GlobalSystem(self.data, self.variogram)

    def at(
        self,
        nodes: npt.ArrayLike,
        progress: Progress | None = None,
        *,
        client: Any = None,
    ) -> tuple[FloatArray, FloatArray]:
        """Estimate the field at points.

        Parameters
        ----------
        nodes : (M, 2) array
            Positions ``e, n``, metres.
        progress : callable, optional
            Called with (done, total) after each tile.
        client : distributed.Client or str, optional
            A dask cluster, or the address of its scheduler, to work the tiles out on: the same
            tiles and the same numbers (extra ``cluster``).

        Returns
        -------
        estimate, variance : (M,) arrays
            In the unit of the values, and its square.
        """
        return self._tiled(self.data.localise(nodes, "nodes"), Support.point(), progress, client)

    def blocks(
        self,
        centres: npt.ArrayLike,
        size_m: float,
        progress: Progress | None = None,
        *,
        azimuth_deg: float = 0.0,
        client: Any = None,
    ) -> tuple[FloatArray, FloatArray]:
        """Estimate the mean of the field over squares, by default with sides along the axes.

        Covariances of data with a square are averaged over 4 x 4 Gauss-Legendre points; the
        variance of the square's own mean is exact, nugget left out
        (`detect.geostat.blocks.within_square`).

        Parameters
        ----------
        centres : (M, 2) array
            Centres ``e, n``, metres.
        size_m : float
            Side, metres.
        progress : callable, optional
            Called with (done, total) after each tile.
        azimuth_deg : float
            Bearing of two of the sides, clockwise from grid north.
        client : distributed.Client or str, optional
            As in `at`.

        Returns
        -------
        estimate, variance : (M,) arrays
            Of the square's mean.
        """
        support = Support.square(size_m, azimuth_deg)
        return self._tiled(self.data.localise(centres, "centres"), support, progress, client)

    def block_posterior(
        self, centres: npt.ArrayLike, size_m: float, *, azimuth_deg: float = 0.0
    ) -> tuple[FloatArray, FloatArray]:
        """Means of squares (M,) and the covariance (M, M) of their errors, one with another.

        The diagonal is the variance of `blocks`. Memory: M x M and N x M numbers.
        """
        local = self.data.localise(centres, "centres")
        support = Support.square(size_m, azimuth_deg)
        prior = support.between(self.variogram, local)
        mean, covariance = self.system.posterior(local, support, prior)
        return mean, _symmetric(covariance)

    def posterior(self, nodes: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Estimates at points (M,) and the covariance (M, M) of their errors, one with another.

        The diagonal is the variance of `at`. Memory: M x M and N x M numbers.
        """
        local = self.data.localise(nodes, "nodes")
        prior = cross_covariance(self.variogram, local, local)
        if self.variogram.nugget > 0:
            place, _ = places(local, same_place_distance(self.data.points))
            prior += self.variogram.nugget * (place[:, None] == place)
        mean, covariance = self.system.posterior(local, Support.point(), prior)
        return mean, _symmetric(covariance)

    def leave_one_out(self) -> tuple[FloatArray, FloatArray]:
        """Predict each reading from the others.

        Returns
        -------
        estimate, variance : (N,) arrays
            The variance is that of the reading about its prediction, measurement error included,
            so that ``(values - estimate)**2 / variance`` averages 1 when the model is right.
        """
        return self.system.leave_one_out()

    def weights(self, nodes: npt.ArrayLike, size_m: float | None = None) -> FloatArray:
        """Weights (M, N) of the readings at points, or over squares of side ``size_m``."""
        support = Support.point() if size_m is None else Support.square(size_m)
        weights = self.system.weights(self.data.localise(nodes, "nodes"), support)
        return weights if isinstance(weights, np.ndarray) else weights.toarray()

    def simulate(self, nodes: npt.ArrayLike, n: int, seed: int) -> FloatArray:
        """Draw conditional realisations of the field; see `detect.geostat.simulation.simulate`.

        Returns
        -------
        (n, M) array
            Each row one realisation at the nodes, in the unit of the values.
        """
        return simulate(self, nodes, n, seed)

    def _tiled(
        self, centres: FloatArray, support: Support, progress: Progress | None, client: Any
    ) -> tuple[FloatArray, FloatArray]:
        count = len(centres)
        estimate, variance = np.zeros(count), np.zeros(count)
        system = self.system
        system.prepare(count)
        jobs = list(system.jobs(centres, support))
        shared, done = (system, support), 0.0
        with cluster(client) as connected:
            if connected is None:
                results = run(lambda job: _one_job(shared, _part(centres, job)), jobs)
            else:
                results = run_on(connected, _one_job, shared, [_part(centres, j) for j in jobs])
            for number, (mean, square) in results:
                job = jobs[number]
                if isinstance(job, tuple):  # a target near an edge has a share of several tiles
                    np.add.at(estimate, job.target, job.share * mean)
                    np.add.at(variance, job.target, job.share * square)
                    done += job.share.sum()
                else:
                    estimate[job], variance[job] = mean, square
                    done += len(job)
                if progress is not None:
                    progress(round(done), count)
        # Rounding leaves -1e-16 at a datum, where the variance is 0.
        return estimate, np.maximum(variance, 0.0)


def _part(centres: FloatArray, job: IntArray | Cut) -> tuple[FloatArray, Cut | None]:
    """Return the targets of a job, and what is known of their tiles."""
    return (centres[job.target], job) if isinstance(job, tuple) else (centres[job], None)


def _one_job(
    shared: tuple[GlobalSystem | LocalSystem, Support], part: tuple[FloatArray, Cut | None]
) -> tuple[FloatArray, FloatArray]:
    """Estimate one job, here or on a worker of a cluster."""
    system, support = shared
    centres, cut = part
    if isinstance(system, TiledSystem) and cut is not None:
        return system.by_tile(centres, support, cut)
    return system.estimate(centres, support)


def _symmetric(covariance: FloatArray) -> FloatArray:
    """Make a covariance symmetric in place, its diagonal not negative, whatever rounding did."""
    for tile in tiles(len(covariance), 8 * len(covariance)):
        half = covariance[tile, tile.start :] + covariance[tile.start :, tile].T
        half *= 0.5
        covariance[tile, tile.start :] = half
        covariance[tile.start :, tile] = half.T
    diagonal = np.einsum("ii->i", covariance)
    np.maximum(diagonal, 0.0, out=diagonal)
    return covariance
