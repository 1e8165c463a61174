"""What to dig first: evidence a square, ranking, dig plan."""

from detect.squares.dig_plan import DigPlan, best_subset, plan_dig
from detect.squares.evidence import Evidence, gather_evidence
from detect.squares.layout import mean_over_squares, square_layout, square_of
from detect.squares.ranking import rank_squares, realised_scores

__all__ = [
    "DigPlan",
    "Evidence",
    "best_subset",
    "gather_evidence",
    "mean_over_squares",
    "plan_dig",
    "rank_squares",
    "realised_scores",
    "square_layout",
    "square_of",
]
