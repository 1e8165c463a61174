"""Squares and the points that lie in them."""

import numpy as np
import pytest
from shapely.geometry import Polygon

from detect.squares.layout import mean_over_squares, square_of
from detect.survey.grid import square_at, square_names

ORIGIN = (-4.0, -2.0)
SQUARES = square_names(Polygon([(0.3, 0.2), (29, 3), (25, 19), (2, 17)]), 2.0, ORIGIN)


def test_a_point_lies_in_the_square_that_bears_its_name():
    rng = np.random.default_rng(1)
    # off the site, inside, and on the lines between squares
    points = np.concatenate([rng.uniform(-6, 34, (2000, 2)), rng.integers(-6, 34, (500, 2))])
    named = square_at(*points.T, 2.0, ORIGIN)
    named = np.where(np.isin(named, SQUARES["square"].to_numpy(object)), named, "")
    np.testing.assert_array_equal(square_of(SQUARES, *points.T, ORIGIN), named)
    assert (named == "").any()


def test_means_over_squares_leave_out_what_is_not_known():
    first = SQUARES.iloc[3]
    corner = first[["e_min", "n_min"]].to_numpy(float)
    nodes = corner + np.array([[0.5, 0.5], [1.5, 0.5], [0.5, 1.5], [50.0, 0.0]])
    fields = np.array([[1.0, 3.0, np.nan, 9.0], [np.nan] * 4])
    means = mean_over_squares(SQUARES, nodes, fields, ORIGIN)
    assert means.shape == (2, len(SQUARES))
    assert means[0, 3] == pytest.approx(2.0)
    assert np.isnan(np.delete(means[0], 3)).all()
    assert np.isnan(means[1]).all()
    np.testing.assert_array_equal(mean_over_squares(SQUARES, nodes, fields[0], ORIGIN), means[0])
