"""Tries of a rehearsal that its own curve finds hard to believe: mostly slips of the pen."""

from __future__ import annotations

import numpy as np
import pandas as pd

from detect.lanes.trial import TrialFit
from detect.lanes.trial_likelihood import Tries, chances

#: tries rarer than this on the fitted curve are named, and at most so many of them
UNLIKELY = 0.01
MOST_UNLIKELY = 5


def unlikely_tries(
    fit: TrialFit, trial: pd.DataFrame, coil_diameter_m: float, full_scale: float | None = None
) -> pd.DataFrame:
    """Return the tries that the fitted curve finds hardest to believe, the worst first.

    Parameters
    ----------
    fit : TrialFit
        Of these tries.
    trial, coil_diameter_m, full_scale
        As for :func:`fit_trial`.

    Returns
    -------
    DataFrame
        Rows of the trial with ``chance`` (of coming out so, or farther off), ``by_signal`` (whether
        it is its signal that is off), ``expected`` and ``expected_sd`` (of the signal); the worst
        and others of a chance under one in a hundred, at most `MOST_UNLIKELY`.

    Notes
    -----
    Limit: slips bend the curve that they are judged by; many alike are not told from the rest.
    """
    heard, signal, mean, spread = chances(fit.theta, Tries.of(trial, coil_diameter_m, full_scale))
    signal = np.where(np.isnan(signal), 1.0, signal)
    judged = trial.assign(
        chance=np.minimum(heard, signal),
        by_signal=signal < heard,
        expected=mean,
        expected_sd=spread,
    )
    worst = judged.sort_values("chance", kind="stable").head(MOST_UNLIKELY)
    return worst[(worst["chance"] < UNLIKELY) | (np.arange(len(worst)) == 0)]
