"""The order of the squares and how firm it is."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

#: evidence that speaks against a square, by its name in ``[ranking] weights``
AGAINST = frozenset({"overburden"})

COLUMNS = [
    "rank",
    "square",
    "e_min",
    "n_min",
    "size_m",
    "signal_mean",
    "signal_sd",
    "p_above",
    "p_contact",
    "overburden_m",
    "overburden_sd_m",
    "pod",
    "effort_h",
    "score",
    "rank_p05",
    "rank_p95",
    "p_top_k",
    "status",
    "surveyed_fraction",
    "sediment_m3",
    "loudness_mean",
    "loudness_sd",
    "reason",
]


def realised_scores(draws: Mapping[str, np.ndarray], weights: Mapping[str, float]) -> np.ndarray:
    """Return the score of every square in every realisation, ``(R, M)``.

    Each evidence is brought to mean 0 and standard deviation 1 over the squares (of its mean over
    realisations), so that no unit matters; evidence against a square counts negative; the score
    is the weighted mean. Evidence that is the same in all squares adds nothing.

    Parameters
    ----------
    draws : mapping of (R, M) array
        Realisations of the squares in the order.
    weights : mapping of float
        Non-negative, by evidence name; names without draws are left out and the rest share.

    Raises
    ------
    ValueError
        No evidence has a positive weight.
    """
    used = {name: weights[name] for name in draws if weights.get(name, 0.0) > 0.0}
    if not used:
        raise ValueError("no evidence with a positive weight to rank by")
    total = sum(used.values())
    score: np.ndarray | float = 0.0
    for name, weight in used.items():
        drawn = draws[name]
        expected = drawn.mean(axis=0)
        spread = float(expected.std())
        if spread <= 1e-12 * max(1.0, float(np.abs(expected).max())):
            continue
        sign = -1.0 if name in AGAINST else 1.0
        score = score + sign * weight / total * (drawn - expected.mean()) / spread
    shape = next(iter(draws.values())).shape
    return np.broadcast_to(np.asarray(score, dtype=float), shape)


def _reason(
    row: pd.Series, threshold: float, top_k: int, ranked: int, required_pod: float | None
) -> str:
    """Return why a square stands where it does, with the figures in it."""
    if row["status"] == "reserve":
        return "Reserve: left untouched for those who come later."
    if row["status"] == "excluded":
        return f"Excluded: {str(row['why']).rstrip('.')}."
    if row["status"] == "unsurveyed":
        share = 100.0 * row["surveyed_fraction"]
        return f"Not surveyed: readings cover {share:.0f} % of it; nothing is known. Swim it first."
    typical = np.sinh(row["loudness_mean"]) / np.sinh(row["loudness_threshold"])
    parts = [
        f"signal typically {max(typical, 0.0):.1f}, on average "
        f"{max(row['signal_mean'] / threshold, 0.0):.1f} times the threshold"
    ]
    if np.isfinite(row["p_contact"]):
        parts.append(f"probe contact {100 * row['p_contact']:.0f} % likely")
    parts.append(
        f"{row['overburden_m']:.2f} m of sediment"
        + ("" if np.isfinite(row["overburden_sd_m"]) else " assumed")
    )
    firmness = (
        f"among the first {min(top_k, ranked)} in {100 * row['p_top_k']:.0f} of 100 draws "
        f"(place {row['rank_p05']:.0f} to {row['rank_p95']:.0f} of {ranked})"
    )
    text = f"{', '.join(parts)}; {firmness}.{_reserves(row, required_pod)}"
    return text[0].upper() + text[1:]


def _reserves(row: pd.Series, required_pod: float | None) -> str:
    """Return what a director must know before opening the square, as further sentences."""
    said = []
    if row["surveyed_fraction"] < 0.995:
        said.append(f"{100.0 * (1.0 - row['surveyed_fraction']):.0f} % of it was not surveyed")
    if required_pod is not None and row["pod"] < required_pod:
        said.append(f"POD {row['pod']:.2f} is below the {required_pod:g} asked for")
    if row["why"]:
        said.append(str(row["why"]).rstrip("."))
    return " Mind: " + "; ".join(said) + "." if said else ""


def rank_squares(
    evidence: pd.DataFrame,
    draws: Mapping[str, np.ndarray],
    weights: Mapping[str, float],
    top_k: int,
    threshold: float = 1.0,
    required_pod: float | None = None,
) -> pd.DataFrame:
    """Rank the open squares by score; say how firm each place is.

    Parameters
    ----------
    evidence : DataFrame
        M squares, as :attr:`detect.squares.evidence.Evidence.table`.
    draws : mapping of (R, M) array
        Joint realisations by evidence name.
    weights : mapping of float
        By evidence name: ``signal``, ``contact``, ``overburden`` (which counts against).
    top_k : int
        ``p_top_k`` is the share of realisations in which a square is among the best ``top_k``.
    threshold : float
        Signal that counts as metal, for the sentence of each square.
    required_pod : float, optional
        A square whose mean POD falls short of it says so.

    Returns
    -------
    DataFrame
        Columns of ``squares.csv``, best first, then reserve, excluded and unsurveyed squares
        without rank. ``rank`` orders the mean score; ``rank_p05`` and ``rank_p95`` are the 5 and
        95 % quantiles of a square's place over the realisations.

    Raises
    ------
    ValueError
        No evidence has a positive weight.
    """
    table = evidence.reset_index(drop=True)
    open_now = (table["status"] == "open").to_numpy()
    ranked = int(open_now.sum())
    out = table.assign(rank=np.nan, score=np.nan, rank_p05=np.nan, rank_p95=np.nan, p_top_k=np.nan)
    if ranked:
        score = realised_scores({k: d[:, open_now] for k, d in draws.items()}, weights)
        # place 1 is the highest score; equal scores keep the table's order
        place = np.empty(score.shape, dtype=np.int64)
        order = np.argsort(-score, axis=1, kind="stable")
        np.put_along_axis(place, order, np.arange(1, ranked + 1)[None, :], axis=1)
        mean = score.mean(axis=0)
        rank = np.empty(ranked)
        rank[np.argsort(-mean, kind="stable")] = np.arange(1, ranked + 1)
        low, high = np.quantile(place, [0.05, 0.95], axis=0, method="inverted_cdf")
        out.loc[open_now, "rank"] = rank
        out.loc[open_now, "score"] = mean
        out.loc[open_now, "rank_p05"] = low
        out.loc[open_now, "rank_p95"] = high
        out.loc[open_now, "p_top_k"] = (place <= top_k).mean(axis=0)
    out["reason"] = [
        _reason(row, threshold, top_k, ranked, required_pod) for _, row in out.iterrows()
    ]
    for name in ("rank", "rank_p05", "rank_p95"):
        out[name] = out[name].astype("Int64")
    last = out["status"].map({"open": 0, "unsurveyed": 1, "reserve": 2, "excluded": 3})
    out = out.assign(_last=last).sort_values(["_last", "rank", "square"], kind="stable")
    return out[COLUMNS].reset_index(drop=True)
