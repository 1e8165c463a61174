"""Two invented sites of other shapes than the demo's: a strip against rocks, and a wide scatter.

Run: python demo_runs/make_sites.py FOLDER. Writes FOLDER/corrow_ledge and FOLDER/pelleth_bank, each
a survey with a rehearsal and with readings along its own plan, some of it not swum as planned.
Everything in them is invented: sites, vessels, things lost.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd

from detect import stages
from detect.lanes import response_ratio, target_classes
from detect.lanes.trial_design import bench_tries
from detect.lanes.trial_likelihood import alarm_probability
from detect.survey import load_survey
from detect.survey.settings import Detector

STRIP = """\
# Corrow Ledge, the lugger "Ann Corbet": a strip of sand against rocks. Everything here is invented.
[site]
name = "Corrow Ledge: lugger Ann Corbet (invented)"
[frame]
grid_north_deg = 310.0
magnetic_declination_deg = -2.0
baseline = [[2.0, 7.0], [58.0, 8.0]]
[area]
outline = [[0, 1], [14, 0], [33, 2], [60, 0], [60, 13], [41, 15], [20, 14], [0, 15]]
keep_out = [
  {name = "rocks west", reason = "surge", polygon = [[8, 0], [16, 0], [14, 4], [10, 5]]},
  {name = "rocks east", reason = "surge", polygon = [[44, 0], [54, 0], [51, 3.5], [46, 3]]},
]
visible_remains = [
  {name = "windlass", reason = "fragile", polygon = [[29, 7], [31, 7], [31, 9], [29, 9]]},
]
[detector]
coil_diameter_m = 0.28
coil_height_m = 0.10
air_range_m = 0.65
burial_depth_m = 0.3
sweep_half_width_m = 0.7     # swung to and fro over the lane
sweep_time_s = 2.5
line_error_m = 0.15
height_error_m = 0.04
coil_tilt_deg = 8.0
threshold_snr = 3.5
required_pod = 0.85
signal_unit = "mV"
[[targets]]
name = "iron nail"
air_range_m = 0.42
burial_depth_m = 0.15
found = 6
[[targets]]
name = "bronze gun"
air_range_m = 1.5
burial_depth_m = 1.0
[dives]
bottom_time_min = 35.0
setup_min = 6.0
swim_speed_m_per_min = 5.0
turn_min = 1.5
[lanes]
file = "lanes.csv"
bearing_deg = "axis"
cross_lanes = 6
[readings]
file = "readings.csv"
[probes]
length_m = 1.5
feature_diameter_m = 5.0
feature_width_m = 1.5
feature_bearing_deg = 89.0   # frames lie along the hull
"""
SCATTER = """\
# Pelleth Bank, cargo of the ketch "Morning Lark": a scatter. Everything here is invented.
[site]
name = "Pelleth Bank: ketch Morning Lark (invented)"
[frame]
grid_north_deg = 0.0
magnetic_declination_deg = 4.0
[area]
outline = [[0, 0], [100, 0], [100, 100], [0, 100]]
keep_out = [
  {name = "boulder", reason = "snags", polygon = [[20, 60], [27, 60], [27, 66], [20, 66]]},
  {name = "net", reason = "entanglement", polygon = [[62, 30], [70, 31], [69, 40], [61, 38]]},
]
[detector]
coil_diameter_m = 0.40
coil_height_m = 0.15
air_range_m = 1.1
burial_depth_m = 0.4
line_error_m = 0.25
required_pod = 0.8
signal_unit = "mV"
[[targets]]
name = "cask hoop"
air_range_m = 0.8
burial_depth_m = 0.2
[[targets]]
name = "anchor"
air_range_m = 2.2
burial_depth_m = 1.2
found = 1
[dives]
bottom_time_min = 45.0
setup_min = 5.0
swim_speed_m_per_min = 8.0
divers_on_lane = 2           # two divers with a coil each, side by side
turn_min = 1.0
[lanes]
file = "lanes.csv"
[readings]
file = "readings.csv"
[mapping]
node_m = 0.5
[probes]
length_m = 2.0
feature_diameter_m = 6.0
"""


def rehearsed(detector: Detector, rng: np.random.Generator) -> pd.DataFrame:
    """Return a trial table of the reference target, drawn from the coil's physics."""
    table = bench_tries(detector).drop(columns=["sheet", "order"])
    ratio = response_ratio(0.0, table["distance_to_coil_m"].to_numpy(), detector)
    ratio = np.where(table["target"] == "none", 0.0, ratio)
    share = alarm_probability(ratio, detector.threshold_snr)
    return table.assign(detected=(rng.random(len(table)) < share).astype(int))


