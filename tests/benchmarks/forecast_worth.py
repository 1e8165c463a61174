"""Is the chance of finding metal in a square right: p_metal beside p_above, on invented sites.

Every square of the sites of `buried_sites` counts as opened, or the fifteen of each site with most
metal by the map; metal is found where any was buried, however small or deep. Brier scores: 0 is
perfect, and "share" is that of always stating the share of squares with metal.

Run: python tests/benchmarks/forecast_worth.py [sites [first seed]]   (chosen on seeds 100 to 129,
the figures kept are of 0 to 19 as well)
"""

import sys
from types import SimpleNamespace

import numpy as np
import pandas as pd
from buried_sites import DETECTOR, HEIGHT_M, WIDTH_M, make_site
from metal_worth import STEPS, by_square, layout

from detect.readings import condition, find_anomalies, invert_site, signal_model
from detect.squares import sources
from detect.squares.metal import chance_of_metal
from detect.squares.opened import brier_score
from detect.survey.grid import Grid

FIRST = 15
FIFTHS = np.linspace(0.0, 1.0, 6)


def one_site(seed: int) -> pd.DataFrame:
    """Return a row a square: both chances, whether it holds metal, and its strength by the map."""
    site = make_site(seed)
    readings, _, noise = condition(site.readings, STEPS, DETECTOR)
    grid = Grid(np.arange(0.125, WIDTH_M, 0.25), np.arange(0.125, HEIGHT_M, 0.25), 0.25)
    cells = grid.field(np.ones(grid.shape), "cells", "1", "")
    metal = invert_site(readings, DETECTOR, noise.sd, cells, seed)
    picks = find_anomalies(cells, np.ones(grid.shape, bool), readings, DETECTOR, noise.sd)
    squares = layout()
    given = SimpleNamespace(
        signal=signal_model(readings, noise.sd, neighbours=64),
        centres=squares[["e_min", "n_min"]].to_numpy() + squares["size_m"].to_numpy()[:, None] / 2,
        size_m=float(squares["size_m"].iloc[0]),
        threshold_snr=DETECTOR.threshold_snr,
        realisations=20,
    )
    _, above = sources.signal(given, np.random.default_rng(seed))
    mapped = by_square(*grid.nodes.T, metal.strength.ravel(), "sum")
    buried = by_square(*site.truth[["e", "n", "strength"]].to_numpy().T, "sum")
    return pd.DataFrame(
        {
            "p_metal": chance_of_metal(squares, picks, mapped),
            "p_above": above.value,
            "found": buried > 0,
            "mapped": mapped,
        }
    )


def said(table: pd.DataFrame, words: str) -> None:
    """Print the scores of some squares."""
    came = table["found"].to_numpy(bool)
    share = came.mean()
    scores = [brier_score(table[name].to_numpy(), came) for name in ("p_metal", "p_above")]
    print(
        f"{words}: {len(table)}, {100 * share:.0f} % with metal; Brier score of p_metal "
        f"{scores[0]:.3f}, p_above {scores[1]:.3f}, share {share * (1 - share):.3f}"
    )


def main() -> None:
    """Print the scores, and how often p_metal came true by fifths of it."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    sites = [one_site(seed) for seed in range(first, first + count)]
    table = pd.concat(sites, ignore_index=True)
    said(table, "all squares")
    best = [site.nlargest(FIRST, "mapped") for site in sites]
    said(pd.concat(best, ignore_index=True), f"first {FIRST} of each site")
    bins = np.clip(np.digitize(table["p_metal"], FIFTHS) - 1, 0, 4)
    for _, some in table.groupby(bins):
        print(
            f"  p_metal {some['p_metal'].mean():.2f}: metal in {some['found'].mean():.2f} "
            f"of {len(some)}"
        )


if __name__ == "__main__":
    main()
