"""An invented survey of 30 x 20 m with 2 m squares: Heron Skerry, the brig Patient Hannah."""

from __future__ import annotations

import functools
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any
from unittest import mock

import numpy as np
import pandas as pd
import pytest
import shapely
import xarray as xr
from matplotlib.figure import Figure
from matplotlib.text import Text
from shapely.geometry import Polygon, box

from detect.geostat import Variogram
from detect.present.backdrop import Backdrop
from detect.present.charts import (
    draw_cross_validation,
    draw_rank_intervals,
    draw_search_sheet,
    draw_variogram,
)
from detect.present.lettering import Block, Words
from detect.present.maps import draw_coverage, draw_field, draw_pair
from detect.present.plan_figure import draw_plan
from detect.present.squares import draw_squares
from detect.present.traces import draw_conditioning
from detect.survey.frame import Frame
from detect.survey.grid import Grid, site_grid, square_names
from detect.survey.outlines import KeepOutArea

OUTLINE = Polygon([(0, 0), (30, 0), (30, 14), (26, 20), (0, 20)])
ORIGIN = (0.0, 0.0)


@pytest.fixture(scope="session")
def frame() -> Frame:
    return Frame(
        grid_north_deg=312.0,
        magnetic_declination_deg=2.5,
        convergence_deg=-0.4,
        map_crs="EPSG:32633",
        map_origin=(500_120.0, 6_126_950.0),
        baseline=((0.0, -1.5), (30.0, -1.5)),
    )


@pytest.fixture(scope="session")
def grid() -> Grid:
    return site_grid(OUTLINE, 1.0, 0.25, ORIGIN)


@pytest.fixture(scope="session")
def keep_outs() -> tuple[KeepOutArea, ...]:
    return (KeepOutArea("mooring block", "chain sweeps the bed", box(21.0, 14.5, 24.5, 17.5)),)


@pytest.fixture(scope="session")
def lanes() -> pd.DataFrame:
    """Lanes along e, 1 m apart, named L01, L02, ... from the south."""
    n = np.arange(-0.5, 20.6, 1.0)
    east_end = np.where(n <= 14, 31.0, 31.0 - (n - 14) * 4 / 6)
    return pd.DataFrame(
        {
            "lane": [f"L{i + 1:02d}" for i in range(len(n))],
            "start_e": -1.0,
            "start_n": n,
            "end_e": east_end,
            "end_n": n,
            "length_m": east_end + 1.0,
            "bearing_deg": 90.0,
        }
    )


def truth(e: np.ndarray, n: np.ndarray) -> np.ndarray:
    """Signal of a few buried lumps, mV."""
    lumps = [(7, 6, 120, 1.4), (9.5, 8, 70, 1.0), (18, 11, 200, 1.1), (24, 5, 45, 2.2)]
    return 4.0 + sum(
        a * np.exp(-((e - x) ** 2 + (n - y) ** 2) / (2 * s**2)) for x, y, a, s in lumps
    )


