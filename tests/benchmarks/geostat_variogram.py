"""Task F: the sample variogram of 20,000 readings on swum lanes, lags to 20 m, against peers.

Each in a process of its own: median seconds of three calls after a first one (told apart), and peak
memory above what its imports take. A benchmark, not a test: it prints. A peer that is not installed
is left out. Run: python tests/benchmarks/geostat_variogram.py [readings]
"""

import argparse
import json
import os
import platform
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

CUTOFF, WIDTH = 20.0, 1.0
#: A first call that takes longer than this is not repeated; a library is given ten times as long.
PATIENCE = 15.0
EDGES = np.arange(0.0, CUTOFF + WIDTH / 2, WIDTH)


def data(count: int) -> tuple[np.ndarray, np.ndarray]:
    """Lanes 1 m apart with a reading every quarter of a metre, in a square."""
    rng = np.random.default_rng(0)
    side = np.sqrt(count / 4.0)
    n, e = np.meshgrid(np.arange(0, side + 1, 0.25), np.arange(0, side + 1, 1.0))
    points = np.column_stack([e.ravel(), n.ravel()])[:count]
    points += rng.normal(0, 0.05, points.shape)
    values = np.sin(points[:, 0] / 3) + np.cos(points[:, 1] / 5) + rng.normal(0, 0.3, len(points))
    return points, values


def detect_room():
    """Prepare this tool's variogram."""
    from detect.geostat import experimental_variogram, pair_kernels  # noqa: F401

    def run(points, values):
        frame = experimental_variogram(points, values, width_m=WIDTH, cutoff_m=CUTOFF)
        return frame.pairs.to_numpy(), frame.semivariance.to_numpy()

    return run


def detect_dowd():
    """Prepare this tool's variogram by medians."""
    from detect.geostat import experimental_variogram, pair_kernels  # noqa: F401

    def run(points, values):
        frame = experimental_variogram(
            points, values, width_m=WIDTH, cutoff_m=CUTOFF, estimator="dowd"
        )
        return frame.pairs.to_numpy(), None

    return run


def gstools_room():
    """Prepare GSTools."""
    import gstools

    def run(points, values):
        _, gamma, pairs = gstools.vario_estimate(points.T, values, EDGES, return_counts=True)
        return pairs, gamma

    return run


def skgstat_room():
    """Prepare scikit-gstat, with distances past the cutoff left out."""
    import skgstat

    def run(points, values):
        space = skgstat.MetricSpace(points, max_dist=CUTOFF)
        v = skgstat.Variogram(space, values, bin_func=EDGES[1:], maxlag=CUTOFF, fit_method=None)
        return v.bin_count, v.experimental

    return run


def gstlearn_room():
    """Prepare gstlearn."""
    import gstlearn as gl

    def run(points, values):
        db = gl.Db.createFromSamples(
            len(points), gl.ELoadBy.COLUMN, np.r_[points[:, 0], points[:, 1], values]
        )
        db.setLocators(["New.1", "New.2"], gl.ELoc.X)
        db.setLocator("New.3", gl.ELoc.Z)
        lags = gl.VarioParam.createOmniDirection(len(EDGES) - 1, WIDTH, 0.5, 0.0)
        vario = gl.Vario.create(lags)
        vario.compute(db)
        return np.asarray(vario.getSwVec(0, 0, 0)), np.asarray(vario.getGgVec(0, 0, 0))

    return run


ROOMS = {
    "detect": detect_room,
    "detect, Dowd": detect_dowd,
    "GSTools": gstools_room,
    "scikit-gstat": skgstat_room,
    "gstlearn": gstlearn_room,
}

R_CODE = """
suppressPackageStartupMessages({library(sp); library(gstat)})
d <- read.csv("data.csv"); coordinates(d) <- ~ e + n
if (RUN) for (k in 1:3) cat(system.time(
  v <- variogram(z ~ 1, d, cutoff = 20, width = 1))[["elapsed"]], "")
if (RUN) cat(sum(v$np))
"""


def child(name: str, count: int) -> None:
    """Time one library here and print a line of JSON."""
    points, values = data(count)
    run = ROOMS[name]()
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    begun = time.perf_counter()
    pairs, gamma = run(points, values)
    first = time.perf_counter() - begun
    seconds = [] if first < PATIENCE else [first]
    for _ in range(0 if seconds else 3):
        begun = time.perf_counter()
        run(points, values)
        seconds.append(time.perf_counter() - begun)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(
        json.dumps(
            {
                "seconds": statistics.median(seconds),
                "first": first,
                "memory_mb": (peak - before) / 1024.0,
                "pairs": float(np.sum(pairs)),
                "gamma": None if gamma is None else [float(g) for g in gamma[:3]],
            }
        )
    )


def gstat(count: int) -> dict[str, float] | None:
    """Time the R package gstat (one thread), reading the same numbers from a file."""
    if shutil.which("Rscript") is None:
        return None
    points, values = data(count)
    with tempfile.TemporaryDirectory() as folder:
        table = np.column_stack([points, values])
        path = Path(folder) / "data.csv"
        np.savetxt(path, table, delimiter=",", header="e,n,z", comments="", fmt="%.17g")
        peaks, text = [], ""
        for run in ("FALSE", "TRUE"):
            process = subprocess.Popen(
                ["Rscript", "-e", R_CODE.replace("RUN", run)],
                cwd=folder,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                text=True,
            )
            text = process.stdout.read() if process.stdout else ""
            _, status, usage = os.wait4(process.pid, 0)
            if status != 0:
                return None
            peaks.append(usage.ru_maxrss)
    *seconds, pairs = (float(t) for t in text.split())
    return {
        "seconds": statistics.median(seconds),
        "first": seconds[0],
        "memory_mb": (peaks[1] - peaks[0]) / 1024.0,
        "pairs": pairs,
    }


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("readings", nargs="?", type=int, default=20_000)
    parser.add_argument("--one", choices=list(ROOMS), help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.one:
        child(given.one, given.readings)
        return
    print(f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}")
    print(f"{given.readings} readings, lags to {CUTOFF:g} m in bins of {WIDTH:g} m")
    rows: dict[str, dict[str, float]] = {}
    for name in ROOMS:
        command = [sys.executable, __file__, str(given.readings), "--one", name]
        try:
            done = subprocess.run(command, capture_output=True, text=True, timeout=10 * PATIENCE)
        except subprocess.TimeoutExpired:
            print(f"{name}: not done in {10 * PATIENCE:g} s", flush=True)
            continue
        if done.returncode == 0:
            rows[name] = json.loads(done.stdout.splitlines()[-1])
        else:
            reason = (done.stderr.strip().splitlines() or ["killed"])[-1]
            print(f"{name}: left out, {reason}", flush=True)
    r = gstat(given.readings)
    if r is not None:
        rows["gstat (R, one thread)"] = r
    mine = rows["detect"]["seconds"]
    print(f"{'':<24}{'seconds':>9}{'first':>9}{'times':>8}{'MB':>8}{'pairs':>14}")
    for name, row in rows.items():
        print(
            f"{name:<24}{row['seconds']:>9.3f}{row['first']:>9.2f}{row['seconds'] / mine:>8.1f}"
            f"{row['memory_mb']:>8.0f}{row['pairs']:>14.0f}"
        )


if __name__ == "__main__":
    main()
