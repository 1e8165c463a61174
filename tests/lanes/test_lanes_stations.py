"""Probe grids, against the geometry of circles and against features dropped at random."""

import numpy as np
import pytest
import shapely
from scipy.spatial import cKDTree

from detect.lanes import (
    hit_probability_square,
    hit_probability_triangular,
    probe_spacing,
    probe_stations,
)


@pytest.mark.parametrize(
    ("ratio", "expected"),
    [
        (0.1, 0.0314159265),
        (0.25, 0.1963495408),
        (0.5, 0.7853981634),
        (0.6, 0.9509111308),
        (0.7, 0.9997972857),
        (0.70710679, 1.0),
    ],
)
def test_square_grid(ratio, expected):
    """check_values 5: P(probe on square grid s hits disc r)."""
    assert float(hit_probability_square(ratio, 1.0)) == pytest.approx(expected, abs=6e-11)


@pytest.mark.parametrize(
    ("ratio", "expected"),
    [
        (0.1, 0.0362759873),
        (0.25, 0.2267249205),
        (0.5, 0.9068996821),
        (0.55, 0.9905174076),
        (0.57735027, 1.0),
    ],
)
def test_triangular_grid(ratio, expected):
    """check_values 5: the same for a triangular grid."""
    assert float(hit_probability_triangular(ratio, 1.0)) == pytest.approx(expected, abs=6e-11)


def test_covering_densities():
    """check_values 5: certainty takes 1.2091995762 (hexagonal) or 1.5707963268 of disc area."""
    s = probe_spacing(1.0, 1.0, "triangular")
    assert np.pi / (np.sqrt(0.75) * s**2) == pytest.approx(1.2091995762)
    s = probe_spacing(1.0, 1.0, "square")
    assert np.pi / s**2 == pytest.approx(1.5707963268)


@pytest.mark.parametrize("pattern", ["square", "triangular"])
def test_spacing_is_the_inverse(pattern):
    hit = {"square": hit_probability_square, "triangular": hit_probability_triangular}[pattern]
    for p in (0.05, 0.5, 0.785, 0.8, 0.95, 0.9999):
        assert float(hit(0.4, probe_spacing(0.4, p, pattern))) == pytest.approx(p, abs=1e-10)


def share_found(stations, diameter, site, count=40_000, seed=5):
    """Discs dropped at random with their centre on the site, each hit by a station or not."""
    rng = np.random.default_rng(seed)
    e_min, n_min, e_max, n_max = site.bounds
    e, n = rng.uniform(e_min, e_max, 2 * count), rng.uniform(n_min, n_max, 2 * count)
    inside = shapely.intersects_xy(site, e, n)
    discs = np.column_stack([e[inside], n[inside]])
    distance, _ = cKDTree(stations[["e", "n"]].to_numpy()).query(discs)
    return np.mean(distance <= diameter / 2)


@pytest.mark.parametrize(("diameter", "probability"), [(1.0, 0.9), (2.5, 0.97), (3.0, 0.5)])
def test_features_dropped_at_random_are_found(diameter, probability, heron_skerry):
    reef = shapely.box(8, 8, 12, 13)
    site = heron_skerry.difference(reef)
    stations = probe_stations(heron_skerry, diameter, probability, [reef])
    found = share_found(stations, diameter, site)
    assert found == pytest.approx(stations.attrs["find_probability"], abs=0.006)
    assert probability - 0.006 < found < probability + 0.08
    places = shapely.points(stations["e"], stations["n"])
    assert shapely.intersects(site.buffer(1e-3), places).all()
    assert shapely.distance(reef, places).min() > 0.04
    # Not many more than an endless triangular grid would put on this area.
    endless = site.area / (np.sqrt(0.75) * probe_spacing(diameter / 2, probability) ** 2)
    assert len(stations) < 1.25 * endless + 4


def test_best_is_no_more_than_either_grid(heron_skerry):
    counts = {
        p: len(probe_stations(heron_skerry, 2.0, 0.9, pattern=p))
        for p in ("square", "triangular", "best")
    }
    assert counts["best"] == min(counts["square"], counts["triangular"])


def test_a_site_smaller_than_the_feature_takes_one_station():
    stations = probe_stations(shapely.box(0, 0, 0.3, 0.2), 1.0, 0.9)
    assert stations["station"].tolist() == ["P001"]


def test_stations_run_in_rows_to_and_fro(heron_skerry):
    stations = probe_stations(heron_skerry, 2.0, 0.9)
    steps = np.hypot(np.diff(stations["e"]), np.diff(stations["n"]))
    assert np.median(steps) < 1.1 * stations.attrs["spacing_m"]
    assert steps.sum() < 1.4 * len(stations) * stations.attrs["spacing_m"]


def test_nothing_left_by_keep_outs_and_nothing_absurd():
    assert probe_stations(shapely.box(0, 0, 2, 2), 1.0, 0.9, [shapely.box(-1, -1, 3, 3)]).empty
    with pytest.raises(ValueError, match="probe stations"):
        probe_stations(shapely.box(0, 0, 500, 500), 0.1, 0.9)
    with pytest.raises(ValueError, match="probability"):
        probe_stations(shapely.box(0, 0, 5, 5), 1.0, 1.2)
