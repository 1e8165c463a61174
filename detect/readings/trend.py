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
    levels about the first plane together. With :math:`u_t = \sum_{i \in t} x_i r_i` summed over
    the quiet readings of a track, the covariance is

    .. math:: \frac{T}{T-1} \, B^{-1} \Big( \sum_t u_t u_t^T \Big) B^{-1}, \quad
              B = h \sum_i x_i x_i^T

    so a track's level counts as one error, not as one a reading; h < 1 is for readings that go in
    or out as the plane moves. The gradient stands out where its Wald statistic over two is beyond
    the 1 % point of F with 2 and T - 3 degrees of freedom.

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
    Sources: the covariance by groups, Liang and Zeger 1986, Biometrika 73, 13-22; h from the
    derivative of an M-estimator's equation, Huber 1981, Robust Statistics (both from memory).
    Limit: a rise over a third of the site or more, or whole lanes of metal on one side, leans on
    the plane; errors take tracks as independent, which neighbours over one broad anomaly are not.
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
    quiet = none
    for _ in range(ROUNDS):
        off = signal - x @ fit
        chosen = (off <= CUT_ABOVE * spread) & (off >= -CUT_BELOW * spread)
        if np.array_equal(chosen, quiet) or np.linalg.matrix_rank(x[chosen]) < 3:
            break
        quiet = chosen
        fit = np.linalg.lstsq(x[quiet], signal[quiet], rcond=None)[0]
        fit[0] -= LEAN * spread
    if not quiet.any():
        return Plane(np.zeros(2), unknown, none, False, "too few quiet readings")

    off = (signal - x @ fit)[quiet] - LEAN * spread
    score = np.zeros((count, 3))
    np.add.at(score, tracks[quiet], x[quiet] * off[:, None])
    bread = np.linalg.inv(_HELD * (x[quiet].T @ x[quiet]))
    groups = len(np.unique(tracks[quiet]))
    covariance = (groups / max(groups - 1, 1) * bread @ score.T @ score @ bread)[1:, 1:]
    gradient = fit[1:]
    if groups < FEWEST_TRACKS or np.linalg.matrix_rank(covariance) < 2:
        return Plane(gradient, unknown, quiet, False, "too few tracks with quiet readings")
    wald = float(gradient @ np.linalg.solve(covariance, gradient))
    told = wald / 2.0 > float(fdtri(2, groups - 3, 1.0 - BY_CHANCE))
    why = "" if told else "no gradient that stands out"
    return Plane(gradient, covariance, quiet, told, why)


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
    lanes, and drift without times takes what it does along them; lanes and cross lanes are left
    apart then. So ``trend`` stands after ``spikes`` and before ``drift`` and ``levels``. After
    ``levels`` only what runs along the lanes is found.

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
