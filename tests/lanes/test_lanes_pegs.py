"""What is written down stops short of the pegs; what is swum does not."""

import numpy as np
import pandas as pd
import pytest

from detect.lanes.pegs import TO_PEG_M, swum_to_pegs
from detect.present.slate_log import log_runs

LANES = pd.DataFrame(
    {
        "lane": ["L01", "L02", "L03"],
        "start_e": [0.0, 1.0, 2.0],
        "start_n": [0.0, 6.25, 0.0],
        "end_e": [0.0, 1.0, 5.0],
        "end_n": [6.25, 0.0, 4.0],
    }
)


def taped(lane, distances, track=0, aside=0.0):
    own = LANES.set_index("lane").loc[lane]
    start, end = own[["start_e", "start_n"]].to_numpy(), own[["end_e", "end_n"]].to_numpy()
    along = (end - start) / np.hypot(*(end - start))
    places = start + np.outer(distances, along) + aside * np.array([along[1], -along[0]])
    return pd.DataFrame(
        {
            "lane": lane,
            "track": track,
            "distance_m": distances,
            "e": places[:, 0],
            "n": places[:, 1],
        }
    )


@pytest.mark.parametrize("back", [False, True])
def test_the_last_cell_of_a_slate_reaches_the_peg(back):
    """By hand: 6.25 m has cells 0 to 6; the peg is added after 6, or before it where swum back."""
    cells = np.arange(7.0)
    reached = swum_to_pegs(taped("L01", cells[::-1] if back else cells), LANES)
    added = [*cells, 6.25]
    assert reached["distance_m"].tolist() == (added[::-1] if back else added)
    assert reached["n"].tolist() == pytest.approx(added[::-1] if back else added)


def test_both_ends_of_a_slanted_lane_and_each_of_two_passes():
    readings = pd.concat([taped("L03", [0.1, 4.8], track) for track in (4, 2)], ignore_index=True)
    reached = swum_to_pegs(readings, LANES)
    assert reached["track"].tolist() == [4] * 4 + [2] * 4
    np.testing.assert_allclose(reached["distance_m"], [0, 0.1, 4.8, 5.0] * 2)
    np.testing.assert_allclose(reached[["e", "n"]].to_numpy()[[0, 3]], [[2, 0], [5, 4]])


@pytest.mark.parametrize(
    ("readings", "listened_m"),
    [
        (taped("L01", [0.0, 3.0, 5.9]), 1.0),  # too far from the peg: an end not swum
        (taped("L01", [0.0, 3.0, 6.0]), 0.0),  # only where a reading stands
        (taped("L01", [0.0, 3.0, 6.0], aside=0.2), 1.0),  # placed beside the lane, not along it
        (taped("L01", [0.0, 6.2, 3.0]), 1.0),  # neither the first nor the last swum
        (taped("L01", [0.0, 6.4]), 1.0),  # past the peg
        (taped("L01", [0.0, 6.25]), 1.0),
        (taped("L01", [6.0]).assign(lane="not laid"), 1.0),
    ],
)
def test_what_was_not_swum_to_the_peg_stays_as_it_is(readings, listened_m):
    pd.testing.assert_frame_equal(swum_to_pegs(readings, LANES, listened_m), readings)


def test_a_single_reading_reaches_each_near_peg_once():
    short = LANES.head(1).assign(end_n=0.5)
    reached = swum_to_pegs(taped("L01", [0.25]), short)
    assert reached["distance_m"].tolist() == [0.0, 0.25, 0.5]


@pytest.mark.parametrize("length", np.round(np.linspace(0.5, 6.6, 62), 2))
def test_whatever_a_lanes_length_the_cells_of_its_slate_reach_its_pegs(length):
    legs = pd.DataFrame(
        {
            "lane": ["L01"], "direction": "out", "length_m": length,
            "from_e": 0.0, "from_n": 0.0, "to_e": 0.0, "to_n": length,
        }
    )  # fmt: skip
    (run,) = log_runs(legs, None, 1.0)
    cells = np.array(run.distances_m)
    assert length - cells.max() <= TO_PEG_M + 1e-6
    lanes = LANES.head(1).assign(end_n=length)
    readings = taped("L01", cells)
    assert swum_to_pegs(readings, lanes)["distance_m"].max() == pytest.approx(length)
