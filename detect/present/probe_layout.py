"""How probe stations are shared out over the pages of their slates; nothing is drawn here."""

from __future__ import annotations

import numpy as np
import pandas as pd

from detect.present.page import PAPER_MM
from detect.present.slate_layout import BOXES_MM, MARGIN_MM, title_height

ROW_MM, HEAD_MM = 8.0, 11.0
"""A row of the table, high enough for a gloved hand's pencil, and its head, mm."""
MAP_MM, HOW_MM = 62.0, 18.0
"""The map at least with the room under it, and the words on how rows are filled in, mm."""
CAUTIONS = (
    "Bottom time and tables: the dive supervisor decides.",
    "A hard or ringing contact, or a place where the detector was very loud, may be ordnance:",
    "do not push there, do not touch. Mark, leave, report.",
    "Push by hand and gently, stop at the first touch: probing can damage what it finds.",
    "Probe, lift and dig only with a permit and a licensed archaeologist.",
)


def cautions_height() -> float:
    """Return the height of the cautions at the foot, mm."""
    return len(CAUTIONS) * 5.2 + 3.0


def page_rows() -> int:
    """Return how many stations a page of A4 holds."""
    width, height = PAPER_MM["A4"]
    taken = title_height(width) + BOXES_MM + MAP_MM + HOW_MM + HEAD_MM + cautions_height()
    return int((height - 2 * MARGIN_MM - taken) / ROW_MM)


def share_out(stations: pd.DataFrame) -> list[pd.DataFrame]:
    """Return the stations page by page, in their order, as evenly as they go.

    Parameters
    ----------
    stations : DataFrame
        In the order they are visited.

    Returns
    -------
    list of DataFrame
        None empty.
    """
    count = -(-len(stations) // page_rows())
    parts = np.array_split(np.arange(len(stations)), max(count, 1))
    return [stations.iloc[part] for part in parts if len(part)]


def probe_sheets(stations: pd.DataFrame) -> int:
    """Return how many sheets of A4 the slates of stations fill, printed on both sides."""
    return -(-len(share_out(stations)) // 2)
