"""Invented buried sites, swum by clumsy divers: the truth, and the readings as they are loaded.

Everything that a real log carries is put in with a known size: lag of the needle, levels and drift
of the meter, spikes, a full scale, wander off the lane, a lost lane end. The signal is the physics
of :mod:`detect.lanes`: targets small against their distance, |B|^2 of the coil at their place.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.ndimage import gaussian_filter1d

from detect.lanes import response_ratio
from detect.survey.settings import Detector

DETECTOR = Detector(
    coil_diameter_m=0.28,
    coil_height_m=0.12,
    air_range_m=0.75,
    burial_depth_m=0.35,
    line_error_m=0.12,
    threshold_snr=3.5,
    required_pod=0.8,
    signal_unit="mV",
    full_scale=120.0,
)
NOISE = 1.0
WIDTH_M, HEIGHT_M = 30.0, 20.0
LANE_M, STEP_M = 1.0, 0.25
SPIKES = 12
HEIGHT_ERROR_M = 0.015
TAPE_M = 0.02  # error of a taped distance: of the whole lane, and of each reading
SPEED_M_PER_S = 4.0 / 60.0
LANES_A_DIVE = 5


@dataclass(frozen=True)
class BuriedSite:
    """What was buried, what was logged, and the faults that were put in.

    Attributes
    ----------
    truth : DataFrame
        ``e, n, depth_m, strength``.
    readings : DataFrame
        As the survey room loads them.
    lag_m : float
        The needle comes this far behind the coil.
    levels : Series
        By track, signal units.
    coil : DataFrame
        ``e, n, height, baseline``: where the coil was at each reading, m, and what the meter showed
        there of level and drift, signal units; for oracles.
    """

    truth: pd.DataFrame
    readings: pd.DataFrame
    lag_m: float
    levels: pd.Series
    coil: pd.DataFrame


def bury(rng: np.random.Generator) -> pd.DataFrame:
    """Clusters on a wreck's axis and strays; lognormal strengths, depths 0.05 to 0.9 m."""
    start, end = np.array([5.0, 7.0]), np.array([25.0, 13.0])
    along = (end - start) / np.hypot(*(end - start))
    across = np.array([-along[1], along[0]])
    parts = []
    for s in rng.uniform(0.05, 0.95, rng.integers(3, 6)):
        count = int(rng.integers(6, 18))
        centre = start + s * (end - start) + rng.normal(0, 0.8) * across
        spread = (
            rng.normal(0, 1.3, count)[:, None] * along + rng.normal(0, 0.8, count)[:, None] * across
        )
        parts.append(centre + spread)
    parts.append(rng.uniform((0.5, 0.5), (WIDTH_M - 0.5, HEIGHT_M - 0.5), (18, 2)))
    place = np.clip(np.concatenate(parts), 0.2, (WIDTH_M - 0.2, HEIGHT_M - 0.2))
    return pd.DataFrame(
        {
            "e": place[:, 0],
            "n": place[:, 1],
            "depth_m": rng.uniform(0.05, 0.9, len(place)),
            "strength": 1.0 * np.exp(1.0 * rng.standard_normal(len(place))),
        }
    )


def signal_at(truth: pd.DataFrame, e: np.ndarray, n: np.ndarray, height: np.ndarray) -> np.ndarray:
    """Signal without noise of a coil at places and heights above the bed."""
    rho = np.hypot(e[:, None] - truth["e"].to_numpy(), n[:, None] - truth["n"].to_numpy())
    ratio = response_ratio(rho, height[:, None] + truth["depth_m"].to_numpy(), DETECTOR)
    return DETECTOR.threshold_snr * NOISE * (ratio @ truth["strength"].to_numpy())


def wander(rng: np.random.Generator, count: int, sd: float, over_m: float = 1.5) -> np.ndarray:
    """Smooth random walk about the lane with a given standard deviation."""
    steps = over_m / STEP_M
    pad = int(4 * steps)
    rough = gaussian_filter1d(rng.standard_normal(count + 2 * pad), steps)[pad : pad + count]
    return sd * rough * np.sqrt(2 * np.sqrt(np.pi) * steps)


