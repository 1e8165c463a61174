"""Squares and the points that lie in them."""

import numpy as np
import pytest
from shapely.geometry import Polygon, box

from detect.squares.layout import mean_over_squares, square_layout, square_of
from detect.survey.grid import square_at, square_names
from detect.survey.outlines import KeepOutArea
from detect.survey.settings import Squares

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


def test_a_square_that_holds_visible_remains_says_so():
    ribs = KeepOutArea("ribs", "", box(4.0, 4.0, 5.0, 6.0))
    net = KeepOutArea("net", "entangles", box(3.5, 4.5, 4.5, 5.5))
    site = box(0.0, 0.0, 10.0, 10.0)
    layout = square_layout(site, Squares(), (0.0, 0.0), [net], [ribs])
    why = layout.set_index("square")["why"]
    # both lie in C3 (e 4 to 6, n 4 to 6); of the others the net's part is in B3, e 2 to 4
    assert why["C3"] == "visible remains in it, ribs; part of it is kept out, net: entangles"
    assert why["B3"] == "part of it is kept out, net: entangles"
    assert (why.drop(["B3", "C3"]) == "").all()  # what touches an edge lies in no square beyond it
