"""Nodes and named squares share one origin: a square is a union of whole cells."""

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from openpyxl.utils import get_column_letter
from shapely.geometry import Polygon

from detect.survey import Grid, column_letters, default_origin, site_grid, square_at, square_names

SITE = Polygon([(0.4, 0.6), (29.5, 0.6), (29.5, 19.0), (0.4, 19.0)])


def test_nodes_are_cell_centres_counted_from_the_origin():
    grid = site_grid(SITE, 1.0, 0.25, (0.0, 0.0))
    np.testing.assert_allclose(np.mod(grid.e, 0.25), 0.125)
    np.testing.assert_allclose(np.mod(grid.n, 0.25), 0.125)
    assert np.all(np.diff(grid.e) > 0)
    e_min, e_max, n_min, n_max = grid.extent
    assert (e_min, e_max, n_min, n_max) == pytest.approx((-0.75, 30.5, -0.5, 20.0))
    assert grid.shape == (len(grid.n), len(grid.e)) == (82, 125)


def test_nodes_run_along_e_first_as_an_n_e_array_does():
    grid = Grid(np.array([0.5, 1.5, 2.5]), np.array([10.5, 11.5]), 1.0)
    assert grid.nodes.tolist()[:4] == [[0.5, 10.5], [1.5, 10.5], [2.5, 10.5], [0.5, 11.5]]
    field = grid.field(grid.nodes[:, 0] + 100 * grid.nodes[:, 1], "f", "m", "a test")
    assert field.dims == ("n", "e")
    assert float(field.sel(n=11.5, e=2.5)) == 1152.5
    assert (field.attrs["units"], field.e.attrs["units"]) == ("m", "m")


def test_inside_counts_the_area():
    grid = site_grid(SITE, 2.0, 0.1, (0.0, 0.0))
    assert grid.inside(SITE).sum() * 0.01 == pytest.approx(SITE.area, rel=2e-3)
    assert grid.inside(SITE).shape == grid.shape


def test_a_margin_that_is_a_whole_number_of_cells_adds_no_sliver():
    # 0.1 is not exact in binary: cells must not be gained or lost by rounding
    grid = site_grid(shapely.box(0, 0, 0.3, 0.7), 0.1, 0.1, (0.0, 0.0))
    assert grid.shape == (9, 5)


@given(
    e=st.floats(-1e6, 1e6), n=st.floats(-1e6, 1e6), width=st.floats(1, 80), margin=st.floats(0, 5)
)
def test_the_grid_covers_the_grown_outline_and_no_more(e, n, width, margin):
    site = shapely.box(e, n, e + width, n + width / 2)
    grid = site_grid(site, margin, 0.5, default_origin(site))
    e_min, e_max, n_min, n_max = grid.extent
    slack = 1e-5
    assert e - margin - 0.5 - slack <= e_min <= e - margin + slack
    assert e + width + margin - slack <= e_max <= e + width + margin + 0.5 + slack
    assert n - margin - 0.5 - slack <= n_min <= n - margin + slack
    assert n + width / 2 + margin - slack <= n_max <= n + width / 2 + margin + 0.5 + slack


def test_origin_is_the_lower_left_in_whole_metres():
    assert default_origin(SITE) == (0.0, 0.0)
    assert default_origin(shapely.box(-0.2, 333611.7, 5, 333620)) == (-1.0, 333611.0)


def test_squares_are_lettered_east_and_numbered_north():
    squares = square_names(shapely.box(0, 0, 6, 4), 2.0, (0.0, 0.0))
    assert squares["square"].tolist() == ["A1", "A2", "B1", "B2", "C1", "C2"]
    c2 = squares.set_index("square").loc["C2"]
    assert (c2["e_min"], c2["n_min"], c2["size_m"]) == (4.0, 2.0, 2.0)


def test_only_squares_that_hold_some_of_the_site():
    triangle = Polygon([(0, 0), (4, 0), (0, 4)])
    # B2 meets the triangle in one point only
    assert square_names(triangle, 2.0, (0.0, 0.0))["square"].tolist() == ["A1", "A2", "B1"]
    # an origin further west and south only moves the names
    assert square_names(triangle, 2.0, (-2.0, -4.0))["square"].tolist() == ["B3", "B4", "C3"]


def test_squares_tile_the_site():
    squares = square_names(SITE, 2.0, default_origin(SITE))
    boxes = shapely.box(
        squares["e_min"], squares["n_min"], squares["e_min"] + 2, squares["n_min"] + 2
    )
    assert shapely.area(shapely.intersection(boxes, SITE)).sum() == pytest.approx(SITE.area)
    assert shapely.union_all(boxes).covers(SITE)


def test_squares_west_of_the_origin_have_no_name():
    with pytest.raises(ValueError, match="west or south"):
        square_names(SITE, 2.0, (1.0, 0.0))


@given(st.integers(0, 18_000))
def test_letters_run_on_as_a_spreadsheet_does(index):
    # openpyxl counts columns from 1
    assert column_letters(index) == get_column_letter(index + 1)


def test_letters_past_z():
    assert [column_letters(i) for i in (0, 25, 26, 51, 52, 701, 702)] == [
        "A", "Z", "AA", "AZ", "BA", "ZZ", "AAA",
    ]  # fmt: skip


def test_the_square_of_a_position():
    names = square_at([0.0, 3.99, 4.0, -0.1, np.nan], [0.0, 1.0, 2.0, 1.0, 1.0], 2.0, (0.0, 0.0))
    assert names.tolist() == ["A1", "B1", "C2", "", ""]


def test_square_and_position_agree():
    squares = square_names(SITE, 2.0, (0.0, 0.0))
    centre = squares[["e_min", "n_min"]].to_numpy() + 1.0
    assert square_at(*centre.T, 2.0, (0.0, 0.0)).tolist() == squares["square"].tolist()
