"""What the probe would meet: a probability for each kind of contact."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from detect.geostat import Kriging, experimental_variogram, fit_variogram
from detect.geostat.repeats import split_nugget
from detect.probes.contacts import FEWEST_PROBES, contact_indicator

Floats = NDArray[np.float64]

#: error variance of an indicator where none was fitted, so that two probes may share a place
LEAST_NUGGET = 1e-4


@dataclass(frozen=True, eq=False)
class KindModel:
    """Shares of the kinds among contacts.

    Attributes
    ----------
    kinds : tuple of str
        In alphabetical order, as words fit for a name.
    indicators : (N, K) array
        1 where contact n is of kind k.
    kriging : Kriging or None
        Over the contacts, with the correlogram all kinds share; None with one kind, or too few
        contacts to tell where which lies.
    """

    kinds: tuple[str, ...]
    indicators: Floats
    kriging: Kriging | None

    def shares(self, nodes: Floats, size_m: float | None = None) -> tuple[Floats, Floats]:
        """Share of each kind among contacts at nodes or over squares, and its deviation, (M, K).

        Order relations: a kriged indicator may leave [0, 1]; what is negative is set to 0 and the
        rest brought back to a sum of 1 (Deutsch & Journel 1998, from memory).
        """
        mean = self.indicators.mean(axis=0)
        if self.kriging is None:
            count = len(self.indicators)
            sd = np.sqrt(mean * (1.0 - mean) / (count + 1.0))
            return np.tile(mean, (len(nodes), 1)), np.tile(sd, (len(nodes), 1))
        share = self.kriging.weights(nodes, size_m) @ self.indicators
        held = np.clip(share, 0.0, None)
        held /= held.sum(axis=1, keepdims=True)
        if size_m is None:
            _, variance = self.kriging.at(nodes)
        else:
            _, variance = self.kriging.blocks(nodes, size_m)
        # the correlogram has sill 1: a kind's own sill is the variance of its indicator
        return held, np.sqrt(np.outer(variance, mean * (1.0 - mean)))


def kind_model(probes: pd.DataFrame | None) -> KindModel | None:
    """Build the estimator of the kinds of contact.

    Among the contacts, the indicator of each kind is kriged; all share one correlogram, fitted to
    the sum of their variograms (half the share of pairs that differ in kind: the mosaic model), so
    that the weights are the same and the estimates add up to 1.

    Parameters
    ----------
    probes : DataFrame or None
        Probe table.

    Returns
    -------
    KindModel or None
        None with fewer than eight probes or no contact.

    Notes
    -----
    Source: median indicator kriging, Journel 1983, Math. Geol. 15; mosaic model, Chiles & Delfiner
    2012, 6.3 (both from memory). Limit: a kind met once or twice has little to say where else it
    lies.
    """
    if probes is None or len(probes) < FEWEST_PROBES:
        return None
    met = probes[contact_indicator(probes) > 0]
    if not len(met):
        return None
    words = met["contact"].map(as_name)
    kinds = tuple(sorted(words.unique()))
    indicators = np.asarray(words.to_numpy(object)[:, None] == np.array(kinds, object), float)
    kriging = None
    if len(kinds) > 1 and len(met) >= FEWEST_PROBES:
        points = met[["e", "n"]].to_numpy(float)
        kriging = _common(points, indicators)
    return KindModel(kinds, indicators, kriging)


def as_name(kind: str) -> str:
    """Return a kind as a word fit for a column or a map: ``ship's timber`` is ``ship_s_timber``."""
    return re.sub(r"\W+", "_", kind.strip().lower()).strip("_") or "unnamed"


def _common(points: Floats, indicators: Floats) -> Kriging:
    """Kriging over the contacts with the correlogram the kinds share (exponential), sill 1."""
    bins = [experimental_variogram(points, indicators[:, k]) for k in range(indicators.shape[1])]
    pooled = bins[0].assign(semivariance=sum(b["semivariance"] for b in bins))
    found = fit_variogram(pooled, "exponential").variogram
    field, error = split_nugget(found)
    scaled = replace(
        field, nugget=field.nugget / found.sill, partial_sill=field.partial_sill / found.sill
    )
    error_sd = max(error / np.sqrt(found.sill), np.sqrt(LEAST_NUGGET))
    return Kriging(points, indicators[:, 0], scaled, measurement_sd=error_sd)


def kind_probabilities(
    model: KindModel,
    nodes: Floats,
    contact: Floats,
    contact_sd: Floats,
    size_m: float | None = None,
) -> dict[str, tuple[Floats, Floats]]:
    """Return probability and standard deviation of each kind, by kind.

    ``p_kind = p_contact x share of the kind among contacts``: with ``1 - p_contact`` for none they
    add up to 1. Deviations as of a product of independent factors.

    Parameters
    ----------
    model : KindModel
    nodes : (M, 2) array
        Nodes, or centres of squares of side ``size_m``, m.
    contact, contact_sd : (M,) array
        Probability of any contact and its standard deviation.
    size_m : float, optional

    Returns
    -------
    dict of (M,) and (M,) arrays
    """
    share, share_sd = model.shares(nodes, size_m)
    variance = (
        (contact_sd[:, None] * share) ** 2
        + (contact[:, None] * share_sd) ** 2
        + (contact_sd[:, None] * share_sd) ** 2
    )
    mean, sd = contact[:, None] * share, np.sqrt(variance)
    return {kind: (mean[:, k], sd[:, k]) for k, kind in enumerate(model.kinds)}
