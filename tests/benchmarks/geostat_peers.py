"""Tasks A to F for one engine, in this process: seconds, peak memory above import, and the answer.

Run by geostat_speed.py, once for each task and engine:
python geostat_peers.py TASK ENGINE REPEATS ANSWER_FILE [SMALL]
"""

from __future__ import annotations

import json
import sys
import threading
import time
from collections.abc import Callable
from typing import Any

import numpy as np

Array = np.ndarray
#: Spherical 6 m for the compact model, exponential 2 m (6 m practical) for any; nugget 0.1, sill 1.
RANGE = {"spherical": 6.0, "exponential": 2.0}


def swum(lanes: int, per_lane: int, gap: float, step: float) -> tuple[Array, Array]:
    """Readings along swum lanes, ``gap`` apart, every ``step``."""
    rng = np.random.default_rng(1)
    e, n = np.meshgrid((np.arange(lanes) + 0.5) * gap, (np.arange(per_lane) + 0.5) * step)
    points = np.column_stack([e.ravel(), n.ravel()]) + rng.normal(0, 0.1, (e.size, 2))
    field = np.sin(points[:, 0] / 3) + np.cos(points[:, 1] / 4)
    return points, field + rng.normal(0, 0.3, len(points))


def nodes(count: int, step: float) -> Array:
    """Nodes (count^2, 2) of a square grid."""
    u = (np.arange(count) + 0.5) * step
    return np.stack(np.meshgrid(u, u), axis=-1).reshape(-1, 2)


def data(task: str) -> dict[str, Any]:
    """Readings, targets and settings of a task (sizes: design.md)."""
    if task in ("A compact", "A any", "E"):
        points, values = swum(20, 100, 2.5, 0.5)
        model = "exponential" if task == "A any" else "spherical"
        return {"p": points, "z": values, "x": nodes(200, 0.25), "model": model, "k": 0}
    if task.startswith(("B", "F")):
        points, values = swum(50, 400, 2.5, 0.3125)
        return {"p": points, "z": values, "x": nodes(500, 0.25), "model": "spherical", "k": 32}
    if task.startswith("C"):
        points, values = swum(20, 100, 2.5, 0.5)
        return {"p": points, "z": values, "x": nodes(20, 2.5), "model": "spherical", "k": 64}
    points, values = swum(20, 50, 2.5, 1.0)
    return {"p": points, "z": values, "x": nodes(100, 0.5), "model": "spherical", "k": 0}


def ours(task: str, d: dict[str, Any]) -> Callable[[], Any]:
    from detect.geostat import Kriging, Variogram, experimental_variogram

    if d["k"]:
        import detect.geostat.kernels  # noqa: F401  (import is not work)

    v = Variogram(d["model"], 0.1, 0.9, RANGE[d["model"]])
    p, z, x = d["p"], d["z"], d["x"]
    own = {"neighbours": d["k"], "neighbourhood": "own" if task.endswith("own") else "tiles"}
    if task.startswith("C"):
        return lambda: Kriging(p, z, v, **own).blocks(x, 2.5)
    if task == "D":
        return lambda: Kriging(p, z, v).simulate(x, 100, seed=1)
    if task == "E":
        return lambda: Kriging(p, z, v).leave_one_out()
    if task.startswith("F"):
        from detect.geostat import pair_kernels  # noqa: F401

        how = "dowd" if task == "F Dowd" else "matheron"

        def variogram() -> Any:
            bins = experimental_variogram(p, z, width_m=1.0, cutoff_m=20.0, estimator=how)
            return bins["pairs"].to_numpy(), bins["semivariance"].to_numpy()

        return variogram
    return lambda: Kriging(p, z, v, **own).at(x)


def pykrige(task: str, d: dict[str, Any]) -> Callable[[], Any]:
    from pykrige.ok import OrdinaryKriging

    practical = d["model"] != "spherical"
    parameters = {"psill": 0.9, "range": 6.0 if practical else RANGE["spherical"], "nugget": 0.1}
    x = d["x"]
    window = {"n_closest_points": 32, "backend": "C"} if d["k"] else {"backend": "vectorized"}

    def run() -> Any:
        k = OrdinaryKriging(
            *d["p"].T, d["z"], variogram_model=d["model"], variogram_parameters=parameters
        )
        return k.execute("points", x[:, 0].copy(), x[:, 1].copy(), **window)

    return {"A compact": run, "A any": run, "B own": run, "B tiles": run}[task]