def swum(lanes: pd.DataFrame, buried: pd.DataFrame, coil: Detector, rng: np.random.Generator):
    """Return readings a metre apart along the lanes: noise, and what the buried things add."""
    rows = []
    for number, lane in enumerate(lanes.itertuples()):
        if number == len(lanes) // 3:
            continue  # a lane forgotten
        last = 0.6 * lane.length_m if number == len(lanes) // 2 else lane.length_m
        distance = np.append(np.arange(0.0, last, 1.0), round(last, 2))
        share = distance / lane.length_m
        e = lane.start_e + share * (lane.end_e - lane.start_e)
        n = lane.start_n + share * (lane.end_n - lane.start_n)
        signal = rng.normal(0.0, 1.0, len(distance))
        for thing in buried.itertuples():
            own = coil.model_copy(update={"air_range_m": thing.air_range_m})
            away = np.hypot(e - thing.e, n - thing.n)
            near = away < 5.0 * thing.air_range_m
            ratio = response_ratio(away[near], coil.coil_height_m + thing.depth_m, own)
            signal[near] += coil.threshold_snr * np.minimum(ratio, 60.0)
        direction = "out" if number % 2 == 0 else "back"
        rows.append(
            pd.DataFrame(
                {"lane": lane.lane, "distance_m": distance, "signal": signal.round(1),
                 "direction": direction}
            ).iloc[:: 1 if direction == "out" else -1]
        )  # fmt: skip
    return pd.concat(rows, ignore_index=True)


def write_site(folder: Path, settings: str, seed: int) -> None:
    """Write one survey folder; its lanes are the plan's own."""
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(seed)
    (folder / "survey.toml").write_text(settings, encoding="utf-8")
    for name, columns in (
        ("lanes.csv", "lane,start_e,start_n,end_e,end_n"),
        ("readings.csv", "lane,distance_m,signal,direction"),
    ):
        (folder / name).write_text(columns + "\n", encoding="utf-8")
    survey = load_survey(folder, needs=("detector", "dives"))
    lanes = stages.plan(survey).lanes
    lanes[["lane", "start_e", "start_n", "end_e", "end_n"]].to_csv(
        folder / "lanes.csv", index=False
    )
    west, south, east, north = survey.outline.bounds
    classes = target_classes(survey.settings)
    things = [
        (rng.uniform(west, east), rng.uniform(south, north), one.detector.air_range_m,
         rng.uniform(0.2, 1.0) * one.detector.burial_depth_m)
        for one in classes for _ in range(12)
    ]  # fmt: skip
    buried = pd.DataFrame(things, columns=["e", "n", "air_range_m", "depth_m"])
    coil = survey.settings.detector
    swum(lanes, buried, coil, rng).to_csv(folder / "readings.csv", index=False)
    rehearsed(coil, rng).to_csv(folder / "trial.csv", index=False)


def main() -> None:
    """Write both sites."""
    target = Path(sys.argv[1])
    write_site(target / "corrow_ledge", STRIP, 11)
    write_site(target / "pelleth_bank", SCATTER, 12)
    print(f"written to {target}")


if __name__ == "__main__":
    main()
