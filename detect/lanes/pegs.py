"""A pass is swum from peg to peg, though what is written down stops a little short of them."""

from __future__ import annotations

import numpy as np
import pandas as pd

TO_PEG_M = 0.3
"""A slate has no cell of its own for an end this near to the last whole metre, and none past a
peg: the diver who wrote that cell swam on to the peg (common practice, no source)."""
# Places this near to the line between the pegs were taped along it.
_ON_LANE_M = 0.01


def swum_to_pegs(
    readings: pd.DataFrame, lanes: pd.DataFrame, listened_m: float = TO_PEG_M
) -> pd.DataFrame:
    """Return readings with one more at each peg that a pass was swum to.

    Parameters
    ----------
    readings : pandas.DataFrame
        ``lane, track, distance_m`` (from the start peg), ``e``, ``n``, in the order swum.
    lanes : pandas.DataFrame
        ``lane, start_e, start_n, end_e, end_n`` (m).
    listened_m : float
        Distance between readings over which the diver listens on; 0: only where a reading stands.

    Returns
    -------
    pandas.DataFrame
        For the first and last reading of a track, where it was taped along the lane (not placed by
        ``e`` and ``n`` beside it) and lies within 0.3 m of a peg and within `listened_m`: a copy of
        it at that peg, before or after it.

    Notes
    -----
    Without it a lane of 6.29 m whose last cell is 6 counts as swum to 6 m, and beside a keep-out,
    where lanes end inside the site, each such end is a sliver of a gap that nobody can swim again.
    Limit: a diver who turned within 0.3 m of the peg is believed to have reached it.
    """
    within = min(TO_PEG_M, listened_m) + 1e-6
    pegs = lanes.drop_duplicates("lane").set_index("lane")[["start_e", "start_n", "end_e", "end_n"]]
    ends = pegs.reindex(readings["lane"].to_numpy()).to_numpy(dtype=float)
    length = np.hypot(ends[:, 2] - ends[:, 0], ends[:, 3] - ends[:, 1])
    distance = readings["distance_m"].to_numpy(dtype=float)
    place = readings[["e", "n"]].to_numpy(dtype=float)
    with np.errstate(invalid="ignore", divide="ignore"):
        on_lane = ends[:, :2] + (distance / length)[:, None] * (ends[:, 2:] - ends[:, :2])
        taped = np.hypot(*(place - on_lane).T) < _ON_LANE_M
        short = np.stack([distance, length - distance], axis=1)  # of the start peg, of the end peg
        reached = taped[:, None] & (short > 0.0) & (short <= within)
    track = readings["track"]
    first, last = ~track.duplicated().to_numpy(), ~track.duplicated(keep="last").to_numpy()
    rows = np.arange(len(readings), dtype=float)
    more, at = [readings], [rows]
    for peg, places in enumerate((ends[:, :2], ends[:, 2:])):
        for edge, shift in ((first, -0.25), (last, 0.25)):
            # Of one reading, which is first and last, the start peg comes before, the end after.
            once = ~(first & last) | ((shift < 0.0) == (peg == 0))
            own = reached[:, peg] & edge & once
            to = length[own] if peg else 0.0
            more.append(readings[own].assign(e=places[own, 0], n=places[own, 1], distance_m=to))
            at.append(rows[own] + shift)
    order = np.argsort(np.concatenate(at), kind="stable")
    return pd.concat(more, ignore_index=True).iloc[order].reset_index(drop=True)
