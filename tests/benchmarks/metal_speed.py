"""How long the inversion of a large site takes, and how much memory: 20,000 readings.

An invented site of 40 x 40 m, lanes half a metre apart with a reading every 8 cm, 300 targets, a
map of 0.25 m and three depths: 76,800 unknowns. The whole of `detect.readings.invert_site`:
operator, choice of the penalty, fit and replicates.

Run: python tests/benchmarks/metal_speed.py
"""

import resource
import time

import numpy as np
import pandas as pd
from buried_sites import DETECTOR, NOISE

from detect.lanes import response_ratio
from detect.readings import invert_site
from detect.survey.grid import Grid

SIDE_M, NODE_M, LANE_M, READINGS, TARGETS = 40.0, 0.25, 0.5, 20_000, 300


def large_site(seed: int = 0) -> pd.DataFrame:
    """Conditioned readings over targets of lognormal strength, 0.05 to 0.9 m down."""
    rng = np.random.default_rng(seed)
    lanes = np.arange(LANE_M / 2, SIDE_M, LANE_M)
    count = READINGS // len(lanes)
    e = np.repeat(lanes, count)
    n = np.tile(np.linspace(0.0, SIDE_M, count), len(lanes))
    signal = rng.normal(0, NOISE, e.size)
    place, depth = rng.uniform(0, SIDE_M, (TARGETS, 2)), rng.uniform(0.05, 0.9, TARGETS)
    strength = np.exp(rng.standard_normal(TARGETS))
    for (te, tn), z, q in zip(place, depth, strength, strict=True):
        ratio = response_ratio(np.hypot(e - te, n - tn), DETECTOR.coil_height_m + z, DETECTOR)
        signal += q * DETECTOR.threshold_snr * NOISE * ratio
    top = float(DETECTOR.full_scale or np.inf)
    return pd.DataFrame(
        {
            "e": e,
            "n": n,
            "signal": signal.clip(max=top),
            "lane": np.repeat(np.arange(len(lanes)), count),
            "used": True,
            "at_full_scale": signal >= top,
        }
    )


def main() -> None:
    """Print seconds, seconds of CPU and peak memory."""
    readings = large_site()
    axis = np.arange(NODE_M / 2, SIDE_M, NODE_M)
    cells = Grid(axis, axis, NODE_M).field(np.zeros((axis.size, axis.size)), "cells", "1", "")
    wall, cpu = time.perf_counter(), time.process_time()
    metal = invert_site(readings, DETECTOR, NOISE, cells, seed=0)
    wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    print(
        f"{len(readings)} readings, {metal.strength.size} cells, {len(metal.depths)} depths, "
        f"{len(metal.replicates)} replicates: {wall:.1f} s, {cpu:.1f} s of CPU, peak {peak:.0f} MB "
        f"(all of Python included); penalty {metal.penalty:g}, strength {metal.strength.sum():.0f}"
    )


if __name__ == "__main__":
    main()
