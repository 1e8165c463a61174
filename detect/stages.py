"""What each command works out, survey in, results out; nothing here reads or writes a file."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
import xarray as xr
from scipy.spatial import cKDTree

from detect.geostat import Variogram
from detect.geostat.crosscheck import CrossCheck, against_pykrige
from detect.geostat.model import PointModel
from detect.geostat.scores import Scores, leave_one_out_scores
from detect.lanes import (
    Spacing,
    coverage,
    find_gaps,
    footprint,
    infill_lanes,
    kit_list,
    pack_dives,
    plan_lanes,
    planned_coverage,
    probe_stations,
    spacing_table,
    widest_spacing,
)
from detect.probes import (
    ContactModel,
    contact_depth_model,
    contact_model,
    contact_probability,
    seabed_model,
)
from detect.readings import (
    Noise,
    SignalModel,
    StepRecord,
    condition,
    find_anomalies,
    signal_model,
)
from detect.readings.anomalies import COLUMNS as ANOMALY_COLUMNS
from detect.squares import (
    DigPlan,
    Evidence,
    gather_evidence,
    mean_over_squares,
    plan_dig,
    rank_squares,
    square_layout,
    square_of,
)
from detect.survey import Grid, Problem, Survey, SurveyError

#: told what is being done, and how far it is
Progress = Callable[[str, int, int], None]

#: nodes of each map that are estimated again by an independent library
CROSSCHECK_NODES = 60
#: without a detector's footprint, a node whose variance is this share of the sill is unsurveyed
UNINFORMED = 0.95


def silent(stage: str, done: int, total: int) -> None:
    """Report no progress."""


@dataclass(frozen=True)
class PlanResult:
    """Lanes, dives, kit and probe stations, with the spacing they follow from."""

    spacing: Spacing
    used_spacing_m: float
    choices: pd.DataFrame
    lanes: pd.DataFrame
    dives: pd.DataFrame
    kit: pd.DataFrame
    stations: pd.DataFrame
    promised: xr.Dataset
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class CheckResult:
    """Coverage as swum, what was missed, and the lanes that would close it."""

    cover: xr.Dataset
    gaps: pd.DataFrame
    infill: pd.DataFrame
    share_met: float
    mean_pod: float
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class MapResult:
    """Maps with their uncertainty, the models behind them and the checks on them."""

    maps: xr.Dataset
    readings: pd.DataFrame
    steps: tuple[StepRecord, ...]
    noise: Noise
    signal: SignalModel
    contacts: ContactModel | None
    contact_depth: PointModel | None
    seabed: PointModel | None
    anomalies: pd.DataFrame
    scores: Scores
    loud_scores: Scores
    left_out: tuple[np.ndarray, np.ndarray]
    crosscheck: CrossCheck
    touched: int
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class RankResult:
    """Squares in order and the dig plan."""

    squares: pd.DataFrame
    dig: DigPlan
    evidence: Evidence
    layout: pd.DataFrame = field(repr=False)


def plan(survey: Survey, progress: Progress = silent) -> PlanResult:
    """Work out how far apart lanes may be, where they go, and what the dives need.

    Raises
    ------
    SurveyError
        The coil cannot meet ``required_pod`` at ``burial_depth_m`` and no spacing is given.
    """
    settings = survey.settings
    detector, dives = settings.detector, settings.dives
    progress("lane spacing", 0, 4)
    spacing = widest_spacing(detector)
    notes = []
    wanted = settings.lanes.spacing_m
    if wanted is None and not spacing.reachable:
        raise SurveyError(
            [
                Problem(
                    "survey.toml",
                    f"at {detector.burial_depth_m:g} m of burial no lane spacing reaches a "
                    f"detection probability of {detector.required_pod:g}",
                    f"search to {spacing.deepest_m:.2f} m or less, lower required_pod, or set "
                    "[lanes] spacing_m and accept what check then shows",
                    column="detector.burial_depth_m",
                )
            ]
        )
    used = wanted if wanted is not None else spacing.spacing_m
    if wanted is not None and (not spacing.reachable or wanted > spacing.spacing_m + 1e-9):
        widest = f"{spacing.spacing_m:.2f} m" if spacing.reachable else "no spacing"
        notes.append(
            f"[lanes] spacing_m = {wanted:g} m is wider than what meets required_pod ({widest}): "
            "targets can slip between lanes"
        )
    keep_outs = survey.keep_outs
    progress("lanes", 1, 4)
    lanes = plan_lanes(
        survey.outline,
        used,
        bearing_deg=settings.lanes.bearing_deg,
        overlap_m=settings.area.overlap_m,
        keep_outs=keep_outs,
    )
    progress("dives and kit", 2, 4)
    packed = pack_dives(lanes, dives, survey.frame)
    stations = probe_stations(
        survey.outline,
        settings.probes.feature_diameter_m,
        settings.probes.find_probability,
        keep_outs=keep_outs,
    )
    kit = kit_list(lanes, packed, settings, survey.outline, stations)
    progress("promised coverage", 3, 4)
    promised = planned_coverage(lanes, detector, survey.grid())
    progress("plan", 4, 4)
    return PlanResult(
        spacing, used, spacing_table(detector), lanes, packed, kit, stations, promised, tuple(notes)
    )


def check(survey: Survey, progress: Progress = silent) -> CheckResult:
    """Work out the probability of detection as swum, the gaps and the lanes that close them."""
    detector = survey.settings.detector
    grid = survey.grid()
    readings = _needed(survey.readings, "readings")
    progress("coverage", 0, 3)
    cover = coverage(readings, detector, grid)
    progress("gaps", 1, 3)
    gaps = find_gaps(cover, survey.outline, survey.keep_outs, detector.required_pod)
    progress("infill lanes", 2, 3)
    spacing = widest_spacing(detector)
    notes = []
    if len(gaps) and not spacing.reachable:
        notes.append(
            f"no lane, however close, meets required_pod at {detector.burial_depth_m:g} m; "
            f"the coil meets it down to {spacing.deepest_m:.2f} m: no infill lanes are proposed"
        )
    infill = infill_lanes(
        gaps if spacing.reachable else gaps.iloc[:0],
        detector,
        spacing.spacing_m,
        settings_bearing(survey),
        cover=cover,
        outline=survey.outline,
        keep_outs=survey.keep_outs,
    )
    inside = _searched(survey, grid)
    pod = cover["pod"].to_numpy()[inside]
    progress("coverage", 3, 3)
    return CheckResult(
        cover,
        gaps,
        infill,
        float(np.mean(pod >= detector.required_pod)),
        float(np.mean(pod)),
        tuple(notes),
    )


def settings_bearing(survey: Survey) -> float | None:
    """Return the bearing lanes are swum on: as set, else that of most lane metres, else None."""
    if survey.settings.lanes.bearing_deg is not None:
        return survey.settings.lanes.bearing_deg
    if survey.lanes is None or survey.lanes.empty:
        return None
    axis = survey.lanes["bearing_deg"].mod(180.0).round(0).mod(180.0)
    return float(survey.lanes.groupby(axis)["length_m"].sum().idxmax())


def _searched(survey: Survey, grid: Grid) -> np.ndarray:
    """Return the cells the team set out to search: the outline less keep-outs."""
    inside = grid.inside(survey.outline)
    for area in survey.keep_outs:
        inside &= ~grid.inside(area.polygon)
    return inside


def _needed(table: pd.DataFrame | None, name: str) -> pd.DataFrame:
    if table is None:
        raise SurveyError(
            [
                Problem(
                    "survey.toml",
                    f"this command needs {name} and no table is named",
                    f'write file = "{name}.csv" under [{name}]',
                    column=f"{name}.file",
                )
            ]
        )
    return table


def surveyed_cells(
    survey: Survey, grid: Grid, readings: pd.DataFrame, variance: np.ndarray, sill: float
) -> np.ndarray:
    """Return the cells where the readings speak, ``(L, K)``.

    With a detector: a reference target lying on the bed there would have been heard from the
    nearest reading. Without: the kriging variance is below 95 % of the sill.
    """
    if survey.settings.has_detector:
        detector = survey.settings.detector
        reach = max(footprint(detector, 0.0), detector.coil_diameter_m / 2.0)
        tree = cKDTree(readings.loc[readings["used"], ["e", "n"]].to_numpy(float))
        distance, _ = tree.query(grid.nodes, distance_upper_bound=reach)
        return np.isfinite(distance).reshape(grid.shape)
    return (variance < UNINFORMED * sill).reshape(grid.shape)


def map_signal(survey: Survey, progress: Progress = silent) -> MapResult:
    """Condition the readings and estimate every map with its standard deviation."""
    settings = survey.settings
    mapping = settings.mapping
    detector = settings.detector if settings.has_detector else None
    grid = survey.grid()
    nodes = grid.nodes
    unit = detector.signal_unit if detector else ""
    notes: list[str] = []

    progress("conditioning", 0, 6)
    readings = _needed(survey.readings, "readings")
    if detector is None and "spikes" in mapping.conditioning:
        detector = settings.detector  # raises, naming the missing section
    conditioned, steps, noise = condition(readings, mapping.conditioning, detector)
    clipped = int(conditioned["at_full_scale"].sum())
    if clipped:
        notes.append(f"{clipped} readings at full scale: the true signal there is at least that")

    progress("variogram", 1, 6)
    variogram = (
        "fit"
        if mapping.variogram == "fit"
        else Variogram.from_table(mapping.variogram.model_dump(exclude_unset=True))
    )
    try:
        signal = signal_model(
            conditioned,
            noise.sd,
            variogram=variogram,
            measurement_sd=mapping.measurement_sd,
            neighbours=mapping.neighbours,
        )
    except ValueError as error:
        raise SurveyError(
            [Problem(settings.readings.file or "readings", str(error), "check the readings table")]
        ) from error
    progress("signal map", 2, 6)
    estimate, variance = signal.model.kriging.at(nodes)
    surveyed = surveyed_cells(survey, grid, conditioned, variance, signal.model.variogram.sill)
    fields = {
        "signal": grid.field(estimate, "signal", unit, "conditioned detector signal"),
        "signal_sd": grid.field(
            np.sqrt(variance), "signal_sd", unit, "kriging standard deviation of signal"
        ),
        "surveyed": grid.field(surveyed, "surveyed", "1", "readings reach this cell"),
    }

    loud, loud_variance = signal.loudness.kriging.at(nodes)
    words = "loudness: asinh(signal / noise)"
    fields["loudness"] = grid.field(loud, "loudness", "1", words)
    fields["loudness_sd"] = grid.field(
        np.sqrt(loud_variance), "loudness_sd", "1", f"kriging standard deviation of {words}"
    )

    progress("checks", 3, 6)
    scores = leave_one_out_scores(signal.model.values, *signal.model.kriging.leave_one_out())
    left_out = signal.loudness.kriging.leave_one_out()
    loud_scores = leave_one_out_scores(signal.loudness.values, *left_out)
    rng = np.random.default_rng(settings.ranking.seed)
    sample = rng.choice(grid.size, min(CROSSCHECK_NODES, grid.size), replace=False)
    crosscheck = against_pykrige(
        signal.model.points,
        signal.model.values,
        signal.model.variogram,
        nodes[sample],
        estimate[sample],
        variance[sample],
        measurement_sd=signal.model.errors,
        neighbours=mapping.neighbours,
        repeats=signal.model.repeats,
    )

    progress("probes and seabed", 4, 6)
    contacts = contact_model(survey.probes)
    touched = 0
    if contacts is not None:
        probability, sd, touched = contact_probability(contacts, nodes)
        fields["contact_probability"] = grid.field(
            probability, "contact_probability", "1", "probability of contact within probe length"
        )
        fields["contact_probability_sd"] = grid.field(
            sd, "contact_probability_sd", "1", "kriging standard deviation of contact probability"
        )
    contact_depth = contact_depth_model(survey.probes)
    seabed = seabed_model(survey.seabed)
    for name, model, words in (
        ("contact_depth", contact_depth, "depth of contact below the bed"),
        ("seabed", seabed, "depth of the bed below the water level"),
    ):
        if model is not None:
            value, var = model.kriging.at(nodes)
            fields[name] = grid.field(value, name, "m", words)
            fields[f"{name}_sd"] = grid.field(
                np.sqrt(var), f"{name}_sd", "m", f"kriging standard deviation of {words}"
            )

    progress("anomalies", 5, 6)
    layout = square_layout(
        survey.outline, settings.squares, survey.squares_origin, survey.keep_outs
    )
    if detector is not None:
        anomalies = find_anomalies(fields["signal"], surveyed, conditioned, detector, noise.sd)
        anomalies["square"] = square_of(
            layout,
            anomalies["e"].to_numpy(float),
            anomalies["n"].to_numpy(float),
            survey.squares_origin,
        )
    else:
        anomalies = pd.DataFrame(columns=ANOMALY_COLUMNS)
        notes.append("no [detector] section: anomalies are not picked and POD is not known")
    progress("maps", 6, 6)
    return MapResult(
        xr.Dataset(fields),
        conditioned,
        steps,
        noise,
        signal,
        contacts,
        contact_depth,
        seabed,
        anomalies,
        scores,
        loud_scores,
        left_out,
        crosscheck,
        touched,
        tuple(notes),
    )


def rank(
    survey: Survey, maps: MapResult, cover: xr.Dataset | None, progress: Progress = silent
) -> RankResult:
    """Rank the squares from the maps' models and choose what fits the hours."""
    settings = survey.settings
    ranking = settings.ranking
    origin = survey.squares_origin
    grid = survey.grid()
    layout = square_layout(survey.outline, settings.squares, origin, survey.keep_outs)
    progress("evidence", 0, 2)

    def over_squares(values: np.ndarray) -> np.ndarray:
        return mean_over_squares(layout, grid.nodes, values.ravel().astype(float), origin)

    pod = (
        over_squares(cover["pod"].to_numpy()) if cover is not None else np.full(len(layout), np.nan)
    )
    detector = settings.detector if settings.has_detector else None
    evidence = gather_evidence(
        layout,
        maps.signal,
        maps.contacts,
        maps.contact_depth,
        pod=pod,
        surveyed_fraction=over_squares(maps.maps["surveyed"].to_numpy()),
        threshold_snr=detector.threshold_snr if detector else 3.0,
        burial_depth_m=detector.burial_depth_m if detector else 0.0,
        removal_m3_per_h=ranking.removal_m3_per_h,
        realisations=ranking.realisations,
        seed=ranking.seed,
    )
    progress("ranks", 1, 2)
    squares = rank_squares(
        evidence.table, evidence.draws, ranking.weights, ranking.top_k, evidence.threshold
    )
    dig = plan_dig(squares, ranking.budget_h, ranking.reserve_fraction)
    progress("ranks", 2, 2)
    return RankResult(squares, dig, evidence, layout)
