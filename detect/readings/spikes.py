"""Readings that no metal can have made."""

from __future__ import annotations

import numpy as np
import pandas as pd

from detect.lanes import response_ratio
from detect.readings.baseline import track_levels
from detect.readings.noise import estimate_noise
from detect.readings.steps import StepRecord, quality
from detect.survey.settings import Detector


def _neighbours_on_track(ordered: pd.DataFrame, values: np.ndarray) -> tuple[np.ndarray, ...]:
    """Return value and distance of the reading before and after, NaN at a track's ends."""
    track = ordered["track"].to_numpy()
    place = ordered["distance_m"].to_numpy(float)
    same = track[1:] == track[:-1]
    before, after = np.full(values.size, np.nan), np.full(values.size, np.nan)
    gap_before, gap_after = before.copy(), before.copy()
    before[1:] = np.where(same, values[:-1], np.nan)
    after[:-1] = np.where(same, values[1:], np.nan)
    step = np.where(same, np.diff(place), np.nan)
    gap_before[1:], gap_after[:-1] = step, step
    return before, gap_before, after, gap_after


def least_neighbour_share(gap_m: np.ndarray, detector: Detector) -> np.ndarray:
    """Return the least share of a peak that the reading ``gap_m`` further along must show.

    The narrowest peak metal can make is that of a piece lying on the bed right under the coil:
    ``|B(gap, h)|^2 / max |B(rho, h)|^2`` with ``h`` the coil's height. Anything sharper is no
    metal. Source: reciprocity, see :mod:`detect.lanes.footprint`.
    """
    height = detector.coil_height_m
    nearest = response_ratio(np.linspace(0.0, detector.coil_diameter_m, 65), height, detector)
    return np.asarray(response_ratio(gap_m, height, detector)) / float(np.max(nearest))


def screen_spikes(
    readings: pd.DataFrame, detector: Detector, snr: float = 5.0
) -> tuple[pd.DataFrame, StepRecord]:
    """Leave out readings that no metal can have made.

    Upward: more than ``snr`` sigma above the track's level while both neighbours show less than
    half of what the narrowest physical peak would give them, by two sigma of the comparison.
    Downward: more than ``snr`` sigma below the level.

    Parameters
    ----------
    readings : DataFrame
        From :func:`prepare`.
    detector : Detector
        Coil size and height.
    snr : float
        Sigmas from the level before a reading is looked at.

    Returns
    -------
    readings, record

    Notes
    -----
    Limit: where readings stand further apart than the coil is wide, a spike and a nail look the
    same and nothing is dropped; the record says how large a spike must be to be told.
    """
    noise = estimate_noise(readings)
    sd = noise.sd
    ordered = readings[readings["used"]].sort_values(["track", "distance_m"], kind="stable")
    level = ordered["track"].map(track_levels(readings, sd)).to_numpy(float)
    above = ordered["signal"].to_numpy(float) - level
    before, gap_before, after, gap_after = _neighbours_on_track(ordered, above)
    excess = []
    share_seen = []
    for value, gap in ((before, gap_before), (after, gap_after)):
        share = 0.5 * least_neighbour_share(np.nan_to_num(gap, nan=1e3), detector)
        bound = share * above - 2.0 * sd * np.sqrt(1.0 + share**2)
        # an end of a lane has one neighbour: a peak may lie past it, so it clears the reading
        excess.append(np.where(np.isnan(value), False, value < bound))
        share_seen.append(np.where(np.isnan(gap), 0.0, share))
    upward = (above > snr * sd) & excess[0] & excess[1]
    downward = above < -snr * sd
    out = readings.copy()
    for wrong, why in (
        (upward, "spike: too sharp for metal"),
        (downward, "spike: below the lane's level"),
    ):
        out.loc[ordered.index[wrong], "used"] = False
        out.loc[ordered.index[wrong], "dropped"] = why
    typical = float(np.median(np.concatenate(share_seen))) if share_seen else 0.0
    smallest = 2.0 * sd / typical if typical > 1e-6 else np.inf
    dropped = int(upward.sum() + downward.sum())
    told = (
        f"upward spikes can be told from metal above about {smallest:.0f} signal units"
        if np.isfinite(smallest) and smallest < 1e4 * sd
        else "readings stand too far apart to tell an upward spike from a nail"
    )
    record = StepRecord(
        "spikes",
        {"snr": snr, "smallest_upward": float(smallest)},
        0,
        dropped,
        quality(readings),
        quality(out),
        f"{dropped} reading{'' if dropped == 1 else 's'} left out; {told}",
    )
    return out, record
