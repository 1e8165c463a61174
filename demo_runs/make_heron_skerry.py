"""Make the demo survey: bury objects, swim the lanes, push the probe, type the log.

Heron Skerry and the brig "Patient Hannah" are invented. ``heron_skerry/survey.toml`` is written by
hand; this script reads it and writes the five tables beside it and, outside the folder, the truth
that no team ever has. The same seed gives the same bytes.

    python demo_runs/make_heron_skerry.py              # in place
    python demo_runs/make_heron_skerry.py --out DIR    # the same files under DIR
    python demo_runs/make_heron_skerry.py --out DIR --seed 5   # another burial, swum afresh

The signal of one object is ``strength`` times that of the reference target: by reciprocity it
goes as |B|^2 of the coil at the object, and is ``threshold_snr`` noise sigmas on the coil's axis at
``air_range_m``. Signals of several objects add up. That is a point target of no preferred
direction; real iron has a shape, a remanence and neighbours that shield it.
"""

from __future__ import annotations

import argparse
import shutil
import tomllib
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.ndimage import gaussian_filter1d
from shapely import LineString, Point, Polygon

from detect.lanes.field import loop_field

HERE = Path(__file__).resolve().parent
SEED = 13  # chosen as typical among 21 burials, not as the kindest: see README.md
NOISE_SD = 1.0  # mV
STEP_M = 0.25  # between readings
REPEATED = ("L06", "L09", "L16", "L23")  # swum a second time, on other days
CUT_SHORT, CUT_M = "L19", 6.0  # the dive ended before the lane did
FOULED, FOULED_AT_M = "L12", 3.25  # the line snagged: the rest of the lane was never swum
OVERRUN = "L03"  # one reading taken past the far peg
BAD_ZERO = "L28a"  # the meter was not zeroed before this lane
SPIKES = 12  # coil knocks and cable faults


# ---------- the buried truth
def from_axis(site: dict, s, t) -> tuple[np.ndarray, np.ndarray]:
    """Return e, n of distance ``s`` along the baseline and offset ``t`` to its right."""
    start, end = np.array(site["frame"]["baseline"])
    along = (end - start) / np.hypot(*(end - start))
    s, t = np.asarray(s, float), np.asarray(t, float)
    return start[0] + s * along[0] + t * along[1], start[1] + s * along[1] - t * along[0]


def to_axis(site: dict, e, n) -> tuple[np.ndarray, np.ndarray]:
    """Return distance along the baseline and offset to its right of points e, n."""
    start, end = np.array(site["frame"]["baseline"])
    along = (end - start) / np.hypot(*(end - start))
    de, dn = np.asarray(e, float) - start[0], np.asarray(n, float) - start[1]
    return de * along[0] + dn * along[1], de * along[1] - dn * along[0]


def hull_depth(site: dict, e, n) -> np.ndarray:
    """Return depth below the sand of the hull's upper surface, NaN outside the hull, m."""
    s, t = to_axis(site, e, n)
    length, half_beam = 24.0, 3.3
    inside = ((s - length / 2) / (length / 2)) ** 2 + (t / half_beam) ** 2 < 1
    sag = 0.64 + 0.22 * ((s - 12) / 12) ** 2 + 0.40 * (t / half_beam) ** 2
    return np.where(inside, np.clip(sag + 0.06 * np.sin(2 * np.pi * s / 9), 0.4, 1.2), np.nan)


