"""What to take: ropes, pegs, tags, slates and the rest, each with the reason for its number."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
import pandas as pd
from shapely.geometry.base import BaseGeometry

from detect.lanes.plan import is_cross, rope_number

if TYPE_CHECKING:
    from detect.survey.settings import Settings

KIT_COLUMNS = ("item", "quantity", "unit", "why")
SPARE = 0.10
"""Share of rope carried over what is laid: knots, sag, frays (common practice, no source)."""

_Add: TypeAlias = Callable[[str, float, str, str], None]

_TAG_M = 1.0
_BASELINE_PEG_M = 5.0
_DIVES_A_BATTERY = 4


def kit_list(
    lanes: pd.DataFrame,
    dives_frame: pd.DataFrame,
    settings: Settings,
    outline: BaseGeometry,
    stations: pd.DataFrame | None = None,
    slate_sheets: int | None = None,
    probe_slate_sheets: int = 0,
) -> pd.DataFrame:
    """Return what the plan needs in the boat.

    Parameters
    ----------
    lanes : pandas.DataFrame
        As `detect.lanes.plan.plan_lanes` returns, or the lanes as laid.
    dives_frame : pandas.DataFrame
        As `detect.lanes.dives.pack_dives` returns.
    settings : Settings
        ``dives``, ``area.keep_out`` and ``probes.length_m`` are used.
    outline : shapely.Polygon
        The site, grid coordinates.
    stations : pandas.DataFrame, optional
        Probe stations; without them there is no probe in the list.
    slate_sheets : int, optional
        Sheets that the slates fill, printed on both sides; a sheet a dive where it is left out.
    probe_slate_sheets : int
        The same of the slates of the probe stations.

    Returns
    -------
    pandas.DataFrame
        Columns ``item``, ``quantity`` (whole numbers, metres rounded up), ``unit``, ``why``.

    Notes
    -----
    The way of working assumed: a baseline across each end of the lanes, two lane ropes that
    leapfrog along them, distances read off tags on the rope. Numbers of spares are common
    practice, no source. Boat, breathing and safety gear are the dive supervisor's list.
    """
    rows: list[tuple[str, float, str, str]] = []

    def add(item: str, quantity: float, unit: str, why: str) -> None:
        rows.append((item, float(np.ceil(quantity - 1e-9)), unit, why))

    divers = int(settings.dives.divers)
    dives = int(dives_frame["dive"].nunique())
    if len(lanes):
        across = is_cross(lanes)
        _lane_gear(add, lanes[~across], int(settings.dives.divers_on_lane))
        if across.any():
            # Two at once where a pair swims them so.
            second = dives_frame.loc[dives_frame["diver"] > 1, "lane"].astype(str)
            at_once = 2 if second.isin(lanes.loc[across, "lane"].astype(str)).any() else 1
            _cross_gear(add, lanes[across], at_once)
    _markers(add, outline, settings)
    add("compass", divers, "pieces", f"one each for {divers} in the water: headings on the slates")
    add("tape measure, 30 m", 2, "pieces", "lay out the baselines, check one by the other")
    slates = divers + 1
    counted_dives = "1 dive" if dives == 1 else f"{dives} dives"
    why = f"one each for {divers} in the water, 1 spare; {counted_dives}"
    add("slate", slates, "pieces", why)
    add(
        "slate page",
        dives if slate_sheets is None else slate_sheets,
        "sheets",
        f"slates.pdf of {counted_dives}, printed on both sides, waterproof paper"
        + ("" if settings.dives.divers_on_lane == 1 else ", one each for a pair"),
    )
    add("pencil on a string", 2 * slates, "pieces", "two a slate: points break")
    coils = int(settings.dives.divers_on_lane)
    coil = "one coil" if coils == 1 else "one for each of a pair, tried side by side on land first"
    add("detector", coils, "pieces", f"{coil}, its height and threshold as in survey.toml")
    sets = coils * (1 + int(np.ceil(dives / _DIVES_A_BATTERY)))
    add(
        "detector battery set",
        sets,
        "sets",
        f"{counted_dives}, a set lasts {_DIVES_A_BATTERY}; and 1 spare"
        + ("" if coils == 1 else ", for each detector")
        + "; check the maker's hours",
    )
    add("test target", 1, "pieces", "the reference target, tried before and after each dive")
    if stations is not None and len(stations):
        length = settings.probes.length_m
        probe = "probe" if length is None else f"probe, {length:g} m"
        why = f"{len(stations)} stations; 1 spare, they bend; never push on a strong anomaly"
        add(probe, 2, "pieces", why)
        if probe_slate_sheets:
            why = f"probe_slates.pdf of {len(stations)} stations, printed on both sides, waterproof"
            add("probe slate page", probe_slate_sheets, "sheets", f"{why} paper")
        add("probe depth tags", 2, "sets", "tape every 0.1 m: read the depth by feel")
    return pd.DataFrame(rows, columns=list(KIT_COLUMNS)).astype({"quantity": int})


def _lane_gear(add: _Add, lanes: pd.DataFrame, abreast: int) -> None:
    """Add the baselines, the lane ropes, their pegs and tags."""
    starts = lanes[["start_e", "start_n"]].to_numpy(dtype=float)
    ends = lanes[["end_e", "end_n"]].to_numpy(dtype=float)
    lengths = np.hypot(*(ends - starts).T)
    # Along the longest lane; lanes laid the other way round lie along it all the same.
    sin, cos = ((ends - starts) / lengths[:, None])[int(np.argmax(lengths))]
    ropes = pd.DataFrame(
        {
            "rope": lanes["lane"].astype(str).map(rope_number).to_numpy(),
            "one": starts @ np.array([sin, cos]),
            "other": ends @ np.array([sin, cos]),
            "across": 0.5 * (starts + ends) @ np.array([cos, -sin]),
        }
    )
    # From the first piece's start to the last piece's end: a rope is laid past the keep-outs.
    spans = ropes.groupby("rope", sort=False).agg(["min", "max"])
    longest = float(
        (spans[["one", "other"]].max(axis=1) - spans[["one", "other"]].min(axis=1)).max()
    )
    width = float(ropes["across"].max() - ropes["across"].min())
    count, ropes_out = len(spans), 2 * abreast
    add(
        "baseline rope",
        2 * width * (1 + SPARE),
        "m",
        f"one across each end of {count} lanes, {width:.1f} m, and {SPARE:.0%} spare",
    )
    add(
        "lane rope",
        ropes_out * longest * (1 + SPARE),
        "m",
        f"{'two' if abreast == 1 else 'two for each of a pair'} that leapfrog, the longest lane is "
        f"{longest:.1f} m, and {SPARE:.0%} spare",
    )
    baseline_pegs = 2 * (int(np.ceil(width / _BASELINE_PEG_M - 1e-9)) + 1)
    add(
        "peg (a sinker on rock)",
        baseline_pegs + 2 * ropes_out,
        "pieces",
        f"every {_BASELINE_PEG_M:g} m of both baselines and at their ends; {2 * ropes_out} for the "
        "lane ropes",
    )
    add(
        "lane tag",
        2 * count,
        "pieces",
        "name of the lane on each baseline where its rope is tied",
    )
    add(
        "distance tag",
        ropes_out * (int(np.floor(longest / _TAG_M + 1e-9)) + 1),
        "pieces",
        f"every {_TAG_M:g} m of the {ropes_out} lane ropes from the start peg, numbered, readable "
        "by feel",
    )


def _cross_gear(add: _Add, lanes: pd.DataFrame, ropes: int) -> None:
    """Add the rope, or one for each of a pair, that the cross lanes are swum along."""
    rope = lanes["lane"].astype(str).map(rope_number)
    spans = [
        float(
            np.hypot(
                own["end_e"].iloc[-1] - own["start_e"].iloc[0],
                own["end_n"].iloc[-1] - own["start_n"].iloc[0],
            )
        )
        for _, own in lanes.groupby(rope, sort=False)
    ]
    longest = max(spans)
    one = "one" if ropes == 1 else "two, one for each of a pair"
    why = f"{one}, moved along {len(spans)} cross lanes, the longest {longest:.1f} m"
    add("cross-lane rope", ropes * longest * (1 + SPARE), "m", f"{why}, and {SPARE:.0%} spare")
    add("peg (a sinker on rock), cross lanes", 2 * ropes, "pieces", "one at each end of its rope")


def _markers(add: _Add, outline: BaseGeometry, settings: Settings) -> None:
    """Add the floats."""
    corners = len(outline.minimum_rotated_rectangle.exterior.coords) - 1
    keep_outs = len(settings.area.keep_out)
    why = f"{corners} corners of the site"
    if keep_outs:
        why += f", 1 on each of {keep_outs} keep-outs"
    add("float with line and sinker", corners + keep_outs + 1, "pieces", why + ", 1 spare")
