"""What three more lanes are worth: chosen by signal, by strength, regular or anywhere.

    python tests/benchmarks/next_lanes_worth.py [sites [first seed [spacing]]]   # 20, 300, 2 m

Sites of `buried_sites` are swum, ranked, swum again along three lanes chosen in one of four ways,
conditioned and inverted again: the share of the truth that the first tenth of the squares holds.
"""

import sys
from itertools import pairwise
from types import SimpleNamespace

import buried_sites
import numpy as np
import pandas as pd
import shapely
import xarray as xr
from buried_sites import DETECTOR, HEIGHT_M, WIDTH_M, BuriedSite, make_site, signal_at
from metal_worth import STEPS, by_square, held, layout

from detect.readings import condition, find_anomalies, invert_site, signal_model
from detect.squares import realised_scores, sources
from detect.squares.metal import strength_of_targets, told_twice
from detect.squares.ranking import places, shares
from detect.squares.survey_next import (
    DOUBTFUL,
    MOST_DOUBTFUL,
    MOST_LANES,
    Outlook,
    best_next,
    candidate_lanes,
    doubt,
    doubt_left,
)
from detect.squares.together import together
from detect.survey.grid import Grid

WEIGHTS, TOP_K, SIZE, REACH_M, SETTLED = {"strength": 0.45, "signal": 0.15}, 15, 2.0, 0.5, 0.5
GRID = Grid(np.arange(0.125, WIDTH_M, 0.25), np.arange(0.125, HEIGHT_M, 0.25), 0.25)
SQUARES = layout().assign(square=[f"Q{i}" for i in range(len(layout()))])
CENTRES = SQUARES[["e_min", "n_min"]].to_numpy() + SIZE / 2


def swim(site: BuriedSite, lines: list, seed: int) -> pd.DataFrame:
    """Readings with those of more lanes, of the faults that `buried_sites` puts into its own."""
    rng, step = np.random.default_rng(seed), buried_sites.STEP_M
    first, parts, clock = int(site.readings["track"].max()) + 1, [], 300.0
    slope = rng.normal(0, 3.0) / 2400.0
    for i, line in enumerate(lines):
        start, end = np.asarray(line.coords)[[0, -1]]
        along = (end - start) / line.length
        sign = -1.0 if i % 2 else 1.0
        distance = np.arange(0.0, line.length + 1e-9, step)[:: int(sign)]
        taped = rng.normal(0, buried_sites.TAPE_M, len(distance) + 1)
        ahead = distance + taped[0] + taped[1:] - sign * site.lag_m
        off = buried_sites.wander(rng, len(distance), DETECTOR.line_error_m)
        at = start + ahead[:, None] * along + off[:, None] * [along[1], -along[0]]
        height = buried_sites.wander(rng, len(distance), buried_sites.HEIGHT_ERROR_M)
        height = np.maximum(DETECTOR.coil_height_m + height, 0.06)
        pace = rng.normal(step / buried_sites.SPEED_M_PER_S, 0.3, len(distance)).clip(1.0)
        time = clock + np.cumsum(pace)
        clock = float(time[-1]) + 90.0
        signal = signal_at(site.truth, *at.T, height) + rng.normal(0, 1.8)
        signal += slope * (time - time.mean()) + rng.normal(0, buried_sites.NOISE, len(distance))
        signal = np.minimum(signal, DETECTOR.full_scale).round(1)
        place = start + distance[:, None] * along
        heading = np.rad2deg(np.arctan2(sign * along[0], sign * along[1])) % 360.0
        parts.append(
            pd.DataFrame(
                {
                    **{"lane": f"N{i}", "pass": "1", "direction": "back" if i % 2 else "out"},
                    **{"dive": "D90", "diver": "A.K.", "time_s": time, "distance_m": distance},
                    **{"e": place[:, 0], "n": place[:, 1], "signal": signal},
                    **{"heading_deg": float(heading), "track": first + i},
                    "at_full_scale": signal >= DETECTOR.full_scale,
                }
            )
        )
    every = pd.concat([site.readings, *parts], ignore_index=True)
    return every.assign(row=np.arange(len(every)) + 2)


def worked(raw: pd.DataFrame, seed: int) -> SimpleNamespace:
    """Strength of every square, and what it was made of."""
    readings, _, noise = condition(raw, STEPS, DETECTOR)
    cells = GRID.field(np.zeros(GRID.shape), "cells", "1", "")
    metal = invert_site(readings, DETECTOR, noise.sd, cells, seed)
    everywhere = np.ones(GRID.shape, bool)
    picks = find_anomalies(cells + 1.0, everywhere, readings, DETECTOR, noise.sd)
    mapped = by_square(*GRID.nodes.T, metal.strength.ravel(), "sum")
    total = told_twice(mapped, strength_of_targets(SQUARES, picks))
    return SimpleNamespace(
        readings=readings, noise=noise, metal=metal, picks=picks.assign(square=""), total=total
    )


