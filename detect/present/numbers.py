"""Numbers as people read them: no needless decimals, one way of writing what is not known."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pandas as pd

#: what stands where nothing is known
UNKNOWN = "–"


@dataclass(frozen=True)
class Column:
    """How one column of a table is headed and written.

    Parameters
    ----------
    heading : str
        In words.
    unit : str
        Under the heading; ``{signal}`` stands for the unit of the detector's signal.
    decimals : int or None
        Digits after the point; None writes three significant figures.
    words : bool
        Text, set to the left; numbers are set to the right.
    """

    heading: str
    unit: str = ""
    decimals: int | None = None
    words: bool = False


#: the contract's columns; one table of them, so that a quantity looks the same everywhere
COLUMNS: dict[str, Column] = {
    "anomaly": Column("anomaly", words=True),
    "area_m2": Column("area", "m²", 1),
    "bearing_deg": Column("bearing, grid", "°", 0),
    "changed": Column("readings changed", "", 0),
    "contact": Column("contact", words=True),
    "cumulative_h": Column("hours so far", "h", 1),
    "depth_m": Column("depth", "m", 2),
    "depth_range": Column("depth, 90 %", "m"),
    "depth_sd_m": Column("depth, s.d.", "m", 2),
    "dive": Column("dive", words=True),
    "dropped": Column("readings left out", "", 0),
    "e": Column("e", "m", 1),
    "e_min": Column("corner e", "m", 1),
    "effort_h": Column("effort", "h", 1),
    "end_e": Column("end e", "m", 1),
    "end_n": Column("end n", "m", 1),
    "gap": Column("gap", words=True),
    "infill": Column("closed by", words=True),
    "item": Column("item", words=True),
    "lane": Column("lane", words=True),
    "lanes": Column("lanes", words=True),
    "length_m": Column("length", "m", 1),
    "level_after": Column("level spread after", "{signal}"),
    "level_before": Column("level spread before", "{signal}"),
    "magnetic_deg": Column("compass", "° mag.", 0),
    "mean_pod": Column("mean POD", "", 2),
    "minutes": Column("work", "min", 0),
    "n": Column("n", "m", 1),
    "n_min": Column("corner n", "m", 1),
    "noise_after": Column("noise after", "{signal}"),
    "noise_before": Column("noise before", "{signal}"),
    "note": Column("note", words=True),
    "notes": Column("notes", words=True),
    "order": Column("order", "", 0),
    "overburden_m": Column("sediment", "m", 2),
    "overburden_sd_m": Column("sediment, s.d.", "m", 2),
    "p_above": Column("chance of a loud mean", "", 2),
    "p_contact": Column("chance of contact", "", 2),
    "p_metal": Column("chance of metal", "", 2),
    "p_top_k": Column("chance among the best", "", 2),
    "peak": Column("peak", "{signal}"),
    "pod": Column("POD", "", 2),
    "position_sd_m": Column("place, s.d.", "m", 2),
    "probe": Column("probe", words=True),
    "q_value": Column("q-value", ""),
    "quantity": Column("quantity", "", 0),
    "pushes": Column("pushes", "", 0),
    "shallowest_m": Column("shallowest", "m", 2),
    "median_m": Column("median", "m", 2),
    "deepest_m": Column("deepest", "m", 2),
    "rank": Column("rank", "", 0),
    "rank_interval": Column("rank, 5 to 95 %"),
    "rank_p05": Column("rank, 5 %", "", 0),
    "rank_p95": Column("rank, 95 %", "", 0),
    "reason": Column("reason", words=True),
    "said": Column("what it did", words=True),
    "score": Column("score", "", 2),
    "sediment_m3": Column("sediment", "m³", 1),
    "signal_mean": Column("mean signal", "{signal}"),
    "signal_sd": Column("signal, s.d.", "{signal}"),
    "snr": Column("signal to noise", "", 0),
    "square": Column("square", words=True),
    "start_e": Column("start e", "m", 1),
    "start_n": Column("start n", "m", 1),
    "status": Column("status", words=True),
    "step": Column("step", words=True),
    "strength": Column("strength", ""),
    "strong_anomalies": Column("strong anomalies", "clear first", words=True),
    "strength_range": Column("strength, 90 %", "reference targets"),
    "surveyed_fraction": Column("surveyed", "", 2),
    "why": Column("why", words=True),
    "worst_pod": Column("worst POD", "", 2),
}


@dataclass(frozen=True)
class Table:
    """A table ready to be printed: headings, units and cells as text.

    Parameters
    ----------
    headings, units : tuple of str
    words : tuple of bool
        Which columns are text.
    rows : tuple of tuple of str
    """

    headings: tuple[str, ...]
    units: tuple[str, ...]
    words: tuple[bool, ...]
    rows: tuple[tuple[str, ...], ...]


def as_table(frame: pd.DataFrame, columns: tuple[str, ...], signal_unit: str = "") -> Table:
    """Lay out some columns of a frame as a printed table.

    Parameters
    ----------
    frame : DataFrame
    columns : tuple of str
        Those wanted, in order; one that the frame lacks, or that is empty in every row, is left
        out.
    signal_unit : str
        Unit of the detector's signal.

    Returns
    -------
    Table
    """
    kept = [name for name in columns if name in frame and frame[name].notna().any()]
    looks = [COLUMNS.get(name) or _guess(name, frame[name]) for name in kept]
    cells = (_cells(frame[name], look) for name, look in zip(kept, looks, strict=True))
    rows = zip(*cells, strict=True)
    return Table(
        tuple(look.heading for look in looks),
        tuple(look.unit.format(signal=signal_unit) for look in looks),
        tuple(look.words for look in looks),
        tuple(rows),
    )


def number(value: Any, decimals: int | None = None) -> str:
    """Write one value: a number with the decimals given, or with three significant figures.

    Parameters
    ----------
    value : object
        None, NaN and missing values become :data:`UNKNOWN`; text stays as it is.
    decimals : int, optional

    Returns
    -------
    str
    """
    if value is None or value is pd.NA or (isinstance(value, float) and math.isnan(value)):
        return UNKNOWN
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return value or UNKNOWN
    try:
        figure = float(value)
    except (TypeError, ValueError):
        return str(value)
    if math.isnan(figure):
        return UNKNOWN
    if decimals is not None:
        text = f"{figure:.{decimals}f}"
    elif figure == int(figure) and abs(figure) < 1e6:
        text = f"{int(figure)}"
    elif 1e-3 <= abs(figure) < 1e6:
        # Three figures, but never rounding away digits before the point.
        places = max(0, 2 - math.floor(math.log10(abs(figure))))
        text = f"{figure:.{places}f}"
    else:
        text = f"{figure:.2g}"
    if text.strip("-0.") == "":
        text = text.lstrip("-")
    return text.replace("-", "−", 1) if text.startswith("-") else text


def trimmed(text: str) -> str:
    """Return a written number without zeros at the end of its decimals; other text as it is."""
    if not re.fullmatch(r"[−-]?[0-9]+\.[0-9]+", text):
        return text
    return text.rstrip("0").rstrip(".")


def records(frame: pd.DataFrame) -> Iterator[Any]:
    """Return the rows of a table, each with its columns as attributes.

    pandas types every value as anything at all; this says so once instead of at each use.
    """
    bare = frame.copy(deep=False)
    bare.attrs = {}  # which pandas would copy for each column
    return iter(bare.itertuples(index=False))


def with_plain_numbers(frame: pd.DataFrame) -> pd.DataFrame:
    """Return a frame whose whole numbers with gaps are floats, NaN where they are missing."""
    nullable = [
        name
        for name, kind in frame.dtypes.items()
        if pd.api.types.is_extension_array_dtype(kind) and pd.api.types.is_numeric_dtype(kind)
    ]
    return frame.astype(dict.fromkeys(nullable, "float64"))


def _cells(values: pd.Series, look: Column) -> list[str]:
    if look.words:
        return [UNKNOWN if pd.isna(value) else str(value) or UNKNOWN for value in values]
    return [number(value, look.decimals) for value in values]


def _guess(name: str, values: pd.Series) -> Column:
    """Return a look for a column the contract does not name: its unit is its name's ending."""
    units = {"_m": "m", "_m2": "m²", "_m3": "m³", "_h": "h", "_deg": "°", "_min": "min", "_s": "s"}
    for ending, unit in units.items():
        if name.endswith(ending):
            return Column(name.removesuffix(ending).replace("_", " "), unit)
    return Column(name.replace("_", " "), words=not pd.api.types.is_numeric_dtype(values))