def bury(site: dict, rng: np.random.Generator) -> pd.DataFrame:
    """Return the objects: three heaps on the axis, strays round about, nails under the surface."""
    rows: list[tuple] = []

    def heap(kind, count, s, t, spread, median, sigma, depth) -> None:
        """Scatter objects round one place of the axis, lying on the hull or a little above it."""
        e, n = from_axis(site, rng.normal(s, spread[0], count), rng.normal(t, spread[1], count))
        lies = np.nan_to_num(hull_depth(site, e, n), nan=0.8) - rng.uniform(*depth, count)
        strength = median * np.exp(sigma * rng.standard_normal(count))
        rows.extend(zip(e, n, lies, strength, [kind] * count, strict=True))

    def scatter(kind, count, median, sigma, depth, half_width) -> None:
        """Scatter objects over the outline, denser towards the axis."""
        outline, placed = Polygon(site["area"]["outline"]), 0
        while placed < count:
            e, n = from_axis(site, rng.uniform(-2, 26), rng.normal(0, half_width))
            if outline.contains(Point(e, n)):
                strength = median * np.exp(sigma * rng.standard_normal())
                rows.append((float(e), float(n), rng.uniform(*depth), strength, kind))
                placed += 1

    heap("cargo fitting", 26, 5.2, 0.3, (1.7, 1.1), 3.5, 0.8, (-0.05, 0.35))
    for s, t, strength in ((11.4, -1.5, 14.0), (12.2, -1.15, 20.0), (13.0, -0.8, 26.0)):
        e, n = from_axis(site, s, t)  # one long gun, muzzle to breech, as three points
        rows.append((float(e), float(n), 0.58 + 0.03 * (s - 11.4), strength, "gun"))
    heap("kettle", 1, 18.2, -0.4, (0.1, 0.1), 12.0, 0.1, (0.1, 0.2))
    heap("ballast iron", 14, 18.6, 0.2, (1.6, 1.0), 4.0, 0.6, (-0.1, 0.15))
    scatter("stray", 16, 1.0, 0.8, (0.2, 0.7), 4.5)
    scatter("nail", 26, 0.03, 0.7, (0.05, 0.2), 4.0)

    truth = pd.DataFrame(rows, columns=["e", "n", "depth_m", "strength", "kind"])
    truth.insert(0, "object", [f"T{i:02d}" for i in range(1, len(truth) + 1)])
    truth["depth_m"] = truth["depth_m"].clip(0.05, 0.9)
    # Rounded before use: the written truth is exactly what the coil passed over.
    return truth.round({"e": 2, "n": 2, "depth_m": 2, "strength": 4})


def response(site: dict, truth: pd.DataFrame, e, n, height) -> np.ndarray:
    """Return the noise-free signal, mV, of a coil at e, n and ``height`` above the sand."""
    coil = site["detector"]
    radius = coil["coil_diameter_m"] / 2
    rho = np.hypot(e[:, None] - truth["e"].to_numpy(), n[:, None] - truth["n"].to_numpy())
    b_rho, b_z = loop_field(radius, rho, height[:, None] + truth["depth_m"].to_numpy())
    _, b_reference = loop_field(radius, 0.0, coil["air_range_m"])
    gain = coil["threshold_snr"] * NOISE_SD / b_reference**2
    return gain * ((b_rho**2 + b_z**2) * truth["strength"].to_numpy()).sum(axis=1)


# ---------- the lanes and the log
def lay_lanes(site: dict) -> pd.DataFrame:
    """Return lanes 1 m apart up the grid, cut at the keep-out, and three lanes across them."""
    area = Polygon(site["area"]["outline"]).buffer(site["area"]["overlap_m"], join_style="mitre")
    for keep_out in site["area"]["keep_out"]:
        area = area.difference(Polygon(keep_out["polygon"]).buffer(0.3))
    rows = []
    for i, e in enumerate(np.arange(-0.5, 31, 1.0), start=1):
        parts = area.intersection(LineString([(e, -5), (e, 30)]))
        parts = getattr(parts, "geoms", [parts])
        for letter, part in zip("ab", parts, strict=False):
            start, end = sorted(y for _, y in part.coords)
            name = f"L{i:02d}" + (letter if len(parts) > 1 else "")
            rows.append((name, e, round(start, 1), e, round(end, 1)))
    for i, n in enumerate((5.1, 9.4, 14.6), start=1):
        start, end, *_ = sorted(
            x for x, _ in area.intersection(LineString([(-5, n), (40, n)])).coords
        )
        rows.append((f"X{i}", round(start, 1), n, round(end, 1), n))
    return pd.DataFrame(rows, columns=["lane", "start_e", "start_n", "end_e", "end_n"])


