"""The kit follows from the plan. Numbers of spares are common practice, no source."""

from types import SimpleNamespace

import pytest
import shapely

from detect.lanes import kit_list, pack_dives, plan_lanes, probe_stations
from detect.survey.frame import Frame

SITE = shapely.box(0, 0, 30, 20)


@pytest.fixture(scope="module")
def kit(dive_day):
    reef = SimpleNamespace(polygon=shapely.box(10, 8, 14, 12))
    dives = dive_day(divers=3)
    lanes = plan_lanes(SITE, 1.0, bearing_deg=90.0, keep_outs=[reef])
    settings = SimpleNamespace(
        dives=dives,
        area=SimpleNamespace(keep_out=[reef]),
        probes=SimpleNamespace(length_m=1.5),
    )
    packed = pack_dives(lanes, dives, Frame())
    stations = probe_stations(SITE, 2.0, 0.9, [reef])
    return kit_list(lanes, packed, settings, SITE, stations).set_index("item"), packed


def test_rope_with_a_tenth_to_spare(kit):
    """22 lanes of 32 m, 21 m across: two baselines and two leapfrogging lane ropes, plus 10 %."""
    table, _ = kit
    assert table.loc["baseline rope", "quantity"] == 47  # 2 x 21 x 1.1 = 46.2
    assert table.loc["lane rope", "quantity"] == 71  # 2 x 32 x 1.1 = 70.4, past the keep-out too
    assert table.loc["lane rope", "unit"] == "m"


def test_tags_and_pegs(kit):
    table, _ = kit
    assert table.loc["distance tag", "quantity"] == 2 * 33  # 0 to 32 m, every metre
    assert table.loc["lane tag", "quantity"] == 2 * 22
    assert table.loc["peg (a sinker on rock)", "quantity"] == 2 * 6 + 4


def test_each_diver_has_a_slate_and_a_compass(kit):
    table, packed = kit
    assert table.loc["slate", "quantity"] == 4
    assert table.loc["pencil on a string", "quantity"] == 8
    assert table.loc["compass", "quantity"] == 3
    assert table.loc["slate page", "quantity"] == packed["dive"].nunique()


def test_the_probe_with_its_length_and_every_row_with_its_reason(kit):
    table, _ = kit
    assert table.loc["probe, 1.5 m", "quantity"] == 2
    assert "anomaly" in table.loc["probe, 1.5 m", "why"]
    assert (table["why"].str.len() > 10).all()
    assert (table["quantity"] > 0).all()
    assert table.index.is_unique


def test_without_stations_no_probe(dive_day):
    lanes = plan_lanes(SITE, 2.0)
    settings = SimpleNamespace(
        dives=dive_day(), area=SimpleNamespace(keep_out=()), probes=SimpleNamespace(length_m=None)
    )
    table = kit_list(lanes, pack_dives(lanes, dive_day(), Frame()), settings, SITE)
    assert not table["item"].str.contains("probe").any()
