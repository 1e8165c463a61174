"""Conditional realisations: the covariance they should have, to Monte-Carlo error."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from detect.geostat import GeostatWarning, Kriging, Variogram
from detect.geostat.blocks import Support
from detect.geostat.covariance import cross_covariance
from detect.geostat.embedding import Embedding, circulant_eigenvalues
from detect.geostat.lattice import Lattice
from detect.geostat.offgrid import OffGrid
from detect.geostat.simulation import semidefinite_root

SPHERICAL = Variogram("spherical", 0.05, 1.0, 5.0)


def grid(count: int, step: float, start: float = 0.0) -> np.ndarray:
    u = start + np.arange(count) * step
    return np.stack(np.meshgrid(u, u), axis=-1).reshape(-1, 2)


def test_eigenvalues_of_the_ring() -> None:
    # check_values.md 1.6: exp(-h/2), 8 nodes on a ring of 14
    got = circulant_eigenvalues(Variogram("exponential", 0, 1, 2.0), (1.0, 1.0), (14, 1)).ravel()
    expected = [3.959693, 2.368472, 1.002427, 0.593115, 0.374300, 0.306565, 0.249118, 0.252315]
    np.testing.assert_allclose(got[:8], expected, atol=6e-7)
    np.testing.assert_allclose(got[8:], got[6:0:-1])
    assert got.mean() == pytest.approx(1.0)


def test_gaussian_needs_padding() -> None:
    # check_values.md 1.6: exp(-(h/4)^2), smallest eigenvalue for 8, 16 and 32 nodes
    v = Variogram("gaussian", 0, 1, 4.0)
    low = [circulant_eigenvalues(v, (1.0, 1.0), (2 * (n - 1), 1)).min() for n in (8, 16, 32)]
    assert low[0] == pytest.approx(-0.0300261, abs=5e-8)
    assert low[1] == pytest.approx(-6.09e-7, abs=5e-10)
    assert low[2] >= -1e-14
    embedding = Embedding.over(v, (1.0, 1.0), (8, 8))
    assert embedding.clipped_share <= 1e-9
    assert embedding.root.shape[0] > 14


def test_embedding_that_does_not_fit_is_said(monkeypatch) -> None:
    monkeypatch.setattr("detect.geostat.embedding.MOST_CELLS", 300)
    with pytest.warns(GeostatWarning, match="approximate"):
        Embedding.over(Variogram("gaussian", 0, 1, 4.0), (1.0, 1.0), (8, 8))


@pytest.mark.parametrize(
    "v",
    [
        SPHERICAL,
        Variogram("exponential", 0, 1, 2.0, anisotropy_ratio=0.4, azimuth_deg=33.0),
        Variogram("gaussian", 0, 1, 2.0),
        Variogram("matern", 0, 1, 1.0, smoothness=0.8),
    ],
)
def test_the_torus_carries_the_covariance_of_the_model(v) -> None:
    # exact, without Monte-Carlo: the transform of the eigenvalues is the covariance on the lattice
    embedding = Embedding.over(v, (0.5, 0.25), (12, 20))
    c = np.fft.ifft2(embedding.root**2 * embedding.root.size).real
    dn, de = np.meshgrid(np.arange(12) * 0.5, np.arange(20) * 0.25, indexing="ij")
    np.testing.assert_allclose(c[:12, :20], v.structure_covariance(de, dn), atol=1e-8)
    np.testing.assert_allclose(c[-np.arange(12), :20], v.structure_covariance(de, -dn), atol=1e-8)


def test_both_fields_of_a_transform_are_independent() -> None:
    embedding = Embedding.over(SPHERICAL, (1.0, 1.0), (10, 10))
    rng = np.random.default_rng(0)
    fields = np.array(list(embedding.fields(rng, 2001))).reshape(2001, -1)
    assert fields.var() == pytest.approx(1.0, abs=0.02)
    assert np.abs((fields[0:2000:2] * fields[1:2000:2]).mean(axis=0)).max() < 5 / np.sqrt(1000)
    np.testing.assert_allclose(
        (fields[:, 0] * fields[:, 3]).mean(), SPHERICAL.structure_covariance(3.0, 0.0), atol=0.08
    )


@pytest.mark.parametrize(
    ("v", "tolerance"),
    [
        (Variogram("spherical", 0, 1, 5.0), 3e-3),
        (Variogram("exponential", 0, 1, 1.7), 3e-3),
        (Variogram("gaussian", 0, 1, 2.5), 1e-4),
        (Variogram("matern", 0, 1, 1.0, smoothness=1.5), 3e-3),
        (Variogram("spherical", 0, 1, 10.0, anisotropy_ratio=0.5, azimuth_deg=30), 6e-3),
    ],
)
def test_places_between_lattice_nodes_are_not_snapped(v, tolerance) -> None:
    # the covariance implied by the drawing rule, exactly and without Monte-Carlo, at half a metre
    # (a tenth of the range): variances exact, covariances within the tolerance
    rng = np.random.default_rng(1)
    lattice = Lattice(np.zeros(2), (0.5, 0.5), (24, 24))
    nodes = grid(24, 0.5)
    lane = np.column_stack([np.full(60, 3.63), np.linspace(2, 9, 60)])
    places = np.r_[rng.uniform(2, 9, (90, 2)), lane]
    rule = OffGrid.of(v, lattice, places)
    c = cross_covariance(v, nodes, nodes)
    solve = np.linalg.inv(rule.lower.toarray())
    from_nodes = solve @ rule.lattice_weights.toarray()
    implied = from_nodes @ c @ from_nodes.T + (solve * rule.root**2) @ solve.T
    p = places[rule.order]
    np.testing.assert_allclose(implied, cross_covariance(v, p, p), atol=tolerance)
    np.testing.assert_allclose(from_nodes @ c, cross_covariance(v, p, nodes), atol=tolerance)


def test_lattices_are_recognised() -> None:
    v = Variogram("spherical", 0, 1, 6.0)
    nodes = grid(30, 0.25, start=1.125) @ np.diag([1.0, 2.0])
    points = np.r_[nodes, [[0.2, 60.0]]]
    lattice = Lattice.under(v, nodes, points)
    assert lattice.step == pytest.approx((0.25, 0.5))
    index = lattice.index(points)
    assert (index[:-1] >= 0).all()
    assert len(set(index[:-1])) == 900
    assert index[-1] == -1
    # a coarse lattice is refined to a tenth of the range, a random layout gets one of its own
    assert Lattice.under(v, grid(5, 3.0), grid(5, 3.0)).step == pytest.approx((0.6, 0.6))
    loose = np.random.default_rng(0).uniform(0, 30, (50, 2))
    assert Lattice.under(v, loose, loose).step == pytest.approx((0.6, 0.6))


def test_semidefinite_root() -> None:
    rng = np.random.default_rng(0)
    half = rng.normal(size=(12, 7))
    covariance = half @ half.T
    root = semidefinite_root(covariance, 1.0)
    np.testing.assert_allclose(root @ root.T, covariance, atol=1e-10)


@pytest.mark.parametrize("neighbours", [None, 25])
@pytest.mark.parametrize("sd", [None, 0.2])
def test_moments_at_nodes(lanes, neighbours, sd) -> None:
    kriging = Kriging(*lanes, SPHERICAL, measurement_sd=sd, neighbours=neighbours)
    nodes = np.r_[grid(8, 1.5), lanes.points[:3]]
    draws = kriging.simulate(nodes, 3000, seed=1)
    estimate, variance = kriging.at(nodes)
    assert draws.shape == (3000, 67)
    sd_of_mean = np.sqrt(variance / 3000)
    assert (np.abs(draws.mean(axis=0) - estimate) <= 4.5 * sd_of_mean + 1e-6).all()
    np.testing.assert_allclose(draws.var(axis=0), variance, rtol=0.14, atol=1e-9)
    if sd is None:  # exact readings are honoured in every realisation
        np.testing.assert_allclose(draws[:, -3:], np.tile(lanes.values[:3], (3000, 1)), atol=1e-6)


@pytest.mark.parametrize("neighbours", [None, 40])
def test_means_of_squares_on_a_large_lattice(lanes, neighbours) -> None:
    # 61 x 61 nodes: the lattice route. The variance of a square's mean is that of the exact joint
    # posterior of its nodes; scaling by the kriging sd would be 1.3 to 2 times too large.
    kriging = Kriging(*lanes, SPHERICAL, measurement_sd=0.1, neighbours=neighbours)
    nodes = grid(61, 0.2)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        draws = kriging.simulate(nodes, 500, seed=2)
    corner = np.array([10, 20, 30, 40])
    inside = [
        ((nodes >= [a * 0.2 - 1e-9, b * 0.2 - 1e-9]) & (nodes <= [a * 0.2 + 1.81, b * 0.2 + 1.81]))
        .all(axis=1)
        .nonzero()[0]
        for a in corner
        for b in corner
    ]
    assert {len(i) for i in inside} == {100}
    means = np.array([draws[:, i].mean(axis=1) for i in inside])
    point = Support.point()
    estimate, exact = [], []
    for i in inside:
        local = nodes[i] - kriging.data.origin
        lag = local[:, None] - local[None]
        prior = SPHERICAL.covariance(lag[..., 0], lag[..., 1])
        mean, covariance = kriging.system.posterior(local, point, prior)
        estimate.append(mean.mean())
        exact.append(covariance.mean())
    ratio = means.var(axis=1) / exact
    # each within Monte-Carlo error, and together (16 squares, hardly correlated) more closely
    assert np.abs(ratio - 1).max() < 4.5 * np.sqrt(2 / 500)
    assert ratio.mean() == pytest.approx(1.0, abs=0.05)
    z = (means.mean(axis=1) - estimate) / np.sqrt(np.array(exact) / 500)
    assert np.abs(z).max() < 4.5
    # block kriging agrees as far as 100 nodes are a square
    blocks = kriging.blocks([nodes[i].mean(axis=0) for i in inside], 2.0)[1]
    np.testing.assert_allclose(np.mean(exact) - SPHERICAL.nugget / 100, blocks.mean(), rtol=0.05)


def test_next_to_the_readings_on_a_large_lattice(lanes) -> None:
    # no snapping bias: the variance at nodes nearest to readings is the kriging variance
    kriging = Kriging(*lanes, Variogram("exponential", 0.0, 1.0, 2.0))
    nodes = grid(61, 0.2)
    draws = kriging.simulate(nodes, 400, seed=3)
    estimate, variance = kriging.at(nodes)
    distance = np.abs(nodes[:, None] - lanes.points[None]).max(axis=2).min(axis=1)
    near = distance < 0.1
    assert near.sum() > 50
    ratio = ((draws[:, near] - estimate[near]) ** 2).mean(axis=0) / variance[near]
    assert ratio.mean() == pytest.approx(1.0, abs=0.04)
    far = ((draws[:, ~near] - estimate[~near]) ** 2).mean(axis=0) / variance[~near]
    assert far.mean() == pytest.approx(1.0, abs=0.04)


def test_routes_agree(lanes, monkeypatch) -> None:
    # the same posterior by the joint matrix and by kriged residuals, at loose nodes
    v = Variogram("matern", 0.02, 1.0, 1.5, smoothness=1.5)
    kriging = Kriging(*lanes, v, measurement_sd=0.1)
    nodes = np.random.default_rng(0).uniform(0, 12, (200, 2))
    direct = kriging.simulate(nodes, 2000, seed=4)
    monkeypatch.setattr("detect.geostat.simulation.DIRECT", 10)
    lattice = kriging.simulate(nodes, 2000, seed=4)
    pick = np.arange(0, 200, 7)
    gap = np.cov(direct[:, pick].T) - np.cov(lattice[:, pick].T)
    assert np.abs(gap).max() < 6 * direct.var(axis=0)[pick].max() / np.sqrt(2000)
    np.testing.assert_allclose(direct.var(axis=0).mean(), lattice.var(axis=0).mean(), rtol=0.03)


def test_seeds_and_pure_nugget(lanes) -> None:
    kriging = Kriging(*lanes, SPHERICAL)
    nodes = grid(5, 2.0)
    first = kriging.simulate(nodes, 3, seed=9)
    np.testing.assert_array_equal(first, kriging.simulate(nodes, 3, seed=9))
    assert np.abs(first - kriging.simulate(nodes, 3, seed=10)).min() > 0
    flat = Kriging(*lanes, Variogram("spherical", 1.0, 0.0, 5.0), neighbours=40)
    spread = flat.simulate(nodes, 2000, seed=0).var(axis=0)
    np.testing.assert_allclose(spread, 1.0 + 1.0 / 40, rtol=0.15)  # that of the mean of 40 on top
    assert kriging.simulate(nodes, 0, seed=0).shape == (0, 25)
