"""What to dig first: evidence a square, ranking, dig plan, what to survey next, what was found."""

from detect.squares.dig_plan import DigPlan, best_subset, plan_dig
from detect.squares.effort import CostInterval, EffortRates, cost_interval
from detect.squares.evidence import Evidence, Given, Item, gather_evidence
from detect.squares.layout import mean_over_squares, square_layout, square_of
from detect.squares.ranking import coin_tosses, rank_squares, realised_scores
from detect.squares.sources import SOURCES, visible_remains
from detect.squares.weightings import weight_sensitivity

__all__ = [
    "SOURCES",
    "CostInterval",
    "DigPlan",
    "EffortRates",
    "Evidence",
    "Given",
    "Item",
    "best_subset",
    "coin_tosses",
    "cost_interval",
    "gather_evidence",
    "mean_over_squares",
    "plan_dig",
    "rank_squares",
    "realised_scores",
    "square_layout",
    "square_of",
    "visible_remains",
    "weight_sensitivity",
]
