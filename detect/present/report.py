"""The report a director reads: one HTML file, everything inside it, fit for print and phone."""

from __future__ import annotations

import base64
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from detect.present.advice import advice
from detect.present.director import opening_table, summarise
from detect.present.numbers import Table, as_table, number, trimmed, with_plain_numbers
from detect.present.words import counted, ranged
from detect.survey.errors import lines_of

if TYPE_CHECKING:
    from detect.geostat.crosscheck import CrossCheck
    from detect.readings.steps import StepRecord
    from detect.survey.errors import Problem
    from detect.survey.outlines import KeepOutArea

TEMPLATES = Path(__file__).parent / "templates"

CAUTIONS = (
    "The dive supervisor sets bottom times and tables. Nothing here overrules that.",
    "A strong anomaly may be ordnance. Do not probe it, do not dig it: mark it, leave, report it.",
    "Probing can damage what it finds. Probe only at planned stations and stop at the first touch.",
    "Disturbing the bed needs a permit and a licensed archaeologist. Local law prevails.",
    "Maps are estimates. Ground that was not surveyed is unknown, not empty.",
)

# Where each picture goes; any other name is a map.
_PLACES = {
    "plan": "done",
    "spacing": "done",
    "conditioning": "done",
    "coverage": "coverage",
    "variogram": "variogram",
    "cross_validation": "checks",
    "squares": "squares",
    "rank_intervals": "squares",
    "weightings": "squares",
    "section": "probes",
}
_MOST_SQUARES, _MOST_OPENED = 30, 12
_MOST_ROWS = 60


@dataclass(frozen=True)
class Picture:
    """A figure as it goes into the report.

    Parameters
    ----------
    png : bytes
        The PNG file, from :func:`detect.present.style.png_bytes`.
    caption : str
        What is to be seen, in a sentence; printed under the picture.
    alt : str
        For those who cannot see it; the caption if empty.
    """

    png: bytes
    caption: str
    alt: str = ""

    @property
    def source(self) -> str:
        """The picture as a data URL."""
        return "data:image/png;base64," + base64.b64encode(self.png).decode("ascii")


@dataclass(frozen=True, eq=False)
class ReportContext:
    """Everything the report prints; whatever is missing is said to be missing.

    Parameters
    ----------
    site_name, date : str
    notes : str
        The site's notes as the team wrote them.
    signal_unit : str
    site, readings, coverage, variogram, scores, probing : mapping of str to object
        Facts to list: a label with its unit in brackets, and text or a number.
    dives : DataFrame or None
        Dives as packed: ``dive, lane, length_m, minutes``.
    conditioning : sequence of StepRecord
    gaps, infill, anomalies, squares, dig_plan, probes : DataFrame or None
        With the contract's columns.
    figures : mapping of str to Picture
        By file name without ending. ``plan, spacing, conditioning, coverage, variogram,
        cross_validation, squares, rank_intervals`` have their own places; any other is a map,
        and ``x_sd`` is set beside ``x``.
    variogram_notes : sequence of str
        What the fit has to say.
    variogram_poor : bool
    kriged : str
        Which map was kriged, ``"signal"`` or ``"loudness"``, and so compared.
    crosscheck : CrossCheck or None
        Comparison of sample nodes with an independent library.
    top_k : int
    budget_h : float or None
    reserve_fraction : float
    dig : mapping of str to object
        Figures of the dig plan: ``squares, merit, merit_down_the_list, gap, dive_day_h, next_day,
        next_day_merit, next_day_top_k``.
    weightings, coin_tosses, survey_next : DataFrame or None
        How the choice depends on the weights, pairs without an order, what to survey next.
    keep_outs : sequence of KeepOutArea
    notices : sequence of Problem
        Warnings about the survey folder.
    warnings : sequence of str
        Notes on the run itself: what a reader must know besides, no fault of the folder's.
    provenance : mapping of str to object
        Nested; such as ``versions``, ``inputs`` (file to SHA-256), ``parameters``, ``seed``.
    """

    site_name: str
    date: str
    notes: str = ""
    signal_unit: str = ""
    site: Mapping[str, Any] = field(default_factory=dict)
    dives: pd.DataFrame | None = None
    readings: Mapping[str, Any] = field(default_factory=dict)
    conditioning: Sequence[StepRecord] = ()
    coverage: Mapping[str, Any] = field(default_factory=dict)
    gaps: pd.DataFrame | None = None
    infill: pd.DataFrame | None = None
    figures: Mapping[str, Picture] = field(default_factory=dict)
    variogram: Mapping[str, Any] = field(default_factory=dict)
    variogram_notes: Sequence[str] = ()
    variogram_poor: bool = False
    scores: Mapping[str, Any] = field(default_factory=dict)
    kriged: str = "signal"
    crosscheck: CrossCheck | None = None
    anomalies: pd.DataFrame | None = None
    squares: pd.DataFrame | None = None
    dig_plan: pd.DataFrame | None = None
    top_k: int = 10
    budget_h: float | None = None
    reserve_fraction: float = 0.0
    dig: Mapping[str, Any] = field(default_factory=dict)
    weightings: pd.DataFrame | None = None
    coin_tosses: pd.DataFrame | None = None
    survey_next: pd.DataFrame | None = None
    keep_outs: Sequence[KeepOutArea] = ()
    probing: Mapping[str, Any] = field(default_factory=dict)
    probes: pd.DataFrame | None = None
    notices: Sequence[Problem] = ()
    warnings: Sequence[str] = ()
    provenance: Mapping[str, Any] = field(default_factory=dict)


