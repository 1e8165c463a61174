"""How good the squares' figures are, and how fast: everything of the kind, in one command.

    python tests/benchmarks/squares_worth.py [fields]     # 1000 fields by default

Prints: censored depths (bias, interval), ranks (calibration, interval, share of the truth captured
against plainer ways), evidence drawn by itself and together, and times. Fields are drawn from known
models, buried sites by `buried_sites`; nothing else is invented.
"""

import resource
import sys
import time
from types import SimpleNamespace

import evidence_together
import numpy as np
import pandas as pd
import shapely
import xarray as xr
from scipy.spatial import cKDTree

from detect.geostat import Kriging, Variogram
from detect.geostat.model import point_model
from detect.probes import (
    CensoredFit,
    contact_depth,
    contact_depth_model,
    contact_model,
    kind_model,
)
from detect.readings import SiteInversion
from detect.squares import (
    SOURCES,
    EffortRates,
    Given,
    coin_tosses,
    gather_evidence,
    plan_dig,
    rank_squares,
    realised_scores,
    weight_sensitivity,
)
from detect.squares.sources import draw_normal
from detect.survey.grid import square_names

TOP_K, SIZE = 15, 2.0


def censored(fields: int) -> pd.DataFrame:
    """Contact depth where 4 in 10 of 80 probes ran out: bias and 90 % interval at 40 places."""
    model = Variogram(model="exponential", partial_sill=0.09, range_m=8.0 / 3.0)
    error, rows = 0.05, []
    for seed in range(fields):
        rng = np.random.default_rng(seed)
        points = rng.uniform(0.0, [30.0, 20.0], (120, 2))
        lag = points[:, None] - points
        root = np.linalg.cholesky(model.covariance(*lag.transpose(2, 0, 1)) + 1e-10 * np.eye(120))
        truth = 1.2 + root @ rng.standard_normal(120)
        pushed = truth[:80] + error * rng.standard_normal(80)
        longest = np.quantile(pushed, 0.6)
        depth, ran_out = np.minimum(pushed, longest), pushed > longest
        probes, asked, truth = points[:80], points[80:], truth[80:]
        known = CensoredFit(1.2, model, error, 0.0)
        none = np.zeros(80, bool)
        ways = {
            "stops as what they say, model fitted": (probes, depth, ran_out, None),
            "stops as what they say, model known": (probes, depth, ran_out, known),
            "stops dropped": (probes[~ran_out], depth[~ran_out], none[~ran_out], None),
            "stops taken for contacts": (probes, depth, none, None),
        }
        for name, (at, d, out, fit) in ways.items():
            estimate, variance = contact_depth(at, d, out, fit=fit, seed=seed).at(asked)
            held = np.abs(estimate - truth) <= 1.6448536 * np.sqrt(variance)
            rows.append((name, np.mean(estimate - truth), np.std(estimate - truth), held.mean()))
    table = pd.DataFrame(rows, columns=["way", "bias_m", "rmse_m", "held_90"])
    return table.groupby("way", sort=False).mean()


