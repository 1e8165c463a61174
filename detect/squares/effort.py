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


@dataclass(frozen=True)
class CostInterval:
    """What opening some squares may come to, the depth of the sediment not being known for sure.

    Attributes
    ----------
    hours_p05, hours_p95 : float
        5 and 95 % quantiles of their dive hours.
    sediment_p05_m3, sediment_p95_m3 : float
        Of their sediment.
    overrun : float
        Share of the draws in which they take more than the hours there are.
    """

    hours_p05: float
    hours_p95: float
    sediment_p05_m3: float
    sediment_p95_m3: float
    overrun: float


def cost_interval(
    overburden_m: NDArray[np.float64], size_m: float, rates: EffortRates, budget_h: float
) -> CostInterval:
    """Return the interval of hours and sediment over all of some squares together.

    Parameters
    ----------
    overburden_m : (R, P) array
        Joint draws of the squares' overburden: what is deeper than thought in one may be so in the
        next.
    size_m : float
    rates : EffortRates
    budget_h : float

    Returns
    -------
    CostInterval
    """
    volume = sediment_volume(size_m, overburden_m)
    hours, sediment = rates.hours(volume).sum(axis=1), volume.sum(axis=1)
    hours_low, hours_high = np.quantile(hours, [0.05, 0.95]).tolist()
    low, high = np.quantile(sediment, [0.05, 0.95]).tolist()
    return CostInterval(hours_low, hours_high, low, high, float((hours > budget_h).mean()))
