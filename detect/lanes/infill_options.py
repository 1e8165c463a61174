"""Ways to swim one gap again: bearings, each with more lanes or fewer."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from detect.lanes.strips import clear_of, lay_strips, turned, turned_back

USEFUL_M = 1.0
"""An infill lane shorter than this costs more to find than a search by hand (no source)."""
SAME = 1e-9
"""Lengths and hazards closer than this are the same."""

_BEARING_STEP_DEG = 30.0
# How many lanes fewer than full density are tried.
_FEWER = 2


@dataclass(frozen=True)
class Infill:
    """A lane to swim again: the gaps it is for, its ends, its bearing, and what it stands for."""

    gap: str
    ends: tuple[float, float, float, float]
    bearing: float
    instead_of: str = ""

    @property
    def length_m(self) -> float:
        """Length, m."""
        return float(np.hypot(self.ends[2] - self.ends[0], self.ends[3] - self.ends[1]))


@dataclass(frozen=True)
class Option:
    """A way to swim a gap: its lanes, what they cost, and whether they lie at full density."""

    cost: tuple[float, float]
    lanes: list[Infill]
    full: bool


def infill_options(
    shape: BaseGeometry,
    gap: str,
    spacing: float,
    bearing_deg: float | None,
    barred: BaseGeometry | None,
    turn_cost: float,
) -> list[Option]:
    """Return ways to swim one gap: some bearings, each at full density and with fewer lanes.

    A gap has been half looked at from its edges, so fewer lanes than a fresh area needs may do.
    """
    if bearing_deg is None:
        # Along and across the narrowest box around the gap, and a few bearings between.
        corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(shape))
        sides = np.diff(corners, axis=0)[:2]
        boxed = np.degrees(np.arctan2(sides[:, 0], sides[:, 1])) % 180.0
        fan = np.arange(0.0, 180.0, _BEARING_STEP_DEG)
        bearings = [float(b) for b in np.unique(np.round(np.concatenate([boxed, fan]), 6) % 180.0)]
    else:
        bearings = [bearing_deg % 360.0]
    options = []
    for bearing in bearings:
        low, _, high, _ = turned(shape, bearing).bounds
        most = max(1, int(np.ceil((high - low) / spacing - SAME)))
        for count in range(max(1, most - _FEWER), most + 1):
            apart = (high - low) / count * (1.0 + SAME)
            lanes = _lanes_over(shape, gap, apart, bearing, barred, turn_cost)
            if lanes:
                cost = round(sum(lane.length_m + turn_cost for lane in lanes), 6)
                options.append(Option((cost, bearing), lanes, count == most))
    return options


def _lanes_over(
    shape: BaseGeometry,
    gap: str,
    spacing: float,
    bearing: float,
    barred: BaseGeometry | None,
    turn_cost: float,
) -> list[Infill]:
    pieces, _ = lay_strips(shape, spacing, bearing, keep_out=barred, swim_through_m=turn_cost)
    turned_barred = turned(barred, bearing) if barred is not None else None
    lanes = []
    for piece in pieces:
        start, end = piece.start_m, piece.end_m
        if piece.length_m < USEFUL_M:
            # A spot: a stretch long enough to swim, its middle on the spot.
            middle, half = 0.5 * (start + end), 0.5 * USEFUL_M
            runs = clear_of(turned_barred, piece.across_m, middle - half, middle + half)
            start, end = next((run for run in runs if run[0] <= middle <= run[1]), (start, end))
            if end - start < USEFUL_M - SAME:
                continue
        e0, n0 = turned_back(piece.across_m, start, bearing)
        e1, n1 = turned_back(piece.across_m, end, bearing)
        ends = (round(e0, 4) + 0.0, round(n0, 4) + 0.0, round(e1, 4) + 0.0, round(n1, 4) + 0.0)
        lanes.append(Infill(gap, ends, bearing))
    return lanes
