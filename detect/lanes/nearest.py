"""Which reading of a track lies nearest to each of many cells."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from detect.lanes.field import FloatArray

# A track is straight if it stays this share of a reach from a line.
_STRAIGHT = 1e-4
# It bends little if headings stay within 25 degrees of the chord (this sine) and it never goes
# back along it by more than this share of a reach.
_TILT = 0.42
_STEP_BACK = 0.25


def nearest_reading(
    places: FloatArray, heading: FloatArray, reach_m: float
) -> Callable[[FloatArray, FloatArray], NDArray[np.int64]]:
    """Return a function that finds the nearest reading of one track to each of many cells.

    Parameters
    ----------
    places : ndarray, shape (N, 2)
        Readings of one track, m.
    heading : ndarray, shape (N,)
        Direction of travel at each, radians from grid north.
    reach_m : float
        Farther than this nothing needs finding.

    Returns
    -------
    callable
        From cell coordinates e, n to indices of places; N where none lies within reach (it may
        also name one farther off).

    Notes
    -----
    On a lane swum along a tape all readings lie on one straight line, and the nearest is the
    nearest along it: a search in a sorted list. On a track that bends a little, the reading
    abeam of a cell is found from there in two steps, each moving on by the distance along the
    local heading. What it names may be a centimetre or two farther off than the nearest,
    never nearer: the POD errs low. A track that turns back takes the slower tree in the plane.
    """
    # Chord coordinates: along the line from the first reading to the farthest, and right of it.
    chord = places[np.argmax(np.hypot(*(places - places[0]).T))] - places[0]
    length = float(np.hypot(*chord))
    sin, cos = chord / length if length > 0.0 else (0.0, 1.0)
    along = (places - places[0]) @ np.array([sin, cos])
    side = (places - places[0]) @ np.array([cos, -sin])
    straight = length > 0.0 and float(np.ptp(side)) < _STRAIGHT * reach_m
    # Sine and cosine of the local track's angle off the chord, the sense of travel left out.
    forward = np.sign(np.cos(heading) * cos + np.sin(heading) * sin)
    tilt = forward * (np.sin(heading) * cos - np.cos(heading) * sin)
    run = along * forward[0]
    onward = float(np.max(np.maximum.accumulate(run) - run)) <= _STEP_BACK * reach_m
    little_bent = onward and bool(np.all((forward == forward[0]) & (np.abs(tilt) <= _TILT)))
    if straight or (length > 0.0 and little_bent):
        order = np.argsort(along, kind="stable")
        borders = 0.5 * (along[order][1:] + along[order][:-1])
        level = np.sqrt(1.0 - tilt**2)

        def abeam(e: FloatArray, n: FloatArray) -> NDArray[np.int64]:
            de, dn = e - places[0, 0], n - places[0, 1]
            cell_along, cell_side = de * sin + dn * cos, de * cos - dn * sin
            best = order[np.searchsorted(borders, cell_along)]
            if straight:
                return best
            # Squares of distances: their order is all that is asked for.
            off_along, off_side = cell_along - along[best], cell_side - side[best]
            here, least = best, off_along**2 + off_side**2
            for _ in range(2):
                ahead = off_along * level[here] + off_side * tilt[here]
                here = order[np.searchsorted(borders, along[here] + ahead * level[here])]
                off_along, off_side = cell_along - along[here], cell_side - side[here]
                distance = off_along**2 + off_side**2
                nearer = distance < least
                best, least = np.where(nearer, here, best), np.where(nearer, distance, least)
            return best

        return abeam
    tree = cKDTree(places)

    def in_plane(e: FloatArray, n: FloatArray) -> NDArray[np.int64]:
        cells = np.column_stack([e, n])
        return tree.query(cells, distance_upper_bound=reach_m, workers=-1)[1]

    return in_plane
