"""Charts: variogram, cross-validation, firmness of the ranks, search curves."""

from detect.present.charts.quality import draw_quality
from detect.present.charts.ranks import draw_rank_intervals
from detect.present.charts.search import SpacingLike, draw_search_sheet, draw_spacing_chart
from detect.present.charts.trial import TrialCurve, draw_trial
from detect.present.charts.validation import draw_cross_validation
from detect.present.charts.variogram import VariogramLike, draw_variogram

__all__ = [
    "SpacingLike",
    "TrialCurve",
    "VariogramLike",
    "draw_cross_validation",
    "draw_quality",
    "draw_rank_intervals",
    "draw_search_sheet",
    "draw_spacing_chart",
    "draw_trial",
    "draw_variogram",
]
