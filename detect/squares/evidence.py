"""What is known of each square, with standard deviations, and joint draws of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import norm

from detect.geostat.model import PointModel
from detect.probes import ContactModel, contact_probability
from detect.readings.compressed import loudness
from detect.readings.signal import SignalModel
from detect.squares.layout import centres

#: a square with less of its area surveyed than this is not ranked
LEAST_SURVEYED = 0.5


@dataclass(frozen=True)
class Evidence:
    """Evidence for M squares.

    Attributes
    ----------
    table : DataFrame
        The layout's columns and ``signal_mean, signal_sd, loudness_mean, loudness_sd,
        loudness_threshold, p_above, p_contact, p_contact_sd, overburden_m, overburden_sd_m, pod,
        surveyed_fraction, effort_h, sediment_m3``.
    draws : dict of (R, M) array
        Joint realisations by evidence name: ``signal`` (mean loudness, without unit),
        ``contact`` (probability), ``overburden`` (m). Only evidence there is data for.
    threshold : float
        Signal that counts as metal, signal units.
    notes : tuple of str
        Assumptions made where data was missing.
    """

    table: pd.DataFrame
    draws: dict[str, np.ndarray]
    threshold: float
    notes: tuple[str, ...]


def draw_squares(
    mean: np.ndarray, covariance: np.ndarray, count: int, rng: np.random.Generator
) -> np.ndarray:
    """Draw joint realisations of Gaussian block means.

    ``mean + L z`` with ``L L' `` the posterior covariance, so the variance of each square is its
    block kriging variance. ``L`` is the Cholesky factor; where the covariance is singular
    (squares without uncertainty) it comes from the eigenvalues, less those below zero by rounding.

    Parameters
    ----------
    mean : (M,) array
    covariance : (M, M) array
    count : int
        Realisations R.
    rng : Generator

    Returns
    -------
    (R, M) array
    """
    try:
        root = np.linalg.cholesky(covariance)
    except np.linalg.LinAlgError:
        eigenvalues, vectors = np.linalg.eigh(covariance)
        root = vectors * np.sqrt(np.clip(eigenvalues, 0.0, None))
    return mean + rng.standard_normal((count, mean.size)) @ root.T


def effort_hours(size_m: float, overburden_m: np.ndarray, removal_m3_per_h: float) -> np.ndarray:
    """Return dive hours to take the sediment off a square: area, times depth, over rate."""
    return size_m**2 * np.clip(overburden_m, 0.0, None) / removal_m3_per_h


def gather_evidence(
    layout: pd.DataFrame,
    signal: SignalModel,
    contacts: ContactModel | None,
    contact_depth: PointModel | None,
    *,
    pod: np.ndarray,
    surveyed_fraction: np.ndarray,
    threshold_snr: float,
    burial_depth_m: float,
    removal_m3_per_h: float,
    realisations: int,
    seed: int,
) -> Evidence:
    """Estimate every square by block kriging and draw joint realisations.

    Parameters
    ----------
    layout : DataFrame
        M squares from :func:`detect.squares.layout.square_layout`.
    signal : SignalModel
        Conditioned signal, plain and compressed.
    contacts, contact_depth : ContactModel, PointModel or None
        From the probes; None where there are too few.
    pod, surveyed_fraction : (M,) array
        Mean probability of detection, share of cells surveyed.
    threshold_snr : float
        Signal over noise that counts as metal.
    burial_depth_m : float
        Stands in for overburden where no probe says better.
    removal_m3_per_h : float
        Sediment one hour of diving removes.
    realisations, seed : int
        Draws and their seed.

    Returns
    -------
    Evidence

    Notes
    -----
    Block means of the three fields are drawn independently of each other: what they have in
    common is in the data, which every draw honours. ``p_above`` is the probability that the mean
    loudness of a square exceeds that of a reading at the threshold. Draws of contact are held to
    [0, 1] and of overburden to above 0.
    """
    where = centres(layout)
    size = float(layout["size_m"].iloc[0])
    children = [np.random.default_rng(s) for s in np.random.SeedSequence(seed).spawn(3)]
    notes: list[str] = []
    draws: dict[str, np.ndarray] = {}

    mean, variance = signal.squares(where, size)
    loud, loud_covariance = signal.loudness.kriging.block_posterior(where, size)
    loud_sd = np.sqrt(np.clip(np.diag(loud_covariance), 0.0, None))
    draws["signal"] = draw_squares(loud, loud_covariance, realisations, children[0])
    # a square whose mean is known for certain would divide by zero
    p_above = norm.sf((loudness(threshold_snr, 1.0) - loud) / np.maximum(loud_sd, 1e-12))

    p_contact = np.full(len(layout), np.nan)
    p_contact_sd = p_contact.copy()
    if contacts is None:
        notes.append("fewer than eight probes: contact plays no part in the order")
    elif contacts.model is None:
        p_contact, p_contact_sd, _ = contact_probability(contacts, where)
        notes.append("every probe agreed: contact is the same for all squares")
    else:
        c_mean, c_cov = contacts.model.kriging.block_posterior(where, size)
        p_contact = np.clip(c_mean, 0.0, 1.0)
        p_contact_sd = np.sqrt(np.clip(np.diag(c_cov), 0.0, None))
        drawn = draw_squares(c_mean, c_cov, realisations, children[1])
        draws["contact"] = np.clip(drawn, 0.0, 1.0)

    if contact_depth is None:
        overburden = np.full(len(layout), float(burial_depth_m))
        overburden_sd = np.full(len(layout), np.nan)
        notes.append(
            "fewer than eight contacts: overburden is taken as "
            f"burial_depth_m = {burial_depth_m:g} m"
        )
    else:
        o_mean, o_cov = contact_depth.kriging.block_posterior(where, size)
        overburden = np.clip(o_mean, 0.0, None)
        overburden_sd = np.sqrt(np.clip(np.diag(o_cov), 0.0, None))
        drawn = draw_squares(o_mean, o_cov, realisations, children[2])
        draws["overburden"] = np.clip(drawn, 0.0, None)

    status = layout["status"].to_numpy(object)
    unseen = (status == "open") & (np.nan_to_num(surveyed_fraction) < LEAST_SURVEYED)
    effort = effort_hours(size, overburden, removal_m3_per_h)
    table = layout.assign(
        signal_mean=mean,
        loudness_mean=loud,
        loudness_sd=loud_sd,
        loudness_threshold=float(loudness(threshold_snr, 1.0)),
        signal_sd=np.sqrt(np.clip(variance, 0.0, None)),
        p_above=p_above,
        p_contact=p_contact,
        p_contact_sd=p_contact_sd,
        overburden_m=overburden,
        overburden_sd_m=overburden_sd,
        pod=pod,
        surveyed_fraction=surveyed_fraction,
        effort_h=effort,
        sediment_m3=effort * removal_m3_per_h,
        status=np.where(unseen, "unsurveyed", status),
    )
    return Evidence(table, draws, threshold_snr * signal.scale, tuple(notes))
