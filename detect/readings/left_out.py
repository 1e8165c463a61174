"""Does a conditioning step help: whole lanes left out, and predicted from the others."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.spatial import cKDTree

#: a left-out reading is predicted from so many nearest readings of other lanes, none farther, m
NEAREST, WITHIN_M = 8, 2.5
#: fewer lanes that can be predicted do not judge a step
FEWEST_LANES = 4
#: a step is left off where left-out lanes are predicted worse by this many standard errors
WORSE_BY = 1.0


@dataclass(frozen=True)
class Verdict:
    """How left-out lanes are predicted without and with a step.

    Attributes
    ----------
    before, after : float
        Mean absolute error of loudness (no unit); NaN where too few lanes can be predicted.
    gain : float
        Mean over lanes of what the error shrinks by.
    keep : bool
        False where the step makes the prediction worse.
    said : str
    """

    before: float
    after: float
    gain: float
    keep: bool
    said: str


def lane_errors(
    readings: pd.DataFrame,
    scale: float,
    asked: pd.Series | None = None,
    ground: pd.Series | None = None,
) -> pd.Series:
    r"""Return the mean absolute error of each lane's loudness, predicted from the other lanes.

    Loudness is ``asinh((signal - median) / scale)``, all of it less the ground under the reading
    asked where that is given. A reading is predicted by the mean of the `NEAREST` readings of
    other lanes, weighted by one over the squared distance (Shepard 1968, from memory).

    Parameters
    ----------
    readings : DataFrame
        With ``lane, e, n, signal, used``.
    scale : float
        Noise of one reading, signal units.
    asked : Series of bool, optional
        Readings whose error counts; all used ones if not given.
    ground : Series, optional
        What the meter shows at each reading of what is not metal, signal units; 0 if not given.

    Returns
    -------
    Series
        By lane; lanes without others near are left out.
    """
    used = readings[readings["used"]]
    counts = np.ones(len(used), bool) if asked is None else asked[used.index].to_numpy(bool)
    signal = used["signal"].to_numpy(float)
    under = np.zeros(len(used)) if ground is None else ground[used.index].to_numpy(float)
    middle = float(np.median(signal - under)) if len(signal) else 0.0
    points, lanes = used[["e", "n"]].to_numpy(float), used["lane"].to_numpy()
    errors = {}
    for lane in pd.unique(lanes):
        mine, other = (lanes == lane) & counts, lanes != lane
        if other.sum() < NEAREST or not mine.any():
            continue
        distance, index = cKDTree(points[other]).query(
            points[mine], k=NEAREST, distance_upper_bound=WITHIN_M
        )
        told = np.isfinite(distance[:, 0])
        if not told.any():
            continue
        weight = np.where(np.isfinite(distance), 1.0 / np.maximum(distance, 0.05) ** 2, 0.0)
        here = under[mine] + middle
        others = np.append(signal[other], middle)[index]  # those too far have no weight
        others = np.arcsinh((others - here[:, None]) / scale)
        guess = np.sum(weight * others, axis=1)[told] / weight.sum(axis=1)[told]
        loud = np.arcsinh((signal[mine] - here) / scale)
        errors[lane] = float(np.mean(np.abs(guess - loud[told])))
    return pd.Series(errors, dtype=float)


def judge(
    before: pd.DataFrame, after: pd.DataFrame, scale: float, ground: pd.Series | None = None
) -> Verdict:
    """Compare how left-out lanes are predicted without and with a step.

    Errors are taken at the readings that the step leaves in, from all readings used on each side
    (blocked cross-validation, Roberts et al. 2017, Ecography 40; from memory).

    Parameters
    ----------
    before, after : DataFrame
        Readings on either side of the step, the same rows.
    scale : float
        Noise of one reading.
    ground : Series, optional
        What the step took from each reading, where that is many times the noise over the whole
        site. Far from zero loudness hardly tells readings apart, so a step that brings them there
        seems to do harm; with it both sides are predicted where the reading stands after the step.

    Returns
    -------
    Verdict

    Notes
    -----
    Limit: lanes a metre apart share only part of their metal, so a step that mends little, such
    as a few spikes, makes no difference that stands out; it is kept then, and that is said.
    """
    nan = float("nan")
    if not (np.isfinite(scale) and scale > 0):
        return Verdict(nan, nan, nan, True, "not judged: the noise is not known")
    without = lane_errors(before, scale, after["used"], ground)
    with_it = lane_errors(after, scale)
    lanes = without.index.intersection(with_it.index)
    if len(lanes) < FEWEST_LANES:
        return Verdict(nan, nan, nan, True, "not judged: too few lanes lie near others")
    gains = without[lanes] - with_it[lanes]
    gain, sd = float(gains.mean()), float(gains.std(ddof=1) / np.sqrt(len(gains)))
    means = float(without[lanes].mean()), float(with_it[lanes].mean())
    figures = f"error of left-out lanes {means[0]:.3f} before, {means[1]:.3f} after"
    if gain < -WORSE_BY * sd:
        return Verdict(*means, gain, False, f"LEFT OFF, for it does harm: {figures}")
    words = "helps" if gain > WORSE_BY * sd else "no difference that stands out"
    return Verdict(*means, gain, True, f"{words}: {figures}")
