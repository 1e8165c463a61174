"""How much an observation counts that may be wrong altogether."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def huber_weights(off: Floats, limit: float) -> Floats:
    """Return 1 within the limit, and past it what leaves the pull as it is there.

    Huber 1964, Ann. Math. Stat. 35 (from memory).

    Parameters
    ----------
    off : (N,) array
        How far off, without sign, in standard deviations.
    limit : float

    Returns
    -------
    (N,) array
    """
    return np.asarray(np.minimum(1.0, limit / np.maximum(off, 1e-12)))
