"""Maps: units, unsurveyed ground that never looks empty, contours, coverage."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from shapely import MultiPolygon, Polygon, box

from detect.present.backdrop import Backdrop, polygon_path
from detect.present.charts import draw_kinds
from detect.present.maps import draw_coverage, draw_field, layers_of
from detect.present.panel import field_label, hatch_unsurveyed
from detect.present.style import UNSURVEYED_HATCH, new_figure
from detect.survey.outlines import KeepOutArea

Said = Callable[[Figure], str]


def hatched(figure: Figure, hatch: str = UNSURVEYED_HATCH) -> list[PathPatch]:
    return [p for p in figure.axes[0].patches if p.get_hatch() == hatch]  # type: ignore[misc]


def area(patch: PathPatch) -> float:
    """Area inside a compound path by the shoelace formula; holes run the other way."""
    total = 0.0
    for ring in patch.get_path().to_polygons(closed_only=True):
        x, y = ring[:, 0], ring[:, 1]
        total += 0.5 * float(np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]))
    return abs(total)


def test_a_map_says_quantity_and_unit(figures: dict[str, Figure], said: Said) -> None:
    assert "signal (mV)" in said(figures["signal"])
    assert "depth of the bed below the water level (m)" in said(figures["seabed"])
    assert "probability of detection (0 to 1)" in said(figures["coverage"])
    pair = said(figures["pair"])
    assert "depth of first contact below the bed (m)" in pair
    assert "standard deviation of contact depth (m)" in pair


def test_unsurveyed_ground_is_hatched_cell_by_cell_and_in_the_key(
    figures: dict[str, Figure], fields: xr.Dataset, said: Said
) -> None:
    (patch,) = hatched(figures["signal"])
    cells = int((~fields["surveyed"].to_numpy()).sum())
    assert cells > 100
    assert area(patch) == pytest.approx(cells * 0.25**2)
    assert "not surveyed" in said(figures["signal"])


def test_ground_without_an_estimate_is_unsurveyed_too(
    backdrop: Backdrop, fields: xr.Dataset
) -> None:
    holed = fields["seabed"].copy()
    holed[10:14, 20:30] = np.nan
    (patch,) = hatched(draw_field(holed, backdrop, title="holed"))
    assert area(patch) == pytest.approx(4 * 10 * 0.25**2)


def test_a_hole_in_the_hatching_stays_open() -> None:
    mask = np.ones((5, 5), dtype=bool)
    mask[2, 2] = False
    field = xr.DataArray(np.zeros((5, 5)), coords={"n": np.arange(5.0), "e": np.arange(5.0)})
    axes = new_figure(2, 2).add_axes((0, 0, 1, 1))
    hatch_unsurveyed(axes, field.transpose("n", "e"), mask)
    assert area(axes.patches[0]) == pytest.approx(24.0)  # type: ignore[arg-type]


def test_a_fully_surveyed_map_has_no_hatching(figures: dict[str, Figure], said: Said) -> None:
    assert hatched(figures["seabed"]) == []
    assert "not surveyed" not in said(figures["seabed"])


def test_contours_carry_their_values_and_the_key_their_step(
    figures: dict[str, Figure], said: Said
) -> None:
    lines = said(figures["seabed"]).splitlines()
    assert "contour, every 0.4 m" in lines
    for level in ("7.6", "8.4", "9.2"):
        assert level in lines


def test_squares_are_named_by_letters_on_top_and_numbers_at_the_side(
    figures: dict[str, Figure], said: Said
) -> None:
    lines = said(figures["signal"]).splitlines()
    assert set("ABCDEFGHIJKLMNO") <= set(lines)
    assert {str(i) for i in range(1, 11)} <= set(lines)


def test_each_contact_has_its_shape_and_its_line_in_the_key(
    backdrop: Backdrop, fields: xr.Dataset, said: Said
) -> None:
    figure = draw_field(fields["contact_depth"], backdrop, title="t", show=("probes",))
    lines = said(figure).splitlines()
    assert backdrop.probes is not None
    for kind in set(backdrop.probes["contact"]) - {"none"}:
        assert f"probe, {kind}" in lines
    assert "probe, no contact" in lines
    shapes = {line.get_marker() for line in figure.axes[0].lines}
    assert len(shapes) == backdrop.probes["contact"].nunique()


def test_keep_outs_are_hatched_and_named(figures: dict[str, Figure], said: Said) -> None:
    assert len(hatched(figures["plan"], "xxx")) == 1
    assert "mooring block" in said(figures["plan"])


def test_coverage_shows_gaps_infill_and_the_level_required(
    figures: dict[str, Figure], said: Said
) -> None:
    lines = said(figures["coverage"]).splitlines()
    for wanted in ("G01", "G02", "required, 0.9", "gap, numbered", "infill lane, F numbered"):
        assert wanted in lines, wanted


def test_ground_no_pass_came_near_is_not_surveyed(
    figures: dict[str, Figure], backdrop: Backdrop, fields: xr.Dataset
) -> None:
    # Without being told what was surveyed, a probability of zero says so.
    (told,) = hatched(figures["coverage"])
    (by_itself,) = hatched(draw_coverage(fields["pod"], backdrop, required_pod=0.9))
    assert area(by_itself) == pytest.approx(area(told))


def test_each_map_shows_the_measurements_it_rests_on(fields: xr.Dataset) -> None:
    assert "lanes" in layers_of(fields["signal"])
    assert "probes" not in layers_of(fields["signal"])
    assert "probes" in layers_of(fields["contact_depth_sd"])
    assert "lanes" not in layers_of(fields["seabed"])


def test_a_keep_out_too_small_for_its_name_has_it_below(
    backdrop: Backdrop, fields: xr.Dataset
) -> None:
    tiny = KeepOutArea("a rather long name", "", box(10, 10, 10.5, 10.5))
    figure = draw_field(fields["seabed"], replace(backdrop, keep_outs=[tiny]), title="t")
    (label,) = [t for t in figure.axes[0].texts if t.get_text() == tiny.name]
    top = figure.axes[0].transData.transform((10, 10))[1]
    assert label.get_window_extent().y1 < top


def test_visible_remains_stand_on_maps_and_coverage_with_their_name(
    backdrop: Backdrop, fields: xr.Dataset, said: Said
) -> None:
    ribs = KeepOutArea("ribs", "", box(4, 4, 9, 6))
    behind = replace(backdrop, remains=[ribs])
    for figure in (
        draw_field(fields["signal"], behind, title="t"),
        draw_coverage(fields["pod"], behind, required_pod=0.9),
    ):
        assert {"ribs", "visible remains"} <= set(said(figure).splitlines())


def test_every_anomaly_is_named_or_the_map_says_how_many_are_not(
    backdrop: Backdrop, fields: xr.Dataset, said: Said, anomalies: pd.DataFrame
) -> None:
    many = pd.concat(
        [anomalies.assign(anomaly=[f"{a}x{i}" for a in anomalies["anomaly"]]) for i in range(15)],
        ignore_index=True,
    )  # sixty, fifteen in each place
    spread = many.assign(e=many["e"] + np.random.default_rng(2).normal(0, 1.0, len(many)))
    lines = said(draw_field(fields["signal"], replace(backdrop, anomalies=spread), title="t"))
    assert set(spread["anomaly"]) <= set(lines.splitlines())
    lots = pd.concat([many.assign(anomaly=many["anomaly"] + f"y{i}") for i in range(20)])
    lines = said(draw_field(fields["signal"], replace(backdrop, anomalies=lots), title="t"))
    named = len(set(lots["anomaly"]) & set(lines.splitlines()))
    assert 0 < named < len(lots)
    assert f"{len(lots) - named} without a name here: see anomalies.csv" in lines


def test_kinds_of_contact_are_mapped_as_all_else_is(
    backdrop: Backdrop, fields: xr.Dataset, said: Said
) -> None:
    share = fields["contact_probability"]
    of = {f"contact_probability_{kind}": share / 4 for kind in ("metal", "stone", "wood")}
    lines = said(draw_kinds(fields.assign(of), backdrop)).splitlines()
    for wanted in ("metres", "grid north", "site outline", "keep out", "baseline, 0 at its zero"):
        assert wanted in lines, wanted
    assert sum("at most" in line for line in lines) == 4


def test_a_site_without_anything_but_an_outline_can_be_drawn(
    backdrop: Backdrop, fields: xr.Dataset, said: Said
) -> None:
    bare = Backdrop(frame=replace(backdrop.frame, baseline=None), outline=backdrop.outline)
    flat = fields["pod"] * 0 + 0.5
    text = said(draw_coverage(flat.rename("pod"), bare, required_pod=0.9))
    assert "lane" not in text.splitlines()
    assert "site outline" in text


@pytest.mark.parametrize("low", [-40.0, 0.0, 3.0])
def test_the_stretched_scale_keeps_its_ticks_apart(
    backdrop: Backdrop, fields: xr.Dataset, low: float
) -> None:
    field = fields["signal"].copy(
        data=np.linspace(low, 950, fields["signal"].size).reshape(88, 128)
    )
    bar = draw_field(field, backdrop, title="t", norm="power").axes[1]
    bar.figure.draw_without_rendering()
    boxes = [t.get_window_extent() for t in bar.get_xticklabels() if t.get_text()]
    assert len(boxes) >= 3
    assert all(a.x1 < b.x0 for a, b in itertools.pairwise(boxes))


def test_labels_of_fields() -> None:
    field = xr.DataArray(0.0, name="signal", attrs={"units": "mV", "long_name": "signal"})
    assert field_label(field) == "signal (mV)"
    pod = xr.DataArray(0.0, name="pod", attrs={"units": "1", "long_name": "chance of detection"})
    assert field_label(pod) == "chance of detection (0 to 1)"
    ratio = xr.DataArray(0.0, name="loudness", attrs={"units": "1", "long_name": "loudness"})
    assert field_label(ratio) == "loudness"


@pytest.mark.parametrize(
    "hole", [[(1, 1), (1, 3), (3, 3), (3, 1)], [(1, 1), (3, 1), (3, 3), (1, 3)]]
)
def test_holes_stay_open_whichever_way_they_run(hole: list[tuple[int, int]]) -> None:
    ring = Polygon([(0, 0), (4, 0), (4, 4), (0, 4)], [hole])
    figure = new_figure(1, 1)
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set(xlim=(0, 8), ylim=(0, 8))
    axes.axis("off")
    both = MultiPolygon([ring, Polygon([(6, 0), (7, 0), (7, 1)])])
    axes.add_patch(PathPatch(polygon_path(both), facecolor="black"))
    figure.canvas.draw()
    pixels = np.asarray(figure.canvas.buffer_rgba())[::-1, :, 0]  # type: ignore[attr-defined]
    step = len(pixels) / 8
    assert pixels[int(0.5 * step), int(2 * step)] == 0
    assert pixels[int(2 * step), int(2 * step)] == 255
