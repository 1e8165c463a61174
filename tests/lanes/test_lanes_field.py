"""The field of the loop, against a table, a library, the axis formula and a plain sum."""

import warnings
from pathlib import Path

import magpylib
import numpy as np
import pandas as pd
import pytest

from detect.lanes import loop_field
from detect.lanes.field import MU0

TABLE = pd.read_csv(Path(__file__).parents[1] / "data" / "loop_field_1A.csv")


@pytest.mark.parametrize("row", list(TABLE.itertuples()), ids=lambda r: f"{r.rho_m}-{r.z_m}")
def test_table_of_check_values(row):
    """check_values 3.1: elliptic integrals, magpylib and a 20,000-segment sum agree on these."""
    b_rho, b_z = loop_field(row.radius_m, row.rho_m, row.z_m, row.current_A)
    assert b_rho == pytest.approx(row.B_rho_T, rel=1e-11, abs=1e-18)
    assert b_z == pytest.approx(row.B_z_T, rel=1e-11)


def test_magpylib_at_random_places():
    """magpylib's Circle (its mu0 is the measured one, 1.3e-10 apart from 4 pi 1e-7)."""
    rng = np.random.default_rng(1)
    rho, z = rng.uniform(0, 2, 400), rng.uniform(-1.5, 1.5, 400)
    circle = magpylib.current.Circle(current=2.5, diameter=0.28)
    expected = circle.getB(np.column_stack([rho, np.zeros(400), z]))
    b_rho, b_z = loop_field(0.14, rho, z, current_a=2.5)
    strength = np.hypot(b_rho, b_z)
    assert np.max(np.abs(b_rho - expected[:, 0]) / strength) < 5e-10
    assert np.max(np.abs(b_z - expected[:, 2]) / strength) < 5e-10


def test_closed_form_on_the_axis():
    """Textbook: B = mu0 I a^2 / 2 (a^2 + z^2)^(3/2); the radial part is nil."""
    z = np.array([0.0, 1e-9, 0.05, 0.14, 1.0, 50.0, -0.3])
    b_rho, b_z = loop_field(0.14, 0.0, z)
    assert np.all(b_rho == 0.0)
    np.testing.assert_allclose(b_z, MU0 * 0.14**2 / 2 / (0.14**2 + z**2) ** 1.5, rtol=1e-13)


@pytest.mark.parametrize(("rho", "z"), [(0.02, 0.03), (0.13, 0.02), (0.2, 0.3), (0.6, 0.1)])
def test_plain_biot_savart_sum(rho, z):
    """The law itself, summed over 20,000 short straight wires."""
    a, pieces = 0.14, 20_000
    angle = 2 * np.pi * np.arange(pieces + 1) / pieces
    corner = a * np.column_stack([np.cos(angle), np.sin(angle), np.zeros(pieces + 1)])
    wire, middle = np.diff(corner, axis=0), 0.5 * (corner[1:] + corner[:-1])
    to = np.array([rho, 0.0, z]) - middle
    b = MU0 / (4 * np.pi) * np.cross(wire, to) / np.linalg.norm(to, axis=1)[:, None] ** 3
    b_rho, b_z = loop_field(a, rho, z)
    np.testing.assert_allclose(b.sum(axis=0)[[0, 2]], [b_rho, b_z], rtol=1e-6)


def test_series_near_the_axis_joins_the_closed_form():
    """Where the formula changes there is no step."""
    rho = 0.14 * np.geomspace(1e-9, 0.5, 4000)
    b_rho, b_z = loop_field(0.14, rho, 0.2)
    for b in (b_rho / rho, b_z):
        assert np.max(np.abs(np.diff(np.log(np.abs(b)), 2))) < 1e-4
    # B_rho = -rho/2 dB_z/dz to first order, since the field has no sources.
    slope = (loop_field(0.14, 0, 0.2001)[1] - loop_field(0.14, 0, 0.1999)[1]) / 2e-4
    assert b_rho[0] / rho[0] == pytest.approx(-0.5 * slope, rel=1e-6)


def test_limits_give_no_warning():
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        b_rho, b_z = loop_field(0.14, [0.0, 0.14, 1e9, 0.14, 0.0], [0.0, 0.0, 1.0, 1e-12, 1e9])
    assert np.isinf(b_z[1])
    assert b_rho[1] == 0.0
    assert np.isfinite(np.delete(b_z, 1)).all()
    assert np.isfinite(b_rho).all()


@pytest.mark.parametrize("radius", [0.0, -1.0, np.nan, np.inf])
def test_a_loop_needs_a_radius(radius):
    with pytest.raises(ValueError, match="radius"):
        loop_field(radius, 0.1, 0.1)
