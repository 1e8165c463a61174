"""Tomorrow's dives: the infill lanes in the order they are swum, for slates of their own."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from detect.lanes import pack_dives
from detect.lanes.swim_order import in_short_order
from detect.survey import KeepOutArea, Survey
from detect.survey.settings import Dives

DIVE = "DF"
"""What dives along infill lanes are called, so that none is taken for a dive of the plan."""
# What infill lanes are called: a letter and a number; a part of one has a letter after it.
_LANE_NAME = re.compile(r"[Ff]0*([0-9]+)[a-z]*")
_DIVE_NAME = re.compile(rf"{DIVE}0*([0-9]+)", re.IGNORECASE)
# Without [dives] nobody knows how far a dive goes: all is one, at a pace that never fills it.
_ONE_DIVE = Dives(bottom_time_min=600.0, setup_min=0.0, swim_speed_m_per_min=100.0, turn_min=0.0)


def next_infill(survey: Survey) -> int:
    """Return the first number free for an infill lane: those laid or swum before keep theirs."""
    names = [table["lane"] for table in (survey.lanes, survey.readings) if table is not None]
    return _next(_LANE_NAME, names)


def infill_dives(
    survey: Survey, infill: pd.DataFrame, keep_outs: tuple[KeepOutArea, ...]
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Return the infill lanes packed into dives, and notes on that.

    Parameters
    ----------
    survey : Survey
        ``[dives]`` says what a dive can do. Without it all lanes stand on one, minutes unknown.
    infill : pandas.DataFrame
        As `detect.lanes.infill_lanes` returns.
    keep_outs : tuple of KeepOutArea
        Grown by the margin to keep from them.

    Returns
    -------
    dives : pandas.DataFrame
        Columns of `detect.lanes.pack_dives` and ``instead_of``; dives DF01, ..., going on from
        those that readings name.
    notes : tuple of str

    Notes
    -----
    Infill lanes lie apart, so two divers with a coil each would part: they are swum one after
    another, by one coil.
    """
    known = survey.settings.has_dives
    dives = survey.settings.dives if known else _ONE_DIVE
    alone = dives.model_copy(update={"divers_on_lane": 1})
    packed = pack_dives(in_short_order(infill), alone, survey.frame, keep_outs)
    notes = tuple(packed.attrs["notes"])
    if not known and len(infill):
        packed["minutes"] = np.nan
        notes = (
            *notes,
            "no [dives] in survey.toml: the slates show all infill lanes as one dive; the dive "
            "supervisor says how many it takes",
        )
    named = survey.readings
    number = _next(_DIVE_NAME, [named["dive"].dropna()] if named is not None else [])
    names = {
        dive: f"{DIVE}{number + k:02d}" for k, dive in enumerate(dict.fromkeys(packed["dive"]))
    }
    instead = infill.set_index("lane")["instead_of"]
    return (
        packed.assign(dive=packed["dive"].map(names), instead_of=packed["lane"].map(instead)),
        notes,
    )


def _next(pattern: re.Pattern[str], columns: list[pd.Series]) -> int:
    """Return the number after the highest that names of this kind bear."""
    names = {str(name) for column in columns for name in column.unique()}
    found = (pattern.fullmatch(name) for name in names)
    return 1 + max((int(match[1]) for match in found if match), default=0)
