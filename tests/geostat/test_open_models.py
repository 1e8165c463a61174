"""Models that readings leave open: the likelihood by scipy, the chances by simulation."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.linalg import null_space
from scipy.optimize import minimize_scalar
from scipy.stats import kstest, multivariate_normal

from detect.geostat import Variogram
from detect.geostat.open_models import AZIMUTHS, RATIOS, SHARES, open_models


def correlation(variogram: Variogram, points: np.ndarray) -> np.ndarray:
    """The exponential model written out: its structure alone, of sill 1."""
    angle = np.deg2rad(variogram.azimuth_deg)
    along = (points[:, None] - points) @ [np.sin(angle), np.cos(angle)]
    across = (points[:, None] - points) @ [np.cos(angle), -np.sin(angle)]
    return np.exp(-np.hypot(along, across / variogram.anisotropy_ratio) / variogram.range_m)


def test_likelihood_is_that_of_contrasts_with_the_sill_integrated_out():
    # independent: scipy's normal density of A'y with A'1 = 0, and its quadrature over log sill
    rng = np.random.default_rng(1)
    points, values = rng.uniform(0, 10, (12, 2)), rng.normal(size=12)
    repeats = np.array([1, 1, 2, 1, 3, 1, 1, 1, 1, 1, 1, 1])
    found = open_models(points, values, repeats)
    contrasts = null_space(np.ones((1, 12)))
    ours, scipys = [], []
    for at in (3, 150, 330, 480, 566):
        model = found.variograms[at]
        share = model.nugget / model.sill
        unit = (1 - share) * correlation(model, points) + np.diag(share / repeats)

        def density(log_sill, unit=unit):
            covariance = np.exp(log_sill) * contrasts.T @ unit @ contrasts
            return multivariate_normal.pdf(contrasts.T @ values, cov=covariance)

        ours.append(found.log_likelihood[at])
        scipys.append(np.log(quad(density, -6.0, 8.0, epsabs=0.0, epsrel=1e-9, limit=200)[0]))
        best = minimize_scalar(lambda x, f=density: -np.log(f(x)), bounds=(-6, 8), method="bounded")
        assert np.log(model.sill) == pytest.approx(best.x, abs=1e-3)
    np.testing.assert_allclose(np.diff(ours), np.diff(scipys), atol=1e-6)


def test_chances_are_those_with_which_the_truth_was_drawn():
    # calibration by simulation (Talts et al. 2018, from memory): truths drawn from the prior
    # fall on each part of the chance stated as often as it says
    rng = np.random.default_rng(7)
    points = rng.uniform(0, [30, 20], (40, 2))
    flat = open_models(points, rng.normal(size=40))
    models = flat.variograms
    # what is left of the chance without the likelihood is the prior
    prior = np.exp(np.log(flat.chance) - flat.log_likelihood + flat.log_likelihood.max())
    prior /= prior.sum()
    reach = np.array([m.range_m * np.sqrt(m.anisotropy_ratio) for m in models])
    share = np.array([m.nugget / m.sill for m in models])
    below = {"range": [], "share": []}
    for _ in range(150):
        true = rng.choice(len(models), p=prior)
        unit = (1 - share[true]) * correlation(models[true], points) + share[true] * np.eye(40)
        values = 5.0 + np.linalg.cholesky(unit) @ rng.standard_normal(40)
        chance = open_models(points, values).chance
        for name, of in (("range", reach), ("share", share)):
            lower = chance[of < of[true] - 1e-9].sum()
            same = chance[np.abs(of - of[true]) <= 1e-9].sum()
            below[name].append(lower + same * rng.random())
    for name, places in below.items():
        assert kstest(places, "uniform").pvalue > 0.01, name


def test_long_and_short_fields_are_told_apart_and_a_hull_has_its_azimuth():
    rng = np.random.default_rng(2)
    points = rng.uniform(0, [30, 20], (150, 2))
    long, short, hull = (
        np.linalg.cholesky(correlation(Variogram("exponential", **v), points) + 1e-6 * np.eye(150))
        for v in (
            {"range_m": 8.0},
            {"range_m": 0.7},
            {"range_m": 10.0, "anisotropy_ratio": 0.2, "azimuth_deg": 90.0},
        )
    )
    noise = rng.standard_normal(150)

    def mean_of(what, root):
        found = open_models(points, root @ noise)
        return float(found.chance @ [what(v) for v in found.variograms])

    assert mean_of(lambda v: v.range_m, long) > 3.0 * mean_of(lambda v: v.range_m, short)
    assert mean_of(lambda v: v.anisotropy_ratio < 1 and v.azimuth_deg == 90.0, hull) > 0.9


def test_models_kept_have_the_chances_of_the_lattice():
    rng = np.random.default_rng(3)
    points = rng.uniform(0, 20, (50, 2))
    found = open_models(points, np.sin(points[:, 0] / 4) + 0.3 * rng.normal(size=50))
    assert found.chance.sum() == pytest.approx(1.0)
    kept = found.kept(400)
    for variogram in sorted(set(kept), key=lambda v: -kept.count(v))[:5]:
        chance = sum(
            p for p, v in zip(found.chance, found.variograms, strict=True) if v == variogram
        )
        assert kept.count(variogram) / 400 == pytest.approx(chance, abs=1.5 / 400)
    assert len(found.kept()) == 8
    assert len(found.variograms) == len(SHARES) * 9 * (1 + len(RATIOS) * len(AZIMUTHS))
