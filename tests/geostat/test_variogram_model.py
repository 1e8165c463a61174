"""The model: formulas, conventions, facts of check_values.md 1.3 and 1.6."""

from __future__ import annotations

import gstools
import numpy as np
import pytest
from scipy.integrate import quad

from detect.geostat import GeostatError, Variogram

LAG = np.array([0.0, 0.2, 1.0, 2.5, 4.0, 9.0])


def test_spherical_facts() -> None:
    # check_values.md 1.6: 0.6875 of the sill at half the range; the tangent meets it at 2 a / 3
    v = Variogram("spherical", partial_sill=1.0, range_m=6.0)
    assert v.semivariance(3.0, 0.0) == pytest.approx(0.6875, abs=1e-15)
    assert v.semivariance([6.0, 7.0], [0.0, 0.0]) == pytest.approx(1.0)
    slope = float(v.semivariance(1e-7, 0.0)) / 1e-7
    assert 1.0 / slope == pytest.approx(2 * 6.0 / 3, rel=1e-6)


@pytest.mark.parametrize("model", ["exponential", "gaussian", "matern"])
def test_practical_range_is_at_95_percent(model: str) -> None:
    # check_values.md 1.6: 1 - exp(-3) = 0.950212931632 (exponential at 3 a, gaussian at sqrt(3) a)
    v = Variogram(model, nugget=0.0, partial_sill=2.0, range_m=4.0)
    at = v.semivariance(0.0, v.practical_range_m) / v.sill
    assert at == pytest.approx(0.950212931632, abs=1e-10)
    if model != "matern":
        factor = {"exponential": 3.0, "gaussian": np.sqrt(3.0)}[model]
        assert v.practical_range_m == pytest.approx(4.0 * factor)


def test_integral_ranges() -> None:
    # check_values.md 1.6: pi a^2 / 5 for the spherical, 2 pi a^2 for the exponential
    for model, expected, stop in (
        ("spherical", np.pi * 9 / 5, 3.0),
        ("exponential", 18 * np.pi, 150),
    ):
        v = Variogram(model, partial_sill=1.0, range_m=3.0)
        area, _ = quad(lambda h, v=v: 2 * np.pi * h * float(v.covariance(h, 0.0)), 0, stop)
        assert area == pytest.approx(expected, rel=1e-7)


def test_anisotropy_rows_of_gstat() -> None:
    # check_values.md 1.3: gstat anis=c(45, 0.4)
    v = Variogram("spherical", 0.05, 0.59, 1200.0, anisotropy_ratio=0.4, azimuth_deg=45.0)
    r = np.sqrt(0.5)
    along = v.semivariance(500 * r, 500 * r)
    across = v.semivariance(200 * r, -200 * r)
    assert along == pytest.approx(0.3974103009, abs=1e-10)
    assert across == pytest.approx(along, abs=1e-14)
    assert v.semivariance(500 * r, -500 * r) == pytest.approx(0.64, abs=1e-12)


def test_azimuth_is_clockwise_from_north() -> None:
    v = Variogram(
        "exponential", partial_sill=1.0, range_m=5.0, anisotropy_ratio=0.2, azimuth_deg=90
    )
    assert v.covariance(2.0, 0.0) == pytest.approx(np.exp(-2 / 5))
    assert v.covariance(0.0, 2.0) == pytest.approx(np.exp(-2 / 1))


@pytest.mark.parametrize(
    ("ours", "theirs"),
    [
        (Variogram("spherical", 0, 2, 3), gstools.Spherical(dim=2, var=2, len_scale=3)),
        (Variogram("exponential", 0, 2, 3), gstools.Exponential(dim=2, var=2, len_scale=3)),
        (Variogram("gaussian", 0, 2, 3), gstools.Gaussian(dim=2, var=2, len_scale=3, rescale=1)),
        *[
            (
                Variogram("matern", 0, 2, 3, smoothness=nu),
                gstools.Matern(dim=2, var=2, len_scale=3 * np.sqrt(nu), nu=nu, rescale=1),
            )
            for nu in (0.5, 0.8, 1.5, 2.5, 4.2)
        ],
        (
            Variogram("exponential", 0, 2, 3, anisotropy_ratio=0.3, azimuth_deg=20),
            gstools.Exponential(dim=2, var=2, len_scale=3, anis=0.3, angles=np.radians(70)),
        ),
    ],
)
def test_models_against_gstools(ours: Variogram, theirs: gstools.CovModel) -> None:
    de, dn = np.meshgrid(LAG, [0.0, 0.7, 3.0])
    expected = theirs.cov_spatial([de.ravel(), dn.ravel()]).reshape(de.shape)
    np.testing.assert_allclose(ours.covariance(de, dn), expected, atol=1e-9)


def test_matern_closed_forms_meet_the_bessel_formula() -> None:
    for nu in (0.5, 1.5, 2.5):
        exact = Variogram("matern", partial_sill=1, range_m=2, smoothness=nu)
        near = Variogram("matern", partial_sill=1, range_m=2, smoothness=nu + 1e-9)
        np.testing.assert_allclose(exact.covariance(LAG, 0), near.covariance(LAG, 0), atol=1e-7)


def test_nugget_stands_at_zero_only() -> None:
    v = Variogram("spherical", nugget=0.5, partial_sill=1.0, range_m=2.0)
    np.testing.assert_allclose(v.semivariance([0.0, 1e-9], [0.0, 0.0]), [0.0, 0.5], atol=1e-8)
    np.testing.assert_allclose(v.covariance([0.0, 5.0], [0.0, 0.0]), [1.5, 0.0])


def test_nested_adds_up() -> None:
    a = Variogram("spherical", 0.1, 0.4, 2.0)
    b = Variogram("exponential", 0.2, 0.6, 8.0, anisotropy_ratio=0.5, azimuth_deg=30.0)
    both = Variogram.nested([a, b])
    de, dn = np.meshgrid(LAG, LAG)
    np.testing.assert_allclose(both.covariance(de, dn), a.covariance(de, dn) + b.covariance(de, dn))
    assert both.nugget == pytest.approx(0.3)
    assert both.sill == pytest.approx(1.3)
    assert both.practical_range_m == pytest.approx(24.0)
    again = Variogram.nested([both, a])
    np.testing.assert_allclose(
        again.covariance(de, dn), both.covariance(de, dn) + a.covariance(de, dn)
    )


def test_table_round_trip() -> None:
    single = Variogram("matern", 0.1, 1.0, 4.0, 0.5, 30.0, 2.2)
    both = Variogram.nested([single, Variogram("spherical", 0.0, 1.0, 9.0)])
    for v in (single, both):
        assert Variogram.from_table(v.to_table()) == v


@pytest.mark.parametrize(
    ("wrong", "named"),
    [
        ({"model": "linear"}, "linear"),
        ({"nugget": -0.1}, "nugget"),
        ({"partial_sill": float("nan")}, "partial_sill"),
        ({"range_m": 0.0}, "range_m"),
        ({"anisotropy_ratio": 1.5}, "anisotropy_ratio"),
        ({"smoothness": 0.0}, "smoothness"),
        ({"azimuth_deg": float("inf")}, "azimuth_deg"),
        ({"nugget": 0.0, "partial_sill": 0.0}, "sill"),
    ],
)
def test_bad_parameters_are_named(wrong: dict, named: str) -> None:
    with pytest.raises(GeostatError, match=named):
        Variogram(**wrong)
