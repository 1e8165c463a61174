"""From what was taped to where it was: readings onto the grid, their heading and their track."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from detect.survey.frame import compass

FloatArray: TypeAlias = NDArray[np.float64]


def measure_lanes(lanes: pd.DataFrame) -> pd.DataFrame:
    """Add ``length_m`` and ``bearing_deg`` (start to end, clockwise from grid north) to lanes.

    Parameters
    ----------
    lanes : pandas.DataFrame
        Columns ``start_e, start_n, end_e, end_n`` in metres.

    Returns
    -------
    pandas.DataFrame
        A copy with the two columns; a lane without length has bearing 0.
    """
    de = lanes["end_e"].to_numpy(float) - lanes["start_e"].to_numpy(float)
    dn = lanes["end_n"].to_numpy(float) - lanes["start_n"].to_numpy(float)
    return lanes.assign(
        length_m=np.hypot(de, dn), bearing_deg=compass(np.degrees(np.arctan2(de, dn)))
    )


def along_lane(
    lanes: pd.DataFrame, lane: ArrayLike, distance_m: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Place readings taped along their lanes.

    The tape is read from the lane's start peg whichever way the lane is swum, so the direction of
    travel does not enter: (e, n) = start + distance (sin bearing, cos bearing).

    Parameters
    ----------
    lanes : pandas.DataFrame
        Lanes with ``lane, start_e, start_n, bearing_deg``.
    lane : array_like of str, shape (N,)
        Lane of each reading.
    distance_m : array_like, shape (N,)
        Taped distance from the start peg, metres.

    Returns
    -------
    tuple of ndarray
        e and n, metres; NaN where the lane is not in `lanes`.
    """
    rows = _lane_rows(lanes, lane)
    bearing = np.radians(rows["bearing_deg"].to_numpy(float))
    distance = np.asarray(distance_m, dtype=float)
    return (
        rows["start_e"].to_numpy(float) + distance * np.sin(bearing),
        rows["start_n"].to_numpy(float) + distance * np.cos(bearing),
    )


def project_on_lane(
    lanes: pd.DataFrame, lane: ArrayLike, e: ArrayLike, n: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Distance along the lane and offset across it (positive right of the lane's bearing).

    Parameters
    ----------
    lanes : pandas.DataFrame
        Lanes with ``lane, start_e, start_n, bearing_deg``.
    lane : array_like of str, shape (N,)
        Lane of each reading.
    e, n : array_like, shape (N,)
        Positions, metres.

    Returns
    -------
    tuple of ndarray
        Distance and offset, metres; NaN where the lane is not in `lanes`.
    """
    rows = _lane_rows(lanes, lane)
    bearing = np.radians(rows["bearing_deg"].to_numpy(float))
    de = np.asarray(e, dtype=float) - rows["start_e"].to_numpy(float)
    dn = np.asarray(n, dtype=float) - rows["start_n"].to_numpy(float)
    sin, cos = np.sin(bearing), np.cos(bearing)
    return de * sin + dn * cos, de * cos - dn * sin


def track_numbers(lane: pd.Series, passes: pd.Series) -> NDArray[np.int64]:
    """Number the tracks, one a lane and pass, from 0 in the order they first appear."""
    pairs = pd.DataFrame({"lane": lane, "pass": passes})
    return np.asarray(pairs.groupby(["lane", "pass"], sort=False).ngroup(), dtype=np.int64)


def default_passes(lane: pd.Series, direction: pd.Series) -> pd.Series:
    """Pass of each reading where none was written down.

    A lane swum out and back is two passes, ``"1"`` and ``"2"`` in the order they appear; any other
    is pass ``"1"``.
    """
    first = lane.map(direction.groupby(lane, sort=False).first())
    return pd.Series(np.where(direction == first, "1", "2"), index=lane.index, dtype=object)


def lane_headings(lanes: pd.DataFrame, lane: ArrayLike, direction: ArrayLike) -> FloatArray:
    """Grid bearing of travel by lane, reversed for ``"back"``; NaN for unknown lanes."""
    bearing = _lane_rows(lanes, lane)["bearing_deg"].to_numpy(float)
    return np.asarray(compass(bearing + np.where(np.asarray(direction) == "back", 180.0, 0.0)))


def step_headings(e: ArrayLike, n: ArrayLike, track: ArrayLike) -> FloatArray:
    """Grid bearing of travel from the positions themselves, one track after another in file order.

    From the reading before to the reading after on the same track; where those coincide, the
    bearing from the track's first reading to its last; 0 for a track without extent.

    Parameters
    ----------
    e, n : array_like, shape (N,)
        Positions, metres.
    track : array_like of int, shape (N,)
        Track of each reading.

    Returns
    -------
    ndarray, shape (N,)
        Degrees clockwise from grid north.
    """
    frame = pd.DataFrame({"e": np.asarray(e, float), "n": np.asarray(n, float)})
    grouped = frame.groupby(np.asarray(track), sort=False)
    before, after = grouped.shift(1).fillna(frame), grouped.shift(-1).fillna(frame)
    step = (after - before).to_numpy()
    chord = (grouped.transform("last") - grouped.transform("first")).to_numpy()
    still = np.hypot(step[:, 0], step[:, 1]) == 0
    step = np.where(still[:, None], chord, step)
    return np.asarray(compass(np.degrees(np.arctan2(step[:, 0], step[:, 1]))))


def running_lengths(e: ArrayLike, n: ArrayLike, track: ArrayLike) -> FloatArray:
    """Length swum since the track's first reading, metres, in file order, shape (N,)."""
    frame = pd.DataFrame({"e": np.asarray(e, float), "n": np.asarray(n, float)})
    track = np.asarray(track)
    step = frame.groupby(track, sort=False).diff().fillna(0.0).to_numpy()
    length = pd.Series(np.hypot(step[:, 0], step[:, 1]))
    return length.groupby(track, sort=False).cumsum().to_numpy(float)


def _lane_rows(lanes: pd.DataFrame, lane: ArrayLike) -> pd.DataFrame:
    """Return the lane's row for each reading, in their order; NaN where the lane is unknown."""
    return lanes.drop_duplicates("lane").set_index("lane").reindex(np.asarray(lane, dtype=object))
