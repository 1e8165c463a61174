"""How much of the buried metal the tool finds on invented sites, and how well it knows it.

Twenty sites of `buried_sites`: the strength in the first tenth of the squares over the most that
any choice of that many could hold, for the tool's strength map, for binned means of the raw
readings and for an oracle that knows every target heard above the threshold somewhere; lag and
levels against those put in; picks against lone targets.

Run: python tests/benchmarks/metal_worth.py [sites]
"""

import sys
import time

import numpy as np
import pandas as pd
from buried_sites import DETECTOR, HEIGHT_M, WIDTH_M, BuriedSite, make_site

from detect.lanes import response_ratio
from detect.readings import condition, find_anomalies, invert_site, signal_model, signal_of
from detect.survey.grid import Grid

SQUARE_M = 2.0
STEPS = ["spikes", "drift", "levels", "lag"]
NEAR_M = 0.25


def square_of(e: np.ndarray, n: np.ndarray) -> np.ndarray:
    """Return the number of the square each place lies in, -1 outside the site."""
    columns, rows = int(WIDTH_M / SQUARE_M), int(HEIGHT_M / SQUARE_M)
    i, j = np.floor(e / SQUARE_M).astype(int), np.floor(n / SQUARE_M).astype(int)
    inside = (i >= 0) & (i < columns) & (j >= 0) & (j < rows)
    return np.where(inside, j * columns + i, -1)


def by_square(e: np.ndarray, n: np.ndarray, values: np.ndarray, how: str) -> np.ndarray:
    """Gather values over squares; 0 where there are none."""
    where = square_of(e, n)
    table = pd.Series(values[where >= 0]).groupby(where[where >= 0]).agg(how)
    return table.reindex(range(int(WIDTH_M * HEIGHT_M / SQUARE_M**2))).fillna(0.0).to_numpy()


def held(score: np.ndarray, strength: np.ndarray) -> float:
    """Share of the best possible strength in the first tenth by a score."""
    count = len(strength) // 10
    order = np.argsort(-score, kind="stable")
    return float(strength[order[:count]].sum() / np.sort(strength)[::-1][:count].sum())


def loudest(site: BuriedSite) -> np.ndarray:
    """Return each target's largest noise-free signal on any lane, over the threshold."""
    t, r = site.truth, site.readings
    rho = np.hypot(
        t["e"].to_numpy()[:, None] - r["e"].to_numpy(),
        t["n"].to_numpy()[:, None] - r["n"].to_numpy(),
    ).min(axis=1)
    height = DETECTOR.coil_height_m + t["depth_m"].to_numpy()
    return t["strength"].to_numpy() * response_ratio(rho, height, DETECTOR)


def one_site(seed: int) -> dict[str, float]:
    """Return every figure of one site."""
    site = make_site(seed)
    truth, raw = site.truth, site.readings
    begun = time.process_time()
    readings, records, noise = condition(raw, STEPS, DETECTOR)
    axis_e, axis_n = np.arange(0.125, WIDTH_M, 0.25), np.arange(0.125, HEIGHT_M, 0.25)
    grid = Grid(axis_e, axis_n, 0.25)
    cells = grid.field(np.zeros(grid.shape), "cells", "1", "")
    metal = invert_site(readings, DETECTOR, noise.sd, cells, seed)
    seconds = time.process_time() - begun
    e, n = grid.nodes.T
    buried = by_square(*truth[["e", "n", "strength"]].to_numpy().T, "sum")
    heard = loudest(site)
    known = truth[heard >= 1.0]
    lag = records[-1].parameters
    shift = (readings["raw"] - readings["signal"]).groupby(readings["track"]).mean()
    figures = {
        "tool": held(by_square(e, n, metal.strength.ravel(), "sum"), buried),
        "binned means": held(by_square(*raw[["e", "n", "signal"]].to_numpy().T, "mean"), buried),
        "oracle": held(by_square(*known[["e", "n", "strength"]].to_numpy().T, "sum"), buried),
        "lag error": float(lag["lag_m"]) - site.lag_m,
        "lag sd": float(lag["sd_m"]),
        "level error": float(np.abs(shift - site.levels).mean() / noise.sd),
        "worst level": float(np.abs(shift - site.levels).max() / noise.sd),
        "seconds of CPU": seconds,
    }
    model = signal_model(readings, noise.sd, neighbours=64)
    loud, _ = model.loudness.kriging.at(grid.nodes)
    field = grid.field(signal_of(loud, model.scale), "signal", "mV", "signal")
    picks = find_anomalies(field, np.ones(grid.shape, bool), readings, DETECTOR, noise.sd)
    return figures | _picks(picks, truth, heard)


def _picks(picks: pd.DataFrame, truth: pd.DataFrame, heard: np.ndarray) -> dict[str, float]:
    """Compare picks with targets twice above the threshold and a metre from any other."""
    places = truth[["e", "n"]].to_numpy()
    apart = np.hypot(*(places[:, None] - places).transpose(2, 0, 1))
    np.fill_diagonal(apart, np.inf)
    lone = np.flatnonzero((apart.min(axis=1) > 1.0) & (heard >= 2.0))
    found = picks[["e", "n"]].to_numpy()
    distance = np.hypot(*(places[:, None] - found).transpose(2, 0, 1))
    nearest = distance[lone].argmin(axis=1) if len(found) else np.zeros(0, int)
    hit = distance[lone, nearest] <= NEAR_M
    with_depth = picks.iloc[nearest[hit]]
    z = (with_depth["depth_m"].to_numpy() - truth["depth_m"].to_numpy()[lone[hit]]) / with_depth[
        "depth_sd_m"
    ].to_numpy()
    told = np.isfinite(z)
    return {
        "lone targets": float(len(lone)),
        "found": float(hit.sum()),
        "picks": float(len(picks)),
        "false picks": float((distance.min(axis=0) > 1.0).sum()),
        "depths": float(told.sum()),
        "depths in 90 %": float((np.abs(z[told]) <= 1.645).sum()),
    }


def main() -> None:
    """Print a row a site and what they come to."""
    sites = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    table = pd.DataFrame([one_site(seed) for seed in range(sites)])
    print(table.round(3).to_string())
    total = table.sum()
    off = table["lag error"].abs()
    print(
        f"\nstrength in the first tenth over the best possible: tool {table['tool'].mean():.3f}, "
        f"binned means {table['binned means'].mean():.3f}, oracle {table['oracle'].mean():.3f}; "
        f"least gain at a site {(table['tool'] - table['binned means']).min():.3f}\n"
        f"lag: within 0.05 m at {100 * (off < 0.05).mean():.0f} % of sites, mean error "
        f"{off.mean():.3f} m; levels: mean error {table['level error'].mean():.2f} noise units, "
        f"worst lane {table['worst level'].max():.2f}\n"
        f"lone targets found within {NEAR_M} m: "
        f"{100 * total['found'] / total['lone targets']:.0f} % of {total['lone targets']:.0f}; "
        "picks farther than 1 m from any target: "
        f"{100 * total['false picks'] / total['picks']:.1f} % of {total['picks']:.0f}; "
        "90 % intervals of depth hold "
        f"{100 * total['depths in 90 %'] / max(total['depths'], 1):.0f} % of "
        f"{total['depths']:.0f}\nseconds of CPU a site: {table['seconds of CPU'].mean():.1f}"
    )


if __name__ == "__main__":
    main()
