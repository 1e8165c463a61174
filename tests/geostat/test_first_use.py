"""What is compiled before the first map is all that the maps of a run use."""

import os
import subprocess
import sys

from detect.geostat.first_use import compiled_before

SCRIPT = """
import numpy as np
from detect.geostat import (
    Kriging, Variogram, elimination, first_use, kernels, search, tile_lattice
)

first_use.compiled_before = lambda: False
first_use.compile_kernels()

def compiled():
    modules = (kernels, search, tile_lattice, elimination)
    loops = [loop for module in modules for loop in vars(module).values()]
    return {(loop.__name__, s) for loop in loops for s in getattr(loop, "signatures", ())}

before = compiled()
points = np.random.default_rng(1).uniform(0, 20, (500, 2))
parts = [Variogram("spherical", 0.1, range_m=3), Variogram("gaussian", range_m=9)]
for drift in ("constant", "linear"):
    kriging = Kriging(
        points, np.sin(points[:, 0]), Variogram.nested(parts), np.full(500, 0.2), 24, drift
    )
    kriging.at(points[:300] + 0.05)
    kriging.blocks(points[:20], 2.0)
    kriging.weights(points[:20])
    kriging.leave_one_out()
    kriging.simulate(points[:50], 3, seed=1)
print(*sorted({name for name, _ in before}))
print(*sorted({name for name, _ in compiled() - before}))
"""


def test_nothing_is_left_to_compile_when_the_maps_are_made() -> None:
    done = subprocess.run([sys.executable, "-c", SCRIPT], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    before, more = done.stdout.splitlines()
    assert {"solve_tiles", "leave_out_tiles", "halve", "covariance_of_means"} <= set(before.split())
    assert more == ""
    assert compiled_before() or "NUMBA_CACHE_DIR" in os.environ
