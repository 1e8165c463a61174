"""Two divers on one dive, told apart as a and b wherever a lane of theirs is numbered."""

from __future__ import annotations

import pandas as pd


def pair_letters(legs: pd.DataFrame) -> list[str]:
    """Return for each leg whose it is: "a" or "b" on a dive of two divers, blank on one's own.

    Parameters
    ----------
    legs : DataFrame
        ``dive`` and ``diver`` (1, or 2 of a pair); without them one diver swims.

    Returns
    -------
    list of str
    """
    if "diver" not in legs:
        return [""] * len(legs)
    paired = set(legs.loc[legs["diver"] > 1, "dive"])
    return [
        "ab"[diver - 1] if dive in paired else ""
        for dive, diver in zip(legs["dive"], legs["diver"], strict=True)
    ]
