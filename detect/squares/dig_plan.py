"""Which squares fit the dive hours there are: an exact choice, not the top of the list."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array

#: a square less likely than this to belong to the best is left closed, even where hours remain
LEAST_CHANCE = 0.5
#: the solver stops after this and says how far from the best its plan may be
MOST_SECONDS = 5.0

Pairs = NDArray[np.int64]


@dataclass(frozen=True)
class DigPlan:
    """The squares to open within the budget.

    Attributes
    ----------
    table : DataFrame
        ``order, square, effort_h, cumulative_h, sediment_m3, p_top_k, reason``.
    value, list_value : float
        Merit (see :func:`plan_dig`) of this plan, and of going down the list while the hours
        last.
    expected_top_k : float
        Expected number of top-k squares in this plan.
    gap : float
        Proven relative distance from the optimum (0: exact).
    hours : float
        Dive hours used.
    most_squares : int
        Candidates that may be opened at all after the reserve fraction and what is open already.
    joins : int
        Sides that two opened squares share.
    candidates : int
        Squares that may be chosen from: likely among the best, and better than the average.
    cheapest_h : float
        Hours of the cheapest of them; NaN where there is none.
    next_day, next_day_drops : tuple of str
        Squares that the plan would gain, and those it would give up for them, with one more dive
        day.
    next_day_value, next_day_top_k : float
        What it would gain in merit, and in expected top-k squares.
    """

    table: pd.DataFrame
    value: float
    list_value: float
    expected_top_k: float
    gap: float
    hours: float
    most_squares: int
    joins: int = 0
    candidates: int = 0
    cheapest_h: float = float("nan")
    next_day: tuple[str, ...] = ()
    next_day_drops: tuple[str, ...] = ()
    next_day_value: float = 0.0
    next_day_top_k: float = 0.0


def best_subset(
    value: np.ndarray,
    cost: np.ndarray,
    budget: float,
    most: int | None = None,
    pairs: Pairs | None = None,
    bonus: float = 0.0,
    most_seconds: float = MOST_SECONDS,
) -> tuple[np.ndarray, float]:
    """Choose items of greatest total value within a budget (0-1 knapsack with a bonus for pairs).

    Solved as an integer program by branch and bound (HiGHS through ``scipy.optimize.milp``). The
    bonus for taking both of a pair, a product of two choices, is made linear by one more variable
    a pair, at most either of the two.

    Parameters
    ----------
    value, cost : (M,) array
        Non-negative.
    budget : float
        Largest total cost.
    most : int, optional
        Largest number of items.
    pairs : (P, 2) array of int, optional
        Items that belong together.
    bonus : float
        Value added for each pair taken whole; not negative.
    most_seconds : float
        When to stop and report the gap.

    Returns
    -------
    chosen : (M,) bool array
    gap : float
        Relative gap proven by the solver; NaN when it gave up without a plan.
    """
    items = value.size
    if items == 0 or budget < float(cost.min()):
        return np.zeros(items, dtype=bool), 0.0
    joined = pairs if pairs is not None and bonus > 0 else np.empty((0, 2), np.int64)
    count = len(joined)
    gain = np.concatenate([value, np.full(count, bonus)])
    spent = np.concatenate([cost, np.zeros(count)])
    constraints = [LinearConstraint(spent[None, :], -np.inf, budget)]
    if most is not None:
        taken = np.concatenate([np.ones(items), np.zeros(count)])
        constraints.append(LinearConstraint(taken[None, :], -np.inf, most))
    if count:
        rows = np.repeat(np.arange(2 * count), 2)
        both = np.repeat(items + np.arange(count), 2)
        columns = np.column_stack([both, joined.ravel()]).ravel()
        matrix = coo_array((np.tile([1.0, -1.0], 2 * count), (rows, columns)))
        constraints.append(LinearConstraint(matrix.tocsr(), -np.inf, 0.0))
    result = milp(
        -gain,
        constraints=constraints,
        # with the items whole, a pair's variable is whole of itself
        integrality=np.concatenate([np.ones(items), np.zeros(count)]),
        bounds=Bounds(0, 1),
        options={"mip_rel_gap": 0.0, "time_limit": most_seconds},
    )
    if result.x is None:
        return np.zeros(items, dtype=bool), float("nan")
    return np.asarray(result.x[:items]) > 0.5, float(result.mip_gap or 0.0)


def _down_the_list(cost: np.ndarray, budget: float, most: int) -> np.ndarray:
    """Return the squares taken in order, stopping at the first that does not fit."""
    fits = (np.cumsum(cost) <= budget) & (np.arange(cost.size) < most)
    return np.asarray(np.cumprod(fits), dtype=bool)


def sharing_a_side(squares: pd.DataFrame) -> Pairs:
    """Return pairs of rows whose squares share a side, ``(P, 2)``."""
    size = squares["size_m"].to_numpy(float)
    cell = np.round(squares[["e_min", "n_min"]].to_numpy(float) / size[:, None] * 1e3) / 1e3
    place = {(e, n): i for i, (e, n) in enumerate(cell.tolist())}
    found = [
        (i, place[there])
        for (e, n), i in place.items()
        for there in ((e + 1.0, n), (e, n + 1.0))
        if there in place
    ]
    return np.array(found, dtype=np.int64).reshape(-1, 2)


def plan_dig(
    squares: pd.DataFrame,
    budget_h: float,
    reserve_fraction: float,
    *,
    joined_bonus: float = 0.0,
    dive_day_h: float = 0.0,
) -> DigPlan:
    """Choose the squares of greatest merit within the hours.

    Merit is the score above zero: how far the weighted evidence of a square stands above that of
    the average square, in standard deviations; and ``joined_bonus`` for each side that two opened
    squares share. Only squares more likely than not to belong to the best are taken: disturbance
    no greater than needed (annex to the 2001 UNESCO Convention, rule 3) goes before hours left
    over.

    Parameters
    ----------
    squares : DataFrame
        From :func:`detect.squares.ranking.rank_squares`.
    budget_h : float
        Dive hours for digging.
    reserve_fraction : float
        Share of the site's squares (all of them, whatever their status) that stays closed.
    joined_bonus : float
        Wish for joined-up trenches, in merit a shared side.
    dive_day_h : float
        Hours of one more dive day, for what it would buy; 0 leaves it out.

    Returns
    -------
    DigPlan
    """
    likely = (squares["status"] == "open") & (squares["p_top_k"] >= LEAST_CHANCE)
    ranked = squares[likely & (squares["score"] > 0)].sort_values("rank").reset_index(drop=True)
    # what has been opened is no longer closed
    opened = int((squares["status"] == "opened").sum())
    may = int(np.floor((1.0 - reserve_fraction) * len(squares) + 1e-9)) - opened
    most = int(np.clip(may, 0, len(ranked)))
    value = ranked["score"].to_numpy(float)
    cost = ranked["effort_h"].to_numpy(float)
    pairs = sharing_a_side(ranked) if joined_bonus > 0 else None

    def worth(chosen: np.ndarray) -> float:
        return float(value[chosen].sum()) + joined_bonus * _joins(chosen, pairs)

    chosen, gap = best_subset(value, cost, budget_h, most, pairs, joined_bonus)
    plan = ranked[chosen].reset_index(drop=True)
    table = pd.DataFrame(
        {
            "order": np.arange(1, len(plan) + 1),
            "square": plan["square"],
            "effort_h": plan["effort_h"],
            "cumulative_h": plan["effort_h"].cumsum(),
            "sediment_m3": plan["sediment_m3"],
            "p_top_k": plan["p_top_k"],
            "reason": plan["reason"],
        }
    )
    more = chosen
    if dive_day_h > 0:
        more, _ = best_subset(value, cost, budget_h + dive_day_h, most, pairs, joined_bonus)
    chance = ranked["p_top_k"].to_numpy(float)
    return DigPlan(
        table,
        worth(chosen),
        worth(_down_the_list(cost, budget_h, most)),
        float(chance[chosen].sum()),
        gap,
        float(cost[chosen].sum()),
        most,
        _joins(chosen, pairs),
        len(ranked),
        float(cost.min()) if len(ranked) else float("nan"),
        tuple(ranked["square"][more & ~chosen]),
        tuple(ranked["square"][chosen & ~more]),
        worth(more) - worth(chosen),
        float(chance[more].sum() - chance[chosen].sum()),
    )


def _joins(chosen: np.ndarray, pairs: Pairs | None) -> int:
    return 0 if pairs is None else int(chosen[pairs].all(axis=1).sum())
