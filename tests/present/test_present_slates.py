"""Slates: one dive's own lanes and no others, black and white, printable at true size."""

from __future__ import annotations

import re
from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

from detect.present.backdrop import Backdrop
from detect.present.page import pages_pdf_bytes
from detect.present.slate_layout import slate_sheets
from detect.present.slate_log import BETWEEN_MM, LogColumn, lay_out_log, log_pages
from detect.present.slates import slate_pages

Said = Callable[[Figure], str]


@pytest.fixture(scope="module")
def pages(dives: pd.DataFrame, backdrop: Backdrop) -> list[Figure]:
    return slate_pages(dives.head(10), backdrop, site_name="Heron Skerry")


@pytest.fixture(scope="module")
def short_pages(dives: pd.DataFrame, backdrop: Backdrop) -> list[Figure]:
    """A reading every two metres: the log fits under the table."""
    return slate_pages(dives.head(5), backdrop, site_name="Heron Skerry", log_step_m=2.0)


def test_a_dive_takes_one_page_where_its_log_fits_else_front_and_back(
    pages: list[Figure], short_pages: list[Figure], said: Said
) -> None:
    assert len(short_pages) == 1
    heads = [next(s for s in said(p).splitlines() if s.startswith("page")) for p in pages]
    assert heads == ["page 1 of 2: go on overleaf", "page 2 of 2: the last"] * 2
    assert "page 1 of 1" in said(short_pages[0]).splitlines()


def test_a_swung_coil_and_a_pair_of_divers(
    dives: pd.DataFrame, backdrop: Backdrop, said: Said
) -> None:
    pair = dives.head(4).assign(diver=[1, 2, 1, 2], order=[1, 1, 2, 2], dive="D01")
    swing = "swing: on 0.45 m at most"
    (front, *_) = slate_pages(pair, backdrop, site_name="Heron Skerry", swing=swing)
    assert {"1a", "1b", "2a", "2b", swing} <= set(said(front).splitlines())


def test_a_slate_lists_its_own_lanes_with_heading_in_three_figures(
    pages: list[Figure], dives: pd.DataFrame, said: Said
) -> None:
    lines = said(pages[2]).splitlines()
    assert "DIVE D02" in lines
    mine = dives[dives["dive"] == "D02"]
    for leg in mine.itertuples():
        assert f"{leg.lane} {leg.direction}" in lines
        assert f"{leg.from_e:.1f}, {leg.from_n:.1f}" in lines
        assert lines.count(f"{round(leg.magnetic_deg) % 360:03d}°") >= 2
    assert "L01 out" not in lines


def test_headings_are_magnetic(dives: pd.DataFrame) -> None:
    # Grid 90, grid north 312 true, declination 2.5 E: 90 + 312 - 2.5 = 399.5 = 39.5 magnetic.
    assert dives["magnetic_deg"].iloc[0] == pytest.approx(39.5)


@pytest.mark.parametrize(
    "wanted",
    ["MAG NORTH", "COMPASS (magnetic)", "bottom time (supervisor):", "time in", "diver 1", "date"],
)
def test_a_slate_has_what_is_filled_in_and_read_under_water(
    pages: list[Figure], said: Said, wanted: str
) -> None:
    assert wanted in said(pages[0]).splitlines()


def test_cautions_stand_on_the_front(pages: list[Figure], said: Said) -> None:
    front = said(pages[0])
    assert "the dive supervisor decides" in front
    assert "may be ordnance: do not touch, probe or dig" in front
    assert "permit" in front


def test_the_log_has_a_row_a_metre_and_an_arrow_the_way_it_is_filled(
    pages: list[Figure], said: Said
) -> None:
    lines = said(pages[1]).splitlines()
    assert {f"{d}" for d in range(33)} <= set(lines)
    # Swum back: distances are taped from the start peg all the same, so filled from the bottom.
    assert {"L01", "L02", "↓", "↑"} <= set(lines)


@pytest.mark.parametrize("paper", ["A4", "A5"])
def test_nothing_is_cut_off_on_either_paper(
    dives: pd.DataFrame, backdrop: Backdrop, words: Callable, paper: str
) -> None:
    for page in slate_pages(
        dives.tail(4), backdrop, site_name="Heron Skerry: " + "long " * 12, paper=paper
    ):  # type: ignore[arg-type]
        for text in words(page):
            box = text.get_window_extent()
            assert np.all(box.min >= -1), text.get_text()
            assert box.x1 <= page.bbox.x1 + 1, text.get_text()
            assert box.y1 <= page.bbox.y1 + 1, text.get_text()


def test_slates_are_black_and_white(pages: list[Figure]) -> None:
    pages[0].canvas.draw()
    rgb = np.asarray(pages[0].canvas.buffer_rgba())[..., :3]  # type: ignore[attr-defined]
    assert np.ptp(rgb, axis=-1).max() == 0
    # Grey is only the soft edge of a stroke.
    grey = (rgb[..., 0] > 60) & (rgb[..., 0] < 200)
    assert grey.mean() < 0.04


