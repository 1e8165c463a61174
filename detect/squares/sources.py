"""The named list of evidence. One more: a function that returns an `Item`, and its line here."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.special import betaincinv, ndtr
from shapely.geometry.base import BaseGeometry

from detect.geostat.mixtures import mixed
from detect.geostat.simulation import semidefinite_root
from detect.probes import ContactModel, contact_probability, kind_probabilities
from detect.readings.compressed import loudness
from detect.squares.evidence import LEAST_SURVEYED, Given, Item, Source
from detect.squares.layout import mean_over_squares
from detect.squares.metal import chance_of_metal, strength_of_targets, told_twice
from detect.survey.outlines import KeepOutArea

Floats = NDArray[np.float64]

#: error of a square's strength that resampling lanes does not show, as a share of it, and the
#: spread where the inversion finds none: from invented sites (docs/methods.md)
MODEL_ERROR, UNHEARD = 0.8, 0.13

#: words in a keep-out's name or reason that mark what is kept out of as remains seen on the bed
REMAINS = ("remain", "frame", "timber", "hull", "keel", "wreck", "gun", "cannon", "anchor", "plank")


def draw_normal(mean: Floats, covariance: Floats, count: int, rng: np.random.Generator) -> Floats:
    """Draw joint realisations ``mean + R z`` with ``R R'`` the posterior covariance, ``(R, M)``."""
    sill = max(float(np.max(np.diag(covariance), initial=0.0)), 1e-300)
    root = semidefinite_root(covariance, sill)
    return mean + rng.standard_normal((count, mean.size)) @ root.T


def draw_shares(
    mean: Floats, covariance: Floats, least: float, count: int, rng: np.random.Generator
) -> Floats:
    r"""Draw joint realisations of shares between 0 and 1 of given mean and deviation.

    Normal draws z with the posterior's correlations are carried over to a beta distribution each,

    .. math:: x = B^{-1}(\Phi(z); a, b), \quad a = m c, \; b = (1 - m) c, \;
              c = m (1 - m) / s^2 - 1

    which has the mean m and the deviation s. Normal draws cut off at 0 and 1 would deviate less
    than is stated, and would not know of squares that are all contact or none.

    Parameters
    ----------
    mean : (M,) array
    covariance : (M, M) array
    least : float
        No share is taken to be surer than this of being 0, or 1.
    count : int
    rng : Generator

    Returns
    -------
    (R, M) array

    Notes
    -----
    Source: method of moments of the beta distribution; normal draws carried over to other margins,
    Cario and Nelson 1997 (both from memory). Limit: s is held below that of all or nothing.
    """
    sd = _sd(covariance)
    unit = draw_normal(np.zeros(len(mean)), covariance, count, rng) / np.maximum(sd, 1e-12)
    m = np.clip(mean, least, 1.0 - least)
    c = np.maximum(m * (1.0 - m) / np.maximum(sd, 1e-3) ** 2 - 1.0, 0.02)
    return np.asarray(betaincinv(m * c, (1.0 - m) * c, ndtr(unit)))


def _sd(covariance: Floats) -> Floats:
    return np.sqrt(np.clip(np.diag(covariance), 0.0, None))


def signal(given: Given, rng: np.random.Generator) -> Sequence[Item]:
    """Mean loudness and signal of a square, and the chance that its loudness is above threshold.

    ``p_above = 1 - Phi((asinh(threshold_snr) - mean loudness) / sd)``.
    """
    mean, variance = given.signal.squares(given.centres, given.size_m)
    loud, covariance = given.signal.loudness.kriging.block_posterior(given.centres, given.size_m)
    loud_sd, threshold = _sd(covariance), float(loudness(given.threshold_snr, 1.0))
    drawn = draw_normal(loud, covariance, given.realisations, rng)
    # a square whose mean is known for certain would divide by zero
    above = ndtr((loud - threshold) / np.maximum(loud_sd, 1e-12))
    columns = {
        "signal_mean": mean,
        "signal_sd": np.sqrt(np.clip(variance, 0.0, None)),
        "loudness_mean": loud,
        "loudness_sd": loud_sd,
        "loudness_threshold": np.full(len(loud), threshold),
    }
    exceeds = np.asarray(drawn > threshold, dtype=float)
    of_map = "maps.nc: loudness"
    return [
        Item("signal", loud, loud_sd, "1", of_map, columns, drawn),
        Item(
            "p_above",
            above,
            np.sqrt(above * (1.0 - above)),
            "1",
            of_map,
            {"p_above": above},
            exceeds,
        ),
    ]


def _over_squares(given: Given, maps: Floats) -> Floats:
    """Add the strength (..., L, K) of the cells that are known up over squares, (..., M)."""
    assert given.maps is not None
    e, n = np.meshgrid(given.maps["e"].to_numpy(), given.maps["n"].to_numpy())
    nodes = np.column_stack([e.ravel(), n.ravel()])
    known = np.isfinite(given.maps["strength"].to_numpy()).ravel()
    cell_m2 = float(np.prod([np.diff(given.maps[axis].to_numpy()[:2])[0] for axis in ("e", "n")]))
    kept = np.where(known, maps.reshape(*maps.shape[:-2], -1), 0.0)
    cells = given.size_m**2 / cell_m2
    return cells * mean_over_squares(given.layout, nodes, kept, given.origin)


