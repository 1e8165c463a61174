"""A section has every level from one datum."""

import numpy as np
import pandas as pd
import pytest

from detect.probes import contact_depth_model, cut_section, seabed_model
from detect.probes.section import along


def survey(seed=1):
    """A bed that falls eastwards from 10 m by 0.05 a metre; a hull 0.6 m below it everywhere."""
    rng = np.random.default_rng(seed)
    e, n = rng.uniform(0, 30, 60), rng.uniform(0, 10, 60)
    seabed = pd.DataFrame({"e": e, "n": n, "depth_m": 10 + 0.05 * e})
    e, n = rng.uniform(0, 30, 40), rng.uniform(0, 10, 40)
    deep = np.arange(40) % 10 == 0
    probes = pd.DataFrame(
        {
            "probe": [f"P{i}" for i in range(40)],
            "e": e,
            "n": n,
            "depth_m": np.where(deep, 0.5, 0.6 + 0.02 * rng.standard_normal(40)),
            "contact": np.where(deep, "none", "wood"),
        }
    )
    return probes, seabed_model(seabed), contact_depth_model(probes)


def test_distance_along_and_offset_to_the_right():
    # baseline (100,200)->(103,204), chainage 5, offset 2 right is (104.6, 202.8), left is
    # (101.4, 205.2) (check_values.md 6)
    points = np.array([[104.6, 202.8], [101.4, 205.2]])
    distance, offset, length = along(points, (100, 200), (103, 204))
    np.testing.assert_allclose(distance, [5, 5])
    np.testing.assert_allclose(offset, [2, -2])
    assert length == pytest.approx(5.0)


def test_levels_are_reduced_to_the_datum_of_the_soundings():
    probes, seabed, depth = survey()
    section = cut_section((0, 5), (30, 5), probes, seabed, depth, within_m=1.5)
    line = section.line
    np.testing.assert_allclose(line["seabed_m"], 10 + 0.05 * line["e"], atol=0.02)
    np.testing.assert_allclose(line["horizon_m"] - line["seabed_m"], 0.6, atol=0.05)
    assert (line["horizon_p05_m"] < line["horizon_m"]).all()
    assert (line["horizon_m"] < line["horizon_p95_m"]).all()
    shown = section.probes.merge(probes, on="probe")
    np.testing.assert_allclose(shown["bottom_m"] - shown["top_m"], shown["depth_m"])
    assert (section.probes["offset_m"].abs() <= 1.5).all()
    assert section.probes["distance_m"].is_monotonic_increasing


def test_a_probe_that_ran_out_says_so():
    probes, seabed, depth = survey()
    section = cut_section((0, 5), (30, 5), probes, seabed, depth, within_m=10)
    assert len(section.probes) == 40
    assert section.probes["ran_out"].sum() == 4


def test_without_soundings_levels_are_below_the_bed():
    probes, _, depth = survey()
    section = cut_section((0, 5), (30, 5), probes, None, depth, within_m=10)
    assert "no soundings" in section.datum
    assert (section.line["seabed_m"] == 0).all()
    assert section.line["horizon_m"].mean() == pytest.approx(0.6, abs=0.05)


def test_without_contacts_there_is_no_horizon():
    probes, seabed, _ = survey()
    section = cut_section((0, 5), (30, 5), probes, seabed, None, within_m=10)
    assert section.line["horizon_m"].isna().all()