@pytest.fixture(scope="session")
def readings(lanes: pd.DataFrame) -> pd.DataFrame:
    """One reading a half metre along each lane; two lanes lost; spikes and a drifting lane."""
    rng = np.random.default_rng(7)
    tables = []
    for i, lane in enumerate(lanes.itertuples()):
        if lane.lane in ("L15", "L16"):
            continue
        last = 12.0 if lane.lane == "L20" else lane.length_m
        distance = np.arange(0.0, last + 1e-9, 0.5)
        e, n = lane.start_e + distance, np.full(len(distance), lane.start_n)
        clean = truth(e, n) + rng.normal(0, 2.0, len(e))
        raw = clean + 8.0 * np.sin(i) + 0.25 * distance * np.cos(i)
        spike = rng.random(len(e)) < 0.012
        raw = np.where(spike, raw + 150.0, raw)
        tables.append(
            pd.DataFrame(
                {
                    "lane": lane.lane,
                    "pass": "1",
                    "direction": "out" if i % 2 == 0 else "back",
                    "dive": str(1 + i // 5),
                    "diver": "A",
                    "distance_m": distance,
                    "e": e,
                    "n": n,
                    "raw": raw,
                    "signal": np.where(spike, raw, clean),
                    "used": ~spike,
                    "dropped": np.where(spike, "spike", ""),
                    "heading_deg": 90.0 if i % 2 == 0 else 270.0,
                    "track": i,
                }
            )
        )
    return pd.concat(tables, ignore_index=True)


@pytest.fixture(scope="session")
def probes() -> pd.DataFrame:
    rng = np.random.default_rng(3)
    e, n = (a.ravel() for a in np.meshgrid(np.arange(2, 30, 4.0), np.arange(2, 19, 4.0)))
    words = rng.choice(["none", "metal", "wood", "stone", "shell", "clay", "rope"], len(e))
    return pd.DataFrame(
        {
            "probe": [f"P{i + 1}" for i in range(len(e))],
            "e": e,
            "n": n,
            "depth_m": np.where(words == "none", 1.5, rng.uniform(0.3, 1.3, len(e))),
            "contact": words,
            "diver": "B",
            "notes": "",
        }
    )


@pytest.fixture(scope="session")
def fields(grid: Grid) -> xr.Dataset:
    """Maps of every kind, with a strip of ground that nobody swam."""
    e, n = np.meshgrid(grid.e, grid.n)
    surveyed = grid.inside(OUTLINE.buffer(0.6)) & ~((n > 13.9) & (n < 15.1))
    depth = 0.8 + 0.5 * np.sin(e / 6) * np.cos(n / 5)
    seabed = 8.0 + 0.06 * e - 0.03 * n + 0.25 * np.sin(e / 5)
    pod = np.clip(0.97 - 0.9 * np.exp(-((n - 14.5) ** 2) / 1.2), 0, 1)
    pod = np.where((n > 18) & (e > 12), 0.55, pod)
    values = {
        "signal": (truth(e, n), "mV", "signal"),
        "signal_sd": (
            2.0 + 4.0 * np.exp(-((n - 14.5) ** 2) / 2),
            "mV",
            "standard deviation of signal",
        ),
        "contact_probability": (np.clip(truth(e, n) / 130, 0, 1), "1", "probability of contact"),
        "contact_depth": (depth, "m", "depth of first contact below the bed"),
        "contact_depth_sd": (0.2 + 0.05 * np.cos(e), "m", "standard deviation of contact depth"),
        "seabed": (seabed, "m", "depth of the bed below the water level"),
        "seabed_sd": (0.05 + 0.02 * np.cos(n), "m", "standard deviation of bed depth"),
        "pod": (np.where(surveyed, pod, 0.0), "1", "probability of detection"),
    }
    maps = xr.Dataset({name: grid.field(v, name, u, long) for name, (v, u, long) in values.items()})
    maps["signal"] = maps["signal"].where(surveyed)
    maps["surveyed"] = grid.field(surveyed, "surveyed", "1", "surveyed")
    return maps


@pytest.fixture(scope="session")
def squares(grid: Grid) -> pd.DataFrame:
    """Ranked squares with reserve, excluded and unsurveyed ones, best first."""
    rng = np.random.default_rng(11)
    table = square_names(OUTLINE, 2.0, ORIGIN)
    e, n = table["e_min"] + 1.0, table["n_min"] + 1.0
    signal = truth(e.to_numpy(), n.to_numpy())
    status = np.full(len(table), "open", dtype=object)
    status[np.asarray(table["square"].isin(["D4", "E3", "J6"]))] = "reserve"
    status[np.asarray(table["square"].isin(["K8", "L8", "L9"]))] = "excluded"
    status[np.asarray((table["n_min"] == 14) & ~table["square"].isin(["L8", "K8"]))] = "unsurveyed"
    table = table.assign(
        signal_mean=signal,
        signal_sd=rng.uniform(1, 4, len(table)),
        p_above=np.clip(signal / 150, 0, 1),
        p_contact=np.clip(signal / 180, 0, 1),
        overburden_m=rng.uniform(0.3, 1.2, len(table)),
        overburden_sd_m=0.15,
        pod=0.95,
        effort_h=rng.uniform(4, 12, len(table)),
        status=status,
        surveyed_fraction=np.where(status == "unsurveyed", 0.1, 1.0),
    )
    score = signal / 200 - 0.05 * table["overburden_m"]
    table["score"] = np.where(status == "unsurveyed", np.nan, score)
    is_open = table["status"] == "open"
    table["rank"] = table["score"].where(is_open).rank(ascending=False, method="first")
    spread = 1 + table["rank"] * 0.6
    last = is_open.sum()
    table["rank_p05"] = (table["rank"] - spread).clip(1, last).round()
    table["rank_p95"] = (table["rank"] + spread).clip(1, last).round()
    table["p_top_k"] = (1 / (1 + np.exp((table["rank"] - 10) / 3))).where(is_open)
    table["reason"] = np.where(
        status == "reserve",
        "kept for those who come later",
        np.where(
            status == "excluded",
            "mooring block: chain sweeps the bed",
            np.where(
                status == "unsurveyed",
                "less than half of it swum",
                "strong signal over thin sediment",
            ),
        ),
    )
    # Whole numbers with gaps, as the ranking gives them.
    for name in ("rank", "rank_p05", "rank_p95"):
        table[name] = table[name].astype("Int64")
    return table.sort_values(["rank", "square"]).reset_index(drop=True)


@pytest.fixture(scope="session")
def dig_plan(squares: pd.DataFrame) -> pd.DataFrame:
    first = squares.head(4)
    return pd.DataFrame(
        {
            "order": range(1, 5),
            "square": first["square"],
            "effort_h": first["effort_h"],
            "cumulative_h": first["effort_h"].cumsum(),
            "sediment_m3": first["overburden_m"] * 4.0,
            "p_top_k": first["p_top_k"],
            "reason": first["reason"],
        }
    )


@pytest.fixture(scope="session")
def anomalies() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "anomaly": ["A01", "A02", "A03", "A04"],
            "e": [18.0, 7.0, 9.5, 24.0],
            "n": [11.0, 6.0, 8.0, 5.0],
            "peak": [203.0, 124.0, 75.0, 48.0],
            "snr": [98.0, 60.0, 36.0, 22.0],
            "q_value": [1e-9, 1e-8, 1e-6, 1e-4],
            "area_m2": [6.2, 8.0, 4.1, 12.5],
            "depth_m": [0.4, 0.7, np.nan, 1.1],
            "depth_sd_m": [0.1, 0.2, np.nan, 0.4],
            "strength": [1.2, 2.0, np.nan, 3.3],
            "square": ["J6", "D4", "E5", "M3"],
        }
    )