def gstools(task: str, d: dict[str, Any]) -> Callable[[], Any]:
    import gstools as gs
    import psutil

    gs.config.NUM_THREADS = psutil.cpu_count()
    kind = gs.Spherical if d["model"] == "spherical" else gs.Exponential
    model = kind(dim=2, var=0.9, len_scale=RANGE[d["model"]], nugget=0.1)
    if task == "F":
        edges = np.arange(0.0, 20.5)
        return lambda: gs.vario_estimate(d["p"].T, d["z"], edges, return_counts=True)[:0:-1]
    if task == "D":  # scales by the kriging deviation: right at points, wrong for squares

        def simulate() -> Any:
            field = gs.CondSRF(gs.krige.Ordinary(model, d["p"].T, d["z"], exact=True))
            field.set_pos(d["x"].T)
            return np.array([field(seed=s) for s in range(100)])

        return simulate
    assert task.startswith("A")
    return lambda: gs.krige.Ordinary(model, d["p"].T, d["z"], exact=True)(d["x"].T)


def gstlearn(task: str, d: dict[str, Any]) -> Callable[[], Any]:
    import gstlearn as gl

    def table(points: Array, values: Array | None = None) -> Any:
        db = gl.Db.create()
        db["x"], db["y"] = np.ascontiguousarray(points.T)
        db.setLocators(["x", "y"], gl.ELoc.X)
        if values is not None:
            db["z"] = values
            db.setLocator("z", gl.ELoc.Z)
        return db

    kind = gl.ECov.SPHERICAL if d["model"] == "spherical" else gl.ECov.EXPONENTIAL
    # Its range of an exponential is where 95 % of the sill is reached.
    span = RANGE[d["model"]] * (1.0 if d["model"] == "spherical" else np.log(20.0))
    model = gl.Model.createFromParam(kind, span, 0.9)
    model.addCovFromParam(gl.ECov.NUGGET, 0.0, 0.1)
    model.setDriftIRF(0)
    if d["k"] and task != "F":
        near = gl.NeighMoving.create(False, d["k"], 100.0)
    else:
        near = gl.NeighUnique.create()
    readings = table(d["p"], d["z"])
    if task == "E":

        def left_out() -> Any:
            db = table(d["p"], d["z"])
            gl.xvalid(db, model, near)
            return [db[n] for n in db.getAllNames() if "Xvalid" in n]

        return left_out
    if task == "F":

        def variogram() -> Any:
            # Its lags are centred on 0, 1, ... m: the same number of pairs, not the same bins.
            v = gl.Vario.computeFromDb(gl.VarioParam.createOmniDirection(20, 1.0, 0.5), readings)
            return v.getSwVec(), v.getGgVec()

        return variogram

    def run() -> Any:
        db = table(d["x"])
        if task == "D":
            gl.simtub(readings, db, model, near, 100, 1, 200)
        else:
            gl.kriging(readings, db, model, near)
        return [db[n] for n in db.getAllNames() if n.startswith(("Kriging", "Simu"))]

    return dict.fromkeys(("A compact", "A any", "B own", "B tiles", "D"), run)[task]


def skgstat(task: str, d: dict[str, Any]) -> Callable[[], Any]:
    import skgstat as skg

    assert task == "F"
    bins = np.arange(1.0, 20.5)

    def run() -> Any:
        space = skg.MetricSpace(d["p"], max_dist=20.0)  # distances past the cutoff left out
        v = skg.Variogram(space, d["z"], bin_func=bins, maxlag=20.0, fit_method=None)
        return v.bin_count, v.experimental

    return run


ENGINES = {
    "detect": ours,
    "PyKrige": pykrige,
    "GSTools": gstools,
    "gstlearn": gstlearn,
    "scikit-gstat": skgstat,
}


class Peak:
    """Watches the resident memory of this process while it works."""

    def __enter__(self) -> Peak:
        import psutil

        self._process = psutil.Process()
        self.base = self.top = self._process.memory_info().rss
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._watch)
        self._thread.start()
        return self

    def _watch(self) -> None:
        while not self._over.wait(0.002):
            self.top = max(self.top, self._process.memory_info().rss)

    def __exit__(self, *_: Any) -> None:
        self.top = max(self.top, self._process.memory_info().rss)
        self._over.set()
        self._thread.join()


def main() -> None:
    """Print one line of JSON."""
    task, engine, repeats, answer = sys.argv[1], sys.argv[2], int(sys.argv[3]), sys.argv[4]
    work = ENGINES[engine](task, data(task))
    seconds: list[float] = []
    processor: list[float] = []
    with Peak() as peak:
        begun = time.perf_counter()
        if engine == "detect":  # compiles, or reads what was compiled
            work()
        first = time.perf_counter() - begun
        for _ in range(repeats):
            begun, spent = time.perf_counter(), time.process_time()
            result = work()
            seconds.append(time.perf_counter() - begun)
            processor.append(time.process_time() - spent)
            if seconds[-1] > 20:
                break
    if not isinstance(result, (tuple, list, np.ndarray)):
        result = np.zeros(1)
    np.save(answer, np.asarray(result, dtype=float)[:2])
    megabytes = (peak.top - peak.base) / 1e6
    least = {"seconds": min(seconds), "processor": min(processor)}
    print(json.dumps(least | {"first": first, "megabytes": megabytes}))


if __name__ == "__main__":
    main()
