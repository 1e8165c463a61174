"""Grids of probes and features of other shapes than round: closed forms, needles, brute force."""

import numpy as np
import pytest
import shapely

from detect.lanes import (
    Feature,
    feature_spacing,
    hit_probability_ellipse,
    hit_probability_square,
    hit_probability_triangular,
    probe_spacing,
    probe_stations,
)
from detect.lanes.features import lattice_share


@pytest.mark.parametrize("ratio", [0.1, 0.25, 0.45, 0.5, 0.55, 0.6, 0.7, 0.75])
def test_a_round_ellipse_is_a_disc(ratio):
    """The Voronoi cell's share against the closed forms by lenses (check values, section 5)."""
    square = hit_probability_ellipse(2 * ratio, 2 * ratio, 1.0, "square")
    triangular = hit_probability_ellipse(2 * ratio, 2 * ratio, 1.0, "triangular")
    assert square == pytest.approx(float(hit_probability_square(ratio, 1.0)), abs=1e-12)
    assert triangular == pytest.approx(float(hit_probability_triangular(ratio, 1.0)), abs=1e-12)


def test_points_close_along_lines_are_lines():
    """Parallel lines S apart meet an ellipse with its mean caliper over S: semi-axes 1 and 0.5
    have 1.5419644252 (check values, section 5: perimeter over pi)."""
    share = lattice_share([[1e-4, 0.0], [0.0, 4.0]], 2.0, 1.0)
    assert share == pytest.approx(1.5419644252 / 4.0, abs=1e-4)


def test_buffons_needle():
    """A needle as long as the lines are apart crosses one with 2/pi (check values, section 5)."""
    share = lattice_share([[1e-6, 0.0], [0.0, 1.0]], 1.0, 1e-4, orientations=400)
    assert share == pytest.approx(2.0 / np.pi, abs=1e-3)


def test_a_lattice_is_the_same_by_any_of_its_bases():
    plain = lattice_share([[1.0, 0.0], [0.3, 0.8]], 1.4, 0.5)
    sheared = lattice_share([[1.0, 0.0], [7.3, 0.8]], 1.4, 0.5)
    assert sheared == pytest.approx(plain, abs=1e-12)


@pytest.mark.parametrize("pattern", ["square", "triangular"])
@pytest.mark.parametrize(("length", "width", "spacing"), [(1.5, 0.5, 1.0), (3.0, 0.4, 1.0)])
def test_ellipses_dropped_at_random(pattern, length, width, spacing):
    rng = np.random.default_rng(9)
    basis = {"square": [[1, 0], [0, 1]], "triangular": [[1, 0], [0.5, np.sqrt(0.75)]]}[pattern]
    basis = spacing * np.array(basis)
    centre = rng.uniform(0, 1, (40_000, 2)) @ basis
    angle = rng.uniform(0, np.pi, 40_000)
    hit = np.zeros(40_000, dtype=bool)
    for i in range(-5, 6):
        for j in range(-5, 6):
            away = np.array([i, j]) @ basis - centre
            along = away[:, 0] * np.cos(angle) + away[:, 1] * np.sin(angle)
            across = away[:, 1] * np.cos(angle) - away[:, 0] * np.sin(angle)
            hit |= (2 * along / length) ** 2 + (2 * across / width) ** 2 <= 1
    expected = hit_probability_ellipse(length, width, spacing, pattern)
    assert hit.mean() == pytest.approx(expected, abs=4 * np.sqrt(0.25 / 40_000))


@pytest.mark.parametrize("pattern", ["square", "triangular"])
def test_spacing_is_the_inverse_and_lies_between_the_discs(pattern):
    spacing = feature_spacing(Feature(3.0, 1.0), 0.9, pattern)
    assert hit_probability_ellipse(3.0, 1.0, spacing, pattern) == pytest.approx(0.9, abs=1e-5)
    assert probe_spacing(0.5, 0.9, pattern) < spacing < probe_spacing(1.5, 0.9, pattern)
    # Few and far between, ellipses never overlap: area over area of the cell.
    wide = feature_spacing(Feature(1.0, 0.8), 0.2, "square")
    assert wide == pytest.approx(np.sqrt(np.pi * 0.5 * 0.4 / 0.2), rel=1e-6)


def share_found(stations, feature, site, count=20_000, seed=5):
    rng = np.random.default_rng(seed)
    e_min, n_min, e_max, n_max = site.bounds
    e, n = rng.uniform(e_min, e_max, 2 * count), rng.uniform(n_min, n_max, 2 * count)
    inside = shapely.intersects_xy(site, e, n)
    e, n = e[inside], n[inside]
    bearing = rng.uniform(0, np.pi, len(e))
    if feature.bearing_deg is not None:
        bearing[:] = np.radians(feature.bearing_deg)
    hit = np.zeros(len(e), dtype=bool)
    for station in stations.itertuples():
        de, dn = station.e - e, station.n - n
        along = de * np.sin(bearing) + dn * np.cos(bearing)
        across = de * np.cos(bearing) - dn * np.sin(bearing)
        hit |= (2 * along / feature.length_m) ** 2 + (2 * across / feature.width_m) ** 2 <= 1
    return hit.mean()


@pytest.mark.parametrize("bearing", [None, 70.0])
def test_long_features_are_found_on_this_very_site(bearing, heron_skerry):
    reef = shapely.box(8, 8, 12, 13)
    feature = Feature(6.0, 2.0, bearing)
    stations = probe_stations(heron_skerry, feature, 0.9, [reef])
    found = share_found(stations, feature, heron_skerry.difference(reef))
    assert found == pytest.approx(stations.attrs["find_probability"], abs=0.01)
    assert found > 0.89
    assert shapely.distance(reef, shapely.points(stations["e"], stations["n"])).min() > 0.01


def test_knowing_how_it_lies_saves_pushes(heron_skerry):
    unknown = probe_stations(heron_skerry, Feature(6.0, 2.0), 0.9)
    known = probe_stations(heron_skerry, Feature(6.0, 2.0, 80.0), 0.9)
    assert len(known) < len(unknown)


def test_fewest_for_a_small_site_by_enumeration():
    """A strip of 6 x 1 m and discs of 2 m, certain to be found: n discs cover the strip of width w
    for a length of 2 n sqrt(r² - w²/4) (check values, section 5), so 4 are the fewest."""
    per_disc = 2 * np.sqrt(1.0 - 0.25)
    fewest = int(np.ceil(6.0 / per_disc))
    stations = probe_stations(shapely.box(0, 0, 6, 1), 2.0, 0.999, bearing_deg=90.0)
    assert fewest <= len(stations) <= fewest + 1
    # No three places of a fine grid on the strip do it.
    assert 3 * per_disc < 6.0


def test_a_feature_must_have_a_shape():
    with pytest.raises(ValueError, match="a length and a width"):
        Feature(1.0, 2.0)
