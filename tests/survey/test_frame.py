"""The frame against worked examples, PROJ's table of UTM places, and geodesics on the ellipsoid."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyproj import Geod, Proj

from detect.survey import Frame, SurveyError
from detect.survey.frame import compass
from detect.survey.settings import FrameSettings

# lon, lat, zone, E, N, convergence, scale: check_values.md section 6, where PROJ and an independent
# 6th-order Krueger series agree to 1e-4 m.
UTM = [
    (0, 0, 32631, 166021.4431, 0.0000, 0, 1.00098106),
    (2.294497, 48.858222, 32631, 448251.5978, 5411935.1253, -0.531315, 0.99963290),
    (25, 36, 32635, 319733.3419, 3985798.2083, -1.175887, 1.00000042),
    (27.7, 37, 32635, 562283.6782, 4095101.3492, 0.421284, 0.99964779),
    (-1.1065, 50.7415, 32630, 633598.2353, 5622788.9475, 1.466350, 0.99981918),
    (15, -35, 32733, 500000.0000, 6126956.9355, 0, 0.99960000),
]


def framed(**keys) -> Frame:
    return Frame.from_settings(FrameSettings.model_validate(keys))


def test_baseline_chainage_and_offset_on_both_sides():
    # check_values.md section 6: (100,200)->(103,204), chainage 5, offset 2 right and left
    frame = framed(baseline=[[100, 200], [103, 204]])
    e, n = frame.along_baseline([5, 5], [2, -2])
    np.testing.assert_allclose(e, [104.6, 101.4], atol=1e-12)
    np.testing.assert_allclose(n, [202.8, 205.2], atol=1e-12)


def test_baseline_from_a_bearing():
    # check_values.md section 6: start (500000, 4000000), bearing 30, chainage 20, offset 3.5 right
    far = [500000 + 100 * np.sin(np.pi / 6), 4000000 + 100 * np.cos(np.pi / 6)]
    e, n = framed(baseline=[[500000, 4000000], far]).along_baseline(20, 3.5)
    assert (e, n) == (
        pytest.approx(500013.031089, abs=1e-6),
        pytest.approx(4000015.570508, abs=1e-6),
    )


def test_baseline_is_asked_for_where_there_is_none():
    with pytest.raises(ValueError, match="baseline"):
        framed().along_baseline(5, 0)


def test_plain_rotation_without_a_map():
    # check_values.md section 6: local (3,4), grid north 30 degrees clockwise of north
    east, north = framed(grid_north_deg=30).to_map(3, 4)
    assert (east, north) == (pytest.approx(4.598076211), pytest.approx(1.964101615))


@pytest.mark.parametrize(("lon", "lat", "epsg", "east", "north", "convergence", "scale"), UTM)
def test_utm_convergence_and_scale(lon, lat, epsg, east, north, convergence, scale):
    frame = framed(map_crs=f"EPSG:{epsg}", map_origin=[east, north])
    assert frame.convergence_deg == pytest.approx(convergence, abs=2e-6)
    assert frame.scale == pytest.approx(scale, abs=1e-8)
    assert frame.to_map(0, 0) == (pytest.approx(east), pytest.approx(north))
    # map bearing = true bearing - convergence
    assert compass(frame.map_bearing(10) + convergence) == pytest.approx(10, abs=1e-5)


@pytest.mark.parametrize("azimuth", [0, 37, 90, 180, 250])
@pytest.mark.parametrize("place", UTM[1:5])
def test_a_kilometre_swum_lands_where_the_geodesic_does(place, azimuth):
    # Outside check of the signs of convergence and rotation: Karney's geodesic (pyproj.Geod) knows
    # nothing of grids. The tolerance is the arc-to-chord correction left out.
    lon, lat, epsg, east, north, _, _ = place
    frame = framed(map_crs=f"EPSG:{epsg}", map_origin=[east, north], grid_north_deg=25)
    there = Geod(ellps="WGS84").fwd(lon, lat, azimuth, 1000.0)[:2]
    bearing = np.radians(frame.grid_bearing(azimuth))
    e, n = frame.to_map(1000 * np.sin(bearing), 1000 * np.cos(bearing))
    np.testing.assert_allclose((e, n), Proj(epsg)(*there), atol=0.01)


def test_the_four_norths():
    # Definitions: true = grid + grid_north; magnetic = true - declination (east positive);
    # map = true - convergence.
    frame = Frame(grid_north_deg=350, magnetic_declination_deg=4, convergence_deg=-1.5)
    assert frame.true_bearing(20) == pytest.approx(10)
    assert frame.magnetic_bearing(20) == pytest.approx(6)
    assert frame.map_bearing(20) == pytest.approx(11.5)
    assert frame.grid_bearing(10) == pytest.approx(20)
    np.testing.assert_allclose(frame.magnetic_bearing(np.array([0.0, 14.0])), [346, 0], atol=1e-12)


def test_compass_never_shows_360():
    assert compass(-1e-15) == 0
    assert compass(720) == 0


@given(
    e=st.floats(-1e4, 1e4),
    n=st.floats(-1e4, 1e4),
    grid_north=st.floats(-360, 360),
    convergence=st.floats(-5, 5),
    scale=st.floats(0.99, 1.01),
)
def test_to_map_and_back(e, n, grid_north, convergence, scale):
    frame = Frame(grid_north, 0.0, convergence, scale, None, (562283.6782, 4095101.3492))
    np.testing.assert_allclose(frame.to_local(*frame.to_map(e, n)), (e, n), atol=1e-6)


@given(grid=st.floats(0, 359.999), grid_north=st.floats(-360, 360))
def test_bearings_there_and_back(grid, grid_north):
    frame = Frame(grid_north)
    again = frame.grid_bearing(frame.true_bearing(grid))
    assert abs((again - grid + 180) % 360 - 180) < 1e-9


@pytest.mark.parametrize(
    ("keys", "line"),
    [
        (
            {"map_crs": "EPSG:99999", "map_origin": [0, 0]},
            'survey.toml, key frame.map_crs: "EPSG:99999" is not a known map '
            '-> give an EPSG code such as "EPSG:32633"',
        ),
        (
            {"map_crs": "EPSG:4326", "map_origin": [14.5, 45.0]},
            'survey.toml, key frame.map_crs: "EPSG:4326" (WGS 84) is not a map in metres east and '
            "north -> give a projected system in metres, such as the UTM zone of the site",
        ),
        (
            {"map_crs": "EPSG:2263", "map_origin": [980000, 200000]},
            'survey.toml, key frame.map_crs: "EPSG:2263" (NAD83 / New York Long Island (ftUS)) is '
            "not a map in metres east and north -> give a projected system in metres, such as "
            "the UTM zone of the site",
        ),
        (
            {"map_crs": "EPSG:32633"},
            "survey.toml, key frame.map_origin: map_crs is given without map_origin "
            "-> add map_origin = [E, N], the map position of local 0,0",
        ),
        (
            {"map_crs": "EPSG:32633", "map_origin": [1e9, 1e9]},
            "survey.toml, key frame.map_origin: map_origin [1000000000.0, 1000000000.0] is not on "
            "the map EPSG:32633 -> check the order [E, N] and the zone",
        ),
        (
            {"baseline": [[3, 4], [3, 4]]},
            "survey.toml, key frame.baseline: the baseline's two ends are the same point "
            "-> give the zero peg and the far peg",
        ),
    ],
)
def test_a_frame_that_cannot_be(keys, line):
    with pytest.raises(SurveyError) as caught:
        framed(**keys)
    assert [str(p) for p in caught.value.problems] == [line]