@pytest.fixture(scope="session")
def gaps() -> pd.DataFrame:
    strip, corner = box(0, 13.9, 30, 15.1), box(12, 18, 27, 20)
    shapes = [strip.intersection(OUTLINE), corner.intersection(OUTLINE)]
    return pd.DataFrame(
        {
            "gap": ["G01", "G02"],
            "e": [s.centroid.x for s in shapes],
            "n": [s.centroid.y for s in shapes],
            "area_m2": [s.area for s in shapes],
            "worst_pod": [0.0, 0.55],
            "mean_pod": [0.07, 0.55],
            "outline_wkt": [shapely.to_wkt(s) for s in shapes],
        }
    )


@pytest.fixture(scope="session")
def infill(lanes: pd.DataFrame) -> pd.DataFrame:
    return lanes[lanes["lane"].isin(["L15", "L16"])].assign(gap="G01")


@pytest.fixture(scope="session")
def dives(lanes: pd.DataFrame, frame: Frame) -> pd.DataFrame:
    """The dives' lanes as `pack_dives` gives them: five lanes a dive, out and back by turns."""
    rows = []
    for i, lane in enumerate(lanes.itertuples()):
        start, end = (lane.start_e, lane.start_n), (lane.end_e, lane.end_n)
        out = i % 2 == 0
        grid_deg = 90.0 if out else 270.0
        (from_e, from_n), (to_e, to_n) = (start, end) if out else (end, start)
        rows.append(
            {
                "dive": f"D{1 + i // 5:02d}",
                "order": 1 + i % 5,
                "lane": lane.lane,
                "direction": "out" if out else "back",
                "from_e": from_e,
                "from_n": from_n,
                "to_e": to_e,
                "to_n": to_n,
                "length_m": lane.length_m,
                "minutes": lane.length_m / 6 + 1,
                "grid_deg": grid_deg,
                "true_deg": float(frame.true_bearing(grid_deg)),
                "magnetic_deg": float(frame.magnetic_bearing(grid_deg)),
                "split": "",
            }
        )
    return pd.DataFrame(rows)


