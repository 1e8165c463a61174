"""What would settle most doubt: closed forms, and kriging with the readings put in."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm
from shapely.geometry import box

from detect.geostat import Kriging, Variogram
from detect.squares.survey_next import (
    Outlook,
    best_next,
    candidate_lanes,
    doubt,
    doubt_left,
    propose,
)


def field(seed=0):
    rng = np.random.default_rng(seed)
    points = rng.uniform(0, 20, (60, 2))
    model = Variogram(model="exponential", partial_sill=1.0, range_m=4.0)
    return Kriging(points, rng.normal(size=60), model, measurement_sd=0.3), points


def test_doubt_is_p_times_one_minus_p():
    mean, variance = np.array([0.3, -1.0, 2.0]), np.array([1.0, 4.0, 0.25])
    p = norm.sf((0.5 - mean) / np.sqrt(variance))
    np.testing.assert_allclose(doubt(mean, variance, 0.5), p * (1 - p))


def test_expected_doubt_against_drawing_the_readings_to_come():
    # the mean to come is normal with the settled variance; p follows from what is left
    rng = np.random.default_rng(1)
    mean, variance, settled, cut = 0.4, 1.5, 0.9, 0.0
    to_come = rng.normal(mean, np.sqrt(settled), 400_000)
    p = norm.sf((cut - to_come) / np.sqrt(variance - settled))
    expected = doubt_left(np.array([mean]), np.array([variance]), cut, np.array([settled]))
    assert expected[0] == pytest.approx(np.mean(p * (1 - p)), abs=5e-4)
    ends = doubt_left(np.full(2, mean), np.full(2, variance), cut, np.array([0.0, variance]))
    np.testing.assert_allclose(ends, [doubt(np.array([mean]), np.array([variance]), cut)[0], 0.0])


def test_what_is_settled_is_what_kriging_with_the_readings_says():
    # kriging variance does not depend on values: put any in
    kriging, points = field()
    centres, new = np.array([[5.0, 5.0], [12.0, 9.0]]), np.array([[5.5, 5.0], [11.0, 9.0]])
    outlook = Outlook.of(kriging, centres, 2.0, new, 0.3, factor=2.0)
    settled = outlook.settled(np.array([0, 1]))
    more = Kriging(
        np.concatenate([points, new]), np.zeros(62), kriging.variogram, measurement_sd=0.3
    )
    fall = kriging.blocks(centres, 2.0)[1] - more.blocks(centres, 2.0)[1]
    np.testing.assert_allclose(settled, 4.0 * fall, rtol=0.03)
    # one after the other is both together
    first = outlook.settled(np.array([0]))
    outlook.survey(np.array([0]))
    np.testing.assert_allclose(first + outlook.settled(np.array([1])), settled, rtol=1e-6)


def test_the_place_beside_the_doubtful_square_is_chosen_first():
    kriging, _ = field()
    centres = np.array([[5.0, 5.0], [15.0, 15.0]])
    places = np.array([[15.0, 15.0], [5.0, 5.0], [30.0, 30.0]])
    outlook = Outlook.of(kriging, centres, 2.0, places, 0.3, factor=1.0)
    mean, variance = np.array([0.0, 3.0]), np.array([0.5, 0.5])
    single = [np.array([i]) for i in range(3)]
    chosen = best_next([outlook], single, mean, variance, 0.0, most=2)
    assert chosen[0][0] == 1
    assert chosen[0][1] > 0
    table = propose(
        pd.DataFrame({"square": ["C3", "H8"]}),
        [],
        [],
        places,
        chosen,
        float(doubt(mean, variance, 0.0).sum()),
    )
    assert table["what"].iloc[0] == "probe"
    assert table["squares"].iloc[0] == "C3"
    assert 0 < table["share"].iloc[0] <= 1


def test_lanes_follow_the_heading_and_keep_off_what_is_barred():
    lanes = candidate_lanes(np.array([[5.0, 5.0]]), 2.0, 0.0, box(0, 0, 10, 5.5))
    assert [round(lane.coords[0][0], 2) for lane in lanes] == [4.5, 5.5]
    assert all(lane.bounds[3] <= 5.5 for lane in lanes)
