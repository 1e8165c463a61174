"""What is known of each square, with standard deviations, and joint draws of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from detect.probes import ContactDepth, ContactModel, KindModel
from detect.readings.signal import SignalModel
from detect.readings.site_inversion import SiteInversion
from detect.squares.effort import EffortRates, sediment_volume
from detect.squares.layout import centres
from detect.squares.ordnance import strong_anomalies
from detect.squares.together import together

Floats = NDArray[np.float64]

#: a square with less of its area surveyed than this is not ranked
LEAST_SURVEYED = 0.5


@dataclass(frozen=True, eq=False)
class Given:
    """What evidence is drawn from.

    Attributes
    ----------
    layout : DataFrame
        M squares from :func:`detect.squares.layout.square_layout`.
    signal : SignalModel
        Conditioned signal, plain and compressed.
    contacts, kinds, contact_depth : ContactModel, KindModel, ContactDepth or None
        From the probes; None where there are too few.
    pod, surveyed_fraction : (M,) array
        Mean probability of detection, share of cells surveyed.
    threshold_snr : float
        Signal over noise that counts as metal.
    burial_depth_m : float
        Stands in for overburden where no probe says better.
    anomalies : DataFrame or None
        ``anomaly, square, snr, q_value``.
    maps : Dataset or None
        For evidence that is read off a map.
    metal : SiteInversion or None
        What the map of strength was drawn from.
    remains : geometry or None
        What lies visible on the bed; ``remains_words`` says how it was found out.
    realisations : int
    """

    layout: pd.DataFrame
    signal: SignalModel
    contacts: ContactModel | None
    contact_depth: ContactDepth | None
    pod: Floats
    surveyed_fraction: Floats
    threshold_snr: float
    burial_depth_m: float
    realisations: int
    kinds: KindModel | None = None
    anomalies: pd.DataFrame | None = None
    maps: xr.Dataset | None = None
    metal: SiteInversion | None = None
    remains: BaseGeometry | None = None
    remains_words: str = ""
    origin: tuple[float, float] = (0.0, 0.0)

    @property
    def centres(self) -> Floats:
        """Centres of the squares, ``(M, 2)``, m."""
        return centres(self.layout)

    @property
    def size_m(self) -> float:
        """Side of a square, m."""
        return float(self.layout["size_m"].iloc[0])


@dataclass(frozen=True, eq=False)
class Item:
    """One evidence of M squares.

    Attributes
    ----------
    name : str
        As in ``[ranking] weights``.
    value, sd : (M,) array
        NaN where not known; ``sd`` 0 where certain.
    unit : str
    source : str
        The map or table the figure comes from.
    columns : dict of (M,) array
        What goes into ``squares.csv``.
    draws : (R, M) array or None
        Joint realisations; None where the evidence is the same for all squares, or not known.
    note : str
        What had to be assumed.
    """

    name: str
    value: Floats
    sd: Floats
    unit: str
    source: str
    columns: dict[str, Floats] = field(default_factory=dict)
    draws: Floats | None = None
    note: str = ""


#: makes one or more items of evidence, or none where there is no data for it
Source = Callable[[Given, np.random.Generator], Sequence[Item]]


@dataclass(frozen=True, eq=False)
class Evidence:
    """Evidence for M squares.

    Attributes
    ----------
    table : DataFrame
        The layout's columns and those of every item, ``pod, surveyed_fraction, sediment_m3,
        sediment_p05_m3, sediment_p95_m3, effort_h, strong_anomalies``.
    draws : dict of (R, M) array
        Joint realisations by evidence name, only of evidence there is data for.
    threshold : float
        Signal that counts as metal, signal units.
    notes : tuple of str
        Assumptions made where data was missing.
    items : tuple of Item
    """

    table: pd.DataFrame
    draws: dict[str, Floats]
    threshold: float
    notes: tuple[str, ...]
    items: tuple[Item, ...] = ()

    def trace(self) -> pd.DataFrame:
        """Return every figure with where it comes from.

        Returns
        -------
        DataFrame
            ``square, evidence, value, sd, unit, source``, one row a square and evidence.
        """
        squares = self.table["square"].to_numpy(object)
        return pd.concat(
            [
                pd.DataFrame(
                    {
                        "square": squares,
                        "evidence": item.name,
                        "value": item.value,
                        "sd": item.sd,
                        "unit": item.unit,
                        "source": item.source,
                    }
                )
                for item in self.items
            ],
            ignore_index=True,
        )


def gather_evidence(
    given: Given, sources: Sequence[Source], rates: EffortRates, seed: int
) -> Evidence:
    """Ask every source for its evidence and put it into one table.

    Parameters
    ----------
    given : Given
    sources : sequence of Source
        Usually :data:`detect.squares.sources.SOURCES`.
    rates : EffortRates
        What an hour does.
    seed : int
        Each source draws from a stream of its own: one more leaves the others' draws as they are.

    Returns
    -------
    Evidence

    Notes
    -----
    Each source draws by itself; then the draws of what comes from the same readings or the same
    probes are put in an order that follows the other's (:mod:`detect.squares.together`). Limit:
    what else two fields have in common is only in the data, which every draw honours.
    """
    streams = np.random.SeedSequence(seed).spawn(len(sources))
    items = tuple(
        item
        for source, stream in zip(sources, streams, strict=True)
        for item in source(given, np.random.default_rng(stream))
    )
    table = given.layout
    for item in items:
        table = table.assign(**item.columns)
    share = given.contacts.share if given.contacts is not None else None
    draws = together({item.name: item.draws for item in items if item.draws is not None}, share)
    items = tuple(replace(item, draws=draws.get(item.name)) for item in items)
    sediment = sediment_volume(given.size_m, table["overburden_m"].to_numpy(float))
    low, high = np.full(len(table), np.nan), np.full(len(table), np.nan)
    if "overburden" in draws:
        volume = sediment_volume(given.size_m, draws["overburden"])
        low, high = np.quantile(volume, [0.05, 0.95], axis=0)
    status = given.layout["status"].to_numpy(object)
    unseen = (status == "open") & (np.nan_to_num(given.surveyed_fraction) < LEAST_SURVEYED)
    table = table.assign(
        surveyed_fraction=given.surveyed_fraction,
        sediment_m3=sediment,
        sediment_p05_m3=low,
        sediment_p95_m3=high,
        effort_h=rates.hours(sediment),
        strong_anomalies=strong_anomalies(given.anomalies, list(given.layout["square"])),
        status=np.where(unseen, "unsurveyed", status),
    )
    notes = tuple(item.note for item in items if item.note)
    return Evidence(table, draws, given.threshold_snr * given.signal.scale, notes, items)
