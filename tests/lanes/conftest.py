"""A coil, dives and a site of our own invention, for the tests of the lanes room."""

import numpy as np
import pandas as pd
import pytest
import shapely

from detect.survey.settings import Detector, Dives


@pytest.fixture(scope="session")
def coil():
    """A 28 cm coil, carried 10 cm over the bed, that hears the reference target at 45 cm."""

    def make(**changes):
        plain = {
            "coil_diameter_m": 0.28,
            "coil_height_m": 0.10,
            "air_range_m": 0.45,
            "burial_depth_m": 0.20,
            "line_error_m": 0.10,
            "threshold_snr": 3.0,
            "required_pod": 0.9,
        }
        return Detector(**{**plain, **changes})

    return make


@pytest.fixture(scope="session")
def dive_day():
    def make(**changes):
        plain = {"bottom_time_min": 40.0, "setup_min": 5.0, "swim_speed_m_per_min": 6.0}
        return Dives(**{**plain, "divers": 2, "turn_min": 1.0, **changes})

    return make


@pytest.fixture(scope="session")
def heron_skerry():
    """The invented site: an uneven pentagon of about 30 x 22 m."""
    return shapely.Polygon([(0, 0), (30, 3), (34, 22), (20, 26), (-2, 20)])


@pytest.fixture(scope="session")
def swum():
    """Readings every ``step`` metres along lanes, as if each had been swum end to end once."""

    def make(lanes, step, first_track=0):
        passes = []
        for track, lane in enumerate(lanes.itertuples(), start=first_track):
            count = 1 + int(np.ceil(lane.length_m / step - 1e-9))
            share = np.linspace(0.0, 1.0, count)
            passes.append(
                pd.DataFrame(
                    {
                        "e": lane.start_e + share * (lane.end_e - lane.start_e),
                        "n": lane.start_n + share * (lane.end_n - lane.start_n),
                        "track": track,
                        "heading_deg": lane.bearing_deg,
                    }
                )
            )
        return pd.concat(passes, ignore_index=True)

    return make
