"""Random layouts against PyKrige, GSTools and a slow plain reference."""

from __future__ import annotations

import gstools
import numpy as np
import pytest

from detect.geostat import Kriging, Variogram, against_pykrige

MODELS = {
    "spherical": Variogram("spherical", 0.1, 0.9, 6.0),
    "exponential": Variogram("exponential", 0.0, 1.3, 2.0),
    "gaussian": Variogram("gaussian", 0.05, 1.0, 2.5),
    "matern": Variogram("matern", 0.02, 1.0, 1.2, smoothness=1.7),
    "nested": Variogram.nested(
        [Variogram("spherical", 0.1, 0.4, 3.0), Variogram("exponential", 0.0, 0.6, 4.0)]
    ),
    "anisotropic": Variogram("spherical", 0.1, 0.9, 8.0, anisotropy_ratio=0.4, azimuth_deg=30.0),
    "anisotropic matern": Variogram("matern", 0.05, 1, 3, anisotropy_ratio=0.5, azimuth_deg=155),
}


def layout(seed: int, count: int = 60) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    return rng.uniform(0, 20, (count, 2)), rng.normal(5, 1, count), rng.uniform(-1, 21, (25, 2))


@pytest.mark.parametrize("neighbours", [None, 12])
@pytest.mark.parametrize("sd", [None, 0.4])
@pytest.mark.parametrize("name", MODELS)
def test_pykrige(name, sd, neighbours) -> None:
    points, values, nodes = layout(3)
    nodes[:3] = points[:3]  # exactness at readings is the same in both
    model = MODELS[name]
    estimate, variance = Kriging(points, values, model, sd, neighbours, neighbourhood="own").at(
        nodes
    )
    check = against_pykrige(
        points, values, model, nodes, estimate, variance, sd, neighbours, neighbourhood="own"
    )
    # with a microscale nugget beside the error of a reading, nodes at readings mean different
    # things
    assert check.nodes == (22 if sd and model.nugget > 0 else 25)
    assert check.ok
    assert check.max_abs_estimate < 1e-8
    assert check.max_abs_sd < 1e-8


def test_pykrige_with_merged_repeats() -> None:
    points, values, nodes = layout(5, 40)
    repeats = np.random.default_rng(0).integers(1, 5, 40)
    sd = 0.5 / np.sqrt(repeats)
    for v in (MODELS["spherical"], MODELS["exponential"]):
        estimate, variance = Kriging(points, values, v, measurement_sd=sd).at(nodes)
        check = against_pykrige(points, values, v, nodes, estimate, variance, sd, repeats=repeats)
        assert check.ok
        assert check.nodes == 25
        assert check.max_abs_estimate < 1e-8


def test_merged_repeats_in_a_neighbourhood_are_left_out() -> None:
    points, values, nodes = layout(5, 60)
    repeats = np.where(points[:, 0] < 6, 2, 1)
    sd = 0.5 / np.sqrt(repeats)
    v = MODELS["spherical"]
    estimate, variance = Kriging(points, values, v, sd, 9, neighbourhood="own").at(nodes)
    own = {"repeats": repeats, "neighbourhood": "own"}
    check = against_pykrige(points, values, v, nodes, estimate, variance, sd, 9, **own)
    assert check.ok
    assert 5 < check.nodes < 25
    assert "merged repeats" in check.note


def test_a_wrong_map_is_noticed() -> None:
    points, values, nodes = layout(6)
    v = MODELS["spherical"]
    estimate, variance = Kriging(points, values, v).at(nodes)
    wrong = estimate + np.where(np.arange(25) == 7, 1e-4, 0)
    check = against_pykrige(points, values, v, nodes, wrong, variance)
    assert not check.ok
    assert check.max_abs_estimate == pytest.approx(1e-4, rel=1e-3)
    assert not against_pykrige(points, values, v, nodes, estimate, variance * 1.001).ok


def test_the_map_in_tiles_is_held_against_all_readings() -> None:
    rng = np.random.default_rng(3)
    points, nodes = rng.uniform(0, 30, (500, 2)), rng.uniform(0, 30, (60, 2))
    values, v = np.sin(points[:, 0] / 4) + rng.normal(0, 0.3, 500), MODELS["exponential"]
    estimate, variance = Kriging(points, values, v, 0.3, 40).at(nodes)
    check = against_pykrige(points, values, v, nodes, estimate, variance, 0.3, 40)
    assert check.ok
    assert check.nodes == 60
    assert check.allowed_in_sd == 0.1
    every, every_variance = Kriging(points, values, v, 0.3).at(nodes)
    gap = np.maximum(np.abs(estimate - every), np.abs(np.sqrt(variance) - np.sqrt(every_variance)))
    assert check.max_in_sd == pytest.approx((gap / np.sqrt(variance)).max(), rel=1e-6)
    assert check.max_abs_estimate == pytest.approx(np.abs(estimate - every).max(), rel=1e-6)
    # too few neighbours, and a map that is off by a fifth of its deviation at one node
    few = Kriging(points, values, v, 0.3, 4).at(nodes)
    assert not against_pykrige(points, values, v, nodes, *few, 0.3, 4).ok
    wrong = estimate + np.where(np.arange(60) == 7, 0.2 * np.sqrt(variance), 0)
    check = against_pykrige(points, values, v, nodes, wrong, variance, 0.3, 40)
    assert not check.ok
    assert check.max_in_sd == pytest.approx(0.2, abs=0.02)