def swim_order(site: dict, lanes: pd.DataFrame) -> pd.DataFrame:
    """Return one row a swim: lane, pass, dive, direction, whether cut, packed by bottom time."""
    dives = site["dives"]
    length = dict(
        zip(
            lanes["lane"],
            np.hypot(lanes["end_e"] - lanes["start_e"], lanes["end_n"] - lanes["start_n"]),
            strict=True,
        )
    )
    todo = [(lane, 1) for lane in lanes["lane"]] + [(lane, 2) for lane in REPEATED]
    left, dive, rows, direction = 0.0, 0, [], "back"
    for lane, swim in todo:
        minutes = length[lane] / dives["swim_speed_m_per_min"] + dives["turn_min"]
        after_cut = bool(rows) and rows[-1][0] == CUT_SHORT
        if minutes > left or after_cut:
            dive, left = dive + 1, dives["bottom_time_min"] - dives["setup_min"]
        direction = "out" if direction == "back" else "back"
        rows.append((lane, swim, dive, direction, length[lane]))
        left -= minutes
    return pd.DataFrame(rows, columns=["lane", "pass", "dive", "direction", "length"])


def smooth_walk(rng: np.random.Generator, count: int, sd: float, over_m: float = 1.5) -> np.ndarray:
    """Return a smooth random wander of the given standard deviation, one value a reading."""
    steps = over_m / STEP_M
    pad = int(4 * steps)
    rough = gaussian_filter1d(rng.standard_normal(count + 2 * pad), steps)[pad : pad + count]
    return sd * rough * np.sqrt(2 * np.sqrt(np.pi) * steps)  # undo what the smoothing took


def swim(site: dict, lanes: pd.DataFrame, truth: pd.DataFrame, rng: np.random.Generator):
    """Return the readings as logged: taped distances, while the coil went where it went."""
    coil, dives = site["detector"], site["dives"]
    peg = lanes.set_index("lane")
    crew = ("A.K.", "J.O.", "R.M.", "T.V.")
    drift: dict[int, tuple[float, float]] = {}
    clock: dict[int, float] = {}
    logs = []
    for row in swim_order(site, lanes).itertuples(index=False):
        lane, number, dive, direction, length = row
        end = length + (STEP_M if lane == OVERRUN else 0.0)
        distance = np.arange(0.0, end + 1e-6, STEP_M)
        if direction == "back":
            distance = distance[::-1]
        if lane == CUT_SHORT and number == 1:
            distance = distance[np.abs(distance - distance[0]) <= length - CUT_M]
        if lane == FOULED:
            distance = distance[np.abs(distance - distance[0]) <= FOULED_AT_M]
        count = len(distance)

        start = peg.loc[lane, ["start_e", "start_n"]].to_numpy(float)
        along = (peg.loc[lane, ["end_e", "end_n"]].to_numpy(float) - start) / length
        true_along = distance + rng.normal(0, 0.04) + rng.normal(0, 0.03, count)
        across = smooth_walk(rng, count, coil["line_error_m"])
        e = start[0] + true_along * along[0] + across * along[1]
        n = start[1] + true_along * along[1] - across * along[0]
        height = np.maximum(coil["coil_height_m"] + smooth_walk(rng, count, 0.015), 0.06)

        seconds_a_step = 60 * STEP_M / dives["swim_speed_m_per_min"]
        begin = clock.get(dive, 60 * dives["setup_min"])
        time = begin + np.cumsum(rng.normal(seconds_a_step, 0.3, count).clip(2.0))
        clock[dive] = time[-1] + 60 * dives["turn_min"]
        slope, bow = drift.setdefault(dive, (rng.normal(0, 4.0), rng.normal(0, 2.0)))
        share = time / (60 * dives["bottom_time_min"])
        level = rng.normal(0, 1.8) + (7.0 if lane == BAD_ZERO else 0.0)
        signal = (
            response(site, truth, e, n, height)
            + level
            + slope * share
            + bow * np.sin(2 * np.pi * share)
            + rng.normal(0, NOISE_SD, count)
        )
        logs.append(
            pd.DataFrame(
                {
                    "lane": lane,
                    "pass": number,
                    "direction": direction,
                    "dive": f"D{dive:02d}",
                    "diver": crew[dive % len(crew)],
                    "time_s": time.round(),
                    "distance_m": distance,
                    "signal": signal,
                }
            )
        )
    log = pd.concat(logs, ignore_index=True)
    struck = rng.choice(len(log), SPIKES, replace=False)
    sign = np.where(np.arange(SPIKES) < SPIKES - 2, 1.0, -1.0)
    log.loc[struck, "signal"] += sign * rng.uniform(80, 400, SPIKES)
    log["signal"] = log["signal"].clip(upper=coil["full_scale"])
    return log


