"""Before and after the dive: what the coil can see, where to swim, what was missed.

- :mod:`detect.lanes.field`: the field of a circular loop;
- :mod:`detect.lanes.footprint`: what one coil can see;
- :mod:`detect.lanes.carriage`, :mod:`detect.lanes.swing`: the coil carried too high or not level,
  and swung to and fro;
- :mod:`detect.lanes.depths`: how deep it reaches;
- :mod:`detect.lanes.lateral`: the probability that one pass detects;
- :mod:`detect.lanes.search`: parallel lanes and the bounds of search theory;
- :mod:`detect.lanes.spacing`, :mod:`detect.lanes.choices`: the widest spacing that keeps the
  promise, and others to choose from;
- :mod:`detect.lanes.aliasing`: what of a signal falls between lanes;
- :mod:`detect.lanes.targets`: the kinds of things sought, and what the lanes make of each;
- :mod:`detect.lanes.strips`, :mod:`detect.lanes.plan`: lanes over the site;
- :mod:`detect.lanes.swim_order`: lanes that lie anywhere, in an order to swim them in;
- :mod:`detect.lanes.dives` (with :mod:`detect.lanes.ways` and :mod:`detect.lanes.abreast`),
  :mod:`detect.lanes.kit`, :mod:`detect.lanes.stations` (with :mod:`detect.lanes.features` and
  :mod:`detect.lanes.station_order`): the dives, the ways from lane to lane, the kit, the probe
  stations;
- :mod:`detect.lanes.coverage` (with :mod:`detect.lanes.nearest` and :mod:`detect.lanes.pegs`),
  :mod:`detect.lanes.gaps`, :mod:`detect.lanes.unswum`, :mod:`detect.lanes.infill`,
  :mod:`detect.lanes.residual`: what was looked at, what was missed, what to swim again, and what
  could still lie unseen.

The name ``coverage`` is here the function; its module is reached as
``from detect.lanes.coverage import ...``.
"""

from detect.lanes.aliasing import coil_aliased_share
from detect.lanes.choices import spacing_choices
from detect.lanes.coverage import coverage, planned_coverage
from detect.lanes.depths import deepest_detectable, lost_depth
from detect.lanes.dives import DiveTotals, dive_totals, pack_dives, ways_between
from detect.lanes.features import (
    Feature,
    feature_spacing,
    hit_probability_ellipse,
    hit_probability_square,
    hit_probability_triangular,
    probe_spacing,
)
from detect.lanes.field import loop_field
from detect.lanes.footprint import (
    double_peak_distance,
    footprint,
    look_probability,
    response_ratio,
)
from detect.lanes.gaps import covered_share, find_gaps, short_in, site_cells
from detect.lanes.infill import infill_lanes
from detect.lanes.kit import kit_list
from detect.lanes.lateral import detection_probability
from detect.lanes.plan import advised_cross_lanes, count_lanes, plan_lanes
from detect.lanes.residual import could_remain, residual_table
from detect.lanes.search import (
    coverage_factor,
    definite_range_pod,
    inverse_cube_pod,
    lane_pod,
    random_pod,
    sweep_width,
)
from detect.lanes.spacing import Spacing, reading_interval, spacing_table, widest_spacing
from detect.lanes.station_order import in_visiting_order
from detect.lanes.stations import probe_stations
from detect.lanes.swing import widest_advance
from detect.lanes.targets import (
    TargetClass,
    class_depths,
    class_spacings,
    class_table,
    lowest_pod,
    pod_of,
    target_classes,
)
from detect.lanes.unswum import UnswumPart, lanes_of_gaps, unswum_parts
from detect.lanes.ways import Way, Ways

__all__ = [
    "DiveTotals",
    "Feature",
    "Spacing",
    "TargetClass",
    "UnswumPart",
    "Way",
    "Ways",
    "advised_cross_lanes",
    "class_depths",
    "class_spacings",
    "class_table",
    "coil_aliased_share",
    "could_remain",
    "count_lanes",
    "coverage",
    "coverage_factor",
    "covered_share",
    "deepest_detectable",
    "definite_range_pod",
    "detection_probability",
    "dive_totals",
    "double_peak_distance",
    "feature_spacing",
    "find_gaps",
    "footprint",
    "hit_probability_ellipse",
    "hit_probability_square",
    "hit_probability_triangular",
    "in_visiting_order",
    "infill_lanes",
    "inverse_cube_pod",
    "kit_list",
    "lane_pod",
    "lanes_of_gaps",
    "look_probability",
    "loop_field",
    "lost_depth",
    "lowest_pod",
    "pack_dives",
    "plan_lanes",
    "planned_coverage",
    "pod_of",
    "probe_spacing",
    "probe_stations",
    "random_pod",
    "reading_interval",
    "residual_table",
    "response_ratio",
    "short_in",
    "site_cells",
    "spacing_choices",
    "spacing_table",
    "sweep_width",
    "target_classes",
    "unswum_parts",
    "ways_between",
    "widest_advance",
    "widest_spacing",
]
