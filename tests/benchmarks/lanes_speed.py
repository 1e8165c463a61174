"""What the lanes room costs: coverage of 100,000 readings, the plan of a hectare.

A benchmark, not a test: it prints and never fails. Run: python tests/benchmarks/lanes_speed.py
"""

import os
import platform
import resource
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd
import shapely

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from detect import stages  # noqa: E402
from detect.lanes import coverage  # noqa: E402
from detect.survey import load_survey  # noqa: E402
from detect.survey.grid import Grid  # noqa: E402
from detect.survey.settings import Detector  # noqa: E402

COIL = {
    "coil_diameter_m": 0.28,
    "coil_height_m": 0.10,
    "air_range_m": 0.6,
    "burial_depth_m": 0.25,
    "line_error_m": 0.12,
}
HECTARE = """
[area]
outline = [[0, 0], [100, 0], [100, 100], [0, 100]]
[detector]
coil_diameter_m = 0.28
coil_height_m = 0.10
air_range_m = 0.6
burial_depth_m = 0.25
line_error_m = 0.12
[dives]
bottom_time_min = 40
[mapping]
node_m = 0.5
[lanes]
cross_lanes = 8
"""


def coverage_once(classes: int, wander: bool) -> None:
    """Print time and memory of the coverage of 100,000 readings on 1,000 x 1,000 cells."""
    rng = np.random.default_rng(1)
    along = np.linspace(0, 100, 1000)
    e = np.repeat(np.arange(100) + 0.5, 1000)
    if wander:
        e = e + np.tile(0.2 * np.sin(along / 3.0), 100) + 0.02 * rng.standard_normal(len(e))
    readings = pd.DataFrame(
        {
            "e": e,
            "n": np.tile(along, 100),
            "heading_deg": 0.0,
            "track": np.repeat(np.arange(100), 1000),
        }
    )
    nodes = np.arange(0.05, 100, 0.1)
    targets = {
        name: Detector(**{**COIL, "air_range_m": air_range, "burial_depth_m": depth})
        for name, air_range, depth in (
            ("nail", 0.4, 0.15),
            ("bolt", 0.75, 0.35),
            ("gun", 1.4, 0.9),
        )[:classes]
    }
    wall, used = time.perf_counter(), time.process_time()
    cover = coverage(
        readings, Detector(**COIL), Grid(nodes, nodes, 0.1), listened_m=1.05, targets=targets
    )
    wall, used = time.perf_counter() - wall, time.process_time() - used
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    how = "wandering tracks" if wander else "straight lanes"
    print(
        f"coverage, {how}, reference and {classes} classes: {wall:.2f} s, {used:.2f} s of CPU, "
        f"peak {memory:.0f} MB, mean POD {float(cover['pod'].mean()):.3f}"
    )


def plan_once(folder: str) -> None:
    """Print time and memory of the plan of 100 x 100 m with ten keep-outs."""
    keep_outs = ", ".join(
        f"{{name = 'rock {k}', polygon = {shapely.get_coordinates(rock)[:-1].tolist()}}}"
        for k, rock in enumerate(
            shapely.box(10 * k + 1, (37 * k) % 90 + 2, 10 * k + 7, (37 * k) % 90 + 8)
            for k in range(10)
        )
    )
    text = HECTARE.replace("[detector]", f"keep_out = [{keep_outs}]\n[detector]", 1)
    Path(folder, "survey.toml").write_text(text, encoding="utf-8")
    survey = load_survey(folder, needs=("detector", "dives"))
    wall, used = time.perf_counter(), time.process_time()
    result = stages.plan(survey)
    wall, used = time.perf_counter() - wall, time.process_time() - used
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"plan of 100 x 100 m, ten keep-outs: {wall:.2f} s, {used:.2f} s of CPU, peak {memory:.0f} "
        f"MB; {len(result.lanes)} lanes, {result.dives['dive'].nunique()} dives, "
        f"{len(result.stations)} stations, {len(result.choices)} spacings to choose from"
    )


def main() -> None:
    """Print each figure from a process of its own, so that peaks of memory are its own."""
    import tempfile

    if len(sys.argv) > 1:
        what, *rest = sys.argv[1:]
        if what == "plan":
            with tempfile.TemporaryDirectory() as folder:
                plan_once(folder)
        else:
            coverage_once(int(rest[0]), rest[1] == "wander")
        return
    print(f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}")
    for arguments in (
        ("coverage", "0", "straight"),
        ("coverage", "3", "straight"),
        ("coverage", "3", "wander"),
        ("plan",),
    ):
        subprocess.run([sys.executable, __file__, *arguments], check=True)


if __name__ == "__main__":
    main()
