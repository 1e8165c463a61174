"""Charts: variogram, cross-validation, ranks, weights, sections, search curves."""

from detect.present.charts.calibration import draw_calibration
from detect.present.charts.kinds import draw_kinds, kinds_in
from detect.present.charts.quality import draw_quality
from detect.present.charts.ranks import draw_rank_intervals
from detect.present.charts.search import SpacingLike, draw_search_sheet, draw_spacing_chart
from detect.present.charts.section import draw_section
from detect.present.charts.trial import TrialCurve, draw_trial
from detect.present.charts.validation import draw_cross_validation
from detect.present.charts.variogram import VariogramLike, draw_variogram
from detect.present.charts.weightings import draw_weightings

__all__ = [
    "SpacingLike",
    "TrialCurve",
    "VariogramLike",
    "draw_calibration",
    "draw_cross_validation",
    "draw_kinds",
    "draw_quality",
    "draw_rank_intervals",
    "draw_search_sheet",
    "draw_section",
    "draw_spacing_chart",
    "draw_trial",
    "draw_variogram",
    "draw_weightings",
    "kinds_in",
]
