"""A regional trend: what lies under or beside the whole site leans on the meter everywhere.

Rock, a steel pier or a pipe off the site makes the readings grow slowly from one side to the other.
Metal pushes one way only, so the trend is a plane through the lower edge of the readings.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import linprog
from scipy.spatial import cKDTree
from scipy.special import fdtri

from detect.readings.baseline import CUT_ABOVE, CUT_BELOW, KEPT, LEAN, ROUNDS, track_levels
from detect.readings.noise import estimate_noise, robust_sd
from detect.readings.steps import StepRecord, quality

Floats = NDArray[np.float64]

#: the first plane goes above this share of the readings, as the first guess of a track's level
LOWER = 0.25
#: readings spread over the site that the first plane is laid through, at most
MOST_FIRST = 4000
#: fewer tracks than this do not tell a trend from their own levels
FEWEST_TRACKS = 6
#: a reading lies on the flank of a broad anomaly, and tells no trend, where the median of so many
#: readings nearest to it stands this many sigmas above their tracks' levels; asked so often
AROUND, RISEN, CLEARINGS = 25, 0.5, 4
#: the site is cut in so many patches along e, and along n, for the errors of what is broad
PATCHES = 4
#: a gradient that chance would bring more often than this is left alone
BY_CHANCE = 0.01
#: gradients of the fit move by this much less than those of its readings: some go in or out as
#: it moves. One less the density of a standard normal at the cuts, times their way from its mean
_HELD = 1.0 - float(
    (
        (CUT_ABOVE - LEAN) * np.exp(-(CUT_ABOVE**2) / 2.0)
        + (CUT_BELOW + LEAN) * np.exp(-(CUT_BELOW**2) / 2.0)
    )
    / np.sqrt(2.0 * np.pi)
    / KEPT
)


@dataclass(frozen=True, eq=False)
class Plane:
    """A plane through the lower edge of the readings.

    Attributes
    ----------
    gradient : (2,) array
        Along e and n, signal units a metre.
    covariance : (2, 2) array
        Of the gradient; infinite where the readings do not tell.
    quiet : (N,) bool array
        Readings it was fitted to.
    told : bool
        Chance would bring so large a gradient in less than one survey of a hundred.
    why : str
        Why it was not told, otherwise empty.
    """

    gradient: Floats
    covariance: Floats
    quiet: NDArray[np.bool_]
    told: bool
    why: str

    @property
    def sd(self) -> Floats:
        """Standard errors of the gradient (2,), signal units a metre."""
        return np.sqrt(np.diag(self.covariance))


def lower_plane(design: Floats, signal: Floats) -> Floats:
    r"""Return the coefficients (P,) of the plane that a quarter of the readings lie below.

    .. math:: \min_b \sum_i \rho(s_i - x_i b), \quad
              \rho(r) = r \, (\tau - [r < 0]), \quad \tau = 0.25

    Its dual is a linear programme (scipy's HiGHS), with one best value whatever the slope: there
    is no first guess to go wrong.

    Parameters
    ----------
    design : (N, P) array
    signal : (N,) array

    Notes
    -----
    Source: regression quantiles, Koenker and Bassett 1978, Econometrica 46, 33-50 (from memory).
    """
    found = linprog(
        -signal,
        A_eq=design.T,
        b_eq=(1.0 - LOWER) * design.sum(axis=0),
        bounds=(0.0, 1.0),
        method="highs",
    )
    return -np.asarray(found.eqlin.marginals, dtype=float)


def fit_plane(used: pd.DataFrame, noise_sd: float) -> Plane:
    r"""Fit a plane to the quiet readings of a site.

    .. math:: s_i = a + g_e (e_i - \bar e) + g_n (n_i - \bar n)
              + \mathrm{level\ of\ its\ track} + \mathrm{metal} + \mathrm{noise}

    From the plane that a quarter of the readings lie below, least squares on what stands within
    -3.5 and +2 sigma of the last fit, until the same readings stay (the baseline of
    :mod:`detect.readings.baseline`, tilted). Sigma is the noise and the spread of the tracks'
    levels about the first plane together. Readings on the flanks of a broad anomaly, where the
    median of the 25 nearest stands half a noise above their tracks' levels, are left out. With
    :math:`u_g = \sum_{i \in g} x_i r_i` summed over the quiet readings of a group,

    .. math:: V = \frac{G}{G-1} \, B^{-1} \Big( \sum_g u_g u_g^T \Big) B^{-1}, \quad
              B = h \sum_i x_i x_i^T

    and the covariance is V by tracks plus V by 16 patches of the site: a track's level is one
    error, not one a reading, and so is a broad anomaly. Noise of single readings is so counted
    twice, and errors are up to a root of two on the safe side: to take V by both at once off
    again, as the source has it, is too unsteady with so few groups. h < 1 is for readings that go
    in or out as the plane moves. The gradient stands out where its Wald statistic over two is
    beyond the 1 % point of F with 2 and G - 3 degrees of freedom, G the fewer of tracks and
    patches.

    Parameters
    ----------
    used : DataFrame
        With ``e, n, track, signal``.
    noise_sd : float
        Noise of one reading.

    Returns
    -------
    Plane

    Notes
    -----
    Sources: the covariance by groups, Liang and Zeger 1986, Biometrika 73, 13-22, and by two kinds
    of groups, Cameron, Gelbach and Miller 2011, J. Bus. Econ. Stat. 29, 238-249; h from the
    derivative of an M-estimator's equation, Huber 1981, Robust Statistics (all from memory).
    Limit: metal that is felt over half of the site, on one side of it, leans on the plane, and so
    do whole lanes of metal.
    """
    tracks = pd.factorize(used["track"])[0]
    count = int(tracks.max()) + 1 if len(used) else 0
    none = np.zeros(len(used), dtype=bool)
    unknown = np.diag([np.inf, np.inf])
    if count < FEWEST_TRACKS or not np.isfinite(noise_sd):
        why = "too few tracks" if count < FEWEST_TRACKS else "the noise is not known"
        return Plane(np.zeros(2), unknown, none, False, why)
    place = used[["e", "n"]].to_numpy(float)
    signal = used["signal"].to_numpy(float)
    x = np.column_stack([np.ones(len(used)), place - place.mean(axis=0)])
    if np.linalg.matrix_rank(x) < 3:
        return Plane(np.zeros(2), unknown, none, False, "all readings lie on one line")

    some = np.unique(np.linspace(0, len(used) - 1, min(len(used), MOST_FIRST)).astype(int))
    fit = lower_plane(x[some], signal[some])
    flat = used.assign(signal=signal - x @ fit, used=True)
    levels = track_levels(flat, noise_sd).to_numpy(float)
    spread = max(float(np.hypot(noise_sd, robust_sd(levels))), np.finfo(float).tiny)
    fit[0] += 0.6745 * spread  # from the lower quartile to the middle of a normal
    clear, quiet = np.ones(len(used), dtype=bool), none
    near = cKDTree(place).query(place, k=min(AROUND, len(used)))[1]
    for _ in range(CLEARINGS):
        fit, quiet = _settled(x, signal, fit, spread, clear)
        flat = flat.assign(signal=signal - x @ fit)
        above = flat["signal"] - flat["track"].map(track_levels(flat, noise_sd))
        clear = np.median(above.to_numpy(float)[near], axis=1) <= RISEN * noise_sd
    if quiet.sum() < 3:
        return Plane(np.zeros(2), unknown, none, False, "too few quiet readings")

    x, off = x[quiet], (signal - x @ fit)[quiet] - LEAN * spread
    track, patch = tracks[quiet], _patches(place)[quiet]
    groups = min(len(np.unique(track)), len(np.unique(patch)))
    if groups < FEWEST_TRACKS:
        return Plane(fit[1:], unknown, quiet, False, "quiet readings are on too few tracks")
    covariance = (_covariance(x, off, track) + _covariance(x, off, patch))[1:, 1:]
    wald = float(fit[1:] @ np.linalg.pinv(covariance) @ fit[1:])
    told = wald / 2.0 > float(fdtri(2, groups - 3, 1.0 - BY_CHANCE))
    return Plane(fit[1:], covariance, quiet, told, "" if told else "no gradient that stands out")


def _settled(
    x: Floats, signal: Floats, fit: Floats, spread: float, clear: NDArray[np.bool_]
) -> tuple[Floats, NDArray[np.bool_]]:
    """Return the fit to the quiet ones of the clear readings, and which those are."""
    quiet = np.zeros(len(signal), dtype=bool)
    for _ in range(ROUNDS):
        off = signal - x @ fit
        chosen = clear & (off <= CUT_ABOVE * spread) & (off >= -CUT_BELOW * spread)
        if np.array_equal(chosen, quiet) or np.linalg.matrix_rank(x[chosen]) < 3:
            break
        quiet = chosen
        fit = np.asarray(np.linalg.lstsq(x[quiet], signal[quiet], rcond=None)[0], dtype=np.float64)
        fit[0] -= LEAN * spread
    return fit, quiet


def _patches(place: Floats) -> NDArray[np.int64]:
    """Return the patch of the site (N,) that each reading lies in."""
    low, span = place.min(axis=0), np.ptp(place, axis=0)
    step = np.minimum((place - low) / span * PATCHES, PATCHES - 1).astype(np.int64)
    return step[:, 0] * PATCHES + step[:, 1]


def _covariance(x: Floats, off: Floats, group: NDArray[np.int64]) -> Floats:
    """Return the covariance (3, 3) of a fit whose errors hang together within groups."""
    codes, names = pd.factorize(group)
    score = np.zeros((len(names), x.shape[1]))
    np.add.at(score, codes, x * off[:, None])
    bread = np.linalg.inv(_HELD * (x.T @ x))
    return np.asarray(len(names) / max(len(names) - 1, 1) * bread @ score.T @ score @ bread)


def remove_trend(readings: pd.DataFrame) -> tuple[pd.DataFrame, StepRecord]:
    """Take out a regional trend: one plane in e and n, where it stands out.

    It is taken about the middle of the readings, so that the level of the site stays. Model,
    sources and limits: :func:`fit_plane`.

    Parameters
    ----------
    readings : DataFrame
        From :func:`detect.readings.steps.prepare` or an earlier step.

    Returns
    -------
    readings, record
        The record's parameters: ``gradient_e, gradient_n, sd_e, sd_n`` (signal units a metre) and
        ``quiet`` (readings fitted).

    Notes
    -----
    The order matters. Levels take each track to zero and with it what a trend does across the
    lanes, and drift without times takes what it does along them; lanes and cross lanes are then
    left apart, and lag and spikes are sought in what is left. So ``trend`` stands first. After
    ``levels`` only what runs along the lanes can be found.

    Limit: a plane. What bends over the site stays, and so does a trend too slight to stand out
    against the tracks' levels.
    """
    used = readings[readings["used"]]
    plane = fit_plane(used, estimate_noise(readings).sd)
    out = readings.copy()
    if plane.told:
        middle = used[["e", "n"]].mean().to_numpy(float)
        out["signal"] -= (out[["e", "n"]].to_numpy(float) - middle) @ plane.gradient
    (along_e, along_n), (sd_e, sd_n) = plane.gradient, plane.sd
    figures = (
        f"{along_e:.3g} (sd {sd_e:.2g}) a metre east and {along_n:.3g} (sd {sd_n:.2g}) a metre "
        f"north, signal units, from {int(plane.quiet.sum())} quiet readings"
    )
    record = StepRecord(
        "trend",
        {
            "gradient_e": float(along_e),
            "gradient_n": float(along_n),
            "sd_e": float(sd_e),
            "sd_n": float(sd_n),
            "quiet": float(plane.quiet.sum()),
        },
        len(out) if plane.told else 0,
        0,
        quality(readings),
        quality(out),
        f"a plane taken out: {figures}"
        if plane.told
        else f"not applied: {plane.why}" + (f"; {figures}" if np.isfinite(sd_e) else ""),
    )
    return out, record
