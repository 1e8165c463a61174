"""The sheet: one scale for everything on it, norths where they are."""

from __future__ import annotations

import math

import pytest
from matplotlib.figure import Figure
from matplotlib.patches import FancyArrowPatch, Rectangle

from detect.present.sheet import Extent, compass_text, map_sheet, nice_length, north_angles
from detect.survey.frame import Frame

SITES = {
    "as usual": Extent(-1, -1, 31, 21),
    "long": Extent(0, 0, 120, 12),
    "tall": Extent(0, 0, 10, 60),
    "tiny": Extent(0, 0, 3, 2),
}


@pytest.mark.parametrize("site", SITES)
def test_a_metre_is_a_metre_on_both_axes_and_in_the_scale_bar(frame: Frame, site: str) -> None:
    extent = SITES[site]
    sheet = map_sheet(extent, frame, [], title=site, map_titles=("", ""))
    sheet.figure.draw_without_rendering()
    wanted = sheet.inches_per_m * sheet.figure.dpi
    for axes in sheet.maps:
        box = axes.get_window_extent()
        assert box.width / extent.width_m == pytest.approx(wanted, rel=1e-6)
        assert box.height / extent.height_m == pytest.approx(wanted, rel=1e-6)
    strip = sheet.figure.axes[-1]
    bars = [patch for patch in strip.patches if isinstance(patch, Rectangle)]
    pixels = bars[-1].get_window_extent().x1 - bars[0].get_window_extent().x0
    length = max(float(t.get_text()) for t in strip.texts if _is_number(t.get_text()))
    assert pixels / length == pytest.approx(wanted, rel=1e-6)


def test_north_angles_agree_with_the_frame(frame: Frame) -> None:
    angles = north_angles(frame)
    # True north is where the grid bearing of true 0 points; the compass reads 0 to magnetic north.
    assert angles["true"] % 360 == pytest.approx(frame.grid_bearing(0.0))
    assert frame.magnetic_bearing(angles["magnetic"]) % 360 == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("grid_north", [0.0, 30.0, 123.0, 312.0, -45.0])
def test_the_true_north_arrow_points_minus_grid_north_from_up(grid_north: float) -> None:
    sheet = map_sheet(SITES["as usual"], Frame(grid_north_deg=grid_north), [], title="t")
    arrows = [p for p in sheet.figure.axes[-1].patches if isinstance(p, FancyArrowPatch)]
    (x0, y0), (x1, y1) = arrows[1]._posA_posB  # type: ignore[attr-defined]
    bearing = math.degrees(math.atan2(x1 - x0, y1 - y0))
    assert (bearing + grid_north + 180) % 360 == pytest.approx(180.0)


@pytest.mark.parametrize(
    ("longest", "length"), [(5.4, 5), (2.0, 2), (1.99, 1), (0.7, 0.5), (140, 100), (0.02, 0.02)]
)
def test_scale_bars_are_round(longest: float, length: float) -> None:
    assert nice_length(longest) == pytest.approx(length)


@pytest.mark.parametrize(
    ("angle", "words"),
    [(2.5, "2.5° E"), (-3.0, "3.0° W"), (-0.04, "0.0° E"), (359.0, "1.0° W"), (180.0, "180.0° W")],
)
def test_declination_in_words(angle: float, words: str) -> None:
    assert compass_text(angle) == words


def test_a_long_key_fits_under_a_tall_map(figures: dict[str, Figure]) -> None:
    figure = figures["signal"]
    key, page = figure.axes[-1].texts, figure.bbox
    assert "not surveyed" in [text.get_text() for text in key]
    for box in (text.get_window_extent() for text in key):
        assert box.x1 <= page.x1
        assert box.y0 >= page.y0


def _is_number(text: str) -> bool:
    return text.replace(".", "", 1).isdigit()
