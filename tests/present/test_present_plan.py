"""The plan of a site with keep-outs: each part of a lane is named, where nobody mistakes it."""

from __future__ import annotations

from collections.abc import Callable

import pytest
import shapely
from matplotlib.figure import Figure
from matplotlib.text import Text

from detect.lanes import pack_dives, plan_lanes
from detect.present.backdrop import Backdrop
from detect.present.labels import overlapping
from detect.present.plan_figure import draw_plan
from detect.present.slates import slate_pages
from detect.survey.frame import Frame
from detect.survey.outlines import KeepOutArea
from detect.survey.settings import Dives

SITE = shapely.Polygon([(0, 0), (30, 0), (32, 12), (28, 20), (4, 20), (-1, 9)])
KEEP_OUTS = (
    KeepOutArea("frames", "", shapely.box(8, 6, 12, 11)),
    KeepOutArea("boiler", "", shapely.Polygon([(20, 12), (22.3, 11.5), (23, 14), (20.6, 15)])),
    KeepOutArea("net", "", shapely.Polygon([(25, 4), (27, 4.5), (26, 6)])),
)
AT_THE_EDGE = (KeepOutArea("stern frames", "", shapely.box(27.5, 8, 29.5, 10)),)


@pytest.mark.parametrize("bearing_deg", [0.0, 90.0, 60.0])
def test_parts_of_lanes_are_named_at_their_own_pegs(
    words: Callable[[Figure], list[Text]], bearing_deg: float
) -> None:
    lanes = plan_lanes(SITE, 1.3, bearing_deg=bearing_deg, keep_outs=KEEP_OUTS)
    frame = Frame(grid_north_deg=12.0, magnetic_declination_deg=3.0)
    dives = pack_dives(lanes, Dives(bottom_time_min=40.0), frame, KEEP_OUTS)
    figure = draw_plan(Backdrop(frame, SITE, KEEP_OUTS, lanes=lanes), dives)
    texts = words(figure)
    named = {text.get_text(): text for text in texts if text.get_text() in set(lanes["lane"])}
    assert set(named) == set(lanes["lane"])
    assert overlapping(texts) == []
    to_pixels = named[lanes["lane"].iloc[0]].axes.transData.transform
    pegs = {
        lane.lane: shapely.Point(to_pixels((lane.start_e, lane.start_n)))
        for lane in lanes.itertuples()
    }
    for name, text in named.items():
        box = shapely.box(*text.get_window_extent().extents)
        # Of all parts of this lane, the one whose start peg is nearest is the one named.
        own = [part for part in pegs if part[:3] == name[:3]]
        assert min(own, key=lambda part: shapely.distance(pegs[part], box)) == name
        assert shapely.distance(pegs[name], box) < 60.0 * figure.dpi / 72.0


@pytest.mark.parametrize("bearing_deg", [0.0, 90.0, 60.0])
@pytest.mark.parametrize("divers", [1, 2])
@pytest.mark.parametrize("keep_outs", [KEEP_OUTS, AT_THE_EDGE])
def test_every_swim_has_its_number_on_the_little_map(
    keep_outs: tuple[KeepOutArea, ...], bearing_deg: float, divers: int
) -> None:
    lanes = plan_lanes(SITE, 1.0, bearing_deg=bearing_deg, keep_outs=keep_outs, cross_lanes=2)
    day = Dives(bottom_time_min=40.0, divers_on_lane=divers)
    dives = pack_dives(lanes, day, Frame(), keep_outs)
    fronts = [
        page
        for page in slate_pages(
            dives, Backdrop(Frame(), SITE, keep_outs, lanes=lanes), site_name=""
        )
        if len(page.axes) > 1
    ]
    assert len(fronts) == dives["dive"].nunique()
    for front, (_, legs) in zip(fronts, dives.groupby("dive"), strict=True):
        texts = [text for text in front.axes[1].texts if text.get_text()]
        letters = (
            [""] * len(legs) if legs["diver"].max() == 1 else ["ab"[k - 1] for k in legs["diver"]]
        )
        numbers = {f"{order}{whose}" for order, whose in zip(legs["order"], letters, strict=True)}
        assert numbers <= {text.get_text() for text in texts}
        assert overlapping(texts) == []
