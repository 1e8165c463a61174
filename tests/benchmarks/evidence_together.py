"""Do the errors of two kinds of evidence hang together, and what does it do to the ranks?

    python tests/benchmarks/evidence_together.py [sites] [fields]     # 20 and 60 by default
    python tests/benchmarks/evidence_together.py 0 60 few 100         # other ground, other seeds

Strength and signal: sites of `buried_sites`, where the truth is known. Contact and overburden:
fields of a known model, probed. Errors are standardised by what the tool states; ranks are held
against the truth with the evidence drawn by itself, and with it drawn together.
`squares_worth.py` prints the same.
"""

import sys
from types import SimpleNamespace

import numpy as np
import pandas as pd
import shapely
import xarray as xr
from buried_sites import DETECTOR, HEIGHT_M, WIDTH_M, make_site, signal_at

from detect.geostat import Variogram
from detect.probes import contact_depth_model, contact_model
from detect.readings import condition, invert_site, signal_model
from detect.readings.compressed import loudness
from detect.squares import realised_scores, sources
from detect.squares.layout import mean_over_squares
from detect.squares.ranking import AGAINST, places
from detect.squares.together import together
from detect.survey.grid import Grid, square_names

SIZE, TOP_K, REALISATIONS = 2.0, 15, 1000
STEPS = ["spikes", "drift", "levels", "lag"]
#: ground that is probed: model of the depth of contact, probes, share of them that meet something
GROUNDS = {
    "usual": (Variogram("exponential", 0.0, 0.09, 8.0 / 3.0), 80, 0.6),
    "few": (Variogram("exponential", 0.0, 0.09, 8.0 / 3.0), 40, 0.5),
    "long": (Variogram("spherical", 0.0, 0.09, 12.0), 80, 0.4),
    "short": (Variogram("exponential", 0.0, 0.09, 4.0 / 3.0), 80, 0.6),
    "many": (Variogram("spherical", 0.0, 0.09, 8.0), 150, 0.7),
    "elongated": (
        Variogram("exponential", 0.0, 0.09, 4.5, anisotropy_ratio=0.3, azimuth_deg=70.0),
        80,
        0.5,
    ),
}


def layout() -> pd.DataFrame:
    """Squares of a site of 30 x 20 m."""
    return square_names(shapely.box(0, 0, WIDTH_M, HEIGHT_M), SIZE, (0.0, 0.0))


def held_against(
    draws: dict[str, np.ndarray],
    truth: dict[str, np.ndarray],
    weights: dict[str, float],
    share: float | None,
) -> dict[str, dict[str, np.ndarray]]:
    """Rank with the evidence drawn by itself and together; say what is stated and what is true."""
    score = np.zeros(len(next(iter(truth.values()))))
    for name, weight in weights.items():
        expected = draws[name].mean(axis=0)
        standard = (truth[name] - expected.mean()) / expected.std()
        score += (-weight if name in AGAINST else weight) * standard / sum(weights.values())
    true_place = places(score[None, :])[0]
    found = {}
    for way, drawn in (("by itself", draws), ("together", together(draws, share))):
        scores = realised_scores(drawn, weights)
        place = places(scores)
        low, high = np.quantile(place, [0.05, 0.95], axis=0, method="inverted_cdf")
        low_score, high_score = np.quantile(scores, [0.05, 0.95], axis=0)
        found[way] = {
            "stated": (place <= TOP_K).mean(axis=0),
            "true": true_place <= TOP_K,
            "rank held": (low <= true_place) & (true_place <= high),
            "score held": (low_score <= score) & (score <= high_score),
            "score sd": scores.std(axis=0),
        }
    return found


