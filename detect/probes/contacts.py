"""Where the probe would meet something: contact probability by indicator kriging."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from detect.geostat import Kriging, Variogram
from detect.geostat.mixtures import mixed
from detect.geostat.model import PointModel, point_model
from detect.geostat.open_models import open_models
from detect.geostat.parallel import threads
from detect.geostat.repeats import split_nugget

Floats = NDArray[np.float64]

#: the word in the ``contact`` column for a push that met nothing
NO_CONTACT = "none"
#: fewer probes than this are shown as points, not mapped
FEWEST_PROBES = 8
#: with more probes than this the model is known well enough: no others are carried along
ENOUGH = 300
#: no push is surer than this of what lies at its place (as a deviation of the indicator)
LEAST_ERROR = 1e-3


@dataclass(frozen=True)
class ContactModel:
    """Indicator of contact (1: met something, 0: pushed to the end and met nothing).

    Attributes
    ----------
    model : PointModel or None
        The best fit; None when every probe agreed, so that there is nothing to interpolate.
    share : float
        Share of probes with contact.
    probes : int
    members : tuple of Kriging
        One for each model that the probes leave open, all of the same weight; past 300 probes the
        best fit alone. Empty when every probe agreed.
    """

    model: PointModel | None
    share: float
    probes: int
    members: tuple[Kriging, ...] = ()


def contact_indicator(probes: pd.DataFrame) -> np.ndarray:
    """Return 1 where the probe met something, 0 where it met nothing, ``(N,)``."""
    return (probes["contact"] != NO_CONTACT).to_numpy(float)


def contact_model(probes: pd.DataFrame | None, neighbours: int = 0) -> ContactModel | None:
    """Build the estimator of contact probability.

    Indicator kriging (Journel 1983, Math. Geol. 15): the kriged mean of the indicator is the
    probability of contact within the probe's length, before correction to [0, 1]. Some tens of
    probes leave the variogram open, and one fitted to them taken for the truth states deviations
    that are too small: eight models of equal weight are carried along
    (:func:`detect.geostat.open_models.open_models`).

    Parameters
    ----------
    probes : DataFrame or None
        Probe table.
    neighbours : int
        Neighbours a node; 0 uses all probes.

    Returns
    -------
    ContactModel or None
        None with fewer than eight probes.
    """
    if probes is None or len(probes) < FEWEST_PROBES:
        return None
    indicator = contact_indicator(probes)
    share = float(indicator.mean())
    if share in (0.0, 1.0):
        return ContactModel(None, share, len(probes))
    points = probes[["e", "n"]].to_numpy(float)
    model = point_model(points, indicator, neighbours=neighbours)
    members: tuple[Kriging, ...] = (model.kriging,)
    if len(model.points) <= ENOUGH:
        # many small systems: threads would wait for each other more than they help
        with threads(0):
            members = tuple(
                _member(model, variogram, neighbours)
                for variogram in open_models(model.points, model.values, model.repeats).kept()
            )
    return ContactModel(model, share, len(probes), members)


def _member(model: PointModel, variogram: Variogram, neighbours: int) -> Kriging:
    field, error = split_nugget(variogram)
    return Kriging(
        model.points,
        model.values,
        field,
        measurement_sd=max(error, LEAST_ERROR) / np.sqrt(model.repeats),
        neighbours=neighbours or None,
    )


def correct_order(probability: np.ndarray) -> tuple[np.ndarray, int]:
    """Return probabilities held to [0, 1] and how many had left it.

    Kriging weights may be negative, so an indicator estimate can leave [0, 1] (Deutsch & Journel
    1998, GSLIB, order relations; from memory); with one threshold the correction is to clip.

    Parameters
    ----------
    probability : array

    Returns
    -------
    corrected : array
    touched : int
    """
    outside = (probability < 0.0) | (probability > 1.0)
    return np.clip(probability, 0.0, 1.0), int(outside.sum())


def contact_probability(
    contacts: ContactModel, nodes: np.ndarray
) -> tuple[np.ndarray, np.ndarray, int]:
    """Return contact probability and its standard deviation at nodes.

    Parameters
    ----------
    contacts : ContactModel
    nodes : (M, 2) array
        m.

    Returns
    -------
    probability : (M,) array
        In [0, 1].
    sd : (M,) array
        Kriging standard deviation of the indicator, with what the models differ by.
    touched : int
        Nodes corrected to [0, 1].
    """
    if contacts.model is None:
        # all probes agree: Laplace's rule of succession keeps this from claiming certainty
        said = (contacts.share * contacts.probes + 1.0) / (contacts.probes + 2.0)
        sd = np.sqrt(said * (1.0 - said))
        return np.full(len(nodes), said), np.full(len(nodes), sd), 0
    found = [member.at(nodes) for member in contacts.members]
    estimate, variance = mixed([mean for mean, _ in found], [variance for _, variance in found])
    probability, touched = correct_order(estimate)
    return probability, np.sqrt(variance), touched