def lanes() -> list[tuple[str, np.ndarray, np.ndarray]]:
    """Name, start and end: lanes up the grid a metre apart, and three across them."""
    up = [
        (f"L{i:02d}", np.array([e, -0.5]), np.array([e, HEIGHT_M + 0.5]))
        for i, e in enumerate(np.arange(0.5, WIDTH_M, LANE_M), start=1)
    ]
    over = [
        (f"X{i}", np.array([-0.5, n]), np.array([WIDTH_M + 0.5, n]))
        for i, n in enumerate((4.0, 10.0, 16.0), start=1)
    ]
    return up + over


def make_site(
    seed: int,
    bury: Callable[[np.random.Generator], pd.DataFrame] = bury,
    ways: list[tuple[str, np.ndarray, np.ndarray]] | None = None,
    lag_m: float | None = None,
) -> BuriedSite:
    """Bury and swim one site; with other metal, lanes or lag if they are given."""
    rng = np.random.default_rng(seed)
    truth = bury(rng)
    lag = float(rng.uniform(0.05, 0.35))
    lag = lag if lag_m is None else lag_m
    full_scale = float(DETECTOR.full_scale or np.inf)
    parts, coils, levels = [], [], {}
    clock, slope, dive = 0.0, 0.0, 0
    lost = int(rng.integers(5, 25))
    for track, (name, start, end) in enumerate(lanes() if ways is None else ways):
        if track % LANES_A_DIVE == 0:
            dive, clock, slope = dive + 1, 300.0, rng.normal(0, 3.0) / 2400.0
        length = float(np.hypot(*(end - start)))
        along = (end - start) / length
        back = track % 2 == 1
        distance = np.arange(0.0, length + 1e-9, STEP_M)
        if track == lost:
            distance = distance[distance <= length - 6.0]
        if back:
            distance = distance[::-1]
        sign = -1.0 if back else 1.0
        coil = distance - sign * lag + rng.normal(0, TAPE_M) + rng.normal(0, TAPE_M, distance.size)
        side = wander(rng, distance.size, DETECTOR.line_error_m)
        e = start[0] + coil * along[0] + side * along[1]
        n = start[1] + coil * along[1] - side * along[0]
        height = np.maximum(
            DETECTOR.coil_height_m + wander(rng, distance.size, HEIGHT_ERROR_M), 0.06
        )
        time = clock + np.cumsum(rng.normal(STEP_M / SPEED_M_PER_S, 0.3, distance.size).clip(1.0))
        clock = float(time[-1]) + 90.0
        levels[track] = float(rng.normal(0, 1.8))
        baseline = levels[track] + slope * (time - time.mean())
        coils.append(pd.DataFrame({"e": e, "n": n, "height": height, "baseline": baseline}))
        signal = signal_at(truth, e, n, height) + baseline
        heading = float(np.rad2deg(np.arctan2(sign * along[0], sign * along[1])) % 360.0)
        parts.append(
            pd.DataFrame(
                {
                    "lane": name,
                    "pass": "1",
                    "direction": "back" if back else "out",
                    "dive": f"D{dive:02d}",
                    "diver": ("A.K.", "J.O.")[dive % 2],
                    "time_s": time,
                    "distance_m": distance,
                    "e": start[0] + distance * along[0],
                    "n": start[1] + distance * along[1],
                    "signal": signal + rng.normal(0, NOISE, distance.size),
                    "heading_deg": heading,
                    "track": track,
                }
            )
        )
    readings = pd.concat(parts, ignore_index=True)
    struck = rng.choice(len(readings), SPIKES, replace=False)
    readings.loc[struck, "signal"] += rng.uniform(60, 300, SPIKES)
    readings["signal"] = readings["signal"].clip(upper=full_scale).round(1)
    readings["at_full_scale"] = readings["signal"] >= full_scale
    readings["row"] = np.arange(len(readings)) + 2
    coil = pd.concat(coils, ignore_index=True)
    return BuriedSite(truth, readings, lag, pd.Series(levels), coil)


def silenced(site: BuriedSite) -> pd.DataFrame:
    """Return the readings of a meter that speaks only at metal: 0 below its threshold.

    Such a meter is balanced by itself, so level and drift are not in it; lag, wander, spikes and
    full scale are.
    """
    raw = site.readings["signal"]
    signal = raw.where(site.readings["at_full_scale"], raw - site.coil["baseline"]).round(1)
    return site.readings.assign(signal=signal.where(signal >= DETECTOR.threshold_snr * NOISE, 0.0))
