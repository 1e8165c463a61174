"""From raw readings to readings that hold metal and noise only: named steps, each recorded.

Each step is a pure function from a readings frame to a new one and a :class:`StepRecord`. The
raw value stays beside the conditioned one; a reading that is left out says why.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from detect.lanes import response_ratio
from detect.readings.baseline import quiet_readings, track_levels
from detect.readings.lag import estimate_lag
from detect.readings.left_out import judge
from detect.readings.levelling import tracks_levelled
from detect.readings.noise import Noise, estimate_noise
from detect.survey.settings import Detector


@dataclass(frozen=True)
class StepRecord:
    """What one conditioning step did.

    Attributes
    ----------
    step : str
        Name, as in ``[mapping] conditioning``.
    parameters : dict
        What it ran with.
    changed, dropped : int
        Readings moved, readings left out.
    before, after : dict
        ``noise_sd``, ``level_spread`` (standard deviation of track levels) and ``repeat_sd`` on
        either side of the step, in signal units.
    said : str
        The step's outcome in one sentence.
    left_out_before, left_out_after : float
        Error of left-out lanes on either side (:mod:`detect.readings.left_out`); NaN if not judged.
    kept : bool
        False where the step was shown to do harm, and left off.
    """

    step: str
    parameters: dict[str, float | str]
    changed: int
    dropped: int
    before: dict[str, float]
    after: dict[str, float]
    said: str
    left_out_before: float = float("nan")
    left_out_after: float = float("nan")
    kept: bool = True


def prepare(readings: pd.DataFrame) -> pd.DataFrame:
    """Return the readings with ``raw``, ``used`` and ``dropped`` beside ``signal``."""
    return readings.assign(raw=readings["signal"].astype(float), used=True, dropped="")


def quality(readings: pd.DataFrame) -> dict[str, float]:
    """Return the figures every step is judged by (signal units)."""
    noise = estimate_noise(readings)
    levels = track_levels(readings, noise.sd if np.isfinite(noise.sd) else 0.0)
    spread = float(levels.std(ddof=1)) if len(levels) > 1 else 0.0
    return {
        "noise_sd": noise.sd,
        "level_spread": round(spread, 9),
        "repeat_sd": noise.repeat_sd,
    }


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


def _common_slope(
    group: pd.DataFrame, x: np.ndarray, noise_sd: float, rounds: int = 20
) -> tuple[float, float]:
    """Return the slope shared by a group's tracks and its standard error.

    Within-track least squares (each track has its own level) on the quiet readings, chosen again
    after each fit until the slope stands still.
    """
    signal = group["signal"].to_numpy(float)
    codes, tracks = pd.factorize(group["track"])
    slope, error = 0.0, np.inf
    for _ in range(rounds):
        flat = signal - slope * x
        quiet = np.zeros(signal.size, dtype=bool)
        for code in range(len(tracks)):
            mine = codes == code
            quiet[mine] = quiet_readings(flat[mine], noise_sd)[0]
        count = np.maximum(np.bincount(codes[quiet], minlength=len(tracks)), 1)
        mean_x = np.bincount(codes[quiet], x[quiet], len(tracks)) / count
        mean_s = np.bincount(codes[quiet], signal[quiet], len(tracks)) / count
        dx = x[quiet] - mean_x[codes[quiet]]
        power = float(np.sum(dx**2))
        if power <= 0:
            return 0.0, np.inf
        new = float(np.sum(dx * (signal[quiet] - mean_s[codes[quiet]])) / power)
        error = noise_sd / np.sqrt(power)
        if abs(new - slope) < 1e-3 * error:
            return new, error
        slope = new
    return slope, error


def remove_drift(readings: pd.DataFrame) -> tuple[pd.DataFrame, StepRecord]:
    """Take out a steady creep of the meter: one slope a dive, or a track where no time is logged.

    Model within a dive: ``signal = level of its track + slope * time + metal + noise``, fitted to
    the quiet readings only; without ``time_s`` the way swum stands in for time and every track
    gets a slope of its own. A slope under two standard errors is left alone.

    Parameters
    ----------
    readings : DataFrame
        From :func:`prepare` or an earlier step.

    Returns
    -------
    readings, record

    Notes
    -----
    Limit: a straight line a dive. What bends within a dive is taken up by the track levels.
    """
    noise_sd = estimate_noise(readings).sd
    used = readings[readings["used"]]
    timed = bool(used["time_s"].notna().all()) and len(used) > 0
    out = readings.copy()
    slopes: list[float] = []
    changed = 0
    for _, group in used.groupby("dive" if timed else "track", sort=True):
        backward = (group["direction"] == "back").to_numpy()
        x = (
            group["time_s"].to_numpy(float)
            if timed
            else group["distance_m"].to_numpy(float) * np.where(backward, -1.0, 1.0)
        )
        slope, error = _common_slope(group, x, noise_sd)
        if not abs(slope) > 2.0 * error:
            continue
        slopes.append(slope)
        # about the middle of each track, so that levels stay where they are
        middle = pd.Series(x, group.index).groupby(group["track"]).transform("mean")
        out.loc[group.index, "signal"] -= slope * (x - middle.to_numpy(float))
        changed += len(group)
    unit = "a minute" if timed else "a metre"
    scale = 60.0 if timed else 1.0
    largest = scale * max((abs(s) for s in slopes), default=0.0)
    record = StepRecord(
        "drift",
        {"group": "dive" if timed else "track", "against": "time" if timed else "way swum"},
        changed,
        0,
        quality(readings),
        quality(out),
        f"{len(slopes)} {'dives' if timed else 'tracks'} with a creep that stands out; "
        f"the largest {largest:.3g} signal units {unit}",
    )
    return out, record


def remove_levels(readings: pd.DataFrame) -> tuple[pd.DataFrame, StepRecord]:
    """Bring every track to zero where there is no metal.

    Parameters
    ----------
    readings : DataFrame
        From :func:`prepare` or an earlier step.

    Returns
    -------
    readings, record

    Notes
    -----
    The level is the lower edge of the track's readings (:mod:`detect.readings.baseline`), so an
    anomaly is kept as long as a quarter of its track lies outside it. Where tracks cross, and where
    they only run alongside, all levels are solved for together (:mod:`detect.readings.levelling`).
    """
    levels, crossings, neighbours = tracks_levelled(readings, estimate_noise(readings).sd)
    out = readings.copy()
    shift = out["track"].map(levels).fillna(0.0)
    out["signal"] = out["signal"] - shift
    record = StepRecord(
        "levels",
        {
            "tracks": float(len(levels)),
            "crossings": float(crossings),
            "neighbours": float(neighbours),
        },
        int((shift != 0).sum()),
        0,
        quality(readings),
        quality(out),
        f"{len(levels)} tracks moved to zero; they stood between {levels.min():.3g} and "
        f"{levels.max():.3g} signal units, held together by {crossings} crossings and "
        f"{neighbours} neighbours"
        if len(levels)
        else "no readings to level",
    )
    return out, record


def remove_lag(readings: pd.DataFrame, detector: Detector) -> tuple[pd.DataFrame, StepRecord]:
    """Move readings back to where the coil was when it heard them, where lanes can tell.

    Parameters
    ----------
    readings : DataFrame
        From :func:`prepare` or an earlier step; levels and drift are best taken out before.
    detector : Detector
        Coil, height and air range, for what metal looks like from a lane.

    Returns
    -------
    readings, record
        ``e``, ``n`` and ``distance_m`` moved; left alone where the lag does not stand out.
    """
    found = estimate_lag(readings, detector, estimate_noise(readings).sd)
    out = readings.copy()
    if found.told:
        heading = np.deg2rad(out["heading_deg"].to_numpy(float))
        out["e"] -= found.lag_m * np.sin(heading)
        out["n"] -= found.lag_m * np.cos(heading)
        way = np.where(out["direction"] == "back", -1.0, 1.0)
        out["distance_m"] -= found.lag_m * way
    record = StepRecord(
        "lag",
        {"lag_m": found.lag_m, "sd_m": found.sd_m},
        len(out) if found.told else 0,
        0,
        quality(readings),
        quality(out),
        f"the needle comes {found.why} behind the coil; readings moved back"
        if found.told
        else f"not applied: {found.why}",
    )
    return out, record


def condition(
    readings: pd.DataFrame, steps: Sequence[str], detector: Detector | None
) -> tuple[pd.DataFrame, tuple[StepRecord, ...], Noise]:
    """Run the named steps in the order given; leave off a step that does harm.

    A step is kept unless left-out lanes are predicted worse with it
    (:func:`detect.readings.left_out.judge`); its record says which.

    Parameters
    ----------
    readings : DataFrame
        As loaded.
    steps : sequence of str
        Names out of :data:`STEPS`; empty leaves the signal as typed.
    detector : Detector or None
        For the spike screen and the lag; the other steps do without.

    Returns
    -------
    readings : DataFrame
        With ``raw``, ``signal`` (conditioned), ``used``, ``dropped``.
    records : tuple of StepRecord
    noise : Noise
        Of the conditioned readings.
    """
    out = prepare(readings)
    records: list[StepRecord] = []
    for name in steps:
        new, record = STEPS[name](out, detector)
        if record.changed or record.dropped:
            verdict = judge(out, new, estimate_noise(out).sd)
            record = replace(
                record,
                said=f"{record.said}; {verdict.said}",
                left_out_before=verdict.before,
                left_out_after=verdict.after,
                kept=verdict.keep,
            )
            new = new if verdict.keep else out
        out = new
        records.append(record)
    return out, tuple(records), estimate_noise(out)


#: the steps by the name they have in ``[mapping] conditioning``
STEPS = {
    "spikes": lambda readings, detector: screen_spikes(readings, detector),
    "drift": lambda readings, detector: remove_drift(readings),
    "levels": lambda readings, detector: remove_levels(readings),
    "lag": lambda readings, detector: remove_lag(readings, detector),
}
