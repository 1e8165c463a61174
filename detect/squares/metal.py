"""Metal in a square, told twice: by sources under all of the site, and by targets one by one."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtr

from detect.readings.belief import strength_as_if_alone

Floats = NDArray[np.float64]

#: strength that is added to both before their middle is taken, reference targets: where one finds
#: nothing the other is halved or so, not lost; and how far up its range, in ln, a target counts
#: (chosen on seeds 100 to 139 of `tests/benchmarks/buried_sites.py`)
LEAST, UP = 0.3, 0.25
#: a target's place is no surer than this, m: the tape, and the lane's rope
SUREST_M = 0.1


#: share of targets that are where and what they are taken for: others are slips, or lie beyond the
#: edge of the square; metal of the map that makes one find, reference targets; faint metal in an
#: average square as a share of the targets picked (chosen on seeds 100 to 129 of the same sites)
AS_TAKEN, A_FIND, FAINT_SHARE = 0.9, 2.0, 0.15


def shares_of_targets(layout: pd.DataFrame, anomalies: pd.DataFrame) -> Floats:
    """Return how likely each target lies in each square (M, P): normal about its place."""
    sd = np.fmax(anomalies["position_sd_m"].to_numpy(float), SUREST_M)
    share = np.ones((len(layout), len(anomalies)))
    size = layout["size_m"].to_numpy(float)[:, None]
    for axis in ("e", "n"):
        edge = layout[f"{axis}_min"].to_numpy(float)[:, None] - anomalies[axis].to_numpy(float)
        share *= ndtr((edge + size) / sd) - ndtr(edge / sd)
    return np.asarray(share)


def chance_of_metal(layout: pd.DataFrame, anomalies: pd.DataFrame, by_sources: Floats) -> Floats:
    r"""Return the chance that whoever opens a square finds metal in it, (M,).

    None is found where no target picked is real and lies there, what the map of strength has
    there is none, and nothing faint lies there:

    .. math:: p = 1 - \prod_k \big(1 - 0.9 (1 - q_k) s_k\big) \,
              \exp\big(-S / 2 - 0.15 \, \bar m\big)

    with 0.9 the share of targets that are where and what they are taken for, q the false
    discovery rate of a target, s the chance that it lies in the square, S the
    strength by the map (a find for each two reference targets, as a Poisson number) and m the mean
    number of targets picked in a square.

    Parameters
    ----------
    layout : DataFrame
        M squares: ``e_min, n_min, size_m``.
    anomalies : DataFrame
        ``e, n, position_sd_m, q_value``.
    by_sources : (M,) array
        Strength by the map, reference targets.

    Notes
    -----
    The form is that of independent events; no source for its three numbers but the measurement
    (docs/measured.md). Limit: whoever digs finds what no coil hears, too. That is the faint term,
    the same for all squares: on a site with many small or deep pieces it says too little.
    """
    real = (1.0 - anomalies["q_value"].to_numpy(float)) * shares_of_targets(layout, anomalies)
    faint = FAINT_SHARE * float(real.sum(axis=1).mean())
    nothing = np.prod(1.0 - AS_TAKEN * real, axis=1) * np.exp(
        -np.maximum(by_sources, 0.0) / A_FIND - faint
    )
    return np.asarray(1.0 - nothing)


def strength_of_targets(layout: pd.DataFrame, anomalies: pd.DataFrame) -> Floats:
    """Return the strength of the targets picked in each square, (M,) in reference targets.

    A target counts with the strength `UP` its 90 % range in ln, in each square as likely as it lies
    there: its place is normal with `position_sd_m` either way. Where depth and strength trade, the
    range ends with metal deeper and stronger than is often met: its middle would say too much.

    Parameters
    ----------
    layout : DataFrame
        M squares: ``e_min, n_min, size_m``.
    anomalies : DataFrame
        ``e, n, position_sd_m, neighbour_m, strength_low, strength_high``; those without a range do
        not count.
    """
    told = anomalies[["strength_low", "strength_high"]].notna().all(axis=1)
    some = anomalies[told & (anomalies["strength_low"] > 0)]
    low, high = (np.log(end) for end in strength_as_if_alone(some))
    strength = np.exp(low + UP * (high - low))
    return np.asarray(shares_of_targets(layout, some) @ strength)


def told_twice(by_sources: Floats, by_targets: Floats) -> Floats:
    r"""Return the middle of two strengths, in ln: ``sqrt((s + c) (t + c)) - c``, at least 0.

    Sources on a lattice are pulled to 0 and spread one target over many; targets fitted one by one
    hold what they are taken for, and miss what is faint. They err differently, so that their middle
    is nearer to the truth than either, as means of forecasts are (Bates & Granger 1969, Oper. Res.
    Q. 20; from memory). In ln, because both err by factors.

    Parameters
    ----------
    by_sources, by_targets : (..., M) arrays
        Reference targets.
    """
    middle = np.sqrt((np.maximum(by_sources, 0.0) + LEAST) * (by_targets + LEAST))
    return np.asarray(np.maximum(middle - LEAST, 0.0))