def metal_site(seed: int, squares: pd.DataFrame) -> tuple[dict, dict, dict]:
    """Draws, truth and standardised errors of signal and strength on one invented site."""
    site = make_site(seed)
    readings, _, noise = condition(site.readings, STEPS, DETECTOR)
    grid = Grid(np.arange(0.125, WIDTH_M, 0.25), np.arange(0.125, HEIGHT_M, 0.25), 0.25)
    metal = invert_site(
        readings, DETECTOR, noise.sd, grid.field(np.zeros(grid.shape), "cells", "1", ""), seed
    )
    model = signal_model(readings, noise.sd, neighbours=64)
    given = SimpleNamespace(
        layout=squares,
        centres=squares[["e_min", "n_min"]].to_numpy(float) + SIZE / 2,
        size_m=SIZE,
        signal=model,
        threshold_snr=DETECTOR.threshold_snr,
        realisations=REALISATIONS,
        maps=xr.Dataset({"strength": grid.field(metal.strength, "strength", "1", "")}),
        metal=metal,
        origin=(0.0, 0.0),
    )
    rng = np.random.default_rng(seed)
    draws = {
        item.name: item.draws
        for source in (sources.signal, sources.strength)
        for item in source(given, rng)
    }
    e, n = grid.nodes.T
    heard = signal_at(site.truth, e, n, np.full(len(e), DETECTOR.coil_height_m))
    loud = loudness(np.minimum(heard, DETECTOR.full_scale), model.scale)
    buried = np.zeros(grid.size)
    at = (np.floor(site.truth["n"] / 0.25) * len(grid.e) + np.floor(site.truth["e"] / 0.25)).astype(
        int
    )
    np.add.at(buried, at, site.truth["strength"].to_numpy())
    cells = (SIZE / 0.25) ** 2
    truth = {
        "signal": mean_over_squares(squares, grid.nodes, loud, (0.0, 0.0)),
        "strength": np.arcsinh(cells * mean_over_squares(squares, grid.nodes, buried, (0.0, 0.0))),
    }
    return draws, truth, {"holds metal": truth["strength"] > 0}


class Probed:
    """Depths of first contact over the squares and at probes, of which some ran out."""

    def __init__(self, squares: pd.DataFrame, ground: str) -> None:
        model, self.count, self.share = GROUNDS[ground]
        rng = np.random.default_rng(5)
        offsets = (np.arange(5) + 0.5) * SIZE / 5
        fine = np.stack(np.meshgrid(offsets, offsets), axis=-1).reshape(-1, 2)
        corners = squares[["e_min", "n_min"]].to_numpy(float)
        self.squares, self.inside = squares, len(corners) * len(fine)
        self.probes = rng.uniform(0.0, [WIDTH_M, HEIGHT_M], (self.count, 2))
        points = np.concatenate([(corners[:, None] + fine).reshape(-1, 2), self.probes])
        lag = points[:, None] - points
        covariance = model.covariance(*lag.transpose(2, 0, 1)) + 1e-9 * np.eye(len(points))
        self.root = np.linalg.cholesky(covariance)

    def site(self, seed: int) -> tuple[dict, dict, float]:
        """Draws and truth of contact and overburden, and the share of probes that met something."""
        rng = np.random.default_rng(seed)
        field = 1.2 + self.root @ rng.standard_normal(len(self.root))
        pushed = field[self.inside :] + 0.05 * rng.standard_normal(self.count)
        longest = np.quantile(pushed, self.share)
        probes = pd.DataFrame(
            {
                "e": self.probes[:, 0],
                "n": self.probes[:, 1],
                "depth_m": np.minimum(pushed, longest),
                "contact": np.where(pushed > longest, "none", "wood"),
            }
        )
        contacts = contact_model(probes)
        given = SimpleNamespace(
            layout=self.squares,
            centres=self.squares[["e_min", "n_min"]].to_numpy(float) + SIZE / 2,
            size_m=SIZE,
            contacts=contacts,
            contact_depth=contact_depth_model(probes, seed=seed),
            kinds=None,
            realisations=REALISATIONS,
        )
        draws = {
            item.name: item.draws
            for source in (sources.contact, sources.overburden)
            for item in source(given, rng)
        }
        by_square = field[: self.inside].reshape(len(self.squares), -1)
        truth = {
            "contact": (by_square < longest).mean(axis=1),
            "overburden": by_square.mean(axis=1),
        }
        return draws, truth, contacts.share


