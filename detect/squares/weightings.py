"""Would other weights choose other squares? All weights near the director's, tried out."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from detect.squares.ranking import places, shares, standardise

#: how closely the weights tried keep to those chosen: a weight w varies by
#: sqrt(w (1 - w) / (CLOSENESS + 1)), for one half 0.11 (no source)
CLOSENESS = 20.0
#: a square chosen by this share of all weights tried is chosen whatever the weights
WHATEVER = 0.95


def weight_sensitivity(
    squares: pd.DataFrame,
    draws: Mapping[str, np.ndarray],
    weights: Mapping[str, float],
    top_k: int,
    *,
    count: int = 1000,
    seed: int = 1,
) -> pd.DataFrame:
    """Rank by the expected evidence under many weights near those chosen.

    Weights are drawn from a Dirichlet distribution with the chosen weights as its mean: positive,
    adding up to 1, none favoured beside its chosen value.

    Parameters
    ----------
    squares : DataFrame
        The M squares in the order, with ``square``.
    draws : mapping of (R, M) array
        Of these squares.
    weights : mapping of float
        As chosen.
    top_k : int
    count : int
        Weights tried.
    seed : int

    Returns
    -------
    DataFrame
        ``square, chosen_share, best, worst``, in the table's order: the share of weights under
        which the square is among the best ``top_k``, and its places at the 5 and 95 % quantile.

    Notes
    -----
    What the readings leave open is not in it: that is ``p_top_k``. With one evidence there is one
    weight, and nothing to vary.
    """
    signed = shares(draws, weights)
    rng = np.random.default_rng(seed)
    tried = rng.dirichlet(CLOSENESS * np.abs(list(signed.values())), count)
    evidence = []
    for name, weight in signed.items():
        expected = standardise(draws[name].mean(axis=0)[None, :])
        alike = np.zeros(len(squares))
        evidence.append(np.sign(weight) * (alike if expected is None else expected[0]))
    place = places(tried @ np.array(evidence))
    low, high = np.quantile(place, [0.05, 0.95], axis=0, method="inverted_cdf")
    return pd.DataFrame(
        {
            "square": squares["square"].to_numpy(object),
            "chosen_share": (place <= top_k).mean(axis=0),
            "best": low,
            "worst": high,
        }
    )
