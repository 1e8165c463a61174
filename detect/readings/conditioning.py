"""From raw readings to readings that hold metal and noise only: named steps, each recorded.

Each step is a pure function from a readings frame to a new one and a record of what it did
(:class:`detect.readings.steps.StepRecord`). The raw value stays beside the conditioned one; a
reading that is left out says why.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from detect.readings.baseline import quiet_readings
from detect.readings.lag import USUAL_M, USUAL_SD_M, estimate_lag
from detect.readings.left_out import Verdict, judge
from detect.readings.levelling import tracks_levelled
from detect.readings.lifted import lifted_by_metal
from detect.readings.noise import Noise, estimate_noise
from detect.readings.silence import hear_silence
from detect.readings.spikes import screen_spikes
from detect.readings.steps import StepRecord, prepare, quality
from detect.readings.trend import remove_trend
from detect.survey.settings import Detector


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
    unit, noun = ("a minute", "dive") if timed else ("a metre", "track")
    scale = 60.0 if timed else 1.0
    largest = scale * max((abs(s) for s in slopes), default=0.0)
    record = StepRecord(
        "drift",
        {"group": "dive" if timed else "track", "against": "time" if timed else "way swum"},
        changed,
        0,
        quality(readings),
        quality(out),
        f"{len(slopes)} {noun}{'' if len(slopes) == 1 else 's'} with a creep that stands out; "
        f"the largest {largest:.3g} signal units {unit}"
        if slopes
        else f"no {noun} with a creep that stands out",
    )
    return out, record


def remove_levels(
    readings: pd.DataFrame, detector: Detector | None
) -> tuple[pd.DataFrame, StepRecord]:
    """Bring every track to zero where there is no metal.

    Parameters
    ----------
    readings : DataFrame
        From :func:`prepare` or an earlier step.
    detector : Detector or None
        Coil, height and air range, for what metal adds; None leaves that in.

    Returns
    -------
    readings, record

    Notes
    -----
    The level is the lower edge of the track's readings (:mod:`detect.readings.baseline`), so an
    anomaly is kept as long as a quarter of its track lies outside it. Where tracks cross, and where
    they only run alongside, all levels are solved for together (:mod:`detect.readings.levelling`).
    Then metal is explained where it is loud, and what is left over says how far metal had lifted
    each level (:mod:`detect.readings.lifted`).
    """
    noise_sd = estimate_noise(readings).sd
    levels, crossings, neighbours = tracks_levelled(readings, noise_sd)

    def levelled(by: pd.Series) -> pd.Series:
        return readings["signal"] - readings["track"].map(by).fillna(0.0)

    if detector is not None:
        level_first = readings.assign(signal=levelled(levels))
        levels = levels + lifted_by_metal(level_first, detector, noise_sd)
    out = readings.assign(signal=levelled(levels))
    record = StepRecord(
        "levels",
        {
            "tracks": float(len(levels)),
            "crossings": float(crossings),
            "neighbours": float(neighbours),
        },
        int((out["signal"] != readings["signal"]).sum()),
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


def remove_lag(
    readings: pd.DataFrame, detector: Detector, silent_noise: Noise | None = None
) -> tuple[pd.DataFrame, StepRecord]:
    """Move readings back to where the coil was when it heard them, where lanes can tell.

    Parameters
    ----------
    readings : DataFrame
        From :func:`prepare` or an earlier step; levels and drift are best taken out before.
    detector : Detector
        Coil, height and air range, for what metal looks like from a lane.
    silent_noise : Noise, optional
        Of a meter that speaks only at metal.

    Returns
    -------
    readings, record
        ``e``, ``n`` and ``distance_m`` moved; left alone where the lag does not stand out.
    """
    noise = estimate_noise(readings) if silent_noise is None else silent_noise
    found = estimate_lag(readings, detector, noise.sd)
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
        quality(readings, silent_noise),
        quality(out, silent_noise),
        f"the needle comes late by {found.why}" if found.told else f"not applied: {found.why}",
    )
    return out, record


def along_in_doubt_m(steps: Sequence[StepRecord]) -> float:
    """Return how far readings may still lie off along their lanes for a lag, 1 sigma, m.

    That is what the estimate leaves open where readings were moved back; where they were not, the
    lag itself counts as well, and what is usual where nothing was told. 0 without a step ``lag``.

    Parameters
    ----------
    steps : sequence of StepRecord
        From `condition`.
    """
    for record in steps:
        if record.step == "lag":
            lag, sd = float(record.parameters["lag_m"]), float(record.parameters["sd_m"])
            if not np.isfinite(sd):
                return float(np.hypot(USUAL_M, USUAL_SD_M))
            moved = record.kept and record.changed > 0
            return sd if moved else float(np.hypot(lag, sd))
    return 0.0


def _judged(record: StepRecord, verdict: Verdict) -> StepRecord:
    """Return the record of a step with its verdict; one that did harm was left off."""
    judged = replace(
        record,
        left_out_before=verdict.before,
        left_out_after=verdict.after,
        kept=verdict.keep,
    )
    if verdict.keep:
        return replace(judged, said=f"{record.said}; {verdict.said}")
    said = f"{verdict.said} (as tried: {record.said})"
    return replace(judged, changed=0, dropped=0, after=record.before, said=said)


def condition(
    readings: pd.DataFrame, steps: Sequence[str], detector: Detector | None
) -> tuple[pd.DataFrame, tuple[StepRecord, ...], Noise]:
    """Run the named steps in the order given; leave off a step that does harm.

    A step is kept unless left-out lanes are predicted worse with it
    (:func:`detect.readings.left_out.judge`); its record says which. Of a meter that speaks only at
    metal (:mod:`detect.readings.silence`) the silence is brought to 0, and the steps that need to
    hear the ground are left off.

    Parameters
    ----------
    readings : DataFrame
        As loaded.
    steps : sequence of str
        Names out of :data:`STEPS`; empty leaves the signal as typed, but for a silence above 0.
    detector : Detector or None
        For the spike screen and the lag; the other steps do without.

    Returns
    -------
    readings : DataFrame
        With ``raw``, ``signal`` (conditioned), ``used``, ``dropped``, ``silent``.
    records : tuple of StepRecord
    noise : Noise
        Of the conditioned readings; NaN where a meter that speaks only at metal heard none.
    """
    out, known = hear_silence(prepare(readings), detector)
    records: list[StepRecord] = []
    for name in steps:
        new, record = (
            STEPS[name](out, detector) if known is None else _in_silence(name, out, detector, known)
        )
        if record.changed or record.dropped:
            # a trend lifts whole sides of the site, where loudness tells little apart
            ground = out["signal"] - new["signal"] if name == "trend" else None
            verdict = judge(out, new, (known or estimate_noise(out)).sd, ground)
            record = _judged(record, verdict)
            new = new if verdict.keep else out
        out = new
        records.append(record)
    return out, tuple(records), known or estimate_noise(out)


def _in_silence(
    name: str, readings: pd.DataFrame, detector: Detector | None, noise: Noise
) -> tuple[pd.DataFrame, StepRecord]:
    """Run a step on the readings of a meter that speaks only at metal, or say why it is left off.

    The lag is told from the metal. Trend, drift and levels are told from readings without metal,
    and so is a spike: silent neighbours may have heard anything up to the threshold, which a nail
    could have made as well.
    """
    if name == "lag" and detector is not None and np.isfinite(noise.sd):
        return remove_lag(readings, detector, noise)
    as_it_was = quality(readings, noise)
    why = f"not applied: {LEFT_OFF[name]}"
    return readings, StepRecord(name, {}, 0, 0, as_it_was, as_it_was, why, kept=False)


_NO_GROUND = "the meter spoke only at metal, and shows none of it where it was silent"
#: why a step is left off where the meter speaks only at metal
LEFT_OFF = {
    "spikes": "beside silent readings a single loud one may be a nail, so none is left out",
    "trend": _NO_GROUND,
    "drift": _NO_GROUND,
    "levels": _NO_GROUND,
    "lag": "nothing was heard that could tell it",
}

#: the steps by the name they have in ``[mapping] conditioning``
STEPS = {
    "spikes": lambda readings, detector: screen_spikes(readings, detector),
    "trend": lambda readings, detector: remove_trend(readings),
    "drift": lambda readings, detector: remove_drift(readings),
    "levels": lambda readings, detector: remove_levels(readings, detector),
    "lag": lambda readings, detector: remove_lag(readings, detector),
}
