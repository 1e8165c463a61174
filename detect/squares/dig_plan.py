"""Which squares fit the dive hours there are: an exact choice, not the top of the list."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.optimize import Bounds, LinearConstraint, milp

#: a square less likely than this to belong to the best is left closed, even where hours remain
LEAST_CHANCE = 0.5


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
        Squares that may be opened at all after the reserve fraction.
    """

    table: pd.DataFrame
    value: float
    list_value: float
    expected_top_k: float
    gap: float
    hours: float
    most_squares: int


def best_subset(
    value: np.ndarray, cost: np.ndarray, budget: float, most: int | None = None
) -> tuple[np.ndarray, float]:
    """Choose items of greatest total value within a budget (0-1 knapsack).

    Solved as an integer program by branch and bound (HiGHS through ``scipy.optimize.milp``).

    Parameters
    ----------
    value, cost : (M,) array
        Non-negative.
    budget : float
        Largest total cost.
    most : int, optional
        Largest number of items.

    Returns
    -------
    chosen : (M,) bool array
    gap : float
        Relative gap proven by the solver; NaN when it gave up without a plan.
    """
    if value.size == 0 or budget < float(cost.min()):
        return np.zeros(value.size, dtype=bool), 0.0
    constraints = [LinearConstraint(cost[None, :], -np.inf, budget)]
    if most is not None:
        constraints.append(LinearConstraint(np.ones((1, value.size)), -np.inf, most))
    result = milp(
        -value,
        constraints=constraints,
        integrality=np.ones(value.size),
        bounds=Bounds(0, 1),
        options={"mip_rel_gap": 0.0, "time_limit": 10.0},
    )
    if result.x is None:
        return np.zeros(value.size, dtype=bool), float("nan")
    return np.asarray(result.x) > 0.5, float(result.mip_gap or 0.0)


def _down_the_list(cost: np.ndarray, budget: float, most: int) -> np.ndarray:
    """Return the squares taken in order, stopping at the first that does not fit."""
    fits = (np.cumsum(cost) <= budget) & (np.arange(cost.size) < most)
    return np.asarray(np.cumprod(fits), dtype=bool)


def plan_dig(squares: pd.DataFrame, budget_h: float, reserve_fraction: float) -> DigPlan:
    """Choose the squares of greatest merit within the hours.

    Merit is the score above zero: how far the weighted evidence of a square stands above that of
    the average square, in standard deviations. Only squares more likely than not to belong to the
    best are taken: disturbance no greater than needed (annex to the 2001 UNESCO Convention, rule
    3) goes before hours left over.

    Parameters
    ----------
    squares : DataFrame
        From :func:`detect.squares.ranking.rank_squares`.
    budget_h : float
        Dive hours for digging.
    reserve_fraction : float
        Share of the site's squares (all of them, whatever their status) that stays closed.

    Returns
    -------
    DigPlan
    """
    likely = (squares["status"] == "open") & (squares["p_top_k"] >= LEAST_CHANCE)
    ranked = squares[likely].sort_values("rank").reset_index(drop=True)
    most = min(int(np.floor((1.0 - reserve_fraction) * len(squares) + 1e-9)), len(ranked))
    value = np.clip(ranked["score"].to_numpy(float), 0.0, None)
    cost = ranked["effort_h"].to_numpy(float)
    chosen, gap = best_subset(value, cost, budget_h, most)
    chosen &= value > 0
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
    by_list = _down_the_list(cost, budget_h, most)
    return DigPlan(
        table,
        float(value[chosen].sum()),
        float(value[by_list].sum()),
        float(plan["p_top_k"].sum()),
        gap,
        float(cost[chosen].sum()),
        most,
    )