@pytest.fixture(scope="session")
def backdrop(
    frame: Frame,
    grid: Grid,
    keep_outs: tuple[KeepOutArea, ...],
    lanes: pd.DataFrame,
    readings: pd.DataFrame,
    probes: pd.DataFrame,
    squares: pd.DataFrame,
    anomalies: pd.DataFrame,
) -> Backdrop:
    return Backdrop(
        frame=frame,
        outline=OUTLINE,
        keep_outs=keep_outs,
        lanes=lanes,
        readings=readings,
        probes=probes,
        grid=grid,
        squares=squares,
        anomalies=anomalies,
    )


@pytest.fixture(scope="session")
def spacing() -> SimpleNamespace:
    """Stand-in for what `widest_spacing` returns."""
    return SimpleNamespace(
        spacing_m=1.05,
        worst_pod=0.904,
        mean_pod=0.96,
        sweep_width_m=1.6,
        coverage_factor=1.52,
        footprint_m=0.62,
        reachable=True,
        deepest_m=0.9,
    )


@pytest.fixture(scope="session")
def spacing_table() -> pd.DataFrame:
    spacing = np.arange(0.2, 3.01, 0.1)
    return pd.DataFrame(
        {
            "spacing_m": spacing,
            "worst_pod": np.clip(1.05 - 0.14 * spacing**2, 0, 0.999),
            "mean_pod": np.clip(1.02 - 0.06 * spacing**2, 0, 0.999),
            "coverage_factor": 1.6 / spacing,
        }
    )


@pytest.fixture(scope="session")
def class_table() -> pd.DataFrame:
    """Stand-in for what `detect.lanes.class_table` returns."""
    return pd.DataFrame(
        {
            "target": ["reference target", "iron nail"],
            "air_range_m": [0.75, 0.4],
            "burial_depth_m": [0.3, 0.1],
            "footprint_m": [0.62, 0.3],
            "sweep_width_m": [1.6, 0.8],
            "coverage_factor": [1.52, 0.76],
            "worst_pod": [0.904, 0.2],
            "mean_pod": [0.96, 0.7],
            "widest_spacing_m": [1.06, np.nan],
            "holds_to_m": [0.3, np.nan],
            "deepest_m": [0.6, 0.25],
            "lost_m": [0.7, 0.35],
        }
    )


@pytest.fixture(scope="session")
def class_depths() -> pd.DataFrame:
    depth = np.linspace(0, 0.7, 15)
    fall = np.clip(1.0 - (depth / 0.7) ** 3, 0, 1)
    one = pd.DataFrame({"burial_depth_m": depth, "worst_pod": 0.9 * fall, "mean_pod": fall})
    other = one.assign(burial_depth_m=0.5 * depth)
    return pd.concat([one.assign(target="reference target"), other.assign(target="iron nail")])


@pytest.fixture(scope="session")
def choices(spacing_table: pd.DataFrame) -> pd.DataFrame:
    some = spacing_table.iloc[2:14:2].reset_index(drop=True)
    bounds = {"perfect_strips_pod": 1.0, "inverse_cube_pod": 0.8, "random_pod": 0.6}
    costs = {"lane_m": 700.0, "bottom_h": 4.0, "diver_h": 8.0}
    return some.assign(**bounds, **costs, lanes=range(30, 6, -4), dives=range(9, 3, -1))