class World:
    """A site of 30 x 20 m with 150 squares, lanes 2.5 m apart and 60 probes, of known models."""

    def __init__(self) -> None:
        rng = np.random.default_rng(12)
        e, n = np.meshgrid(np.arange(1.0, 30, SIZE), np.arange(1.0, 20, SIZE), indexing="ij")
        self.centres = np.column_stack([e.ravel(), n.ravel()])
        offsets = (np.arange(4) - 1.5) * 0.5
        fine = np.stack(np.meshgrid(offsets, offsets), axis=-1).reshape(-1, 2)
        self.nodes = (self.centres[:, None] + fine).reshape(-1, 2)
        lanes = np.arange(0.75, 30, 2.5)
        along = np.arange(0.25, 20, 0.5)
        le, ln = np.meshgrid(lanes, along, indexing="ij")
        self.read = np.column_stack([le.ravel() + rng.normal(0, 0.12, le.size), ln.ravel()])
        self.probes = rng.uniform(0, [30, 20], (60, 2))
        self.fields = {
            "signal": (Variogram(model="spherical", partial_sill=1.0, range_m=6.0), self.read, 0.5),
            "overburden": (
                Variogram(model="exponential", partial_sill=0.04, range_m=3.0),
                self.probes,
                0.05,
            ),
        }
        self.known = {name: self._known(*given) for name, given in self.fields.items()}

    def _known(self, model: Variogram, points: np.ndarray, error: float) -> SimpleNamespace:
        everywhere = np.concatenate([self.nodes, points])
        lag = everywhere[:, None] - everywhere
        covariance = model.covariance(*lag.transpose(2, 0, 1)) + 1e-9 * np.eye(len(everywhere))
        kriging = Kriging(points, np.zeros(len(points)), model, measurement_sd=error)
        _, posterior = kriging.block_posterior(self.centres, SIZE)
        return SimpleNamespace(
            root=np.linalg.cholesky(covariance),
            error=error,
            weights=kriging.weights(self.centres, SIZE),
            at_centre=kriging.weights(self.centres),
            posterior=posterior,
        )

    def draw(self, name: str, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
        """True mean of every square, and what was read."""
        known = self.known[name]
        field = known.root @ rng.standard_normal(len(known.root))
        inside = len(self.nodes)
        read = field[inside:] + known.error * rng.standard_normal(len(field) - inside)
        return field[:inside].reshape(len(self.centres), -1).mean(axis=1), read


def ranks(fields: int) -> tuple[pd.DataFrame, float, pd.DataFrame]:
    """Calibration of p_top_k by tenths, share of rank intervals that hold, captured share."""
    world = World()
    count = len(world.centres)
    layout = pd.DataFrame(
        {
            "square": [f"Q{i}" for i in range(count)],
            "e_min": world.centres[:, 0] - 1,
            "n_min": world.centres[:, 1] - 1,
            "size_m": SIZE,
            "status": "open",
            "why": "",
            **dict.fromkeys(("signal_mean", "signal_sd", "p_above", "p_contact"), 0.5),
            **dict.fromkeys(("overburden_m", "overburden_sd_m", "effort_h", "sediment_m3"), 1.0),
            **dict.fromkeys(("loudness_mean", "loudness_sd", "loudness_threshold", "pod"), 1.0),
            "surveyed_fraction": 1.0,
        }
    )
    weights = {"signal": 0.7, "overburden": 0.3}
    tree, near = cKDTree(world.read), []
    owner = np.floor(world.read / SIZE).astype(int) @ np.array([10, 1])
    distance, neighbour = tree.query(world.centres, k=16)
    stated, true_top, held = [], [], []
    for seed in range(fields):
        rng = np.random.default_rng(1000 + seed)
        truth, draws, read = {}, {}, {}
        for name, known in world.known.items():
            truth[name], read[name] = world.draw(name, rng)
            mean = known.weights @ read[name]
            draws[name] = draw_normal(mean, known.posterior, 1000, rng)
        out = rank_squares(layout, draws, weights, TOP_K).set_index("square").loc[layout["square"]]
        score = np.zeros(count)
        for name, sign in (("signal", 1.0), ("overburden", -1.0)):
            expected = draws[name].mean(axis=0)
            score += sign * weights[name] * (truth[name] - expected.mean()) / expected.std()
        place = np.empty(count, int)
        place[np.argsort(-score)] = np.arange(1, count + 1)
        stated.append(out["p_top_k"].to_numpy(float))
        true_top.append(place <= TOP_K)
        low, high = out["rank_p05"].to_numpy(float), out["rank_p95"].to_numpy(float)
        held.append(((low <= place) & (place <= high)).mean())
        # one evidence, for the plainer ways: the mean signal of a square
        signal, known = read["signal"], world.known["signal"]
        bins = pd.Series(signal).groupby(owner).mean().reindex(np.arange(count))
        ways = {
            "tool: block kriging, joint draws": draws["signal"].mean(axis=0),
            "binned means": bins.fillna(-np.inf).to_numpy(),
            "inverse distance squared, 16 readings": (
                (signal[neighbour] / distance**2).sum(axis=1) / (distance**-2.0).sum(axis=1)
            ),
            "point kriging at the centre": known.at_centre @ signal,
        }
        gain = truth["signal"] - truth["signal"].mean()
        best = np.sort(gain)[::-1][:TOP_K].sum()
        near.append({w: gain[np.argsort(-v)[:TOP_K]].sum() / best for w, v in ways.items()})
    p, top = np.concatenate(stated), np.concatenate(true_top)
    tenth = np.clip((p * 10).astype(int), 0, 9)
    table = (
        pd.DataFrame({"tenth": tenth, "stated": p, "true": top})
        .groupby("tenth")
        .agg(stated=("stated", "mean"), true=("true", "mean"), cases=("true", "size"))
    )
    captured = pd.DataFrame(near)
    ahead = captured.iloc[:, [0]].to_numpy() - captured
    summary = pd.DataFrame(
        {
            "captured": captured.mean(),
            "tool_ahead_by": ahead.mean(),
            "standard_error": ahead.std() / np.sqrt(len(ahead)),
        }
    )
    return table, float(np.mean(held)), summary


def speed() -> None:
    """600 squares, 1,000 joint realisations, 20,000 readings and 500 probes; a plan of 600."""
    rng = np.random.default_rng(3)
    layout = square_names(shapely.box(0, 0, 60, 40), 2.0, (0.0, 0.0)).assign(status="open", why="")
    le, ln = np.meshgrid(np.arange(0.3, 60, 0.6), np.arange(0.1, 40, 0.2), indexing="ij")
    read = np.column_stack([le.ravel(), ln.ravel()])
    wave = np.sin(read[:, 0] / 4) * np.cos(read[:, 1] / 5)
    model = Variogram(model="exponential", partial_sill=1.0, range_m=2.0)
    at = rng.uniform(0, [60, 40], (500, 2))
    depth = 1.2 + 0.4 * np.sin(at[:, 0] / 6) + 0.05 * rng.standard_normal(500)
    kind = np.where(depth > 1.3, "none", rng.choice(["wood", "metal", "stone"], 500))
    probes = pd.DataFrame(
        {"e": at[:, 0], "n": at[:, 1], "depth_m": np.minimum(depth, 1.3), "contact": kind}
    )
    axes = {"n": np.arange(0.125, 40, 0.25), "e": np.arange(0.125, 60, 0.25)}
    heard = rng.exponential(0.02, (9, 160, 240))
    metal = SiteInversion(heard.mean(axis=0), heard[1:], np.array([0.3]), 2.5, pd.DataFrame())
    begun, busy = time.perf_counter(), time.process_time()
    loud = point_model(
        read,
        wave + 0.3 * rng.standard_normal(len(read)),
        variogram=model,
        measurement_sd=0.3,
        neighbours=64,
    )
    given = Given(
        layout,
        SimpleNamespace(loudness=loud, scale=1.0, squares=loud.kriging.blocks),
        contact_model(probes),
        contact_depth_model(probes),
        pod=np.full(600, 0.9),
        surveyed_fraction=np.ones(600),
        threshold_snr=3.0,
        burial_depth_m=0.4,
        realisations=1000,
        kinds=kind_model(probes),
        maps=xr.Dataset({"strength": (("n", "e"), metal.strength)}, axes),
        metal=metal,
    )
    modelled = time.perf_counter() - begun
    evidence = gather_evidence(given, SOURCES, EffortRates(0.25, 0.5, 1.0, 1.0), seed=1)
    weights = {"strength": 0.45, "signal": 0.15, "contact": 0.3, "overburden": 0.1}
    squares = rank_squares(evidence.table, evidence.draws, weights, 60)
    score = realised_scores(evidence.draws, weights)
    coin_tosses(list(layout["square"]), score, 60)
    weight_sensitivity(layout, evidence.draws, weights, 60)
    took, cpu = time.perf_counter() - begun, time.process_time() - busy
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    stops = int((kind == "none").sum())
    print(f"{len(read)} readings, 500 probes ({stops} ran out), 600 squares, 1,000 realisations:")
    print(f"  {took:.1f} s ({cpu:.1f} s of CPU), of it models {modelled:.1f} s; {peak:.0f} MB")
    for bonus in (0.0, 0.1):
        everything = squares.assign(p_top_k=0.9, score=squares["score"] + 3.0)
        begun = time.perf_counter()
        plan = plan_dig(everything, 600.0, 0.2, joined_bonus=bonus, dive_day_h=4.0)
        print(
            f"dig plan, 600 squares, 600 h, bonus {bonus}: {time.perf_counter() - begun:.1f} s "
            f"with one more day, {len(plan.table)} squares, gap {plan.gap:.2g}, "
            f"{100 * (plan.value / plan.list_value - 1):.1f} % over the top of the list"
        )


def main() -> None:
    """Print every figure."""
    fields = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    pd.set_option("display.width", 120)
    speed()
    table, held, captured = ranks(fields)
    worst = float((table["true"] - table["stated"]).abs().max())
    print(
        f"\np_top_k over {fields} fields of 150 squares, k = {TOP_K}; "
        f"worst tenth off by {worst:.3f}"
    )
    print(table.round(3).to_string())
    print(f"90 % rank intervals hold {100 * held:.1f} %")
    print(f"\nshare of the attainable gain captured by the first {TOP_K} squares")
    print(captured.round(4).to_string())
    few = max(fields // 5, 1)
    print(f"\ncontact depth, {few} fields, 4 in 10 of 80 probes ran out")
    print(censored(few).round(4).to_string())
    evidence_together.metal(max(fields // 50, 1))
    evidence_together.probed(max(fields // 10, 1))


if __name__ == "__main__":
    main()