class Doubt:
    """The doubtful squares of a site as swum, and the lanes that might settle them."""

    def __init__(self, found: SimpleNamespace, seed: int) -> None:
        self.model = signal_model(found.readings, found.noise.sd, neighbours=64)
        strength = GRID.field(found.metal.strength, "strength", "1", "")
        given = SimpleNamespace(
            **{"layout": SQUARES, "centres": CENTRES, "size_m": SIZE, "signal": self.model},
            **{"threshold_snr": DETECTOR.threshold_snr, "realisations": 1000, "origin": (0.0, 0.0)},
            **{"maps": xr.Dataset({"strength": strength}), "metal": found.metal},
            anomalies=found.picks,
        )
        rng = np.random.default_rng(seed)
        drawn = [
            item for source in (sources.signal, sources.strength) for item in source(given, rng)
        ]
        self.draws = together({i.name: i.draws for i in drawn if i.name in WEIGHTS}, None)
        score = realised_scores(self.draws, WEIGHTS)
        ordered = np.sort(score.mean(axis=0))[::-1]
        self.cut = float(ordered[TOP_K - 1] + ordered[TOP_K]) / 2.0
        chance = (places(score) <= TOP_K).mean(axis=0)
        asked = np.flatnonzero((chance > DOUBTFUL[0]) & (chance < DOUBTFUL[1]))
        nearest = np.argsort(np.abs(chance[asked] - 0.5), kind="stable")[:MOST_DOUBTFUL]
        self.some = np.sort(asked[nearest])
        self.mean, self.variance = score.mean(axis=0)[self.some], score.var(axis=0)[self.some]
        ground = shapely.box(0, 0, WIDTH_M, HEIGHT_M)
        self.lanes = candidate_lanes(CENTRES[self.some], SIZE, 0.0, ground)

    def factor(self, name: str) -> float:
        """From evidence to score."""
        return abs(shares(self.draws, WEIGHTS)[name]) / self.draws[name].mean(axis=0).std()

    def by_signal(self) -> list:
        """Lanes as `detect rank` proposes them."""
        points = [
            shapely.get_coordinates(
                shapely.line_interpolate_point(lane, np.arange(0.0, lane.length, 1.0))
            )
            for lane in self.lanes
        ]
        ends = np.cumsum([0, *map(len, points)])
        loud = self.model.loudness
        outlook = Outlook.of(
            *(loud.kriging, CENTRES[self.some], SIZE, np.concatenate(points)),
            *(loud.measurement_sd, self.factor("signal")),
        )
        each = [np.arange(a, b) for a, b in pairwise(ends)]
        chosen = best_next([outlook], each, self.mean, self.variance, self.cut, MOST_LANES)
        return [self.lanes[number] for number, *_ in chosen]

    def by_strength(self, unswum: bool) -> list:
        """Lanes that settle half of a square's doubtful strength where they come within 0.5 m.

        ``unswum``: only where no lane came as near before.
        """
        mine = (self.factor("strength") * self.draws["strength"][:, self.some].std(axis=0)) ** 2
        boxes = shapely.box(*(CENTRES[self.some] - 1).T, *(CENTRES[self.some] + 1).T)
        swum = [shapely.LineString([a, b]) for _, a, b in buried_sites.lanes()] if unswum else []
        near = shapely.union_all(shapely.buffer(swum, REACH_M, cap_style="flat"))
        bands = [lane.buffer(REACH_M, cap_style="flat").difference(near) for lane in self.lanes]
        cover = [shapely.area(shapely.intersection(boxes, band)) / SIZE**2 for band in bands]
        got, chosen = np.zeros(len(self.some)), []
        for _ in range(MOST_LANES):
            left = [
                doubt_left(
                    self.mean, self.variance, self.cut, SETTLED * mine * np.minimum(got + more, 1.0)
                ).sum()
                for more in cover
            ]
            left = [np.inf if i in chosen else value for i, value in enumerate(left)]
            chosen.append(int(np.argmin(left)))
            got = got + cover[chosen[-1]]
        assert min(left) <= doubt(self.mean, self.variance, self.cut).sum()
        return [self.lanes[i] for i in chosen]


def one_site(seed: int) -> dict[str, float]:
    """Share of the truth in the first tenth, as swum and after three more lanes of each kind."""
    site, spacing = make_site(seed), buried_sites.LANE_M
    buried = by_square(*site.truth[["e", "n", "strength"]].to_numpy().T, "sum")
    found = worked(site.readings, seed)
    doubtful = Doubt(found, seed)
    # midway between lanes, at a quarter, a half and three quarters of the site
    midway = (np.round(np.array([7.0, 14.5, 22.0]) / spacing) + 0.5) * spacing + 0.5
    anywhere = np.random.default_rng(seed).uniform(0.3, WIDTH_M - 0.3, MOST_LANES)
    ways = {
        "by signal": doubtful.by_signal(),
        "by strength": doubtful.by_strength(unswum=False),
        "by strength, where not swum": doubtful.by_strength(unswum=True),
        "regular": [shapely.LineString([(e, 0), (e, HEIGHT_M)]) for e in midway],
        "anywhere": [shapely.LineString([(e, 0), (e, HEIGHT_M)]) for e in anywhere],
    }
    row = {"as swum": held(found.total, buried)}
    for way, lines in ways.items():
        again = worked(swim(site, lines, seed + 1), seed) if lines else found
        row[way] = held(again.total, buried)
    return row


def main() -> None:
    """Print a row a site, the mean, and the gain with its standard error."""
    given = [float(a) for a in sys.argv[1:]]
    sites, first, spacing = (*given, *(20, 300, 2.0)[len(given) :])
    buried_sites.LANE_M = spacing
    table = pd.DataFrame([one_site(seed) for seed in range(int(first), int(first + sites))])
    gain = table.sub(table["as swum"], axis=0)
    print(table.round(3).to_string())
    summary = {"share": table.mean(), "gain": gain.mean(), "standard error": gain.sem()}
    print(pd.DataFrame(summary).round(4).to_string())


if __name__ == "__main__":
    main()
