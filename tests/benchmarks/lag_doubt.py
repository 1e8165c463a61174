"""Is the lag as sure as it says: sites with and without cross lanes, with much metal and little.

Families of `buried_sites`: as they are; without cross lanes; those with fourteen targets left; and
a row of seven strong targets askew to the lanes among five strays, which a lag can imitate.

A benchmark, not a test: it prints and never fails. Run: python tests/benchmarks/lag_doubt.py
[sites] [first seed]. `BELIEVED` and `LEAST_RATIO` were chosen on seeds 100 to 123 and on sites of
another maker.
"""

import sys

import numpy as np
import pandas as pd
from buried_sites import DETECTOR, HEIGHT_M, WIDTH_M, bury, lanes, make_site

from detect.readings.conditioning import condition
from detect.readings.lag import estimate_lag

NO_CROSS_LANES = [lane for lane in lanes() if not lane[0].startswith("X")]


def few(rng: np.random.Generator) -> pd.DataFrame:
    """Fourteen of the targets."""
    return bury(rng).sample(14, random_state=int(rng.integers(1 << 30))).reset_index(drop=True)


def row(rng: np.random.Generator) -> pd.DataFrame:
    """Seven strong targets in a row askew to the lanes, and five strays."""
    at = np.arange(7.0)[:, None]
    line = rng.uniform(3.0, 8.0, 2) + at * [rng.uniform(0.8, 1.2), rng.uniform(0.7, 1.6)]
    strays = rng.uniform((1.0, 1.0), (WIDTH_M - 1.0, HEIGHT_M - 1.0), (5, 2))
    place = np.vstack([line + rng.normal(0, 0.1, line.shape), strays])
    return pd.DataFrame(
        {
            "e": place[:, 0],
            "n": place[:, 1],
            "depth_m": rng.uniform(0.1, 0.6, 12),
            "strength": np.r_[rng.uniform(1.0, 15.0, 7), rng.uniform(0.2, 1.0, 5)],
        }
    )


FAMILIES = {
    "with cross lanes": (bury, lanes(), None),
    "no cross lanes": (bury, NO_CROSS_LANES, None),
    "and few targets": (few, NO_CROSS_LANES, None),
    "and a row askew": (row, NO_CROSS_LANES, None),
    "the same, no lag": (row, NO_CROSS_LANES, 0.0),
}


def main() -> None:
    """Print the table."""
    sites, first = (int(x) for x in (sys.argv[1:] + ["20", "0"][len(sys.argv) - 1 :])[:2])
    heads = ("error, m", "error / sd", "applied", "left, m", "if not, m")
    print(f"{'site':<18}" + "".join(f"{head:>12}" for head in heads))
    for name, (buried, ways, lag) in FAMILIES.items():
        found = []
        for seed in range(first, first + sites):
            site = make_site(seed, buried, ways, lag)
            readings, _, noise = condition(site.readings, ["spikes", "drift", "levels"], DETECTOR)
            lagging = estimate_lag(readings, DETECTOR, noise.sd)
            left = site.lag_m - (lagging.lag_m if lagging.told else 0.0)
            error = lagging.lag_m - site.lag_m
            found.append((error, error / lagging.sd_m, lagging.told, left, site.lag_m))
        error, ratio, told, left, lags = np.array(found, float).T
        rms = [float(np.sqrt(np.nanmean(x**2))) for x in (error, ratio, left, lags)]
        figures = (*rms[:2], float(told.mean()), *rms[2:])
        print(f"{name:<18}" + "".join(f"{figure:>12.3f}" for figure in figures), flush=True)


if __name__ == "__main__":
    main()
