"""The order of the squares and how firm it is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

#: evidence that speaks against a square, by its name in ``[ranking] weights``
AGAINST = frozenset({"overburden", "remains"})
#: the order of two squares is a coin toss where neither comes first this often
COIN_TOSS = 0.6

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
    "rank_mean",
    "sediment_p05_m3",
    "sediment_p95_m3",
    "p_contact_sd",
]
#: columns that stand in the table where there is such evidence
OPTIONAL = (
    *("targets", "targets_sd", "remains_m", "strength", "strength_sd", "strong_anomalies"),
    "p_metal",
)


def standardise(drawn: np.ndarray) -> np.ndarray | None:
    """Bring draws (R, M) of one evidence to mean 0 and deviation 1 over the squares.

    Mean and deviation are those of the squares' expected values. None where all squares are
    expected to be alike: such evidence orders nothing.
    """
    expected = drawn.mean(axis=0)
    if not expected.size:
        return None
    spread = float(expected.std())
    if spread <= 1e-12 * max(1.0, float(np.abs(expected).max())):
        return None
    return (drawn - expected.mean()) / spread


def shares(draws: Mapping[str, np.ndarray], weights: Mapping[str, float]) -> dict[str, float]:
    """Return the weights of evidence there are draws for, signed, their sizes adding up to 1.

    Raises
    ------
    ValueError
        No evidence has a positive weight.
    """
    used = {name: weights[name] for name in draws if weights.get(name, 0.0) > 0.0}
    if not used:
        raise ValueError("no evidence with a positive weight to rank by")
    total = sum(used.values())
    return {name: (-w if name in AGAINST else w) / total for name, w in used.items()}


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
    score: np.ndarray | float = 0.0
    for name, weight in shares(draws, weights).items():
        standard = standardise(draws[name])
        if standard is not None:
            score = score + weight * standard
    shape = next(iter(draws.values())).shape
    return np.broadcast_to(np.asarray(score, dtype=float), shape)


def places(score: np.ndarray) -> np.ndarray:
    """Return the place of each square in each realisation, ``(R, M)``; 1 is the highest score.

    Equal scores keep the table's order.
    """
    place = np.empty(score.shape, dtype=np.int64)
    order = np.argsort(-score, axis=1, kind="stable")
    np.put_along_axis(place, order, np.arange(1, score.shape[1] + 1)[None, :], axis=1)
    return place


def coin_tosses(
    squares: Sequence[str], score: np.ndarray, top_k: int, reach: float = 2.0
) -> pd.DataFrame:
    """Return pairs of squares about whose order the draws do not say much.

    Parameters
    ----------
    squares : sequence of str
        M names.
    score : (R, M) array
        From :func:`realised_scores`.
    top_k : int
        Pairs of which one is expected among the best ``top_k`` and the other is not: these decide
        what is opened.
    reach : float
        Only squares expected among the best ``reach x top_k`` are compared.

    Returns
    -------
    DataFrame
        ``square, other, p_first``, nearest to one half first; ``p_first`` is the share of draws
        in which ``square``, expected among the best, comes first.
    """
    order = np.argsort(-score.mean(axis=0), kind="stable")[: int(np.ceil(reach * top_k))]
    ahead, behind = order[:top_k], order[top_k:]
    first = (score[:, ahead, None] > score[:, None, behind]).mean(axis=0)
    some, other = np.nonzero((first < COIN_TOSS) & (first > 1.0 - COIN_TOSS))
    names = np.asarray(squares, dtype=object)
    table = pd.DataFrame(
        {
            "square": names[ahead[some]],
            "other": names[behind[other]],
            "p_first": first[some, other],
        }
    )
    nearest = (table["p_first"] - 0.5).abs().argsort(kind="stable")
    return table.iloc[nearest].reset_index(drop=True)


def _reason(
    row: pd.Series, threshold: float, top_k: int, ranked: int, required_pod: float | None
) -> str:
    """Return why a square stands where it does, with the figures in it."""
    if row["status"] == "reserve":
        return "Reserve: left untouched for those who come later."
    if row["status"] == "excluded":
        return f"Excluded: {str(row['why']).rstrip('.')}."
    if row["status"] == "opened":
        return "Opened already."
    if row["status"] == "unsurveyed":
        share = 100.0 * row["surveyed_fraction"]
        return f"Not surveyed: readings cover {share:.0f} % of it; nothing is known. Swim it first."
    typical = np.sinh(row["loudness_mean"]) / np.sinh(row["loudness_threshold"])
    parts = [
        f"signal typically {max(typical, 0.0):.1f}, on average "
        f"{max(row['signal_mean'] / threshold, 0.0):.1f} times the threshold"
    ]
    if row.get("strength", 0.0) >= 0.1:
        digits = 0 if row["strength"] >= 10.0 else 1
        parts.append(
            f"metal as of {row['strength']:.{digits}f} ± {row['strength_sd']:.{digits}f} "
            "reference targets"
        )
    if row.get("targets", 0.0) >= 0.5:
        count = round(row["targets"])
        parts.append(f"{count} target{'s' if count > 1 else ''}")
    if np.isfinite(row.get("p_metal", np.nan)):
        parts.append(f"finds of metal {min(100 * row['p_metal'], 99):.0f} % likely")
    if np.isfinite(row["p_contact"]):
        parts.append(f"probe contact {100 * row['p_contact']:.0f} % likely{_mostly(row)}")
    known = np.isfinite(row["overburden_sd_m"])
    deviation = f" ± {row['overburden_sd_m']:.2f} m" if known else " m"
    parts.append(f"{row['overburden_m']:.2f}{deviation} of sediment{'' if known else ' assumed'}")
    firmness = (
        f"among the first {min(top_k, ranked)} in {100 * row['p_top_k']:.0f} of 100 draws "
        f"(place {row['rank_p05']:.0f} to {row['rank_p95']:.0f} of {ranked})"
    )
    text = f"{', '.join(parts)}; {firmness}.{_reserves(row, required_pod)}"
    return text[0].upper() + text[1:]


def _mostly(row: pd.Series) -> str:
    """Name the kind of contact that is likelier than all others together."""
    kinds = {
        str(name).removeprefix("p_contact_"): row[name]
        for name in row.index
        if str(name).startswith("p_contact_") and not str(name).endswith("_sd")
    }
    if not kinds:
        return ""
    kind = max(kinds, key=lambda k: kinds[k])
    return f" (mostly {kind})" if kinds[kind] > 0.5 * row["p_contact"] else ""


def _reserves(row: pd.Series, required_pod: float | None) -> str:
    """Return what a director must know before opening the square, as further sentences."""
    said = []
    if row.get("strong_anomalies"):
        names = str(row["strong_anomalies"]).split()
        said.append(
            f"{', '.join(names)} may be ordnance, not to be probed or dug before "
            f"{'it is' if len(names) == 1 else 'they are'} cleared"
        )
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
        By evidence name; ``overburden`` and ``remains`` (its distance) count against.
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
        without rank. ``rank`` orders the mean score; over the realisations ``rank_mean`` is
        the expected place, ``rank_p05`` and ``rank_p95`` its 5 and 95 % quantiles.

    Raises
    ------
    ValueError
        No evidence has a positive weight.
    """
    table = evidence.reset_index(drop=True)
    open_now = (table["status"] == "open").to_numpy()
    ranked = int(open_now.sum())
    unknown = dict.fromkeys(
        ("rank", "score", "rank_mean", "rank_p05", "rank_p95", "p_top_k"), np.nan
    )
    out = table.assign(**unknown)
    for name in set(COLUMNS) - set(out.columns) - {"reason"}:
        out[name] = np.nan
    if ranked:
        score = realised_scores({k: d[:, open_now] for k, d in draws.items()}, weights)
        place = places(score)
        mean = score.mean(axis=0)
        rank = np.empty(ranked)
        rank[np.argsort(-mean, kind="stable")] = np.arange(1, ranked + 1)
        low, high = np.quantile(place, [0.05, 0.95], axis=0, method="inverted_cdf")
        out.loc[open_now, "rank"] = rank
        out.loc[open_now, "score"] = mean
        out.loc[open_now, "rank_mean"] = place.mean(axis=0)
        out.loc[open_now, "rank_p05"] = low
        out.loc[open_now, "rank_p95"] = high
        out.loc[open_now, "p_top_k"] = (place <= top_k).mean(axis=0)
    out["reason"] = [
        _reason(row, threshold, top_k, ranked, required_pod) for _, row in out.iterrows()
    ]
    for name in ("rank", "rank_p05", "rank_p95"):
        out[name] = out[name].astype("Int64")
    last = out["status"].map({"open": 0, "unsurveyed": 1, "reserve": 2, "excluded": 3, "opened": 4})
    out = out.assign(_last=last).sort_values(["_last", "rank", "square"], kind="stable")
    kinds = [c for c in out.columns if c.startswith("p_contact_") and c not in COLUMNS]
    also = [name for name in OPTIONAL if name in out.columns]
    return out[[*COLUMNS, *also, *kinds]].reset_index(drop=True)
