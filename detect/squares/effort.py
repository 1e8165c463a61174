"""What opening a square costs: sediment, and what comes before and after the digging."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class EffortRates:
    """Hours of work on a square, as the director sets them under ``[ranking]``.

    Attributes
    ----------
    removal_m3_per_h : float
        Sediment taken off in an hour.
    setup_h : float
        Setting up the square: frame, dredge, spoil.
    recording_h : float
        Drawing, photographs, finds, levels.
    backfill_m3_per_h : float
        Sediment put back in an hour; 0 where nothing is put back.
    """

    removal_m3_per_h: float
    setup_h: float = 0.0
    recording_h: float = 0.0
    backfill_m3_per_h: float = 0.0

    def hours(self, sediment_m3: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return dive hours for squares under so much sediment, m3."""
        backfill = sediment_m3 / self.backfill_m3_per_h if self.backfill_m3_per_h > 0 else 0.0
        taken = sediment_m3 / self.removal_m3_per_h
        return np.asarray(self.setup_h + taken + self.recording_h + backfill)


def sediment_volume(size_m: float, overburden_m: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return sediment over squares, m3: area times depth, none where the depth is below 0."""
    return size_m**2 * np.clip(overburden_m, 0.0, None)
