"""From probes and soundings to maps of what lies below, and of the bed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import xarray as xr

from detect.geostat.model import PointModel
from detect.probes import (
    ContactDepth,
    ContactModel,
    KindModel,
    contact_depth_model,
    contact_model,
    contact_probability,
    kind_model,
    kind_probabilities,
    relief,
    seabed_model,
)
from detect.stages.common import said_of_the_survey, with_sd
from detect.survey import Grid, Survey


@dataclass(frozen=True)
class BedMaps:
    """What probes and soundings say: maps, the models behind them, nodes held to [0, 1]."""

    fields: dict[str, xr.DataArray]
    contacts: ContactModel | None
    kinds: KindModel | None
    contact_depth: ContactDepth | None
    seabed: PointModel | None
    touched: int


def _contact_fields(
    grid: Grid, contacts: ContactModel | None
) -> tuple[dict[str, xr.DataArray], int]:
    """Map contact probability; also return how many nodes were held to [0, 1]."""
    if contacts is None:
        return {}, 0
    probability, sd, touched = contact_probability(contacts, grid.nodes)
    name, words = "contact_probability", "probability of contact within probe length"
    return with_sd(grid, probability, sd, name, "1", words), touched


def _kind_fields(
    grid: Grid, kinds: KindModel | None, mapped: dict[str, xr.DataArray]
) -> dict[str, xr.DataArray]:
    """Map the probability of each kind of contact; with that of none they add up to 1."""
    if kinds is None or "contact_probability" not in mapped:
        return {}
    contact = mapped["contact_probability"].to_numpy().ravel()
    contact_sd = mapped["contact_probability_sd"].to_numpy().ravel()
    fields: dict[str, xr.DataArray] = {}
    for kind, (mean, sd) in kind_probabilities(kinds, grid.nodes, contact, contact_sd).items():
        words = f"probability that the probe meets {kind}"
        fields |= with_sd(grid, mean, sd, f"contact_probability_{kind}", "1", words)
    return fields


def map_bed(survey: Survey) -> BedMaps:
    """Map contact probability, contact depth and the seabed.

    Raises
    ------
    SurveyError
        A table that cannot be kriged.
    """
    settings, grid = survey.settings, survey.grid()
    with said_of_the_survey(settings.probes.file or "probes", None, "check the probe table"):
        contacts = contact_model(survey.probes)
        contact_depth = contact_depth_model(survey.probes, seed=settings.ranking.seed)
        fields, touched = _contact_fields(grid, contacts)
        kinds = kind_model(survey.probes)
        fields |= _kind_fields(grid, kinds, fields)
        if contact_depth is not None:
            words = "depth of contact below the bed"
            below, variance = contact_depth.at(grid.nodes)
            fields |= with_sd(grid, below, np.sqrt(variance), "contact_depth", "m", words)
    with said_of_the_survey(settings.seabed.file or "seabed", None, "check the seabed table"):
        seabed = seabed_model(survey.seabed)
        if seabed is not None:
            words = "depth of the bed below the water level"
            bed, variance = seabed.kriging.at(grid.nodes)
            fields |= with_sd(grid, bed, np.sqrt(variance), "seabed", "m", words)
            above, variance = relief(seabed.points, seabed.values, grid.nodes, bed, variance)
            words = "height of the bed above a plane through most of it"
            fields |= with_sd(grid, above, np.sqrt(variance), "seabed_relief", "m", words)
    return BedMaps(fields, contacts, kinds, contact_depth, seabed, touched)
