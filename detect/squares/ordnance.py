"""Strong anomalies: any may be ordnance, so nobody probes or digs there before clearance."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

#: an anomaly this far above the noise may be ordnance (no source)
STRONG_SNR = 10.0


def strong_anomalies(anomalies: pd.DataFrame | None, squares: Sequence[str]) -> NDArray[np.object_]:
    """Name the strong anomalies of each square.

    Parameters
    ----------
    anomalies : DataFrame or None
        ``anomaly, snr, square``.
    squares : sequence of str
        M names.

    Returns
    -------
    (M,) array of str
        Names with spaces between them; empty where there is none.
    """
    if anomalies is None or anomalies.empty:
        return np.full(len(squares), "", dtype=object)
    strong = anomalies[anomalies["snr"] >= STRONG_SNR]
    names = strong.groupby("square")["anomaly"].agg(lambda some: " ".join(map(str, some)))
    return pd.Series(squares, dtype=object).map(names.to_dict()).fillna("").to_numpy(object)
