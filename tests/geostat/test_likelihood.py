"""The restricted likelihood against densities worked out the long way; what its fits are worth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.linalg import null_space
from scipy.stats import multivariate_normal
from sklearn.gaussian_process import GaussianProcessRegressor, kernels

from detect.geostat import GeostatError, Variogram
from detect.geostat.likelihood import (
    Block,
    climb,
    information,
    profile,
    restricted_log_likelihood,
)
from detect.geostat.partition import compact_blocks
from detect.geostat.reml import fit_reml

TRUTH = Variogram("exponential", nugget=0.2, partial_sill=1.0, range_m=2.0)


def covariance(points: np.ndarray, v: Variogram) -> np.ndarray:
    lag = points[:, None] - points[None]
    return v.covariance(lag[..., 0], lag[..., 1])


def draw(seed: int, count: int = 120, v: Variogram = TRUTH, fields: int = 1):
    rng = np.random.default_rng(seed)
    points = rng.uniform(0, 15, (count, 2))
    root = np.linalg.cholesky(covariance(points, v))
    return points, (root @ rng.normal(size=(count, fields))).T.squeeze() + 5.0


def block(points, values, drift="constant", repeats=None) -> Block:
    repeats = np.ones(len(values), int) if repeats is None else repeats
    return Block.all(points, values, repeats, drift, [np.arange(len(values))])[0]


@pytest.mark.parametrize("drift", ["constant", "linear", "quadratic"])
def test_is_the_density_of_contrasts(drift) -> None:
    # any orthonormal basis of what the drift leaves over: Harville 1974
    points, values = draw(0, 40)
    one = block(points, values, drift)
    contrasts = null_space(one.basis.T).T
    k = contrasts @ covariance(points, TRUTH) @ contrasts.T
    expected = multivariate_normal(np.zeros(len(k)), k).logpdf(contrasts @ values)
    assert restricted_log_likelihood([one], TRUTH) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(
    ("ours", "theirs"),
    [
        (Variogram("exponential", 0.2, 1.3, 2.0), kernels.Matern(2.0, nu=0.5)),
        (
            Variogram("matern", 0.2, 1.3, 2.0, smoothness=1.5),
            kernels.Matern(2.0 * np.sqrt(3.0), nu=1.5),
        ),
        (Variogram("gaussian", 0.2, 1.3, 2.0), kernels.RBF(2.0 / np.sqrt(2.0))),
    ],
)
def test_without_drift_against_scikit_learn(ours, theirs) -> None:
    points, values = draw(1, 60)
    kernel = kernels.ConstantKernel(1.3) * theirs + kernels.WhiteKernel(0.2)
    peer = GaussianProcessRegressor(kernel, optimizer=None, alpha=0.0).fit(points, values)
    expected = peer.log_marginal_likelihood(peer.kernel_.theta)
    assert restricted_log_likelihood([block(points, values, "none")], ours) == pytest.approx(
        expected, abs=1e-9
    )


def test_averaged_readings_have_less_of_the_nugget() -> None:
    # means of four readings at each of fifteen places: a quarter of the nugget on the diagonal
    rng = np.random.default_rng(2)
    points = rng.uniform(0, 8, (15, 2))
    means = rng.normal(size=15)
    one = block(points, means, repeats=np.full(15, 4))
    k = covariance(points, replace(TRUTH, nugget=0.0)) + np.eye(15) * TRUTH.nugget / 4
    contrasts = null_space(np.ones((1, 15))).T
    expected = multivariate_normal(cov=contrasts @ k @ contrasts.T).logpdf(contrasts @ means)
    assert restricted_log_likelihood([one], TRUTH) == pytest.approx(expected, abs=1e-9)


def test_best_sill_and_slopes() -> None:
    points, values = draw(3, 60)
    blocks = Block.all(
        points, values, np.ones(60, int), "constant", [np.arange(35), np.arange(35, 60)]
    )
    unit = Variogram("spherical", 0.3, 0.7, 4.0, anisotropy_ratio=0.6, azimuth_deg=25.0)
    value, sill = profile(blocks, unit)

    def at(scale):
        return restricted_log_likelihood(
            blocks, replace(unit, nugget=0.3 * scale, partial_sill=0.7 * scale)
        )

    assert value == pytest.approx(at(sill), abs=1e-9)
    assert at(sill) > max(at(sill * 1.01), at(sill * 0.99))
    _, slopes, _ = climb(blocks, unit, True)
    step = 1e-5
    moved = [
        (replace(unit, nugget=0.3 + s, partial_sill=0.7 - s) for s in (step, -step)),
        (replace(unit, range_m=4.0 * np.exp(s)) for s in (step, -step)),
        (replace(unit, anisotropy_ratio=0.6 * np.exp(s)) for s in (step, -step)),
        (replace(unit, azimuth_deg=25.0 + np.degrees(s)) for s in (step, -step)),
    ]
    numeric = [np.subtract(*(profile(blocks, v)[0] for v in pair)) / (2 * step) for pair in moved]
    np.testing.assert_allclose(slopes, numeric, rtol=1e-4, atol=1e-5)


def test_information_is_the_variance_of_the_score() -> None:
    # Mardia & Marshall 1984: over fields drawn from the model, the score has this covariance
    points, fields = draw(4, 40, fields=3000)
    names = ("nugget", "partial_sill", "range_m")
    contrasts = null_space(np.ones((1, 40))).T
    y = fields @ contrasts.T

    def log_density(v):
        k = contrasts @ covariance(points, v) @ contrasts.T
        return multivariate_normal(np.zeros(39), k).logpdf(y)

    score = []
    for name in names:
        step = 1e-4 * getattr(TRUTH, name)
        up, down = (replace(TRUTH, **{name: getattr(TRUTH, name) + s}) for s in (step, -step))
        score.append((log_density(up) - log_density(down)) / (2 * step))
    expected = np.cov(score)
    ours = information([block(points, fields[0])], TRUTH)
    scale = np.sqrt(np.outer(np.diag(expected), np.diag(expected)))
    np.testing.assert_allclose(ours / scale, expected / scale, atol=0.08)  # 3,000 draws: 0.02 each


def test_fit_is_a_maximum_and_its_errors_are_honest() -> None:
    points, fields = draw(5, 150, fields=24)
    fits = [fit_reml(points, z, "exponential") for z in fields]
    for fit, z in zip(fits[:3], fields[:3], strict=True):
        one = [block(points, z)]
        v = fit.variogram
        assert fit.log_likelihood == pytest.approx(restricted_log_likelihood(one, v), abs=1e-6)
        for name in ("nugget", "partial_sill", "range_m"):
            for factor in (0.9, 1.1):
                moved = replace(v, **{name: getattr(v, name) * factor})
                if getattr(moved, name) != getattr(v, name):
                    assert restricted_log_likelihood(one, moved) < fit.log_likelihood
    sills = np.array([f.variogram.sill for f in fits])
    assert sills.mean() == pytest.approx(1.2, abs=4 * sills.std() / np.sqrt(24))
    nuggets = np.array([f.variogram.nugget for f in fits])
    stated = np.nanmedian([f.standard_errors["nugget"] for f in fits])
    assert stated == pytest.approx(nuggets.std(), rel=0.5)


def test_finds_the_axis_of_an_anisotropic_field() -> None:
    truth = Variogram("spherical", 0.05, 1.0, 9.0, anisotropy_ratio=0.3, azimuth_deg=60.0)
    points, values = draw(6, 250, truth)
    fit = fit_reml(points, values, "spherical", anisotropic=True)
    assert fit.variogram.azimuth_deg == pytest.approx(60.0, abs=12.0)
    assert fit.variogram.anisotropy_ratio == pytest.approx(0.3, abs=0.15)
    assert fit.log_likelihood > fit_reml(points, values, "spherical").log_likelihood + 5


def test_bounds_and_flags() -> None:
    rng = np.random.default_rng(7)
    points = rng.uniform(0, 10, (80, 2))
    noise = fit_reml(points, rng.normal(size=80), "spherical")
    assert noise.poor
    assert noise.at_bound or noise.standard_errors["range_m"] > 0.5 * noise.variogram.range_m
    slope = fit_reml(points, points[:, 0] + 0.01 * rng.normal(size=80), "exponential")
    assert "range_m" in slope.at_bound
    assert slope.poor
    assert any("bound" in note for note in slope.notes)
    few = fit_reml(points[:15], rng.normal(size=15), "exponential")
    assert any("15 readings" in note for note in few.notes)
    held = fit_reml(points, points[:, 0], "exponential", range_bounds=(0.5, 2.0))
    assert 0.5 <= held.variogram.range_m <= 2.0 + 1e-9


def test_blocks_stand_for_all_of_many_readings() -> None:
    points, values = draw(8, 900)
    fit = fit_reml(points, values, "exponential")
    assert any("blocks" in note for note in fit.notes)
    assert fit.variogram.nugget == pytest.approx(0.2, abs=4 * fit.standard_errors["nugget"])
    assert fit.variogram.sill == pytest.approx(1.2, abs=0.35)


def test_compact_blocks_hold_every_reading_once() -> None:
    points = np.random.default_rng(9).uniform(0, 10, (1000, 2))
    blocks = compact_blocks(points, 90)
    assert max(map(len, blocks)) <= 90
    assert sorted(np.concatenate(blocks)) == list(range(1000))
    assert max(np.ptp(points[b], axis=0).max() for b in blocks) < 6.0
    assert len(compact_blocks(points, 90, 5)) == 5


def test_what_cannot_be_fitted_is_named() -> None:
    points, values = draw(10, 30)
    for wrong, named in (
        ((points, values, "cubic"), "cubic"),
        ((points[:9], values[:9]), "too few"),
        ((points, np.ones(30)), "alike"),
        ((np.r_[points[:1], points[:29]], values), "share a place"),
    ):
        with pytest.raises(GeostatError, match=named):
            fit_reml(*wrong)


def test_the_likeliest_smoothness_is_taken_and_the_others_named() -> None:
    # 100 readings of a smooth field rule a rough one out: the likelihood ratio is past 1.92, half
    # the 95 % quantile of chi-squared of one degree of freedom (tables)
    smooth = Variogram("matern", 0.01, 1.0, 1.0, smoothness=2.5)
    points, values = draw(4, 100, smooth)
    fit = fit_reml(points, values, "matern", smoothness="fit")
    best = fit.variogram.smoothness
    assert best > 0.5
    assert fit_reml(points, values, "matern", smoothness=best).variogram == fit.variogram
    rough = fit_reml(points, values, "matern", smoothness=0.5)
    assert rough.log_likelihood < fit.log_likelihood - 1.92
    assert "likeliest" in fit.notes[-1]
    assert "0.5" not in fit.notes[-1].split("rule out")[-1].split(", ")
    with pytest.raises(GeostatError, match="no smoothness"):
        fit_reml(points, values, "spherical", smoothness="fit")
