"""From readings, probes and soundings to maps with their uncertainty."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
import xarray as xr
from scipy.spatial import cKDTree

from detect.geostat import Variogram
from detect.geostat.crosscheck import CrossCheck, against_pykrige
from detect.geostat.first_use import compile_kernels, compiled_before
from detect.geostat.model import PointModel
from detect.geostat.scores import Scores, leave_one_out_scores
from detect.lanes import coil_aliased_share, footprint
from detect.present.words import counted
from detect.probes import (
    ContactDepth,
    ContactModel,
    KindModel,
)
from detect.readings import (
    Noise,
    SignalModel,
    SiteInversion,
    StepRecord,
    along_in_doubt_m,
    condition,
    find_anomalies,
    invert_site,
    lane_spacing,
    signal_model,
    signal_of,
    track_quality,
)
from detect.readings.anomalies import COLUMNS as ANOMALY_COLUMNS
from detect.readings.silence import silence_words
from detect.readings.steps import in_units
from detect.squares import square_layout, square_of
from detect.stages.bed import BedMaps, map_bed
from detect.stages.check import swum
from detect.stages.common import (
    Later,
    Progress,
    needed,
    said_of_the_survey,
    silent,
    when_asked,
    with_sd,
)
from detect.survey import Problem, Survey, SurveyError

#: nodes of each map that are estimated again by an independent library
CROSSCHECK_NODES = 600
#: where the reference target at burial depth would be found more rarely, strength is not known
LEAST_POD = 0.3
#: power lost between lanes that is worth a note: a twentieth (common practice, no source)
WORTH_SAYING = 0.05
#: without a detector's footprint, a node whose variance is this share of the sill is unsurveyed
UNINFORMED = 0.95


@dataclass(frozen=True)
class MapResult:
    """Maps with their uncertainty, the models behind them and the checks on them."""

    maps: xr.Dataset
    readings: pd.DataFrame
    quality: pd.DataFrame
    steps: tuple[StepRecord, ...]
    noise: Noise
    signal: SignalModel
    contacts: ContactModel | None
    kinds: KindModel | None
    contact_depth: ContactDepth | None
    seabed: PointModel | None
    anomalies: pd.DataFrame
    metal: SiteInversion | None
    plain_scores: Scores | None
    loud_scores: Scores
    left_out: tuple[np.ndarray, np.ndarray]
    crosscheck: CrossCheck
    touched: int
    notes: tuple[str, ...] = ()


def heard_cells(survey: Survey, readings: pd.DataFrame) -> np.ndarray:
    """Return the cells where the detector's readings speak, ``(L, K)``.

    A reference target lying on the bed there would have been heard from the nearest reading.
    """
    detector, grid = survey.settings.detector, survey.grid()
    reach = max(footprint(detector, 0.0), detector.coil_diameter_m / 2.0)
    tree = cKDTree(readings.loc[readings["used"], ["e", "n"]].to_numpy(float))
    distance, _ = tree.query(grid.nodes, distance_upper_bound=reach)
    return np.isfinite(distance).reshape(grid.shape)


def informed_cells(signal: SignalModel, loudness_sd: xr.DataArray) -> np.ndarray:
    """Return the cells where the readings speak when their detector is not known, ``(L, K)``.

    The kriging variance there is below 95 % of the sill.
    """
    return np.asarray(loudness_sd.to_numpy() ** 2 < UNINFORMED * signal.loudness.variogram.sill)


def _estimator(survey: Survey, conditioned: pd.DataFrame, noise: Noise) -> SignalModel:
    """Build the estimators of signal and loudness; say what the readings do not allow."""
    mapping = survey.settings.mapping
    variogram: Variogram | Literal["fit"] = (
        "fit"
        if mapping.variogram == "fit"
        else Variogram.from_table(mapping.variogram.model_dump(exclude_unset=True))
    )
    file = survey.settings.readings.file or "readings"
    with said_of_the_survey(file, "signal", "check the readings, or set [mapping] variogram"):
        return signal_model(
            conditioned,
            noise.sd,
            variogram=variogram,
            measurement_sd=mapping.measurement_sd,
            neighbours=mapping.neighbours,
        )


def _signal_fields(
    survey: Survey, signal: SignalModel, unit: str, client: Any
) -> dict[str, xr.DataArray]:
    """Map loudness and signal."""
    grid = survey.grid()
    with said_of_the_survey("survey.toml", "mapping.variogram", 'set variogram = "fit"'):
        loud, variance = signal.loudness.kriging.at(grid.nodes, client=client)
        plain = signal.signal_at(grid.nodes, loud, variance, client)
    return with_sd(
        grid, plain[0], np.sqrt(plain[1]), "signal", unit, "conditioned signal"
    ) | with_sd(grid, loud, np.sqrt(variance), "loudness", "1", "loudness, asinh(signal / noise)")


def _crosscheck(survey: Survey, signal: SignalModel, fields: dict[str, xr.DataArray]) -> CrossCheck:
    """Estimate a random sample of nodes of the kriged map again with PyKrige."""
    model, name = signal.model, signal.kriged
    nodes = survey.grid().nodes
    rng = np.random.default_rng(survey.settings.ranking.seed)
    sample = rng.choice(len(nodes), min(CROSSCHECK_NODES, len(nodes)), replace=False)
    return against_pykrige(
        model.points,
        model.values,
        model.variogram,
        nodes[sample],
        fields[name].to_numpy().ravel()[sample],
        fields[f"{name}_sd"].to_numpy().ravel()[sample] ** 2,
        measurement_sd=model.errors,
        neighbours=survey.settings.mapping.neighbours,
        repeats=model.repeats,
    )


def _anomalies(
    survey: Survey,
    loud: xr.DataArray,
    scale: float,
    surveyed: np.ndarray,
    conditioned: pd.DataFrame,
    noise: Noise,
    along_sd_m: float,
) -> pd.DataFrame:
    """Pick the anomalies and name the square each lies in.

    Places are in doubt by ``along_sd_m`` along the lanes as well, one axis of two.

    Their extent is taken from the loudness map, as signal: the mean signal also rises where there
    are no readings near, with its uncertainty.
    """
    if not survey.settings.has_detector:
        return pd.DataFrame(columns=ANOMALY_COLUMNS)
    origin = survey.squares_origin
    layout = square_layout(survey.outline, survey.settings.squares, origin, survey.keep_outs)
    signal = loud.copy(data=signal_of(loud.to_numpy(), scale))
    found = find_anomalies(signal, surveyed, conditioned, survey.settings.detector, noise.sd)
    e, n = found["e"].to_numpy(float), found["n"].to_numpy(float)
    place_sd = np.hypot(found["position_sd_m"].to_numpy(float), along_sd_m / np.sqrt(2.0))
    return found.assign(square=square_of(layout, e, n, origin), position_sd_m=place_sd)


def _metal(
    survey: Survey,
    conditioned: pd.DataFrame,
    noise: Noise,
    cover: xr.Dataset | None,
    surveyed: np.ndarray,
) -> tuple[SiteInversion | None, dict[str, xr.DataArray]]:
    """Work out the strength in each cell; where it would not be heard it is not known, not 0."""
    settings, grid = survey.settings, survey.grid()
    if not (settings.has_detector and np.isfinite(noise.sd) and noise.sd > 0):
        return None, {}
    cells = grid.field(surveyed, "surveyed", "1", "")
    metal = invert_site(conditioned, settings.detector, noise.sd, cells, settings.ranking.seed)
    pod = (cover if cover is not None else swum(survey))["pod"].to_numpy()
    unheard = ~surveyed | (pod < LEAST_POD)
    words = "strength of the metal in a cell, in reference targets"
    return metal, {
        name: grid.field(np.where(unheard, np.nan, values), name, "1", said)
        for name, values, said in (
            ("strength", metal.strength, words),
            ("strength_sd", metal.sd, f"standard deviation of {words}"),
        )
    }


def _lane_lengths(survey: Survey) -> dict[str, float]:
    """Return the length of each lane from peg to peg, m."""
    if survey.lanes is None:
        return {}
    lanes = survey.lanes.drop_duplicates("lane")
    return dict(zip(lanes["lane"], lanes["length_m"], strict=True))


def _something_heard(survey: Survey, conditioned: pd.DataFrame) -> None:
    """Raise the `SurveyError` that says what is left to do where the meter never spoke."""
    if conditioned["silent"].all():
        value = float(conditioned["raw"].min())
        raise SurveyError(
            [
                Problem(
                    survey.settings.readings.file or "readings",
                    f"nothing was heard: all {len(conditioned)} readings stand at {value:g}, so "
                    "there is no map to make and no square to put before another",
                    "`detect check` says what was looked at and what could still lie there; if "
                    "the meter did show numbers, type them in",
                    column="signal",
                )
            ]
        )


def _notes(survey: Survey, conditioned: pd.DataFrame, noise: Noise) -> tuple[str, ...]:
    """Return what a reader of the maps must know besides."""
    notes = []
    if conditioned["silent"].any():
        notes.append(silence_words(conditioned, noise.sd))
    clipped = int(conditioned["at_full_scale"].sum())
    if clipped:
        said = counted(clipped, "reading")
        notes.append(f"{said} at full scale: the true signal there is at least that")
    if not survey.settings.has_detector:
        notes.append("no [detector] section: anomalies are not picked and POD is not known")
    elif survey.settings.detector.sweep_half_width_m == 0.0:
        detector, apart = survey.settings.detector, lane_spacing(conditioned)
        share = coil_aliased_share(detector, detector.burial_depth_m, apart)
        if share > WORTH_SAYING:
            notes.append(
                f"lanes {apart:.2f} m apart cannot tell {100 * share:.0f} % of the signal's power "
                f"over a target {detector.burial_depth_m:g} m down from something else: its place "
                "across the lanes is in doubt (see position_sd_m of the anomalies)"
            )
    return tuple(notes)


def map_signal(
    survey: Survey,
    progress: Progress = silent,
    bed: Callable[[], BedMaps] | None = None,
    cover: xr.Dataset | None = None,
    client: Any = None,
    later: Later = when_asked,
) -> MapResult:
    """Condition the readings and estimate every map with its standard deviation.

    Parameters
    ----------
    survey : Survey
    progress : Progress
    bed : callable, optional
        Called in place of :func:`map_bed` while metal and anomalies are awaited; returns the same.
    cover : Dataset, optional
        Coverage as swum, where it is known already.
    client : distributed.Client, optional
        A cluster to work the maps of signal and loudness out on.
    later : Later, optional
        How to have metal and anomalies worked out while the rest is.

    Raises
    ------
    SurveyError
        No readings, too few of them, or a model they cannot be kriged with.
    """
    settings = survey.settings
    grid = survey.grid()
    unit = settings.detector.signal_unit if settings.has_detector else ""
    readings = needed(survey.readings, "readings")

    compiled = later(compile_kernels)
    progress("conditioning", 0, 6)
    steps_named = settings.mapping.conditioning
    # two steps need to know the coil; asking for them without one names the section
    with_coil = settings.has_detector
    asked = with_coil or not {"spikes", "lag"}.isdisjoint(steps_named)
    coil = settings.detector if asked else None
    conditioned, steps, noise = condition(readings, steps_named, coil)
    steps = tuple(in_units(step, unit) for step in steps)
    _something_heard(survey, conditioned)

    surveyed = heard_cells(survey, conditioned) if with_coil else np.zeros(grid.shape, bool)
    inverted = later(_metal, survey, conditioned, noise, cover, surveyed)

    progress("variogram", 1, 6)
    signal = _estimator(survey, conditioned, noise)

    progress("signal map" if compiled_before() else "compiling, this once", 2, 6)
    compiled()
    fields = _signal_fields(survey, signal, unit, client)
    if not with_coil:
        surveyed = informed_cells(signal, fields["loudness_sd"])
    fields["surveyed"] = grid.field(surveyed, "surveyed", "1", "readings reach this cell")
    loud, scale = fields["loudness"], signal.scale
    along = along_in_doubt_m(steps)
    picked = later(_anomalies, survey, loud, scale, surveyed, conditioned, noise, along)

    progress("checks", 3, 6)
    plain_scores = None
    if signal.plain is not None:
        plain = signal.plain
        plain_scores = leave_one_out_scores(plain.values, *plain.kriging.leave_one_out())
    left_out = signal.loudness.kriging.leave_one_out()
    loud_scores = leave_one_out_scores(signal.loudness.values, *left_out)
    crosscheck = _crosscheck(survey, signal, fields)

    progress("probes and seabed", 4, 6)
    below = bed() if bed is not None else map_bed(survey)
    progress("anomalies and metal", 5, 6)
    anomalies = picked()
    metal, strengths = inverted()
    fields |= strengths
    fields |= below.fields
    progress("maps", 6, 6)
    return MapResult(
        xr.Dataset(fields),
        conditioned,
        track_quality(conditioned, _lane_lengths(survey)),
        steps,
        noise,
        signal,
        below.contacts,
        below.kinds,
        below.contact_depth,
        below.seabed,
        anomalies,
        metal,
        plain_scores,
        loud_scores,
        left_out,
        crosscheck,
        below.touched,
        _notes(survey, conditioned, noise),
    )
