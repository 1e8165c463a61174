"""The first use after an install: compiled loops are made ready aside."""

from __future__ import annotations

from pathlib import Path

import numpy as np


def compiled_before() -> bool:
    """Whether the kriging loops' machine code stands where numba keeps it, unless told not to."""
    kept = Path(__file__).parent / "__pycache__"
    return next(kept.glob("kernels.leave_out_tiles-*.nbi"), None) is not None


def compile_kernels() -> None:
    """Have machine code of the kriging loops on disk; at once where it is there already.

    A handful of readings is mapped. Compiling takes seconds and a hundred megabytes: in a process
    of its own it costs the one that maps neither.
    """
    if compiled_before():
        return
    from detect.geostat.kriging import Kriging
    from detect.geostat.variogram import Variogram

    rng = np.random.default_rng(0)
    points = rng.uniform(0.0, 10.0, (60, 2))
    values = rng.normal(size=60)
    few = Kriging(points, values, Variogram("exponential"), 0.1, neighbours=8)
    few.at(points[:9] + 0.1)
    few.weights(points[:1])
    few.leave_one_out()
