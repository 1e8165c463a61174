"""How far apart lanes may lie: the widest spacing that keeps the promise at its worst point."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.optimize import brentq

from detect.lanes.carriage import one_look
from detect.lanes.depths import deepest_detectable
from detect.lanes.field import FloatArray
from detect.lanes.footprint import Look, footprint
from detect.lanes.lateral import LateralCurve, lateral_curve, pass_table
from detect.lanes.search import lane_pod

if TYPE_CHECKING:
    from detect.survey.settings import Detector

# Offsets between a lane and half way to the next at which the probability is looked at.
_OFFSETS = 65
# Closer lanes than this are no plan for a diver; the search for a spacing gives up here.
_NARROWEST_M = 1e-3


@dataclass(frozen=True)
class Spacing:
    """A lane spacing and what it promises.

    Attributes
    ----------
    spacing_m : float
        Distance between lanes, m.
    worst_pod, mean_pod : float
        Probability of detection at the worst offset between lanes, and averaged over offsets.
    sweep_width_m : float
        Integral of the lateral range curve, m.
    coverage_factor : float
        Sweep width over spacing.
    footprint_m : float
        Half-width within which the mean signal reaches the threshold, m.
    reachable : bool
        Whether ``required_pod`` can be met at ``burial_depth_m`` at all. If not, ``spacing_m`` is
        one coil diameter (lanes edge to edge: closer is only repetition) plus the swing, and
        ``worst_pod`` says what that gives.
    deepest_m : float
        Burial depth at which ``required_pod`` is just met right under the coil, m; negative if
        the coil rides too high even for a target on the bed.
    """

    spacing_m: float
    worst_pod: float
    mean_pod: float
    sweep_width_m: float
    coverage_factor: float
    footprint_m: float
    reachable: bool
    deepest_m: float


def widest_spacing(detector: Detector) -> Spacing:
    """Return the widest lane spacing whose worst point still meets ``required_pod``.

    Parameters
    ----------
    detector : Detector
        The coil as in ``survey.toml``; the target lies at ``burial_depth_m``.

    Returns
    -------
    Spacing
        ``reachable`` is False where the coil, right over the target, does not meet
        ``required_pod`` in one look. Repeated passes would raise the product of an independent
        model without bound, but what hides a target from a look straight down (depth, soil) is
        the same on the next pass; such a promise is not made.

    Raises
    ------
    ValueError
        If the detector's numbers are out of range.

    Notes
    -----
    All lanes count, not only the two next to the target (`lane_pod`). The worst point only gets
    worse as lanes move apart: scaled down, each lane is nearer to the scaled point, and the
    lateral range curve falls outwards. So there is one root; it is bracketed by a scan and found
    by Brent's method.
    """
    look = Look.of(detector)
    curve = lateral_curve(look)
    required = float(detector.required_pod)
    deepest = deepest_detectable(detector)
    under_coil = float(one_look(look, 0.0))
    spacing = _widest(curve, required, look) if under_coil >= required else None
    reachable = spacing is not None
    if spacing is None:
        spacing = 2.0 * (look.radius_m + look.sweep_half_width_m)
    worst, mean = worst_and_mean(curve, spacing)
    return Spacing(
        spacing_m=spacing,
        worst_pod=worst,
        mean_pod=mean,
        sweep_width_m=curve.sweep_width_m,
        coverage_factor=curve.sweep_width_m / spacing,
        footprint_m=footprint(detector),
        reachable=reachable,
        deepest_m=deepest,
    )


def spacing_table(detector: Detector, spacings: Iterable[float] | None = None) -> pd.DataFrame:
    """Return what each of a range of lane spacings promises, for the team to choose from.

    Parameters
    ----------
    detector : Detector
        The coil as in ``survey.toml``.
    spacings : iterable of float, optional
        Lane spacings, m; default round figures from half the widest spacing to three times it.

    Returns
    -------
    pandas.DataFrame
        Columns ``spacing_m``, ``worst_pod``, ``mean_pod``, ``coverage_factor``; ascending.
    """
    curve = lateral_curve(Look.of(detector))
    if spacings is None:
        spacings = _round_figures(widest_spacing(detector).spacing_m)
    rows = []
    for spacing in sorted(float(s) for s in spacings):
        worst, mean = worst_and_mean(curve, spacing)
        rows.append((spacing, worst, mean, curve.sweep_width_m / spacing))
    return pd.DataFrame(rows, columns=["spacing_m", "worst_pod", "mean_pod", "coverage_factor"])


def reading_interval(detector: Detector, spacing_m: float, loss: float = 0.01) -> float:
    """Return how far apart readings along a lane may lie before the promise suffers.

    Parameters
    ----------
    detector : Detector
        The coil as in ``survey.toml``.
    spacing_m : float
        Distance between lanes, m.
    loss : float
        What the worst point, midway between lanes and midway between readings, may lose of the
        POD of a lane listened to all along.

    Returns
    -------
    float
        Distance between readings, m.

    Notes
    -----
    Held against the worst offset of `lane_pod` with the pass table of the coverage check, so
    that readings this close do not show as gaps there.
    """
    look = Look.of(detector)
    table = pass_table(look)
    offsets = np.linspace(0.0, 0.5 * spacing_m, _OFFSETS)

    def worst(interval: float) -> float:
        def curve(offset: FloatArray) -> FloatArray:
            return table(np.full(offset.shape, 0.5 * interval), offset)

        return float(lane_pod(curve, spacing_m, offsets, lanes_each_side=50).min())

    wanted = worst(0.0) - loss
    high = 2.0 * table.ahead_end_m
    if worst(high) >= wanted:
        return high
    return float(brentq(lambda interval: worst(interval) - wanted, 0.0, high, xtol=1e-6))


def _pods(curve: LateralCurve, spacing: float) -> FloatArray:
    """Return the probability at even offsets from a lane to half way to the next."""
    # As many lanes singly as the curve reaches, within reason; `lane_pod` adds the rest.
    lanes = int(np.clip(np.ceil(curve.end_m / spacing) + 1, 2, 200))
    return lane_pod(
        curve, spacing, np.linspace(0.0, 0.5 * spacing, _OFFSETS), lanes_each_side=lanes
    )


def worst_and_mean(curve: LateralCurve, spacing: float) -> tuple[float, float]:
    """Return the POD at the worst offset between lanes ``spacing`` apart, and the mean over all."""
    pods = _pods(curve, spacing)
    # Even and periodic, so the trapezoidal rule is as good as any.
    mean = (pods.sum() - 0.5 * (pods[0] + pods[-1])) / (_OFFSETS - 1)
    return float(pods.min()), float(mean)


def _widest(curve: LateralCurve, required: float, look: Look) -> float | None:
    def excess(spacing: float) -> float:
        return float(_pods(curve, spacing).min()) - required

    # Down from a spacing that surely fails until one holds; then Brent between the two.
    high = 2.0 * curve.end_m
    low = high
    while excess(low) < 0.0:
        high, low = low, 0.8 * low
        if low < _NARROWEST_M:
            return None
    return float(brentq(excess, low, high, xtol=1e-9))


def _round_figures(spacing: float) -> FloatArray:
    """Return about twelve spacings in steps of 1, 2 or 5 times a power of ten around one."""
    raw = 2.5 * spacing / 12
    power = 10.0 ** np.floor(np.log10(raw))
    step = float(power * min((1, 2, 5, 10), key=lambda m: abs(np.log(m * power / raw))))
    first = max(1, int(np.ceil(0.5 * spacing / step - 1e-9)))
    last = max(first + 1, int(np.floor(3.0 * spacing / step + 1e-9)))
    return np.round(step * np.arange(first, last + 1), 9)