def test_the_pdf_has_every_page_at_true_size_and_is_the_same_twice(pages: list[Figure]) -> None:
    two = pages[:2]
    data = pages_pdf_bytes(two)
    boxes = re.findall(rb"/MediaBox \[ 0 0 ([0-9.]+) ([0-9.]+) \]", data)
    assert len(boxes) == len(two)
    # A4 is 210 x 297 mm (ISO 216); a point is 1/72 inch.
    assert [float(x) for x in boxes[0]] == pytest.approx([595.28, 841.89], abs=0.1)
    assert pages_pdf_bytes(two) == data


def test_a_long_dive_spreads_its_log_over_pages() -> None:
    columns = [LogColumn(f"L{i}", 0.0, 60.0, True) for i in range(20)]
    sheets = lay_out_log(columns, 1.0, 192.0, 250.0)
    cells = [(c.lane, d) for s in sheets for c in s.columns for d in s.distances_m]
    assert len(cells) == len(set(cells)) == 20 * 61
    for sheet in sheets:
        assert sheet.row_mm >= 6.0
        assert sheet.height_mm <= 250.0 + 1e-9
        assert sheet.width_mm <= 192.0 + 1e-9


def test_few_long_lanes_go_on_beside_their_beginning() -> None:
    columns = [LogColumn("L1", 0.0, 62.0, True), LogColumn("L2", 0.0, 60.0, False)]
    (page,) = log_pages(columns, 1.0, 192.0, 250.0)
    assert [d for sheet in page for d in sheet.distances_m] == [float(d) for d in range(63)]
    assert all(sheet.columns == tuple(columns) for sheet in page)
    assert sum(sheet.width_mm for sheet in page) + BETWEEN_MM * (len(page) - 1) <= 192.0 + 1e-9
    many = [LogColumn(f"L{i}", 0.0, 60.0, True) for i in range(9)]
    assert len(log_pages(many, 1.0, 192.0, 250.0)) == 2


@pytest.mark.parametrize(
    ("lanes", "length_m", "pages"),
    [(14, 45.0, 1), (10, 39.0, 1), (15, 30.0, 1), (6, 92.0, 1), (14, 92.0, 2)],
)
def test_a_dives_log_takes_one_page_where_figures_can_still_be_written(
    lanes: int, length_m: float, pages: int
) -> None:
    """The room that `slate_layout` leaves on A4; a cell never narrower than 12 mm, lower than 5."""
    columns = [LogColumn(f"L{i}", 0.0, length_m, True) for i in range(lanes)]
    laid = log_pages(columns, 1.0, 192.0, 266.0)
    assert len(laid) == pages
    cells = [(c.lane, d) for page in laid for s in page for c in s.columns for d in s.distances_m]
    assert len(cells) == len(set(cells)) == lanes * (int(length_m) + 1)
    for page in laid:
        assert all(s.column_mm >= 12.0 and s.row_mm >= 5.4 for s in page)
        assert all(s.height_mm <= 266.0 + 1e-9 for s in page)
        assert sum(s.width_mm for s in page) + BETWEEN_MM * (len(page) - 1) <= 192.0 + 1e-9


def test_fourteen_long_lanes_are_a_front_and_a_back(
    dives: pd.DataFrame, backdrop: Backdrop, said: Said
) -> None:
    legs = pd.concat([dives.head(2)] * 7).assign(order=range(1, 15), length_m=45.0)
    legs["lane"] = [f"M{k:02d}" for k in range(1, 15)]
    pages = slate_pages(legs, backdrop, site_name="Heron Skerry")
    assert len(pages) == 2
    assert {f"M{k:02d}" for k in range(1, 15)} <= set(said(pages[1]).splitlines())
    assert slate_sheets(legs, backdrop.lanes) == 1
    two = pd.concat([legs, legs.assign(dive="D99", length_m=92.0)])
    assert slate_sheets(two, backdrop.lanes) == 1 + 2


def test_part_of_a_lane_is_logged_from_where_it_begins() -> None:
    (sheet,) = lay_out_log([LogColumn("L3b", 12.3, 19.0, True)], 1.0, 192.0, 250.0)
    assert sheet.distances_m == tuple(float(d) for d in range(13, 20))


def test_a_dive_of_thirty_short_lanes_runs_its_table_overleaf(
    dives: pd.DataFrame, backdrop: Backdrop, said: Said
) -> None:
    many = pd.concat([dives.head(1)] * 30).assign(
        order=range(1, 31), lane=[f"S{i:02d}" for i in range(30)], length_m=4.0
    )
    pages = slate_pages(many, backdrop, site_name="Heron Skerry")
    text = "\n".join(said(page) for page in pages)
    assert all(f"S{i:02d} out" in text for i in range(30))
