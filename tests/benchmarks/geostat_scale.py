"""How kriging grows: twice the readings at a fixed neighbourhood, and a very large survey.

Run: python tests/benchmarks/geostat_scale.py. Prints; asked: at most 2.3 times for twice the
readings, and 200,000 readings to 4 million nodes within 1.5 GB (peak of the whole process).
"""

from __future__ import annotations

import resource
import time

import numpy as np
from geostat_peers import nodes, swum

from detect.geostat import Kriging, Variogram

MODEL = Variogram("spherical", 0.1, 0.9, 6.0)


def timed(lanes: int, per_lane: int, count: int, step: float) -> tuple[float, float]:
    """Seconds by the clock and of the processor for one map, readings in memory to map."""
    points, values = swum(lanes, per_lane, 2.5, 0.3125)
    targets = nodes(count, step)
    begun, spent = time.perf_counter(), time.process_time()
    estimate, _ = Kriging(points, values, MODEL, neighbours=32).at(targets)
    assert np.isfinite(estimate).all()
    return time.perf_counter() - begun, time.process_time() - spent


def main() -> None:
    """Print growth and the large survey."""
    timed(10, 100, 20, 1.0)  # compiles, or reads what was compiled
    sizes = (35, 50, 71, 100)
    before, first = None, 0.0
    for lanes in sizes:  # square surveys, as many nodes a reading each time
        runs = [timed(lanes, 8 * lanes, 10 * lanes, 0.25) for _ in range(3)]
        clock, processor = (min(r[i] for r in runs) for i in (0, 1))
        growth = "" if before is None else f", {processor / before:.2f} times the one before"
        print(f"{8 * lanes**2:>7} readings: {clock:.2f} s, processor {processor:.2f} s{growth}")
        before, first = processor, first or processor
    # single steps scatter with the machine: the whole range tells
    doublings = 2.0 * np.log2(sizes[-1] / sizes[0])
    print(f"over all of them {(before / first) ** (1.0 / doublings):.2f} times a doubling")
    clock, processor = timed(158, 1266, 2000, 0.198)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"{158 * 1266} readings to {2000**2} nodes: {clock:.1f} s, processor {processor:.1f} s, "
        f"peak of the process {peak:.0f} MB"
    )


if __name__ == "__main__":
    main()