def render_report(context: ReportContext) -> str:
    """Return the report as one HTML text that needs no network and no other file.

    Parameters
    ----------
    context : ReportContext

    Returns
    -------
    str
        Everything the team typed is escaped.
    """
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["number"] = number
    director = _director(context)
    return environment.get_template("report.html.j2").render(
        c=context,
        cautions=CAUTIONS,
        director=director,
        advice=advice(context, director.first if director else ()),
        facts=_facts,
        places=_placed(context.figures),
        tables=_tables(context),
        closed=_closed(context),
        provenance=_provenance(context.provenance),
        problems=lines_of(context.notices),
        minded=_minded(context),
    )


def _minded(context: ReportContext) -> str:
    """Count warnings and notes apart, as the terminal and run.json do; empty where none are."""
    of = ((len(context.notices), "warning"), (len(context.warnings), "note"))
    return " and ".join(counted(number, noun) for number, noun in of if number)


def _director(context: ReportContext) -> Any:
    if context.squares is None or context.squares.empty:
        return None
    return summarise(
        context.squares,
        context.dig_plan,
        top_k=context.top_k,
        budget_h=context.budget_h,
        reserve_fraction=context.reserve_fraction,
        keep_outs=context.keep_outs,
        anomalies=context.anomalies,
    )


