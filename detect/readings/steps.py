"""What every conditioning step starts from, and what it leaves on record."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from detect.readings.baseline import track_levels
from detect.readings.noise import Noise, estimate_noise


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


def in_units(record: StepRecord, unit: str) -> StepRecord:
    """Return a record whose sentence has the meter's own unit in it, where that is known."""
    return replace(record, said=record.said.replace("signal units", unit)) if unit else record


def prepare(readings: pd.DataFrame) -> pd.DataFrame:
    """Return the readings with ``raw``, ``used``, ``dropped`` and ``silent`` beside ``signal``."""
    return readings.assign(
        raw=readings["signal"].astype(float), used=True, dropped="", silent=False
    )


def quality(readings: pd.DataFrame, noise: Noise | None = None) -> dict[str, float]:
    """Return the figures every step is judged by (signal units); the noise if it is known."""
    noise = estimate_noise(readings) if noise is None else noise
    levels = track_levels(readings, noise.sd if np.isfinite(noise.sd) else 0.0)
    spread = float(levels.std(ddof=1)) if len(levels) > 1 else 0.0
    return {
        "noise_sd": noise.sd,
        "level_spread": round(spread, 9),
        "repeat_sd": noise.repeat_sd,
    }
