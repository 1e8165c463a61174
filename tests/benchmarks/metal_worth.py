"""How much of the buried metal the tool finds on invented sites, and how well it knows it.

Twenty sites of `buried_sites`: the strength in the first tenth of the squares over the most that
any choice of that many could hold, for the tool's strength of a square and for its map alone, for
binned means of the raw readings and for an oracle that knows every target heard above the threshold
somewhere; lag and levels against those put in; picks against lone targets.

Run: python tests/benchmarks/metal_worth.py [sites [first seed [silent]]]   ("silent": with a meter
that speaks only at metal, logged as 0 below its threshold; the figures kept are seeds 0 to
19; what was chosen by measurement was chosen on seeds from 100 up)
"""

import sys
import time

import numpy as np
import pandas as pd
from buried_sites import (
    DETECTOR,
    HEIGHT_M,
    NOISE,
    WIDTH_M,
    BuriedSite,
    make_site,
    signal_at,
    silenced,
)

from detect.lanes import response_ratio
from detect.readings import condition, find_anomalies, invert_site
from detect.readings.inversion import RELATIVE_ERROR
from detect.readings.weighing import HEARD_WITHIN_M, Heard, Weigher
from detect.squares.metal import strength_of_targets, told_twice
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


def layout() -> pd.DataFrame:
    """Return the squares in the order of their numbers."""
    n, e = np.meshgrid(
        np.arange(0.0, HEIGHT_M, SQUARE_M), np.arange(0.0, WIDTH_M, SQUARE_M), indexing="ij"
    )
    return pd.DataFrame({"e_min": e.ravel(), "n_min": n.ravel(), "size_m": SQUARE_M})


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


def one_site(seed: int, silent: bool = False) -> dict[str, float]:
    """Return every figure of one site."""
    site = make_site(seed)
    truth, raw = site.truth, silenced(site) if silent else site.readings
    begun = time.process_time()
    readings, records, noise = condition(raw, STEPS, DETECTOR)
    axis_e, axis_n = np.arange(0.125, WIDTH_M, 0.25), np.arange(0.125, HEIGHT_M, 0.25)
    grid = Grid(axis_e, axis_n, 0.25)
    cells = grid.field(np.zeros(grid.shape), "cells", "1", "")
    metal = invert_site(readings, DETECTOR, noise.sd, cells, seed)
    seconds = time.process_time() - begun
    e, n = grid.nodes.T
    flat = grid.field(np.ones(grid.shape), "signal", "mV", "for the extents, not used here")
    picks = find_anomalies(flat, np.ones(grid.shape, bool), readings, DETECTOR, noise.sd)
    mapped = by_square(e, n, metal.strength.ravel(), "sum")
    buried = by_square(*truth[["e", "n", "strength"]].to_numpy().T, "sum")
    heard = loudest(site)
    known = truth[heard >= 1.0]
    lag = records[-1].parameters
    shift = (readings["raw"] - readings["signal"]).groupby(readings["track"]).mean()
    figures = {
        "tool": held(told_twice(mapped, strength_of_targets(layout(), picks)), buried),
        "map alone": held(mapped, buried),
        "binned means": held(by_square(*raw[["e", "n", "signal"]].to_numpy().T, "mean"), buried),
        "oracle": held(by_square(*known[["e", "n", "strength"]].to_numpy().T, "sum"), buried),
        "lag error": float(lag["lag_m"]) - site.lag_m,
        "lag sd": float(lag["sd_m"]),
        "level error": float(np.abs(shift - site.levels).mean() / noise.sd),
        "worst level": float(np.abs(shift - site.levels).max() / noise.sd),
        "seconds of CPU": seconds,
    }
    return figures | _picks(picks, site, heard) | _oracle(site, heard)


def lone_targets(site: BuriedSite, heard: np.ndarray) -> np.ndarray:
    """Return which targets are twice above the threshold and a metre from any other."""
    places = site.truth[["e", "n"]].to_numpy()
    apart = np.hypot(*(places[:, None] - places).transpose(2, 0, 1))
    np.fill_diagonal(apart, np.inf)
    return np.flatnonzero((apart.min(axis=1) > 1.0) & (heard >= 2.0))