def _looks(request: pytest.FixtureRequest) -> dict[str, Callable[[], Figure]]:
    """Every figure of the room, by name."""
    get = request.getfixturevalue
    behind, maps, best = get("backdrop"), get("fields"), get("squares")
    first = tuple(get("dig_plan")["square"])
    seen = maps["surveyed"]
    lags = get("experimental")
    readings = get("readings")
    near = readings["signal"].to_numpy() + np.random.default_rng(4).normal(0, 2.8, len(readings))
    offsets = np.linspace(-2, 2, 201)
    curve = 0.98 / (1 + np.exp((np.abs(offsets) - 0.7) / 0.12))
    return {
        "signal": lambda: draw_field(
            maps["signal"], behind, title="Signal", surveyed=seen, norm="power"
        ),
        "seabed": lambda: draw_field(maps["seabed"], behind, title="Seabed", contours=8),
        "pair": lambda: draw_pair(
            maps["contact_depth"], maps["contact_depth_sd"], behind, title="Contact", contours=5
        ),
        "coverage": lambda: draw_coverage(
            maps["pod"],
            behind,
            required_pod=0.9,
            gaps=get("gaps"),
            infill=get("infill"),
            surveyed=seen,
        ),
        "squares": lambda: draw_squares(best, behind, first=first, top_k=10),
        "plan": lambda: draw_plan(
            behind,
            get("dives"),
            spacing_table=get("spacing_table"),
            spacing=get("spacing"),
            required_pod=0.9,
        ),
        "variogram": lambda: draw_variogram(
            lags, get("variogram"), unit="mV", lane_bearing_deg=90, poor=True, notes=("at bound",)
        ),
        "cross_validation": lambda: draw_cross_validation(
            readings["signal"], near, np.full(len(near), 9.0), unit="mV"
        ),
        "ranks": lambda: draw_rank_intervals(best, top_k=10, first=first),
        "search": lambda: draw_search_sheet(
            pd.concat(
                pd.DataFrame({"target": name, "offset_m": offsets, "pod": share * curve})
                for name, share in (("reference target", 1.0), ("iron nail", 0.6))
            ),
            pd.concat(
                get("spacing_table").assign(target=t) for t in ("reference target", "iron nail")
            ),
            get("class_depths"),
            get("class_table"),
            get("choices"),
            spacing_m=1.05,
            required_pod=0.9,
        ),
        "conditioning": lambda: draw_conditioning(readings, unit="mV"),
    }


@pytest.fixture(scope="session")
def figures(request: pytest.FixtureRequest) -> dict[str, Figure]:
    """Every figure, drawn once for all the tests that only look."""
    return {name: draw() for name, draw in _looks(request).items()}


@pytest.fixture(scope="session")
def variogram() -> Variogram:
    return Variogram(model="spherical", nugget=4.0, partial_sill=880.0, range_m=4.2)


@pytest.fixture(scope="session")
def experimental(variogram: Variogram) -> dict[str, pd.DataFrame]:
    """Experimental variograms scattered about the model."""

    def table(pairs: int, seed: int) -> pd.DataFrame:
        lag = np.arange(0.4, 12, 0.8)
        scatter = np.random.default_rng(seed).normal(1, 0.08, len(lag))
        return pd.DataFrame(
            {
                "pairs": (pairs * lag**0.7).astype(int),
                "lag_m": lag,
                "semivariance": variogram.semivariance(lag, 0.0) * scatter,
            }
        )

    return {"pooled": table(4000, 1), "along": table(900, 2), "across": table(120, 3)}


def shown(figure: Figure) -> list[Text]:
    """The texts that matplotlib really draws; it keeps others, such as ticks past the limits."""
    drawn: list[Text] = []

    def noting(draw: Callable[[Any, object], None]) -> Callable[[Any, object], None]:
        def noted(text: Text, renderer: object) -> None:
            if text.get_visible() and text.get_text().strip():
                drawn.append(text)
            draw(text, renderer)

        return noted

    def noted(block: Block, renderer: object) -> None:
        for x, y, said, ha, va in block.words:
            look: dict[str, Any] = {"size_pt": block.size_pt, "weight": block.weight}
            text = Words(x, y, said, ha=ha, va=va, transform=block.get_transform(), **look)
            text.set_figure(figure)
            drawn.append(text)

    with (
        mock.patch.object(Text, "draw", noting(Text.draw)),
        mock.patch.object(Words, "draw", noting(Words.draw)),
        mock.patch.object(Block, "draw", noted),
    ):
        figure.draw_without_rendering()
    return drawn


@pytest.fixture(scope="session")
def words() -> Callable[[Figure], list[Text]]:
    """Return `shown`, remembering what each figure showed."""
    return functools.cache(shown)


@pytest.fixture(scope="session")
def said(words: Callable[[Figure], list[Text]]) -> Callable[[Figure], str]:
    """All a figure says, a line each."""
    return lambda figure: "\n".join(text.get_text() for text in words(figure))
