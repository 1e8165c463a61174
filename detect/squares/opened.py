"""After opening: was the forecast right, and what does that say about the weights?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri

Floats = NDArray[np.float64]

#: the chosen weights count as much as this many opened squares (no source)
PRIOR_SQUARES = 20.0
#: correlation of score and finds that is believed beforehand (no source)
PRIOR_CORRELATION = 0.5
#: what is forecast, by which column, and what counts as having come true
FORECASTS = {
    "metal was found": ("p_metal", "metal_finds"),
    "anything was found": ("p_contact", "finds"),
}


@dataclass(frozen=True, eq=False)
class ForecastScore:
    """How the forecast fared in the opened squares.

    Attributes
    ----------
    table : DataFrame
        ``square, rank, score, p_above, p_metal, p_contact, p_top_k,
        overburden_forecast_m, overburden_sd_m, finds, metal_finds, overburden_m``, one row an
        opened square; ``p_metal`` NaN where it is not known.
    brier : dict
        By what was forecast: ``brier``, ``climate`` (always forecasting the share that came
        true), ``share``.
    spearman, kendall : float
        Of score and finds; NaN with fewer than three squares, or all alike.
    overburden_bias_m, overburden_held : float
        Mean of forecast less found, and share of squares whose depth lay in the 90 % interval;
        NaN where there is none to compare. A square in which nothing was found has no overburden.
    overburden_known : int
        Squares with an overburden found and forecast.
    """

    table: pd.DataFrame
    brier: dict[str, dict[str, float]]
    spearman: float
    kendall: float
    overburden_bias_m: float
    overburden_held: float
    overburden_known: int


def brier_score(chance: Floats, came_true: NDArray[np.bool_]) -> float:
    """Return the mean squared difference of forecast and outcome (Brier 1950): 0 is perfect."""
    return float(np.mean((chance - came_true) ** 2))


def score_forecast(squares: pd.DataFrame, opened: pd.DataFrame) -> ForecastScore:
    """Hold the forecast against what the opened squares held.

    Parameters
    ----------
    squares : DataFrame
        As ranked before opening, from :func:`detect.squares.ranking.rank_squares`.
    opened : DataFrame
        ``square, finds, metal_finds, overburden_m``, the last NaN where it was not measured.

    Returns
    -------
    ForecastScore

    Notes
    -----
    Sources: Brier 1950, Monthly Weather Review 78; Spearman 1904; Kendall 1938 (from memory).
    Limit: squares are opened because they rank high; what holds for them need not hold for the
    rest. Squares that had no rank are scored for what was forecast of them all the same.
    """
    columns = ["square", "rank", "score", "p_above", "p_metal", "p_contact", "p_top_k"]
    # without a detector there is no p_metal
    forecast = squares.reindex(columns=[*columns, "overburden_m", "overburden_sd_m"]).rename(
        columns={"overburden_m": "overburden_forecast_m"}
    )
    found = opened[["square", "finds", "metal_finds", "overburden_m"]]
    table = found.merge(forecast, on="square", how="inner")[
        [*columns, "overburden_forecast_m", "overburden_sd_m", *found.columns[1:]]
    ]
    brier = {}
    for words, (chance, count) in FORECASTS.items():
        known = table[table[chance].notna()]
        if len(known):
            came = known[count].to_numpy(float) > 0
            share = float(came.mean())
            brier[words] = {
                "brier": brier_score(known[chance].to_numpy(float), came),
                "climate": share * (1.0 - share),
                "share": share,
            }
    ranked = table[table["score"].notna()]
    spearman, kendall = rank_correlations(ranked["score"], ranked["finds"])
    error = (table["overburden_forecast_m"] - table["overburden_m"]).dropna()
    reach = (ndtri(0.95) * table["overburden_sd_m"]).loc[error.index].dropna()
    held = error.abs().loc[reach.index] <= reach
    return ForecastScore(
        table,
        brier,
        spearman,
        kendall,
        float(error.mean()),
        float(held.mean()),
        len(error),
    )


def rank_correlations(one: pd.Series, other: pd.Series) -> tuple[float, float]:
    """Return Spearman's and Kendall's (tau-b) correlation; NaN where there is none to tell."""
    x, y = one.to_numpy(float), other.to_numpy(float)
    if len(x) < 3 or np.ptp(x) == 0 or np.ptp(y) == 0:
        return float("nan"), float("nan")
    from scipy.stats import kendalltau, spearmanr  # slow to load, and only needed here

    return float(spearmanr(x, y).statistic), float(kendalltau(x, y).statistic)


def learn_weights(
    evidence: Mapping[str, Floats],
    opened: NDArray[np.int64],
    finds: Floats,
    weights: Mapping[str, float],
) -> pd.DataFrame:
    r"""Update the weight of each evidence by what the opened squares held.

    With z the evidence, brought to mean 0 and deviation 1 over all squares and its sign turned
    where it speaks against a square, and y = log(1 + finds) less its mean, over its
    deviation (believed to be 1, as firmly as the weights):

    .. math:: y = a + z'\beta + e, \quad e \sim N(0, \sigma^2), \quad
              \beta \sim N(\kappa w, \sigma^2 / n_0 \, I), \quad a \text{ flat}

    w are the chosen weights, kappa such that score and finds are believed to correlate by 0.5,
    sigma^2 = 1 - 0.5^2, and n0 = 20: the director's judgement is worth twenty opened squares. The
    mean of beta given y, what is negative set to 0, gives the new weights in the same proportion.

    Parameters
    ----------
    evidence : mapping of (M,) array
        z by name, of all squares in the order.
    opened : (N,) array of int
        Which of them were opened.
    finds : (N,) array
    weights : mapping of float
        As chosen; only these are updated.

    Returns
    -------
    DataFrame
        ``evidence, weight, learned, learned_sd, spearman``; weights add up to 1. ``learned_sd`` is
        the deviation of the weights that draws of beta give in the same way; ``spearman`` the
        evidence's own correlation with the finds.

    Notes
    -----
    Source: conjugate normal regression, Gelman et al., Bayesian Data Analysis, 3rd ed. (2013), 14.8
    (from memory). Limit: nothing is learnt from fewer than two squares, or from squares that all
    held the same.
    """
    names = [name for name in evidence if weights.get(name, 0.0) > 0.0]
    w = np.array([weights[name] for name in names], dtype=float)
    w /= w.sum()
    z = np.column_stack([evidence[name] for name in names])
    spread = float(np.std(z @ w))
    prior = w * PRIOR_CORRELATION / spread if spread > 0 else w
    noise = 1.0 - PRIOR_CORRELATION**2
    y = np.log1p(np.asarray(finds, dtype=float))
    some = z[opened]
    if len(y) >= 2 and np.ptp(y) > 0:
        y = y - y.mean()
        # the spread of a few squares is not known either: one is believed, as firmly
        y /= np.sqrt((PRIOR_SQUARES + y @ y) / (PRIOR_SQUARES + len(y) - 1.0))
        centred = some - some.mean(axis=0)
        precision = PRIOR_SQUARES * np.eye(len(names)) + centred.T @ centred
        beta = np.linalg.solve(precision, PRIOR_SQUARES * prior + centred.T @ y)
    else:
        beta, precision = prior, PRIOR_SQUARES * np.eye(len(names))
    kept = np.clip(beta, 0.0, None)
    learned = kept / kept.sum() if kept.sum() > 0 else w
    learned_sd = _spread_of_weights(beta, noise * np.linalg.inv(precision))
    counts = pd.Series(np.asarray(finds, dtype=float))
    own = [rank_correlations(pd.Series(some[:, j]), counts)[0] for j in range(len(names))]
    return pd.DataFrame(
        {
            "evidence": names,
            "weight": w,
            "learned": learned,
            "learned_sd": learned_sd,
            "spearman": own,
        }
    )


def _spread_of_weights(beta: Floats, covariance: Floats, draws: int = 4000) -> Floats:
    """Return the deviation of weights that come from normal draws of beta as from their mean."""
    drawn = np.random.default_rng(0).multivariate_normal(beta, covariance, draws)
    kept = np.clip(drawn, 0.0, None)
    total = kept.sum(axis=1, keepdims=True)
    return np.asarray((kept / np.where(total > 0, total, 1.0))[total[:, 0] > 0].std(axis=0))


def calibration(table: pd.DataFrame, edges: Floats | None = None) -> pd.DataFrame:
    """Return how often each forecast came true, by tenth or fifth of the forecast.

    Returns
    -------
    DataFrame
        ``forecast, chance, share, low, high, squares``: mean chance, share that came true and its
        90 % interval (Wilson 1927, from memory), for each bin with squares in it.
    """
    cuts = np.linspace(0.0, 1.0, 6) if edges is None else edges
    rows = []
    for words, (column, count) in FORECASTS.items():
        known = table[table[column].notna()]
        bins = np.clip(np.digitize(known[column], cuts) - 1, 0, len(cuts) - 2)
        for number in np.unique(bins):
            inside = known[bins == number]
            came = int((inside[count] > 0).sum())
            low, high = wilson(came, len(inside))
            rows.append((words, inside[column].mean(), came / len(inside), low, high, len(inside)))
    return pd.DataFrame(rows, columns=["forecast", "chance", "share", "low", "high", "squares"])


def wilson(came: int, count: int, level: float = 0.9) -> tuple[float, float]:
    """Return Wilson's score interval of a share."""
    z = float(ndtri(0.5 + level / 2.0))
    middle = (came + z**2 / 2.0) / (count + z**2)
    half = z / (count + z**2) * np.sqrt(came * (count - came) / count + z**2 / 4.0)
    return max(middle - half, 0.0), min(middle + half, 1.0)