# ---------- the probe and the seabed
def rough_grid(polygon: Polygon, spacing: float, jitter: float, rng: np.random.Generator):
    """Return stations about ``spacing`` apart inside the polygon, row by row, (N, 2)."""
    e0, n0, e1, n1 = polygon.bounds
    e, n = np.meshgrid(np.arange(e0 + 0.9, e1, spacing), np.arange(n0 + 0.9, n1, spacing))
    points = np.column_stack([e.ravel(), n.ravel()])
    points = points + rng.normal(0, jitter, points.shape)
    return np.array([p for p in points if polygon.contains(Point(p))]).round(2)


def push_probe(site: dict, truth: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Return what the steel felt: metal where it met an object, else the hull, clay or nothing."""
    area, longest = Polygon(site["area"]["outline"]), site["probes"]["length_m"]
    for keep_out in site["area"]["keep_out"]:
        area = area.difference(Polygon(keep_out["polygon"]))
    rows = []
    for i, (e, n) in enumerate(rough_grid(area, 2.8, 0.18, rng), start=1):
        hull = float(hull_depth(site, e, n))
        s, _ = to_axis(site, e, n)
        # Concretion makes iron bigger than it was: half a decimetre for a fitting, more for a gun.
        reach = 0.06 + 0.14 * np.cbrt(truth["strength"])
        met = truth[np.hypot(truth["e"] - e, truth["n"] - n) < reach]
        metal = met["depth_m"].min() if len(met) else np.inf
        shell = rng.uniform(0.15, 0.35) if rng.random() < 0.05 else np.inf
        clay = rng.uniform(1.2, 2.2)
        hull_kind = "stone" if abs(s - 16.5) < 3.0 and rng.random() < 0.7 else "wood"
        felt = {"metal": metal, "shell": shell, hull_kind: hull, "clay": clay}
        contact = min(felt, key=lambda kind: np.nan_to_num(felt[kind], nan=np.inf))
        depth = felt[contact] + rng.normal(0, 0.025)
        note = {"metal": "rings", "wood": "gives a little", "clay": "sticky"}.get(contact, "")
        if depth >= longest:
            contact, depth, note = "none", longest, ""
        elif (
            contact == "clay" and rng.random() < 0.3
        ):  # stopped at stiff ground, logged as no contact
            contact, note = "none", "stopped by stiff ground"
        diver = ("R.M.", "T.V.")[i % 2]
        rows.append((f"P{i:02d}", e, n, max(depth, 0.03), contact, diver, note))
    return pd.DataFrame(rows, columns=["probe", "e", "n", "depth_m", "contact", "diver", "notes"])


def sound_seabed(site: dict, rng: np.random.Generator) -> pd.DataFrame:
    """Return soundings on a gentle slope with a low mound over the wreck, one water level."""
    area = Polygon(site["area"]["outline"]).buffer(site["area"]["overlap_m"])
    points = rough_grid(area, 2.7, 0.2, rng)
    s, t = to_axis(site, points[:, 0], points[:, 1])
    mound = 0.35 * np.exp(-(((s - 12) / 9.0) ** 2) - (t / 3.0) ** 2)
    slope = 0.012 * (points[:, 0] - 15) + 0.022 * (points[:, 1] - 10)
    depth = site["site"]["water_depth_m"] + slope - mound + rng.normal(0, 0.03, len(points))
    return pd.DataFrame({"e": points[:, 0], "n": points[:, 1], "depth_m": depth})


# ---------- writing it down
def rehearse(site: dict, rng: np.random.Generator) -> pd.DataFrame:
    """Try each kind of target under the coil, in mixed order; the meter sounds over its threshold.

    The diver misses one sound in fifty, and no target is held to better than 4 mm.
    """
    coil = site["detector"]
    ranges = {"reference": coil["air_range_m"]}
    ranges |= {one["name"]: one["air_range_m"] for one in site["targets"]}
    tries = [
        (name, round(share * reach, 2))
        for name, reach in ranges.items()
        for share in (0.5, 0.65, 0.8, 0.9, 1.0, 1.1, 1.25, 1.5)
        for _ in range(6)
    ] + [("none", coil["air_range_m"])] * 10
    rows = []
    for k in rng.permutation(len(tries)):
        name, distance = tries[k]
        strength = 0.0 if name == "none" else 1.0
        held = {"e": [0.0], "n": [0.0], "depth_m": [distance + rng.normal(0, 0.004)]}
        own = {**site, "detector": {**coil, "air_range_m": ranges.get(name, 1.0)}}
        target = pd.DataFrame({**held, "strength": [strength]})
        signal = response(own, target, np.zeros(1), np.zeros(1), np.zeros(1))[0]
        signal = min(signal + rng.normal(0, NOISE_SD), coil["full_scale"])
        heard = signal > coil["threshold_snr"] * NOISE_SD and rng.random() > 0.02
        rows.append((name, 0.0, distance, int(heard), signal))
    columns = ["target", "offset_m", "distance_to_coil_m", "detected", "signal"]
    return pd.DataFrame(rows, columns=columns)


def write_table(table: pd.DataFrame, path: Path, decimals: dict[str, int]) -> None:
    """Write a table as it would be typed: a fixed number of decimals a column."""
    typed = table.copy()
    for column, places in decimals.items():
        # Adding zero turns a typed "-0.0" into "0.0".
        typed[column] = [f"{round(x, places) + 0.0:.{places}f}" for x in table[column]]
    path.write_bytes(typed.to_csv(index=False, lineterminator="\n").encode())


def make(out: Path, seed: int = SEED) -> None:
    """Write the survey folder and the truth under ``out``."""
    source, folder = HERE / "heron_skerry" / "survey.toml", out / "heron_skerry"
    site = tomllib.loads(source.read_text(encoding="utf-8"))
    folder.mkdir(parents=True, exist_ok=True)
    if folder.resolve() != source.parent:
        shutil.copyfile(source, folder / "survey.toml")
    # A stream each, so that a change in one table leaves the others as they were.
    truths, swims, probes, seabeds, tries = map(
        np.random.default_rng, np.random.SeedSequence(seed).spawn(5)
    )
    truth = bury(site, truths)
    lanes = lay_lanes(site)
    place = {"e": 2, "n": 2, "depth_m": 2}
    write_table(truth, out / "heron_skerry_truth.csv", place | {"strength": 4})
    write_table(
        lanes, folder / "lanes.csv", dict.fromkeys(("start_e", "start_n", "end_e", "end_n"), 1)
    )
    write_table(
        swim(site, lanes, truth, swims),
        folder / "readings.csv",
        {"time_s": 0, "distance_m": 2, "signal": 1},
    )
    write_table(push_probe(site, truth, probes), folder / "probes.csv", place)
    write_table(sound_seabed(site, seabeds), folder / "seabed.csv", place)
    write_table(
        rehearse(site, tries),
        folder / "trial.csv",
        {"offset_m": 2, "distance_to_coil_m": 2, "signal": 1},
    )


def main(arguments: Iterable[str] | None = None) -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description="Make the Heron Skerry demo survey.")
    parser.add_argument("--out", type=Path, default=HERE, help="where to write (default: here)")
    parser.add_argument("--seed", type=int, default=SEED, help="another burial of the same site")
    chosen = parser.parse_args(arguments)
    if chosen.seed != SEED and chosen.out.resolve() == HERE:
        parser.error("another seed needs --out: the demo itself stays as committed")
    make(chosen.out, chosen.seed)


if __name__ == "__main__":
    main()
