"""The folder ``detect new`` writes: commented settings and empty tables, to be filled."""

from __future__ import annotations

import tomllib

from detect.survey.settings import SETTINGS_FILE
from detect.survey.tables import COLUMNS

_SETTINGS = """\
# Settings of one survey. Lines that begin with # are comments.
# Lengths are metres, angles degrees clockwise from north, depths positive down.
# Local coordinates are e (grid east) and n (grid north), counted from the site's zero peg.
# A key may be removed to take its default; a key that is not known here is refused.
# Decimals take a point. Text stands in "quotation marks".
#
# Before anyone dives, probes or digs:
# - The dive supervisor sets bottom times and tables. Nothing here replaces them.
# - A strong anomaly may be ordnance: do not probe it, do not dig it, report it.
# - A probe can damage what it finds: only where the licence allows it, slowly, to first contact.
# - Disturbing the site needs a permit and a licensed archaeologist. Local law prevails.

[site]
name = "New site"
water_depth_m = 10.0            # m, at the shallowest tide dived; it sets nothing by itself
notes = ""

[frame]
grid_north_deg = 0.0            # true bearing of the grid's n axis, degrees
# magnetic_declination_deg = 2.5  # of the place and year, degrees, positive east of true;
#   until it is written, slates give true headings as compass headings, and each command warns
# map_crs = "EPSG:32633"        # a map in metres, such as the UTM zone of the site
# map_origin = [500000.0, 4600000.0]  # map position [E, N] of local 0,0; needed with map_crs
# baseline = [[0.0, 0.0], [30.0, 0.0]]  # local positions of the baseline's zero and far peg

[area]
# The site as known: corners in order round it, at least three. This is an example: put yours in
# its place. Until you do, each command warns that it works on ground which is not your site.
outline = [[0.0, 0.0], [30.0, 0.0], [30.0, 20.0], [15.0, 21.0], [0.0, 20.0]]
overlap_m = 1.0                 # margin swum and mapped past the outline, m
keep_out = []                   # where nobody swims, for example:
# keep_out = [{name = "ghost net", reason = "entanglement", polygon = [[4, 4], [7, 4], [7, 6]]}]
visible_remains = []            # written alike; swum over, but no probe station near them

[detector]                      # begin with `detect trial`: it measures air_range_m with you
coil_diameter_m = 0.28          # mean diameter of the search coil, m
air_range_m = 0.6               # on the axis, the reference target is heard half of the time, m
coil_height_m = 0.05            # coil above the seabed as it is carried, m
burial_depth_m = 0.3            # depth below the seabed to search to, m
sweep_half_width_m = 0.0        # half of the swing across the lane, m; 0 = held on the lane
sweep_time_s = 2.0              # one swing, from side to side, s
# sweep_advance_m = 0.2         # on in one swing, m; left out, swim_speed_m_per_min for that time
line_error_m = 0.2              # how far off the lane it strays, 1 sigma, m
height_error_m = 0.0            # how much higher or lower it is carried, 1 sigma, m
coil_tilt_deg = 0.0             # how far off level, 1 sigma to each side, degrees
threshold_snr = 3.0             # signal over noise at which a target counts as heard
required_pod = 0.9              # probability of detection asked for at the worst point, 0 to 1
signal_unit = "meter units"     # what the meter shows
# full_scale = 100.0            # the meter's limit; a reading at it means at least that

# Other things sought, each under a [[targets]] of its own: take away the # of all its lines.
# [[targets]]
# name = "iron nail"
# air_range_m = 0.35            # as above, for this thing
# burial_depth_m = 0.2          # m; left out, that of [detector]
# must_find = false             # true: lanes and infill lanes are laid so as not to miss it either
# found = 0                     # how many the survey has found, for what may still lie unseen

[dives]
bottom_time_min = 40.0          # set by the dive supervisor, min
setup_min = 5.0                 # from leaving the surface to the first lane and back, min
swim_speed_m_per_min = 6.0      # along the lane with the detector, m/min
divers = 2                      # divers in the water on one dive
divers_on_lane = 1              # 2 = two with a coil each, side by side on neighbouring lanes
turn_min = 1.0                  # from the end of one lane to the start of the next, min

[lanes]
file = "lanes.csv"              # lanes as laid; `detect plan` proposes them
# spacing_m = 1.0               # plan with it; left out, the widest that meets required_pod
# bearing_deg = 0.0             # grid bearing to plan along; "axis" = the wreck's; left out, best
cross_lanes = 0                 # lanes across the others, to hold levels and lag against

[readings]
file = "readings.csv"
heard_between_m = 1.0           # between readings this near the diver listens on; 0 = at them

[probes]
file = "probes.csv"
length_m = 1.5                  # length of the probe below its handle, m
feature_diameter_m = 2.0        # probe stations should find a feature of this length, m
# feature_width_m = 1.0         # and this width, m; left out, it is round
# feature_bearing_deg = 90.0    # lying along this grid bearing; left out, along any
keep_off_m = 0.5                # stations stay this far off keep-outs and visible remains, m
find_probability = 0.9          # with this probability, 0 to 1

[seabed]
file = "seabed.csv"

[trial]
file = "trial.csv"              # a rehearsal on land or on a test lane
# reference = "iron bolt"       # its target that is [detector]'s; left out: "reference", or first

[opened]
file = "opened.csv"             # after digging: what each square held

[mapping]
node_m = 0.25                   # spacing of map nodes, m; squares.size_m is a multiple of it
neighbours = 0                  # readings used a node; 0 = all of them
variogram = "fit"               # or by hand, as here:
# variogram = {model = "spherical", nugget = 0.1, partial_sill = 0.9, range_m = 6.0}
#   models: spherical, exponential, gaussian, matern (which needs smoothness); range_m is the
#   distance parameter of the formula; where wanted, anisotropy_ratio (minor over major, at most 1)
#   and azimuth_deg (major axis from grid north); structures = [{...}, {...}] adds several up
conditioning = ["spikes", "drift", "levels", "lag"]  # steps, in this order; [] = none
#   "trend", written first, takes out a slow rise over the whole site (rock, a pier beside it)
measurement_sd = "auto"         # error of one reading, signal units; auto = from the fitted nugget

[squares]
size_m = 2.0                    # side of an excavation square, m
# origin = [0.0, 0.0]           # south-west corner of square A1; left out, that of the outline
reserve = []                    # squares left for later archaeologists, for example ["A1", "B1"]
excluded = []                   # for example [{square = "C4", reason = "moored buoy"}]

[ranking]
# a weight left out is 0; overburden counts against a square. Others: p_above, targets, strength,
# contact_metal, contact_wood, contact_stone, pod, remains (distance to what is seen: against)
weights = {strength = 0.45, signal = 0.15, contact = 0.3, overburden = 0.1}
top_k = 10                      # squares the first campaign can open
realisations = 500              # simulated maps behind the ranks' intervals
seed = 1                        # the same seed gives the same ranks
removal_m3_per_h = 0.25         # sediment removed by the team, m3 an hour
setup_h = 0.5                   # setting up a square, h
recording_h = 1.0               # drawing, photographs, levels of a square, h
backfill_m3_per_h = 1.0         # sediment put back, m3 an hour; 0 = it is not put back
budget_h = 40.0                 # hours on the bottom for all of that, h
dive_day_h = 4.0                # such hours in one dive day, for what one more would buy, h
joined_bonus = 0.1              # wish for joined-up trenches: score a side two squares share
reserve_fraction = 0.2          # share of the site left undug, 0 to 1
"""

#: the outline that `detect new` writes, which is nobody's site
EXAMPLE_OUTLINE: list[list[float]] = tomllib.loads(_SETTINGS)["area"]["outline"]


def new_survey_files() -> dict[str, str]:
    """Write the texts of a new survey folder.

    Returns
    -------
    dict of str to str
        File name to text: ``survey.toml`` with every key explained, and each table of the contract
        with its header only. Readings are headed for lane and taped distance; ``e`` and ``n`` may
        take the place of ``distance_m``.
    """
    files = {SETTINGS_FILE: _SETTINGS}
    for name, columns in COLUMNS.items():
        headings = [column.name for column in columns]
        if name == "readings":
            headings = [heading for heading in headings if heading not in ("e", "n")]
        files[f"{name}.csv"] = ",".join(headings) + "\n"
    return files
