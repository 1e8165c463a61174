"""What to try in a rehearsal: distances under the coil on dry land, places along a test lane."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from detect.lanes.footprint import footprint

if TYPE_CHECKING:
    from detect.survey.settings import Detector

# Shares of the air range as guessed: two where the target is surely heard, two where surely not,
# so that a guess half as large or half as small again still has the threshold among them.
_SHARES = (0.5, 0.65, 0.8, 0.9, 1.0, 1.1, 1.25, 1.5)
_TRIES, _EMPTY = 8, 8
# Shares of the footprint on the bed, to either side.
_SIDES = (0.0, 0.5, 0.8, 1.0, 1.2, 1.5)
_EMPTY_PLACES = 2
_LEAST_APART_M = 1.5


def bench_tries(
    detector: Detector,
    seed: int = 1,
    between: tuple[float, float] | None = None,
    name: str = "reference",
) -> pd.DataFrame:
    """Return tries straight under the coil, in mixed order, some with an empty hand.

    Parameters
    ----------
    detector : Detector
        ``air_range_m`` as guessed so far sets the distances, to the centimetre.
    seed : int
        The same seed mixes alike.
    between : tuple of float, optional
        Where the air range is known to lie, m; the distances are then spread over this.
    name : str
        What the target is called.

    Returns
    -------
    pandas.DataFrame
        Columns ``sheet`` (the name: a sheet of paper a target), ``order`` on it, ``target`` (the
        name, or "none" for an empty hand), ``offset_m`` and ``distance_to_coil_m``.
    """
    distances = np.array(_SHARES) * float(detector.air_range_m)
    if between is not None:
        distances = np.linspace(*between, len(_SHARES))
    distances = np.round(distances, 2)
    tries = [(name, 0.0, float(d)) for d in np.unique(distances)] * _TRIES
    tries += [("none", 0.0, float(detector.air_range_m))] * _EMPTY
    mixed = np.random.default_rng(seed).permutation(len(tries))
    table = pd.DataFrame(
        [tries[k] for k in mixed], columns=["target", "offset_m", "distance_to_coil_m"]
    )
    table.insert(0, "order", range(1, len(table) + 1))
    table.insert(0, "sheet", name)
    return table


def lane_places(detector: Detector, seed: int = 1, name: str = "reference") -> pd.DataFrame:
    """Return where to lay targets beside a test lane, in mixed order.

    Parameters
    ----------
    detector : Detector
        ``coil_height_m`` and the footprint of a target lying on the bed set the offsets.
    seed : int
        The same seed mixes alike.
    name : str
        What the target is called.

    Returns
    -------
    pandas.DataFrame
        Columns ``place``, ``along_m`` (on the tape), ``offset_m`` (left negative), ``target`` and
        ``distance_to_coil_m`` (the coil's height: targets lie on the bed).

    Notes
    -----
    Places stand so far apart that no two targets are heard at once: three footprints, a metre and a
    half at least (common practice, no source).
    """
    reach = footprint(detector, 0.0)
    rng = np.random.default_rng(seed)
    offsets = np.array([share * reach * side for share in _SIDES for side in (-1, 1)])
    offsets = np.round(np.concatenate([offsets, np.zeros(_EMPTY_PLACES)]), 2) + 0.0
    names = np.array([name] * (2 * len(_SIDES)) + ["none"] * _EMPTY_PLACES)
    mixed = rng.permutation(len(offsets))
    apart = float(np.ceil(2.0 * max(_LEAST_APART_M, 3.0 * reach)) / 2.0)
    return pd.DataFrame(
        {
            "place": range(1, len(offsets) + 1),
            "along_m": apart * np.arange(1, len(offsets) + 1),
            "offset_m": offsets[mixed],
            "target": names[mixed],
            "distance_to_coil_m": float(detector.coil_height_m),
        }
    )


def sheet_to_fill(bench: pd.DataFrame, lane: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of a trial table for `bench_tries` and one swim of `lane_places`."""
    columns = ["target", "offset_m", "distance_to_coil_m"]
    rows = pd.concat([bench[columns], lane[columns]], ignore_index=True)
    return rows.assign(detected="", signal="")
