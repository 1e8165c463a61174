"""Bad readings and impossible systems are refused by name, never smoothed over."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from detect.geostat import GeostatError, GeostatWarning, Kriging, Variogram, experimental_variogram

SPHERICAL = Variogram("spherical", 0.1, 0.9, 6.0)


def layout(count: int = 30) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(2)
    return rng.uniform(0, 10, (count, 2)), rng.normal(size=count)


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_not_finite_is_refused_by_index(bad) -> None:
    points, values = layout()
    for name, index in (("values", 7), ("points", 3), ("nodes", 0)):
        p, z, nodes = points.copy(), values.copy(), np.zeros((2, 2))
        {"values": z, "points": p[:, 1], "nodes": nodes[:, 0]}[name][index] = bad
        with pytest.raises(GeostatError, match=f"{name}.*{index}"):
            Kriging(p, z, SPHERICAL).at(nodes)
        if name != "nodes":
            with pytest.raises(GeostatError, match=f"{name}.*{index}"):
                experimental_variogram(p, z)


def test_exact_duplicates_are_named() -> None:
    points, values = layout()
    points[20] = points[4]
    for neighbours in (None, 8):
        with pytest.raises(ValueError, match="readings 4 and 20 are at the same place"):
            Kriging(points, values, SPHERICAL, neighbours=neighbours)
    sd = np.zeros(30)
    sd[20] = 0.2  # one of them exact: the estimate there is that one
    estimate, variance = Kriging(points, values, SPHERICAL, measurement_sd=sd).at(points[4])
    assert estimate[0] == pytest.approx(values[4], abs=1e-9)
    assert variance[0] == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("neighbours", [None, 10])
def test_near_duplicates_fail_the_factorisation_check(neighbours) -> None:
    points, values = layout()
    points[20] = points[4] + [1e-7, 0.0]
    smooth = Variogram("gaussian", 0.0, 1.0, 3.0)
    with pytest.raises(GeostatError, match="index 4 and 20") as caught:
        Kriging(points, values, smooth, neighbours=neighbours).at(points[4:5] + 0.1)
    assert "singular" in str(caught.value)
    if neighbours:
        assert f"({points[4, 0] + 0.1:.3f}, {points[4, 1] + 0.1:.3f})" in str(caught.value)
    # the nugget, or an error of the readings, makes it regular: nothing else is done about it
    Kriging(points, values, SPHERICAL, neighbours=neighbours).at([[1.0, 1.0]])
    Kriging(points, values, smooth, 0.1, neighbours).at([[1.0, 1.0]])


def test_dense_gaussian_without_nugget_is_kept_stable_and_said() -> None:
    # no near-duplicates, only a smooth model: the least nugget that will do, and never in silence
    points = np.stack(np.meshgrid(np.arange(15) * 0.3, np.arange(15) * 0.3), -1).reshape(-1, 2)
    field = np.sin(points[:, 0]) + np.cos(points[:, 1])
    kriging = Kriging(points, field, Variogram("gaussian", 0.0, 1.0, 4.0))
    with pytest.warns(GeostatWarning, match="of the sill. was added") as said:
        estimate, variance = kriging.at([[0.1, 0.1], [2.0, 3.1]])
    assert len(said) == 1
    np.testing.assert_allclose(estimate, np.sin([0.1, 2.0]) + np.cos([0.1, 3.1]), atol=1e-5)
    assert (variance < 1e-8).all()
    # an error of the readings, or a nugget, and nothing is added
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        Kriging(points, field, Variogram("gaussian", 0.0, 1.0, 4.0), 0.01).at([[0.1, 0.1]])


def test_layouts_that_cannot_fix_a_drift() -> None:
    line = np.column_stack([np.arange(10.0), 2 * np.arange(10.0)])
    with pytest.raises(GeostatError, match="one line"):
        Kriging(line, np.arange(10.0), SPHERICAL, drift="linear")
    lanes = np.stack(np.meshgrid([0.0, 10.0], np.arange(20) * 0.1), -1).reshape(-1, 2)
    own = {"neighbours": 5, "neighbourhood": "own"}
    kriging = Kriging(lanes, np.arange(40.0), SPHERICAL, drift="linear", **own)
    with pytest.raises(GeostatError, match=r"\(0\.100, 0\.500\).*line"):
        kriging.at([[0.1, 0.5]])


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ({"values": np.zeros(29)}, "values"),
        ({"points": np.zeros((30, 3))}, "points"),
        ({"points": np.zeros((0, 2)), "values": np.zeros(0)}, "empty"),
        ({"measurement_sd": -0.1}, "measurement_sd"),
        ({"measurement_sd": np.full(30, np.nan)}, "measurement_sd"),
        ({"measurement_sd": np.ones(4)}, "measurement_sd"),
        ({"neighbours": -1}, "neighbours"),
        ({"neighbours": 2.5}, "neighbours"),
        ({"drift": "cubic"}, "drift"),
        ({"mean": np.nan}, "mean"),
        ({"mean": 1.0, "drift": "linear"}, "drift"),
    ],
)
def test_bad_arguments_are_named(change, named) -> None:
    points, values = layout()
    given = {"points": points, "values": values, "variogram": SPHERICAL} | change
    with pytest.raises(GeostatError, match=named):
        Kriging(**given)


def test_bad_requests_are_named() -> None:
    kriging = Kriging(*layout(), SPHERICAL)
    for size in (0.0, -1.0, np.nan):
        with pytest.raises(GeostatError, match="size_m"):
            kriging.blocks([[0, 0]], size)
    with pytest.raises(GeostatError, match="neighbours"):
        Kriging(*layout(), SPHERICAL, neighbours=2, drift="linear").at([[0, 0]])
    with pytest.raises(GeostatError, match="realisations"):
        kriging.simulate([[0, 0]], -1, 0)
    with pytest.raises(GeostatError, match="at once"):
        Kriging(
            np.random.default_rng(0).uniform(0, 9, (11_001, 2)), np.zeros(11_001), SPHERICAL
        ).at([[0, 0]])


def test_one_reading_and_two() -> None:
    one = Kriging([[1.0, 2.0]], [5.0], SPHERICAL)
    estimate, variance = one.at([[1.0, 2.0], [40.0, 2.0]])
    np.testing.assert_allclose(estimate, 5.0)
    np.testing.assert_allclose(variance, [0.0, 2.0], atol=1e-12)  # far off: sill + sill of the mean
    np.testing.assert_allclose(Kriging([[0, 0], [1, 0]], [1, 3], SPHERICAL).at([[0.5, 3]])[0], 2.0)
