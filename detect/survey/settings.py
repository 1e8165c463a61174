"""The shape of ``survey.toml``: every section and key, its range and its default.

One model a section, all frozen, none with room for an unknown key. A key that only the team can
know (the outline, the coil, its air range, the bottom time) has no default. Reading a file into
these models, with every problem in one go, is the work of :mod:`detect.survey.settings_file`.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, Strict

from detect.survey.errors import Problem, SurveyError

SETTINGS_FILE = "survey.toml"
#: what the class of ``[detector]`` is called among those of ``[[targets]]``
REFERENCE = "reference target"

# Strict: TOML has real numbers, so "2 m" or true in place of one is a slip to be named.
Number = Annotated[float, Strict(), Field(allow_inf_nan=False)]
Whole = Annotated[int, Strict()]
Text = Annotated[str, Strict()]
Positive = Annotated[Number, Field(gt=0)]
NotNegative = Annotated[Number, Field(ge=0)]
Bearing = Annotated[Number, Field(ge=-360, le=360)]
Point = tuple[Number, Number]

ConditioningStep = Literal["spikes", "drift", "levels", "lag", "trend"]
WeightName = Literal[
    "signal",
    "p_above",
    "strength",
    "targets",
    "contact",
    "contact_metal",
    "contact_wood",
    "contact_stone",
    "overburden",
    "pod",
    "remains",
]

#: weights where none are given: metal as inverted first, where there is a [detector] to invert with
WEIGHTS: dict[WeightName, float] = {
    "strength": 0.45,
    "signal": 0.15,
    "contact": 0.3,
    "overburden": 0.1,
}


class Section(BaseModel):
    """A section of ``survey.toml``: cannot be changed once read, takes no unknown key."""

    model_config = ConfigDict(frozen=True, extra="forbid", validate_default=True)


class Site(Section):
    """``[site]``: what the site is called and how deep the water is."""

    name: Text = "unnamed site"
    water_depth_m: NotNegative | None = None
    notes: Text = ""


class FrameSettings(Section):
    """``[frame]``: how the local grid lies to true, magnetic and map north.

    ``grid_north_deg`` is the true bearing of the grid's n axis; ``magnetic_declination_deg`` is
    positive where magnetic north lies east of true north.
    """

    grid_north_deg: Bearing = 0.0
    magnetic_declination_deg: Annotated[Number, Field(ge=-180, le=180)] = 0.0
    map_crs: Text | None = None
    map_origin: Point | None = None
    baseline: tuple[Point, Point] | None = None


class KeepOut(Section):
    """One entry of ``area.keep_out``: where nobody swims, and why."""

    name: Text
    reason: Text = ""
    polygon: tuple[Point, ...]


class Area(Section):
    """``[area]``: the site as known, the margin swum past it, and what to keep out of."""

    outline: tuple[Point, ...]
    overlap_m: NotNegative = 1.0
    keep_out: tuple[KeepOut, ...] = ()
    #: swum over, but never probed: what stands out of the bed
    visible_remains: tuple[KeepOut, ...] = ()


class Detector(Section):
    """``[detector]``: the coil, what it can hear, and how well the lane is held.

    ``air_range_m`` is the distance on the coil's axis at which the reference target is just
    detected half of the time; ``line_error_m`` is one sigma across the lane. ``sweep_advance_m``
    is how far the diver goes on in one swing; None stands for what `Settings.detector` fills in.
    """

    coil_diameter_m: Annotated[Number, Field(gt=0, le=5)]
    air_range_m: Annotated[Number, Field(gt=0, le=50)]
    coil_height_m: Annotated[Number, Field(ge=0, le=10)] = 0.05
    burial_depth_m: Annotated[Number, Field(ge=0, le=20)] = 0.3
    sweep_half_width_m: Annotated[Number, Field(ge=0, le=10)] = 0.0
    sweep_time_s: Annotated[Number, Field(gt=0, le=60)] = 2.0
    sweep_advance_m: Annotated[Number, Field(ge=0, le=20)] | None = None
    line_error_m: Annotated[Number, Field(ge=0, le=20)] = 0.2
    height_error_m: Annotated[Number, Field(ge=0, le=5)] = 0.0
    coil_tilt_deg: Annotated[Number, Field(ge=0, le=30)] = 0.0
    threshold_snr: Annotated[Number, Field(gt=0, le=100)] = 3.0
    required_pod: Annotated[Number, Field(gt=0, lt=1)] = 0.9
    signal_unit: Text = "meter units"
    full_scale: Positive | None = None


class Target(Section):
    """One entry of ``[[targets]]``: a kind of thing sought, besides the reference target.

    ``found`` is how many of it the survey has found so far, for what could still lie unseen;
    ``must_find``: lanes and infill keep ``required_pod`` for it too, as for the reference target.
    """

    name: Text
    air_range_m: Annotated[Number, Field(gt=0, le=50)]
    burial_depth_m: Annotated[Number, Field(ge=0, le=20)] | None = None
    found: Annotated[Whole, Field(ge=0, le=100_000)] = 0
    must_find: bool = False


class Dives(Section):
    """``[dives]``: what one dive can do. The dive supervisor sets ``bottom_time_min``.

    ``divers_on_lane = 2``: two divers with a coil each swim neighbouring lanes side by side.
    """

    bottom_time_min: Annotated[Number, Field(gt=0, le=600)]
    setup_min: NotNegative = 5.0
    swim_speed_m_per_min: Annotated[Number, Field(gt=0, le=100)] = 6.0
    divers: Annotated[Whole, Field(ge=1, le=100)] = 2
    divers_on_lane: Annotated[Whole, Field(ge=1, le=2)] = 1
    turn_min: NotNegative = 1.0


class LanesSettings(Section):
    """``[lanes]``: the table of lanes as laid, or what to plan lanes with.

    ``bearing_deg = "axis"`` is along the baseline, else along the outline's long side.
    """

    file: Text | None = None
    spacing_m: Positive | None = None
    bearing_deg: Bearing | Literal["axis"] | None = None
    cross_lanes: Annotated[Whole, Field(ge=0, le=100)] = 0


class TableSettings(Section):
    """A section that only names a table, such as ``[readings]`` or ``[seabed]``."""

    file: Text | None = None


class ReadingsSettings(Section):
    """``[readings]``: the table, and how far apart readings may stand while the diver listens on.

    The diver listens all the way, to a meter that sounds all the way or speaks only at metal, and
    writes a reading now and then: between two readings of a pass no further apart than
    ``heard_between_m`` the coil counts as listening. 0: only where it was read.
    """

    file: Text | None = None
    heard_between_m: Annotated[Number, Field(ge=0, le=10)] = 1.0


class ProbesSettings(Section):
    """``[probes]``: the table, the probe's length, and what the probe stations should find.

    A feature is an ellipse ``feature_diameter_m`` long and ``feature_width_m`` wide (left out:
    round), at ``feature_bearing_deg`` (left out: at any). Stations keep ``keep_off_m`` off
    keep-outs and visible remains.
    """

    file: Text | None = None
    length_m: Annotated[Number, Field(gt=0, le=20)] | None = None
    feature_diameter_m: Positive = 2.0
    feature_width_m: Positive | None = None
    feature_bearing_deg: Bearing | None = None
    keep_off_m: NotNegative = 0.5
    find_probability: Annotated[Number, Field(gt=0, lt=1)] = 0.9


class TrialSettings(Section):
    """``[trial]``: the table of a rehearsal, and which of its targets is the reference target."""

    file: Text | None = None
    reference: Text | None = None


class VariogramSettings(Section):
    """A variogram given by hand; ``structures`` nests several, each with the same keys.

    ``range_m`` is the distance parameter a of the textbook formula; ``azimuth_deg`` is the bearing
    of the major axis from grid north; ``anisotropy_ratio`` is minor over major.
    """

    model: Literal["spherical", "exponential", "gaussian", "matern"] = "spherical"
    nugget: NotNegative = 0.0
    partial_sill: NotNegative | None = None
    range_m: Positive | None = None
    anisotropy_ratio: Annotated[Number, Field(gt=0, le=1)] = 1.0
    azimuth_deg: Bearing = 0.0
    smoothness: Annotated[Number, Field(gt=0, le=20)] | None = None
    structures: tuple[VariogramSettings, ...] = ()


class Mapping(Section):
    """``[mapping]``: node spacing, neighbourhood, variogram, conditioning of the readings.

    ``measurement_sd = "auto"``: with a fitted variogram the nugget is taken as measurement error;
    with a variogram given by hand it is 0.
    """

    node_m: Positive = 0.25
    neighbours: Annotated[Whole, Field(ge=0, le=100_000)] = 0
    variogram: Literal["fit"] | VariogramSettings = "fit"
    conditioning: tuple[ConditioningStep, ...] = ("spikes", "drift", "levels", "lag")
    measurement_sd: Literal["auto"] | NotNegative = "auto"


class ExcludedSquare(Section):
    """One entry of ``squares.excluded``."""

    square: Text
    reason: Text = ""


class Squares(Section):
    """``[squares]``: the excavation grid. ``origin`` is the south-west corner of square A1."""

    size_m: Positive = 2.0
    origin: Point | None = None
    reserve: tuple[Text, ...] = ()
    excluded: tuple[ExcludedSquare, ...] = ()


class Ranking(Section):
    """``[ranking]``: how evidence becomes a score, and what opening a square costs.

    A weight that is not written counts as 0. Each square costs ``setup_h``, its sediment over
    ``removal_m3_per_h``, ``recording_h`` and the sediment put back at ``backfill_m3_per_h`` (0: it
    is not put back). ``joined_bonus`` is the wish for joined-up trenches: score for each side two
    opened squares share.
    """

    weights: dict[WeightName, NotNegative] = Field(default_factory=lambda: dict(WEIGHTS))
    top_k: Annotated[Whole, Field(ge=1, le=100_000)] = 10
    realisations: Annotated[Whole, Field(ge=20, le=1_000_000)] = 500
    seed: Annotated[Whole, Field(ge=0)] = 1
    removal_m3_per_h: Positive = 0.25
    setup_h: NotNegative = 0.5
    recording_h: NotNegative = 1.0
    backfill_m3_per_h: NotNegative = 1.0
    budget_h: NotNegative = 40.0
    dive_day_h: NotNegative = 4.0
    joined_bonus: NotNegative = 0.1
    reserve_fraction: Annotated[Number, Field(ge=0, le=1)] = 0.2


class Settings(Section):
    """The whole of ``survey.toml``.

    ``[detector]`` and ``[dives]`` may be left out by someone who only maps readings. The attributes
    :attr:`detector` and :attr:`dives` then raise a `SurveyError` that says what is missing.
    """

    site: Site = Site()
    frame: FrameSettings = FrameSettings()
    area: Area
    detector_section: Detector | None = Field(default=None, alias="detector")
    targets: tuple[Target, ...] = ()
    dives_section: Dives | None = Field(default=None, alias="dives")
    lanes: LanesSettings = LanesSettings()
    readings: ReadingsSettings = ReadingsSettings()
    probes: ProbesSettings = ProbesSettings()
    seabed: TableSettings = TableSettings()
    trial: TrialSettings = TrialSettings()
    opened: TableSettings = TableSettings()
    mapping: Mapping = Mapping()
    squares: Squares = Squares()
    ranking: Ranking = Ranking()

    @property
    def has_detector(self) -> bool:
        """Whether ``[detector]`` is there."""
        return self.detector_section is not None

    @property
    def has_probes(self) -> bool:
        """Whether ``[probes]`` is there."""
        return "probes" in self.model_fields_set

    @property
    def has_dives(self) -> bool:
        """Whether ``[dives]`` is there."""
        return self.dives_section is not None

    @property
    def detector(self) -> Detector:
        """The detector; raises `SurveyError` where ``[detector]`` is missing.

        Where the coil is swung and no advance is given, it is what a diver goes on in one swing:
        ``swim_speed_m_per_min`` times ``sweep_time_s`` (0, a swath without holes, without
        ``[dives]``).
        """
        detector = self.detector_section
        if detector is None:
            raise SurveyError([missing_section("detector")])
        if detector.sweep_advance_m is not None:
            return detector
        dives, swung = self.dives_section, detector.sweep_half_width_m > 0
        speed = dives.swim_speed_m_per_min if dives is not None and swung else 0.0
        return detector.model_copy(update={"sweep_advance_m": speed * detector.sweep_time_s / 60.0})

    @property
    def dives(self) -> Dives:
        """What one dive can do; raises `SurveyError` where ``[dives]`` is missing."""
        if self.dives_section is None:
            raise SurveyError([missing_section("dives")])
        return self.dives_section

    def as_dict(self) -> dict[str, Any]:
        """Every parameter after defaults, as plain lists, numbers and text, for ``run.json``."""
        return self.model_dump(mode="json", by_alias=True)


def missing_section(name: str) -> Problem:
    """Word the problem of a section that a command needs and the file does not have."""
    needed = {"detector": "coil_diameter_m and air_range_m", "dives": "bottom_time_min"}[name]
    return Problem(
        SETTINGS_FILE,
        f"there is no [{name}] section, and this command needs it",
        f"add [{name}] with at least {needed}",
        column=name,
    )
