"""A map that checks itself: some of its nodes estimated again by an independent library."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from detect.geostat.covariance import places, same_place_distance, tiles
from detect.geostat.errors import FloatArray, IntArray, as_points, as_values, as_variances
from detect.geostat.neighbours import Nearest
from detect.geostat.shapes import correlation
from detect.geostat.variogram import Variogram

#: PyKrige holds three full matrices of the readings: of more than these it is given a part.
MOST_POINTS = 2500

#: Readings of that part.
PART = 1200

#: Agreement asked for, as a share of the largest kriging standard deviation (solvers differ by
#: rounding).
TOLERANCE = 1e-6

#: Where the map is not of all the readings that PyKrige has: largest difference, as a share of the
#: standard deviation at the node. An error of a tenth of it adds half a per cent to the whole error
#: (root of 1 + 0.1²); tiles are off by a twentieth at the worst of a hundred nodes.
NEAR = 0.1


Model = Callable[[list[float], FloatArray], FloatArray]


@dataclass(frozen=True)
class CrossCheck:
    """Largest differences between the tool's estimates and PyKrige's.

    Parameters
    ----------
    nodes : int
        Nodes compared; 0 when nothing could be.
    max_abs_estimate, max_abs_sd : float
        Largest difference of estimates and of standard deviations, in the unit of the values (NaN
        if none).
    ok : bool
        The largest difference is within what is allowed; False when nothing was compared.
    note : str
        What PyKrige was given, what is allowed, and what had to be left out.
    max_in_sd : float
        Largest difference of an estimate or a standard deviation, in standard deviations at its
        node.
    allowed_in_sd : float
        What is allowed: `TOLERANCE` of the largest standard deviation where both libraries solve
        the same systems, `NEAR` of each node's own where the map is an approximation.
    """

    nodes: int
    max_abs_estimate: float
    max_abs_sd: float
    ok: bool
    note: str
    max_in_sd: float = float("nan")
    allowed_in_sd: float = TOLERANCE


def against_pykrige(
    points: npt.ArrayLike,
    values: npt.ArrayLike,
    variogram: Variogram,
    nodes: npt.ArrayLike,
    estimate: npt.ArrayLike,
    variance: npt.ArrayLike,
    measurement_sd: npt.ArrayLike | None = None,
    neighbours: int | None = None,
    *,
    repeats: npt.ArrayLike | None = None,
    neighbourhood: str = "tiles",
) -> CrossCheck:
    r"""Estimate the nodes again with PyKrige's ordinary kriging and compare.

    How the models meet:

    * Exact readings: PyKrige's nugget is ours, with ``exact_values=True``.
    * With measurement error: PyKrige knows one nugget, which ``exact_values=False`` makes an error
      of the readings. It is given ``nugget + sd^2`` at any lag above 0 and ``sd^2`` at lag 0 (so
      that readings at one place share their microscale part). Its estimate is then the filtered
      one, and its variance that of a new reading: ours plus ``sd^2``, which is taken off. At the
      place of a reading this does not hold when the microscale nugget is above 0: such nodes are
      left out.
    * It knows one error for all readings. Where readings are means of ``repeats`` readings of one
      error, ``sd_i = sd / sqrt(repeats_i)``, each is given ``repeats_i`` times, which is the same
      system.
    * Anisotropy: its angle counts anticlockwise from e (90 - azimuth), its scaling is major over
      minor.
    * Tiles: PyKrige has no like, and is given all readings, which is what tiles stand in for. The
      map is "ok" when no node is further than `NEAR` of its standard deviation from that answer.
      An estimate that far off is off by a tenth of what it is uncertain by anyway.
    * Of more than `MOST_POINTS` readings PyKrige is given the `PART` nearest to one node, and only
      the nodes well inside them are compared, within `NEAR` too.
    * Own neighbourhoods: its moving window. Nodes where two readings tie for the last place in the
      neighbourhood are left out, and those with merged repeats among their neighbours, which it
      would count as several.

    Parameters
    ----------
    points, values, variogram, measurement_sd, neighbours, neighbourhood
        As given to `Kriging`.
    nodes : (M, 2) array
        A sample of the nodes (PyKrige is slow).
    estimate, variance : (M,) arrays
        What `Kriging.at` gave there.
    repeats : (N,) int array, optional
        Readings merged into each.

    Returns
    -------
    CrossCheck
        Never raises for what PyKrige cannot do (unequal errors, structures of different
        anisotropy, too many readings): ``nodes`` is 0 and ``note`` says why.
    """
    position = as_points(points)
    reading = as_values(values, len(position))
    noise = as_variances(measurement_sd, len(position))
    where = as_points(nodes, "nodes")
    ours = as_values(estimate, len(where), "estimate")
    our_variance = as_values(variance, len(where), "variance")

    count = np.ones(len(position), dtype=np.int64)
    if repeats is not None:
        count = as_values(repeats, len(position), "repeats").astype(np.int64)
    single = noise * count  # error variance of one reading
    error = float(single[0])
    if not np.allclose(single, error, rtol=1e-9, atol=0.0):
        return _not_compared(
            "the readings have different measurement errors, and PyKrige knows only one"
        )
    shapes = {
        (p.anisotropy_ratio, p.azimuth_deg if p.anisotropy_ratio < 1 else 0.0)
        for p in variogram.parts
    }
    if len(shapes) > 1:
        return _not_compared(
            "the structures have different anisotropies, and PyKrige knows only one"
        )
    if error == 0.0:
        count = np.ones_like(count)
    k = int(neighbours or 0)
    k = 0 if k >= len(position) else k
    near, k = (k > 0 and neighbourhood == "tiles"), (0 if neighbourhood == "tiles" else k)
    if k == 1:
        return _not_compared("PyKrige's moving window needs at least two readings")

    origin = position.mean(axis=0)
    position, where = position - origin, where - origin
    keep, left_out = _comparable(position, where, variogram, error, k, count)
    if not keep.any():
        return _not_compared("no node could be compared" + left_out)
    used = np.arange(len(position))
    if k:
        used = np.unique(Nearest(variogram, position, k).of(where[keep]))
    elif count.sum() > MOST_POINTS:
        middle = where[keep][0]
        used, inside = _part(position, count, middle, where)
        keep &= inside
        near = True
        e, n = middle + origin
        left_out += f"; only the {len(used)} readings about ({e:.0f}, {n:.0f})"
    position, reading, count = position[used], reading[used], count[used]
    position, reading = np.repeat(position, count, axis=0), np.repeat(reading, count)
    if len(position) > MOST_POINTS:
        return _not_compared(
            f"{len(position)} readings are more than PyKrige is asked to hold ({MOST_POINTS})"
        )
    model, given = _pykrige_model(variogram, error, shapes.pop())
    theirs, their_variance = _run(position, reading, where[keep], model, error == 0.0, k)
    ours, our_variance = ours[keep], our_variance[keep]
    their_sd = np.sqrt(np.maximum(their_variance - error, 0.0))
    our_sd = np.sqrt(np.maximum(our_variance, 0.0))
    # Near a reading the sd is the root of a small difference, which magnifies rounding: compare
    # variances there.
    largest = float(max(our_sd.max(), 1e-300))
    gap = np.abs(ours - theirs)
    gap_sd = np.minimum(
        np.abs(our_sd - their_sd), np.abs(our_variance - their_variance + error) / largest
    )
    # At an exact reading the sd is 0, but for rounding.
    in_sd = np.maximum(gap, gap_sd) / np.maximum(our_sd, 1e-3 * largest)
    if near:
        ok = in_sd.max() <= NEAR
        given += f"; the map may differ by {NEAR:g} of a standard deviation"
        if not ok:
            given += ", and does by more: take more neighbours"
    else:
        ok = max(gap.max(), gap_sd.max()) <= TOLERANCE * largest
    return CrossCheck(
        int(keep.sum()),
        float(gap.max()),
        float(gap_sd.max()),
        bool(ok),
        f"PyKrige ordinary kriging, {given}{left_out}",
        float(in_sd.max()),
        NEAR if near else TOLERANCE,
    )


def _part(
    position: FloatArray, count: IntArray, middle: FloatArray, where: FloatArray
) -> tuple[IntArray, npt.NDArray[np.bool_]]:
    """Readings nearest to a place, `PART` with repeats, and the nodes well inside them."""
    distance = np.hypot(*(position - middle).T)
    order = np.argsort(distance, kind="stable")
    used = order[np.cumsum(count[order]) <= PART]
    inside = np.hypot(*(where - middle).T) <= 0.5 * distance[used].max()
    return np.sort(used), inside


def _not_compared(why: str) -> CrossCheck:
    return CrossCheck(0, float("nan"), float("nan"), False, f"not compared: {why}")


def _comparable(
    position: FloatArray,
    where: FloatArray,
    variogram: Variogram,
    error: float,
    k: int,
    count: IntArray,
) -> tuple[npt.NDArray[np.bool_], str]:
    """Nodes that both libraries define alike, and what was left out in words."""
    keep = np.ones(len(where), dtype=bool)
    notes = []
    if error > 0 and variogram.nugget > 0:
        both = np.concatenate([position, where])
        place, _ = places(both, same_place_distance(position))
        at_reading = place[len(position) :] < len(position)
        if at_reading.any():
            keep &= ~at_reading
            notes.append(f"{int(at_reading.sum())} nodes at a reading")
    if k:
        reduced = position @ variogram.reduction
        index = Nearest(variogram, position, k + 1).of(where)
        last = np.linalg.norm(
            reduced[index[:, -2:]] - (where @ variogram.reduction)[:, None, :], axis=2
        )
        tied = np.diff(last, axis=1)[:, 0] <= 1e-9 * last[:, 1]
        if tied.any():
            keep &= ~tied
            notes.append(f"{int(tied.sum())} nodes with tied neighbours")
        merged = (count[index[:, :-1]] > 1).any(axis=1)
        if merged.any():
            keep &= ~merged
            notes.append(f"{int(merged.sum())} nodes with merged repeats among their neighbours")
    return keep, f"; left out: {', '.join(notes)}" if notes else ""


def _pykrige_model(
    variogram: Variogram, error: float, shape: tuple[float, float]
) -> tuple[dict[str, Any], str]:
    """Keywords that give PyKrige the same model, and a word for the note."""
    ratio, azimuth = shape
    anisotropy = {"anisotropy_scaling": 1.0 / ratio, "anisotropy_angle": 90.0 - azimuth}
    # Its "range" is where the model is nearly spent: 3 a for exponential, a 7/4 for gaussian (its
    # 4/7 rule).
    to_range = {"spherical": 1.0, "exponential": 3.0, "gaussian": 7.0 / 4.0}
    if variogram.model in to_range and (error == 0.0 or variogram.nugget == 0.0):
        # As a dictionary: in a list PyKrige takes the first number for the full sill.
        parameters = {
            "psill": variogram.partial_sill,
            "range": variogram.range_m * to_range[variogram.model],
            "nugget": variogram.nugget + error,
        }
        own = {"variogram_model": variogram.model, "variogram_parameters": parameters}
        return own | anisotropy, f"its own {variogram.model} model"
    custom = {
        "variogram_model": "custom",
        "variogram_parameters": [],
        "variogram_function": _callable(variogram, error),
    }
    return custom | anisotropy, f"our {variogram.model} model as a callable"


def _callable(variogram: Variogram, error: float) -> Model:
    """Semivariance of a distance along the major axis, as PyKrige wants it."""

    def semivariance(parameters: list[float], distance: FloatArray) -> FloatArray:
        del parameters
        total = np.zeros_like(distance, dtype=np.float64)
        for part in variogram.parts:
            rho = correlation(part.model, distance / part.range_m, part.smoothness)
            total += part.partial_sill * (1.0 - rho)
        return total + error + np.where(distance > 1e-10, variogram.nugget, 0.0)

    return semivariance


def _by_rows(model: Model) -> Model:
    """Return the model worked out some rows at a time: PyKrige asks for all pairs in one go."""

    def semivariance(parameters: list[float], distance: FloatArray) -> FloatArray:
        if distance.ndim < 2:
            return model(parameters, distance)
        out = np.empty(distance.shape)
        for rows in tiles(len(distance), 8 * distance.shape[1], 2**20):
            out[rows] = model(parameters, distance[rows])
        return out

    return semivariance


def _run(
    position: FloatArray,
    reading: FloatArray,
    where: FloatArray,
    model: dict[str, Any],
    exact: bool,
    k: int,
) -> tuple[FloatArray, FloatArray]:
    """PyKrige's estimates and variances."""
    # Imported here: it takes a while and only the check needs it.
    from pykrige.ok import OrdinaryKriging

    kriging = OrdinaryKriging(position[:, 0], position[:, 1], reading, exact_values=exact, **model)
    kriging.variogram_function = _by_rows(kriging.variogram_function)
    window = {"n_closest_points": k, "backend": "loop"} if k else {"backend": "vectorized"}
    estimate, variance = kriging.execute("points", where[:, 0], where[:, 1], **window)
    return np.asarray(estimate, dtype=np.float64), np.asarray(variance, dtype=np.float64)
