"""Every evidence with its deviation, its draws and where it comes from."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from shapely.geometry import box

from detect.geostat.model import point_model
from detect.probes import contact_depth_model, contact_model, kind_model
from detect.readings import SiteInversion
from detect.squares import (
    SOURCES,
    EffortRates,
    Given,
    gather_evidence,
    sources,
    visible_remains,
)
from detect.survey.outlines import KeepOutArea


def given(**changes):
    rng = np.random.default_rng(1)
    points = rng.uniform(0, 20, (150, 2))
    loud = np.sin(points[:, 0] / 3.0) + 0.05 * rng.normal(size=150)
    model = point_model(points, loud)
    signal = SimpleNamespace(loudness=model, scale=2.0, squares=model.kriging.blocks)
    e, n = (axis.ravel() for axis in np.meshgrid(np.arange(0.0, 20.0, 2), np.arange(0.0, 20.0, 2)))
    layout = pd.DataFrame(
        {
            "square": [
                f"{chr(65 + int(x // 2))}{int(y // 2) + 1}" for x, y in zip(e, n, strict=True)
            ],
            "e_min": e,
            "n_min": n,
            "size_m": 2.0,
            "status": "open",
            "why": "",
        }
    )
    at = rng.uniform(0, 20, (60, 2))
    kind = np.where(at[:, 1] > 15, "none", np.where(at[:, 0] < 10, "wood", "metal"))
    probes = pd.DataFrame({"e": at[:, 0], "n": at[:, 1], "depth_m": 0.8, "contact": kind})
    probes["depth_m"] = np.where(kind == "none", 1.5, 0.6 + 0.02 * at[:, 0])
    fields = {
        "layout": layout,
        "signal": signal,
        "contacts": contact_model(probes),
        "contact_depth": contact_depth_model(probes),
        "kinds": kind_model(probes),
        "pod": np.full(100, 0.9),
        "surveyed_fraction": np.ones(100),
        "threshold_snr": 3.0,
        "burial_depth_m": 0.4,
        "realisations": 400,
        "anomalies": pd.DataFrame(
            {
                "anomaly": ["A01", "A02", "A03", "A04"],
                "square": ["A1", "A1", "B2", ""],
                "snr": [25.0, 10.0, 6.0, 30.0],
                "q_value": [0.0, 0.5, 0.01, 0],
            }
        ),
        "remains": box(0, 0, 1, 1),
        "remains_words": "frames",
    }
    return Given(**(fields | changes))


@pytest.fixture(scope="module")
def evidence():
    return gather_evidence(given(), SOURCES, EffortRates(0.25), seed=3)


def test_draws_agree_with_the_figures_of_the_table(evidence):
    # a deviation is that of the draws, for what is not cut off at a bound
    for item in evidence.items:
        if item.name in {"signal", "targets", "p_above"}:
            np.testing.assert_allclose(item.draws.mean(axis=0), item.value, atol=0.12)
            np.testing.assert_allclose(item.draws.std(axis=0), item.sd, atol=0.12)


def test_contact_is_drawn_under_every_model_left_open():
    site = given(realisations=16000)
    item = next(i for i in sources.contact(site, np.random.default_rng(2)) if i.name == "contact")
    members = site.contacts.members
    means = []
    for number, member in enumerate(members):
        kriged, covariance = member.block_posterior(site.centres, 2.0)
        inside = (kriged > 0.1) & (kriged < 0.9)
        own = item.draws[number :: len(members)]
        np.testing.assert_allclose(own.mean(axis=0)[inside], kriged[inside], atol=0.04)
        sd = np.sqrt(np.diag(covariance))
        fits = inside & (sd < 0.7 * np.sqrt((kriged * (1 - kriged)).clip(0)))
        np.testing.assert_allclose(own.std(axis=0)[fits], sd[fits], atol=0.02)
        means.append(np.clip(kriged, 0.0, 1.0))
    np.testing.assert_allclose(item.value, np.mean(means, axis=0))
    assert (item.sd >= np.std(means, axis=0)).all()


def test_targets_count_with_the_chance_that_they_are_some(evidence):
    table = evidence.table.set_index("square")
    assert table.loc["A1", "targets"] == pytest.approx(1.5)
    assert table.loc["A1", "targets_sd"] == pytest.approx(0.5)
    assert table.loc["C3", "targets"] == 0.0


def test_strong_anomalies_are_named_in_their_square(evidence):
    table = evidence.table.set_index("square")
    assert table.loc["A1", "strong_anomalies"] == "A01 A02"
    assert (table["strong_anomalies"].drop("A1") == "").all()


def test_distance_to_remains_is_from_the_edge_of_the_square(evidence):
    distance = evidence.table.set_index("square")["remains_m"]
    assert distance["A1"] == 0.0
    assert distance["C1"] == pytest.approx(3.0)  # from e = 1 to e = 4


def test_kinds_and_none_add_up_in_every_square(evidence):
    table = evidence.table
    kinds = table["p_contact_wood"] + table["p_contact_metal"]
    np.testing.assert_allclose(kinds, table["p_contact"])


def test_the_volume_has_its_interval(evidence):
    table = evidence.table
    assert (table["sediment_p05_m3"] < table["sediment_m3"]).all()
    assert (table["sediment_m3"] < table["sediment_p95_m3"]).mean() > 0.95
    np.testing.assert_allclose(table["sediment_m3"], 4.0 * table["overburden_m"])


def test_every_figure_says_where_it_comes_from(evidence):
    trace = evidence.trace()
    assert set(trace["evidence"]) == {i.name for i in evidence.items}
    assert trace["source"].str.contains("maps.nc|anomalies.csv|coverage.nc|survey.toml").all()
    assert len(trace) == 100 * len(evidence.items)


def test_one_more_source_leaves_the_draws_of_the_others_as_they_are(evidence):
    def nothing(given, rng):
        return []

    again = gather_evidence(given(), (*SOURCES, nothing), EffortRates(0.25), seed=3)
    np.testing.assert_array_equal(again.draws["signal"], evidence.draws["signal"])


def test_strength_is_the_sum_over_known_cells_with_the_inversions_error():
    axis = np.arange(0.25, 20.0, 0.5)
    strength = np.tile(axis / 16.0, (len(axis), 1))
    known = strength.copy()
    known[:, axis > 18.0] = np.nan  # not heard there
    maps = xr.Dataset({"strength": (("n", "e"), known)}, {"n": axis, "e": axis})
    bumps = np.random.default_rng(2).normal(0.0, 0.01, (8, *strength.shape))
    metal = SiteInversion(strength, strength + bumps, np.array([0.2]), 2.5, pd.DataFrame())
    mapped = given(maps=maps, metal=metal, anomalies=None)
    found = gather_evidence(mapped, SOURCES, EffortRates(0.25), seed=3)
    table = found.table.set_index("square")
    # 16 cells of half a metre in a square
    assert table["strength"]["B1"] == pytest.approx(np.mean(axis[4:8]))
    assert table["strength"]["J1"] == 0.0
    # the inversion's own error is most of it: eight tenths of the strength
    np.testing.assert_allclose(table["strength_sd"]["B1"], 0.8 * np.mean(axis[4:8]), rtol=0.05)
    drawn = np.sinh(found.draws["strength"][:, table.index.get_loc("G1")])
    assert np.median(drawn) == pytest.approx(table["strength"]["G1"], rel=0.15)
    low, high = np.quantile(drawn, [0.05, 0.95])
    assert low < 0.6 * table["strength"]["G1"] < 1.6 * table["strength"]["G1"] < high


def test_without_probes_the_burial_depth_stands_in_and_it_is_said():
    bare = given(contacts=None, contact_depth=None, kinds=None, remains=None, anomalies=None)
    found = gather_evidence(bare, SOURCES, EffortRates(0.25), seed=3)
    assert set(found.draws) == {"signal", "p_above", "pod"}
    assert (found.table["overburden_m"] == 0.4).all()
    assert len(found.notes) == 2


def test_remains_are_the_keep_outs_that_speak_of_them_or_else_all():
    frames = KeepOutArea("stern", "exposed frame ends", box(0, 0, 1, 1))
    net = KeepOutArea("net", "entanglement", box(5, 5, 6, 6))
    shape, words = visible_remains([frames, net])
    assert shape.equals(frames.polygon)
    assert "stern" in words
    shape, words = visible_remains([net])
    assert shape.equals(net.polygon)
    assert "all keep-outs" in words
    assert visible_remains([]) == (None, "")