@pytest.mark.parametrize("neighbours", [None, 40])
def test_of_a_large_survey_a_part_is_held_against_pykrige(monkeypatch, neighbours) -> None:
    monkeypatch.setattr("detect.geostat.crosscheck.MOST_POINTS", 600)
    monkeypatch.setattr("detect.geostat.crosscheck.PART", 500)
    rng = np.random.default_rng(4)
    points, nodes = rng.uniform(0, 40, (1500, 2)), rng.uniform(0, 40, (150, 2))
    values, v = np.sin(points[:, 0] / 4) + rng.normal(0, 0.3, 1500), MODELS["exponential"]
    estimate, variance = Kriging(points, values, v, 0.3, neighbours).at(nodes)
    check = against_pykrige(points, values, v, nodes, estimate, variance, 0.3, neighbours)
    assert check.ok
    assert 3 <= check.nodes < 60
    assert "500 readings about" in check.note
    wrong = against_pykrige(points, values, v, nodes, estimate + 0.2, variance, 0.3, neighbours)
    assert not wrong.ok


def test_what_pykrige_cannot_do_is_said() -> None:
    points, values, nodes = layout(7)
    zero = np.zeros(25)
    sd = np.linspace(0.1, 0.5, 60)
    unequal = against_pykrige(points, values, MODELS["nested"], nodes, zero, zero, sd)
    assert (unequal.nodes, unequal.ok) == (0, False)
    assert "errors" in unequal.note
    parts = [MODELS["anisotropic"], MODELS["exponential"]]
    mixed = against_pykrige(points, values, Variogram.nested(parts), nodes, zero, zero)
    assert "anisotropies" in mixed.note


@pytest.mark.parametrize("name", ["spherical", "exponential", "anisotropic"])
def test_gstools(name) -> None:
    points, values, nodes = layout(8)
    v = MODELS[name]
    kind = {"spherical": gstools.Spherical, "exponential": gstools.Exponential}[v.model]
    theirs = kind(
        dim=2,
        var=v.partial_sill,
        len_scale=v.range_m,
        nugget=v.nugget,
        anis=v.anisotropy_ratio,
        angles=np.radians(90 - v.azimuth_deg),
    )
    krige = gstools.krige.Ordinary(theirs, points.T, values, exact=True)
    expected, expected_variance = krige(nodes.T)
    estimate, variance = Kriging(points, values, v).at(nodes)
    np.testing.assert_allclose(estimate, expected, atol=1e-8)
    np.testing.assert_allclose(variance, expected_variance, atol=1e-8)


@pytest.mark.parametrize("drift", ["constant", "linear", "quadratic"])
@pytest.mark.parametrize("neighbours", [0, 15])
@pytest.mark.parametrize("sd", [0.0, 0.3])
def test_plain_reference(plain_kriging, drift, neighbours, sd) -> None:
    points, values, nodes = layout(9)
    nodes[:2] = points[:2]
    v = MODELS["spherical"]
    kriging = Kriging(points, values, v, sd or None, neighbours or None, drift, neighbourhood="own")
    expected = plain_kriging(points, values, v, nodes, sd, neighbours, drift)
    estimate, variance = kriging.at(nodes)
    np.testing.assert_allclose(estimate, expected[0], atol=1e-10, rtol=1e-10)
    np.testing.assert_allclose(variance, expected[1], atol=1e-9)
    np.testing.assert_allclose(kriging.weights(nodes), expected[2], atol=1e-9)


def test_simple_kriging_against_gstools() -> None:
    points, values, nodes = layout(10)
    v = Variogram("exponential", 0.0, 1.3, 2.0)
    theirs = gstools.Exponential(dim=2, var=1.3, len_scale=2.0)
    expected, expected_variance = gstools.krige.Simple(theirs, points.T, values, mean=4.5)(nodes.T)
    for neighbours in (None, 59):
        estimate, variance = Kriging(points, values, v, neighbours=neighbours, mean=4.5).at(nodes)
        tolerance = 1e-9 if neighbours is None else 0.02
        np.testing.assert_allclose(estimate, expected, atol=tolerance)
        np.testing.assert_allclose(variance, expected_variance, atol=tolerance)


@pytest.mark.parametrize("neighbours", [None, 20])
def test_linear_drift_against_gstools(neighbours) -> None:
    points, values, nodes = layout(12)
    v = Variogram("exponential", 0.0, 1.3, 2.0)
    theirs = gstools.Exponential(dim=2, var=1.3, len_scale=2.0)
    krige = gstools.krige.Universal(theirs, points.T, values, drift_functions="linear")
    if neighbours is None:
        expected, expected_variance = krige(nodes.T)
        estimate, variance = Kriging(points, values, v, drift="linear").at(nodes)
        np.testing.assert_allclose(estimate, expected, atol=1e-7)
        np.testing.assert_allclose(variance, expected_variance, atol=1e-7)
    else:  # a plane is estimated as it stands, whatever the neighbourhood
        plane = 2 + 0.3 * points[:, 0] - 0.1 * points[:, 1]
        kriging = Kriging(points, plane, v, neighbours=neighbours, drift="linear")
        truth = 2 + 0.3 * nodes[:, 0] - 0.1 * nodes[:, 1]
        np.testing.assert_allclose(kriging.at(nodes)[0], truth, atol=1e-9)
        np.testing.assert_allclose(kriging.blocks(nodes, 1.0)[0], truth, atol=1e-9)