def report(
    title: str,
    errors: pd.DataFrame,
    ranks: list[dict[str, dict[str, np.ndarray]]],
) -> None:
    """Print correlation of the errors, and how the ranks hold either way."""
    print(f"\n{title}")
    print(errors.to_string())
    for way in ("by itself", "together"):
        one = {k: np.concatenate([r[way][k] for r in ranks]) for k in ranks[0][way]}
        tenth = np.clip((one["stated"] * 10).astype(int), 0, 9)
        table = pd.DataFrame({"tenth": tenth, "stated": one["stated"], "true": one["true"]})
        table = table.groupby("tenth").agg(
            stated=("stated", "mean"), true=("true", "mean"), cases=("true", "size")
        )
        off = (table["true"] - table["stated"]).abs()
        brier = np.mean((one["stated"] - one["true"]) ** 2)
        print(
            f"drawn {way}: p_top_k off by {np.average(off, weights=table['cases']):.4f} on "
            f"average, {off.max():.3f} at the worst tenth; Brier score {brier:.5f}; 90 % intervals "
            f"hold {100 * one['rank held'].mean():.1f} % of ranks, "
            f"{100 * one['score held'].mean():.1f} % of scores; standard deviation of a score "
            f"{one['score sd'].mean():.3f}"
        )
        print(table.round(3).T.to_string())


def standardised(draws: dict, truth: dict) -> pd.DataFrame:
    """Return errors over the deviation stated."""
    return pd.DataFrame(
        {
            name: (truth[name] - d.mean(axis=0)) / d.std(axis=0)
            for name, d in draws.items()
            if name in truth
        }
    )


def correlations(
    parts: list[pd.DataFrame],
    kept: list[np.ndarray],
    ranks: list[dict[str, dict[str, np.ndarray]]],
) -> pd.DataFrame:
    """Return how two errors correlate, and their spread: all squares, chosen and doubtful ones."""
    every = pd.concat(parts, ignore_index=True)
    some = every[np.concatenate(kept)]
    chance = np.concatenate([one["by itself"]["stated"] for one in ranks])
    doubtful = every[(chance > 0.02) & (chance < 0.98)]
    each = [p.corr(method="spearman").iloc[0, 1] for p in parts]
    return pd.DataFrame(
        {
            name: {
                "squares": len(table),
                "correlation": table.corr().iloc[0, 1],
                "of ranks": table.corr(method="spearman").iloc[0, 1],
                "standard deviation of the first": table.iloc[:, 0].std(),
                "of the second": table.iloc[:, 1].std(),
                "of ranks, spread over sites": np.std(each),
            }
            for name, table in (
                ("all squares", every),
                ("chosen", some),
                ("place in doubt", doubtful),
            )
        }
    ).round(3)


def metal(sites: int) -> None:
    """Strength and signal."""
    squares, errors, kept, ranks = layout(), [], [], []
    for seed in range(sites):
        draws, truth, some = metal_site(seed, squares)
        errors.append(standardised(draws, truth)[["signal", "strength"]])
        kept.append(some["holds metal"])
        drawn = {name: draws[name] for name in truth}
        ranks.append(held_against(drawn, truth, {"strength": 0.45, "signal": 0.15}, None))
    report(
        f"signal and strength, {sites} invented sites of 150 squares; chosen: that hold metal",
        correlations(errors, kept, ranks),
        ranks,
    )


def probed(fields: int, ground: str = "usual", first: int = 0) -> None:
    """Contact and overburden."""
    squares, errors, kept, ranks, shares = layout(), [], [], [], []
    world = Probed(squares, ground)
    for seed in range(first, first + fields):
        draws, truth, share = world.site(seed)
        errors.append(standardised(draws, truth)[["contact", "overburden"]])
        kept.append(np.abs(draws["contact"].mean(axis=0) - 0.5) < 0.4)
        ranks.append(held_against(draws, truth, {"contact": 0.3, "overburden": 0.1}, share))
        shares.append(share)
    report(
        f"contact and overburden, {fields} fields of {ground} ground, 150 squares, "
        f"{np.mean(shares):.2f} of the probes met something; chosen: contact "
        "neither sure nor out of the question",
        correlations(errors, kept, ranks),
        ranks,
    )


def main() -> None:
    """Print both."""
    sites = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    if sites:
        metal(sites)
    probed(
        int(sys.argv[2]) if len(sys.argv) > 2 else 60,
        sys.argv[3] if len(sys.argv) > 3 else "usual",
        int(sys.argv[4]) if len(sys.argv) > 4 else 0,
    )


if __name__ == "__main__":
    main()