def strength(given: Given, rng: np.random.Generator) -> Sequence[Item]:
    """Strength of the metal in a square, told twice: by the map and by the targets picked.

    The map's share is the sum over the cells that are known; where anomalies were picked, the
    middle of that and of theirs is taken (:func:`detect.squares.metal.told_twice`).

    Squares are drawn together from the resampled inversions, ``mean + z D / sqrt(R - 1)`` with the
    R replicates' deviations D, so that what the lanes leave open between two squares stays between
    them; draws are held above 0. What the lanes cannot tell, depth against strength above all, is
    an error of `MODEL_ERROR` of each square's strength beside that, and of `UNHEARD` where nothing
    was heard. The order looks at ``asinh(strength)``: a square with twice the metal is better by
    the same step whether it holds little or much.
    """
    if given.maps is None or given.metal is None or "strength" not in given.maps:
        return []
    total = _over_squares(given, given.metal.strength)
    replicates = _over_squares(given, given.metal.replicates)
    of = "maps.nc: strength"
    if given.anomalies is not None:
        picked = strength_of_targets(given.layout, given.anomalies)
        total, replicates = told_twice(total, picked), told_twice(replicates, picked)
        of += ", anomalies.csv"
    deviations = replicates - replicates.mean(axis=0)
    sd = np.sqrt(np.sum(deviations**2, axis=0) / (len(replicates) - 1))
    step = rng.standard_normal((given.realisations, len(replicates))) @ deviations
    drawn = np.arcsinh(np.clip(total + step / np.sqrt(len(replicates) - 1), 0.0, None))
    untold = np.hypot(MODEL_ERROR * total / np.sqrt(1.0 + total**2), UNHEARD)
    drawn = drawn + untold * rng.standard_normal(drawn.shape)
    sd = np.sqrt(sd**2 + (MODEL_ERROR * total) ** 2 + UNHEARD**2)
    columns = {"strength": total, "strength_sd": sd}
    return [Item("strength", total, sd, "reference targets", of, columns, drawn)]


def metal(given: Given, _: np.random.Generator) -> Sequence[Item]:
    """Chance that metal is found in a square (:func:`detect.squares.metal.chance_of_metal`).

    Not known where less than half of the square was surveyed. It has no weight of its own in the
    order: `strength` and `targets` hold what it is made of.
    """
    if given.anomalies is None or given.maps is None or given.metal is None:
        return []
    if "strength" not in given.maps:
        return []
    mapped = _over_squares(given, given.metal.strength)
    chance = chance_of_metal(given.layout, given.anomalies, mapped)
    chance = np.where(np.nan_to_num(given.surveyed_fraction) < LEAST_SURVEYED, np.nan, chance)
    of = "maps.nc: strength, anomalies.csv"
    sd = np.sqrt(chance * (1.0 - chance))
    return [Item("p_metal", chance, sd, "1", of, {"p_metal": chance})]


def targets(given: Given, rng: np.random.Generator) -> Sequence[Item]:
    """Anomalies in a square, each counted with the chance that it is one, ``1 - q_value``."""
    if given.anomalies is None:
        return []
    count, variance = np.zeros(len(given.layout)), np.zeros(len(given.layout))
    drawn = np.zeros((given.realisations, len(given.layout)))
    place = {name: i for i, name in enumerate(given.layout["square"])}
    known = given.anomalies[given.anomalies["square"].isin(place)]
    chance = 1.0 - known["q_value"].to_numpy(float)
    square = known["square"].map(place).to_numpy(int)
    np.add.at(count, square, chance)
    np.add.at(variance, square, chance * (1.0 - chance))
    real = rng.random((given.realisations, len(known))) < chance
    np.add.at(drawn.T, square, real.T)
    sd = np.sqrt(variance)
    columns = {"targets": count, "targets_sd": sd}
    return [Item("targets", count, sd, "targets", "anomalies.csv", columns, drawn)]


def _contact_of_squares(
    given: Given, contacts: ContactModel, rng: np.random.Generator
) -> tuple[Floats, Floats, Floats]:
    """Mean, deviation and draws of contact: each draw under one of the models left open."""
    # the rule of succession: n probes that agree leave a chance of 1 in n + 2
    least = 1.0 / (contacts.probes + 2.0)
    drawn = np.empty((given.realisations, len(given.layout)))
    means, variances = [], []
    for number, member in enumerate(contacts.members):
        kriged, covariance = member.block_posterior(given.centres, given.size_m)
        held = np.clip(kriged, 0.0, 1.0)
        rows = np.arange(number, given.realisations, len(contacts.members))
        drawn[rows] = draw_shares(held, covariance, least, len(rows), rng)
        means.append(held)
        variances.append(_sd(covariance) ** 2)
    mean, variance = mixed(means, variances)
    return mean, np.sqrt(variance), drawn