def _facts(facts: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return facts as pairs of text, without zeros that only fill up the figures."""
    return [(str(label), trimmed(number(value))) for label, value in facts.items()]


def _placed(figures: Mapping[str, Picture]) -> dict[str, list[list[tuple[str, Picture]]]]:
    """Return for each section its rows of pictures; an uncertainty stands beside its map."""
    places: dict[str, list[list[tuple[str, Picture]]]] = {
        place: [] for place in (*_PLACES.values(), "maps")
    }
    for name, picture in figures.items():
        if name.endswith("_sd") and name.removesuffix("_sd") in figures:
            continue
        row = [(name, picture)]
        if f"{name}_sd" in figures:
            row.append((f"{name}_sd", figures[f"{name}_sd"]))
        places[_PLACES.get(name, "maps")].append(row)
    return places


def _tables(context: ReportContext) -> dict[str, Table | None]:
    """Return the printed tables by name; None where there is nothing to print."""

    def table(frame: pd.DataFrame | None, *columns: str) -> Table | None:
        if frame is None or frame.empty:
            return None
        return as_table(with_plain_numbers(frame).head(_MOST_ROWS), columns, context.signal_unit)

    infill = context.infill
    return {
        "dives": table(_by_dive(context.dives), "dive", "lanes", "length_m", "minutes"),
        "conditioning": table(
            _steps(context.conditioning),
            *("step", "changed", "dropped", "noise_before", "noise_after"),
            *("level_before", "level_after", "said"),
        ),
        "gaps": table(context.gaps, "gap", "e", "n", "area_m2", "worst_pod", "mean_pod", "infill"),
        "infill": table(
            infill, *("lane", "gap", "start_e", "start_n", "end_e", "end_n", "length_m")
        ),
        "anomalies": table(
            _ranges(context.anomalies),
            *("anomaly", "square", "e", "n", "position_sd_m", "peak", "snr", "depth_m"),
            *("depth_range", "strength_range", "note"),
        ),
        "squares": table(
            _ranked(context.squares),
            *("rank", "square", "rank_interval", "p_top_k", "signal_mean", "p_metal", "p_contact"),
            *("overburden_m", "pod", "effort_h", "reason"),
        ),
        "dig_plan": table(
            context.dig_plan,
            *("order", "square", "effort_h", "cumulative_h", "sediment_m3", "p_top_k", "reason"),
        ),
        "opening": table(
            None
            if context.squares is None
            else opening_table(context.squares, context.dig_plan, _MOST_OPENED),
            *("order", "square", "e_min", "n_min", "p_top_k", "rank_interval", "effort_h"),
            *("cumulative_h", "sediment_m3", "strong_anomalies"),
        ),
        "probes": table(
            _by_contact(context.probes),
            *("contact", "pushes", "shallowest_m", "median_m", "deepest_m"),
        ),
    }


def _ranges(anomalies: pd.DataFrame | None) -> pd.DataFrame | None:
    """Return the anomalies with the ranges of depth and strength in words."""
    if anomalies is None or "depth_low_m" not in anomalies:
        return anomalies
    return anomalies.assign(
        **{
            name: [
                f"{number(low, decimals)} to {number(high, decimals)}"
                for low, high in zip(anomalies[below], anomalies[above], strict=True)
            ]
            for name, below, above, decimals in (
                ("depth_range", "depth_low_m", "depth_high_m", 2),
                ("strength_range", "strength_low", "strength_high", None),
            )
        }
    )


def _by_dive(dives: pd.DataFrame | None) -> pd.DataFrame | None:
    """Return one row a dive: its lanes in the order swum, metres and minutes."""
    if dives is None or dives.empty:
        return None
    groups = dives.groupby("dive", sort=False)
    return pd.DataFrame(
        {
            "dive": [str(name) for name, _ in groups],
            "lanes": [", ".join(group["lane"].astype(str)) for _, group in groups],
            "length_m": [group["length_m"].sum() for _, group in groups],
            "minutes": [group["minutes"].sum() for _, group in groups],
        }
    )


def _steps(steps: Iterable[StepRecord]) -> pd.DataFrame:
    """Return the conditioning steps with the noise and the spread of levels around each."""
    return pd.DataFrame(
        [
            {
                "step": step.step,
                "changed": step.changed,
                "dropped": step.dropped,
                "noise_before": step.before.get("noise_sd"),
                "noise_after": step.after.get("noise_sd"),
                "level_before": step.before.get("level_spread"),
                "level_after": step.after.get("level_spread"),
                "said": step.said,
            }
            for step in steps
        ]
    )


def _ranked(squares: pd.DataFrame | None) -> pd.DataFrame | None:
    """Return the best squares with the interval of their rank in words."""
    if squares is None:
        return None
    best = with_plain_numbers(squares).dropna(subset=["rank"]).sort_values("rank")
    best = best.head(_MOST_SQUARES)
    interval = [
        ranged(low, high) for low, high in zip(best["rank_p05"], best["rank_p95"], strict=True)
    ]
    return best.assign(rank_interval=interval)


def _closed(context: ReportContext) -> dict[str, Any]:
    """Return the squares out of the order: reserve and excluded with reasons, unsurveyed names."""
    squares = context.squares
    if squares is None or squares.empty:
        return {"kept": None, "unsurveyed": [], "more": 0, "ranked": 0}
    status = squares["status"].astype(str)
    kept = squares[status.isin(["reserve", "excluded"])]
    ranked = int(squares["rank"].notna().sum())
    return {
        "kept": as_table(kept, ("square", "status", "reason")) if len(kept) else None,
        "unsurveyed": [str(name) for name in squares.loc[status == "unsurveyed", "square"]],
        "more": max(0, ranked - _MOST_SQUARES),
        "ranked": ranked,
    }


def _by_contact(probes: pd.DataFrame | None) -> pd.DataFrame | None:
    """Return one row a contact word: how many pushes, and how deep."""
    if probes is None or probes.empty:
        return None
    groups = probes.groupby("contact", sort=True)["depth_m"]
    table = groups.agg(
        pushes="size", shallowest_m="min", median_m="median", deepest_m="max"
    ).reset_index()
    none = table["contact"] == "none"
    return pd.concat([table[~none], table[none].assign(contact="none, pushed to")])


def _provenance(provenance: Mapping[str, Any]) -> list[tuple[str, list[tuple[str, str]]]]:
    """Return provenance as headed lists; nested names are joined by dots."""
    single = {k: v for k, v in provenance.items() if not isinstance(v, Mapping)}
    lists = [("run", _flat(single))] if single else []
    lists += [
        (str(k).replace("_", " "), _flat(v))
        for k, v in provenance.items()
        if isinstance(v, Mapping)
    ]
    return [(name, rows) for name, rows in lists if rows]


def _flat(values: Mapping[str, Any], prefix: str = "") -> list[tuple[str, str]]:
    rows: list[tuple[str, str]] = []
    for key, value in values.items():
        if isinstance(value, Mapping) and value:
            rows += _flat(value, f"{prefix}{key}.")
        elif isinstance(value, bool):
            rows.append((f"{prefix}{key}", "true" if value else "false"))
        else:
            # As it was set, unrounded: this is what a run is repeated from.
            rows.append((f"{prefix}{key}", "none" if value is None else str(value)))
    return rows
