"""The signs on the maps: one look for each thing, shared by the map and its key."""

from __future__ import annotations

from typing import Any

import pandas as pd
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from detect.present.style import BLUE, INK, KEEP_OUT_HATCH, REMAINS_HATCH

#: a shape for each contact the contract names; any other word gets the star
CONTACT_SHAPES: dict[str, str] = {
    "none": "o",
    "metal": "D",
    "wood": "s",
    "stone": "^",
    "shell": "v",
    "clay": "X",
}
OTHER_SHAPE = "*"

CORNER: dict[str, Any] = {"ls": "none", "marker": "+", "ms": 5.0, "mew": 0.7, "color": INK}
LANE_DASH = (0, (7, 3))
#: ground nobody enters, and what stands out of the bed; both let a little of the field through
KEEP_OUT: dict[str, Any] = {
    "facecolor": (1, 1, 1, 0.75),
    "edgecolor": INK,
    "hatch": KEEP_OUT_HATCH,
    "linewidth": 1.2,
    "linestyle": (0, (4, 2)),
}
REMAINS: dict[str, Any] = {
    "facecolor": (1, 1, 1, 0.6),
    "edgecolor": INK,
    "hatch": REMAINS_HATCH,
    "linewidth": 1.2,
}


def contact_kinds(probes: pd.DataFrame) -> list[str]:
    """Return the contact words present: the contract's first, in its order, then other words."""
    present = set(probes["contact"].astype(str))
    known = [kind for kind in CONTACT_SHAPES if kind in present]
    return known + sorted(present - set(known))


def probe_style(kind: str) -> dict[str, Any]:
    """White for a push that met nothing, black for one that met something, in its shape."""
    empty = kind == "none"
    shape = CONTACT_SHAPES.get(kind, OTHER_SHAPE)
    size = {"D": 5.4, "o": 5.0, "s": 5.6, "*": 9.0}.get(shape, 6.6)
    return {
        "ls": "none",
        "marker": shape,
        "ms": size,
        "mfc": "white" if empty else "black",
        "mec": "black" if empty else "white",
        "mew": 1.0 if empty else 0.8,
    }


def keep_out_sample() -> Patch:
    """Return the sample of a keep-out area."""
    return Patch(**(KEEP_OUT | {"facecolor": "white"}))


def remains_sample() -> Patch:
    """Return the sample of visible remains."""
    return Patch(**REMAINS)


def square_sample() -> Line2D:
    """Return the sample of a square's corner."""
    return Line2D([], [], **CORNER)


def baseline_sample() -> Line2D:
    """Return the sample of the baseline."""
    return Line2D([], [], color=BLUE, lw=2.0, ls=(0, (6, 2, 1.5, 2)))


def lane_sample() -> Line2D:
    """Return the sample of a lane."""
    return Line2D([], [], color="black", lw=0.7, ls=LANE_DASH)


def reading_sample() -> Line2D:
    """Return the sample of a reading."""
    return Line2D([], [], ls="none", marker="o", ms=2.0, mec="none", color="black")


def probe_sample(kind: str) -> Line2D:
    """Return the sample of a probe with this contact."""
    return Line2D([], [], **probe_style(kind))


def anomaly_sample() -> Line2D:
    """Return the sample of an anomaly's ring."""
    return Line2D([], [], ls="none", marker="o", ms=9, mfc="none", mec="black", mew=1.2)