def _picks(picks: pd.DataFrame, site: BuriedSite, heard: np.ndarray) -> dict[str, float]:
    """Compare picks with lone targets."""
    truth, lone = site.truth, lone_targets(site, heard)
    found = picks[["e", "n"]].to_numpy()
    distance = np.hypot(*(truth[["e", "n"]].to_numpy()[:, None] - found).transpose(2, 0, 1))
    nearest = distance[lone].argmin(axis=1) if len(found) else np.zeros(0, int)
    hit = distance[lone, nearest] <= NEAR_M
    match, depth = picks.iloc[nearest[hit]], truth["depth_m"].to_numpy()[lone[hit]]
    held = (match["depth_low_m"].to_numpy() <= depth) & (depth <= match["depth_high_m"].to_numpy())
    strength = truth["strength"].to_numpy()[lone[hit]]
    strong = (match["strength_low"].to_numpy() <= strength) & (
        strength <= match["strength_high"].to_numpy()
    )
    told = match["depth_m"].notna().to_numpy()
    off = np.abs(match["depth_m"].to_numpy() - depth)[told]
    return {
        "lone targets": float(len(lone)),
        "found": float(hit.sum()),
        "picks": float(len(picks)),
        "false picks": float((distance.min(axis=0) > 1.0).sum()),
        "depths in 90 %": float(held.sum()),
        "strengths in 90 %": float(strong.sum()),
        "told": float(told.sum()),
        "told in 90 %": float(held[told].sum()),
        "told off by": float(off.sum()),
    }


def _oracle(site: BuriedSite, heard: np.ndarray) -> dict[str, float]:
    """Weigh each lone target with lag, baseline and all other metal known: what place there is.

    Only the lane's wander, height and noise are left unknown. The lattice is laid about the truth
    moved by 0.15 m, so that its middle tells nothing.
    """
    readings, coil, truth = site.readings, site.coil, site.truth
    rng = np.random.default_rng(1)
    heading = readings["heading_deg"].to_numpy()
    ahead = np.column_stack([np.sin(np.deg2rad(heading)), np.cos(np.deg2rad(heading))])
    points = readings[["e", "n"]].to_numpy() - site.lag_m * ahead
    where = coil["e"].to_numpy(), coil["n"].to_numpy(), coil["height"].to_numpy()
    total = signal_at(truth, *where)
    clean = readings["signal"].to_numpy() - coil["baseline"].to_numpy()
    full = readings["at_full_scale"].to_numpy() & (total > 0.5 * float(DETECTOR.full_scale or 0))
    kept = full | (np.abs(clean - total) < 6.0 * NOISE)  # spikes are known to be such
    weigher, found, expected = Weigher(DETECTOR, NOISE), 0, 0.0
    lone = lone_targets(site, heard)
    for number in lone:
        place = truth[["e", "n"]].to_numpy()[number]
        near = kept & (np.hypot(*(points - place).T) < HEARD_WITHIN_M)
        own = (clean - total + signal_at(truth.iloc[[number]], *where))[near]
        variance = NOISE**2 + (RELATIVE_ERROR * own) ** 2
        swum = readings["track"].to_numpy()[near], heading[near], full[near]
        all_heard = Heard(points[near], own, variance, *swum)
        told, *_ = weigher.weigh(place + rng.normal(0, 0.15, 2), 0.04, all_heard, points[:0])
        found += bool(np.hypot(told.e - place[0], told.n - place[1]) <= NEAR_M)
        expected += told.within_reach
    return {"oracle found": float(found), "oracle expects": expected}


def main() -> None:
    """Print a row a site and what they come to."""
    sites = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    silent = sys.argv[3:] == ["silent"]
    table = pd.DataFrame([one_site(seed, silent) for seed in range(first, first + sites)])
    print(table.round(3).to_string())
    total = table.sum()
    off = table["lag error"].abs()
    print(
        f"\nstrength in the first tenth over the best possible: tool {table['tool'].mean():.3f}, "
        f"map of strength alone {table['map alone'].mean():.3f}, "
        f"binned means {table['binned means'].mean():.3f}, oracle {table['oracle'].mean():.3f}; "
        f"least gain at a site {(table['tool'] - table['binned means']).min():.3f}\n"
        f"lag: within 0.05 m at {100 * (off < 0.05).mean():.0f} % of sites, mean error "
        f"{off.mean():.3f} m; levels: mean error {table['level error'].mean():.2f} noise units, "
        f"worst lane {table['worst level'].max():.2f}\n"
        f"lone targets found within {NEAR_M} m: "
        f"{100 * total['found'] / total['lone targets']:.0f} % of {total['lone targets']:.0f}; "
        "picks farther than 1 m from any target: "
        f"{100 * total['false picks'] / total['picks']:.1f} % of {total['picks']:.0f}; "
        f"all else known {100 * total['oracle found'] / total['lone targets']:.0f} % "
        f"(expected {100 * total['oracle expects'] / total['lone targets']:.0f} %)\n"
        "90 % intervals hold: of depth "
        f"{100 * total['depths in 90 %'] / total['found']:.0f} %, of strength "
        f"{100 * total['strengths in 90 %'] / total['found']:.0f} % of {total['found']:.0f}; of "
        f"{total['told']:.0f} told as a number "
        f"{100 * total['told in 90 %'] / total['told']:.0f} %, "
        f"off by {total['told off by'] / total['told']:.2f} m"
        f"\nseconds of CPU a site: {table['seconds of CPU'].mean():.1f}"
    )


if __name__ == "__main__":
    main()