def contact(given: Given, rng: np.random.Generator) -> Sequence[Item]:
    """Chance that a probe meets something, and each kind of contact."""
    contacts, count = given.contacts, len(given.layout)
    unknown = np.full(count, np.nan)
    source = "maps.nc: contact_probability"
    if contacts is None:
        note = "fewer than eight probes: contact plays no part in the order"
        columns = {"p_contact": unknown, "p_contact_sd": unknown}
        return [Item("contact", unknown, unknown, "1", source, columns, None, note)]
    note, drawn = "", None
    if contacts.model is None:
        mean, sd, _ = contact_probability(contacts, given.centres)
        note = "every probe agreed: contact is the same for all squares"
    else:
        mean, sd, drawn = _contact_of_squares(given, contacts, rng)
    columns = {"p_contact": mean, "p_contact_sd": sd}
    items = [Item("contact", mean, sd, "1", source, columns, drawn, note)]
    if given.kinds is None:
        return items
    share, share_sd = given.kinds.shares(given.centres, given.size_m)
    found = kind_probabilities(given.kinds, given.centres, mean, sd, given.size_m)
    for k, (kind, (p, p_sd)) in enumerate(found.items()):
        name = f"contact_{kind}"
        # the share of a kind is drawn about its estimate, square by square
        noise = rng.standard_normal((given.realisations, count))
        shares = np.clip(share[:, k] + share_sd[:, k] * noise, 0.0, 1.0)
        of_kind = shares * (mean if drawn is None else drawn)
        columns = {f"p_{name}": p, f"p_{name}_sd": p_sd}
        of_map = f"maps.nc: contact_probability_{kind}"
        items.append(Item(name, p, p_sd, "1", of_map, columns, of_kind))
    return items


def overburden(given: Given, rng: np.random.Generator) -> Sequence[Item]:
    """Depth of the first contact, from contacts and from the probes that ran out."""
    source = "maps.nc: contact_depth"
    if given.contact_depth is None:
        depth = np.full(len(given.layout), float(given.burial_depth_m))
        columns = {"overburden_m": depth, "overburden_sd_m": np.full(len(depth), np.nan)}
        note = (
            "fewer than eight contacts: overburden is taken as "
            f"burial_depth_m = {given.burial_depth_m:g} m"
        )
        sd = columns["overburden_sd_m"]
        return [Item("overburden", depth, sd, "m", "survey.toml", columns, None, note)]
    mean, variance, drawn = given.contact_depth.draw_squares(
        given.centres, given.size_m, given.realisations, rng
    )
    mean, sd, drawn = np.clip(mean, 0.0, None), np.sqrt(variance), np.clip(drawn, 0.0, None)
    columns = {"overburden_m": mean, "overburden_sd_m": sd}
    return [Item("overburden", mean, sd, "m", source, columns, drawn)]


def pod(given: Given, _: np.random.Generator) -> Sequence[Item]:
    """Mean probability of detection of a square as swum; it follows from the lanes, exactly."""
    columns = {"pod": given.pod}
    certain = np.zeros(len(given.pod))
    drawn = None
    if np.isfinite(given.pod).any():
        drawn = np.broadcast_to(np.nan_to_num(given.pod), (given.realisations, len(given.pod)))
    return [Item("pod", given.pod, certain, "1", "coverage.nc: pod", columns, drawn)]


def remains(given: Given, _: np.random.Generator) -> Sequence[Item]:
    """Distance from a square's edge to remains seen on the bed, m; measured, no deviation."""
    if given.remains is None or given.remains.is_empty:
        return []
    half = given.size_m / 2.0
    boxes = shapely.box(*(given.centres - half).T, *(given.centres + half).T)
    distance = np.asarray(shapely.distance(boxes, given.remains), dtype=float)
    drawn = np.broadcast_to(distance, (given.realisations, len(distance)))
    return [
        Item(
            "remains",
            distance,
            np.zeros(len(distance)),
            "m",
            f"survey.toml: {given.remains_words}",
            {"remains_m": distance},
            drawn,
        )
    ]


SOURCES: tuple[Source, ...] = (
    signal,
    strength,
    targets,
    contact,
    overburden,
    pod,
    remains,
    metal,
)


def visible_remains(keep_outs: Sequence[KeepOutArea]) -> tuple[BaseGeometry | None, str]:
    """Return what lies visible on the bed, and how it was found out.

    Keep-outs whose name or reason speaks of remains; where none does, all of them.
    """
    if not keep_outs:
        return None, ""
    marked = [a for a in keep_outs if any(w in f"{a.name} {a.reason}".lower() for w in REMAINS)]
    chosen = marked or list(keep_outs)
    words = "keep-outs that speak of remains" if marked else "all keep-outs (none names remains)"
    names = ", ".join(area.name for area in chosen)
    return shapely.union_all([area.polygon for area in chosen]), f"{words}: {names}"
