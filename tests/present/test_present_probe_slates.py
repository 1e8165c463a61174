"""Slates of probe stations: every station once, on the map and in a row that can be written on."""

from __future__ import annotations

import re
from collections.abc import Callable

import numpy as np
import pandas as pd
import pypdfium2
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch

from detect.lanes import in_visiting_order, probe_stations
from detect.present.backdrop import Backdrop
from detect.present.page import pages_pdf_bytes
from detect.present.probe_layout import CAUTIONS, page_rows, probe_sheets, share_out
from detect.present.probe_slates import CONTACTS, probe_slate_pages

Said = Callable[[Figure], str]
# A gloved hand's pencil wants so much height (common practice, no source).
LEAST_ROW_MM = 7.0


@pytest.fixture(scope="module")
def stations(backdrop: Backdrop) -> pd.DataFrame:
    barred = [area.polygon.buffer(0.5) for area in backdrop.keep_outs]
    found = probe_stations(backdrop.outline, 4.5, 0.9, barred)
    return in_visiting_order(found, [area.polygon for area in backdrop.keep_outs])


@pytest.fixture(scope="module")
def close_stations(backdrop: Backdrop) -> pd.DataFrame:
    """So close that all of the site on one map would have no room for their numbers."""
    return in_visiting_order(probe_stations(backdrop.outline, 1.6, 0.9))


def drawn(stations: pd.DataFrame, backdrop: Backdrop) -> list[Figure]:
    return probe_slate_pages(stations, backdrop, site_name="Heron Skerry", probe_length_m=1.5)


@pytest.fixture(scope="module")
def pages(stations: pd.DataFrame, backdrop: Backdrop) -> list[Figure]:
    return drawn(stations, backdrop)


@pytest.fixture(scope="module")
def close_pages(close_stations: pd.DataFrame, backdrop: Backdrop) -> list[Figure]:
    return drawn(close_stations.head(40), backdrop)


def printed(pages: list[Figure]) -> list[str]:
    """What a reader of the PDF finds on each page."""
    with pypdfium2.PdfDocument(pages_pdf_bytes(pages)) as document:
        return [page.get_textpage().get_text_range() for page in document]


def test_every_station_has_one_row_with_its_place(
    pages: list[Figure], stations: pd.DataFrame
) -> None:
    found = []
    for text in printed(pages):
        lines = [line.strip() for line in text.splitlines()]
        rows = re.findall(r"(P\d+)\s+(-?[\d.]+), (-?[\d.]+)", " ".join(lines))
        found += rows
    wanted = [(row.station, f"{row.e:.2f}", f"{row.n:.2f}") for row in stations.itertuples()]
    assert found == wanted


@pytest.mark.parametrize("which", ["pages", "close_pages"])
def test_the_pages_stations_lie_numbered_in_the_maps_frame(
    which: str, request: pytest.FixtureRequest
) -> None:
    table = request.getfixturevalue("stations" if which == "pages" else "close_stations")
    figures = request.getfixturevalue(which)
    rows = table if which == "pages" else table.head(40)
    chunks = share_out(rows)
    assert len(chunks) == len(figures)
    for own, figure in zip(chunks, figures, strict=True):
        axes = figure.axes[1]
        west, east, south, north = *axes.get_xlim(), *axes.get_ylim()
        assert own["e"].between(west, east).all()
        assert own["n"].between(south, north).all()
        ringed = [line for line in axes.lines if line.get_markerfacecolor() == "white"]
        (ring,) = ringed
        np.testing.assert_allclose(np.column_stack(ring.get_data()), own[["e", "n"]])
        numbers = {text.get_text() for text in axes.texts}
        assert {str(int(name[1:])) for name in own["station"]} <= numbers
        frame = axes.get_window_extent()
        for text in axes.texts:
            box = text.get_window_extent()
            assert np.all(box.min >= frame.min - 1), text.get_text()
            assert np.all(box.max <= frame.max + 1), text.get_text()


def test_close_stations_get_a_map_of_their_part_and_one_of_all(
    pages: list[Figure], close_pages: list[Figure], backdrop: Backdrop
) -> None:
    assert [len(page.axes) for page in pages] == [2] * len(pages)
    assert [len(page.axes) for page in close_pages] == [3] * len(close_pages)
    part, whole = close_pages[0].axes[1:]
    assert np.ptp(part.get_xlim()) < np.ptp(whole.get_xlim())
    (e0, n0), (e1, n1) = backdrop.frame.baseline  # type: ignore[misc]
    assert whole.get_xlim()[0] < min(e0, e1) < max(e0, e1) < whole.get_xlim()[1]
    assert whole.get_ylim()[0] < min(n0, n1)


def test_rows_are_high_enough_to_write_in_and_have_a_box_for_each_contact(
    pages: list[Figure],
) -> None:
    for page in pages:
        (table,) = (patch for patch in page.axes[0].patches if isinstance(patch, PathPatch))
        ends = np.asarray(table.get_path().vertices).reshape(-1, 2, 2)
        level = np.isclose(ends[:, 0, 1], ends[:, 1, 1])
        assert np.diff(ends[level, 0, 1]).min() >= LEAST_ROW_MM
        # depth, six contacts, notes: nine upright rules
        upright = ends[~level, 0, 0]
        assert len(upright) == 1 + len(CONTACTS) + 2
        assert np.diff(upright).min() >= LEAST_ROW_MM


@pytest.mark.parametrize(
    "wanted",
    ["PROBES", "Heron Skerry", "date", "diver 1", "diver 2", "time in", "time out", "MAG NORTH"],
)
def test_every_page_has_its_head(pages: list[Figure], said: Said, wanted: str) -> None:
    for i, page in enumerate(pages):
        lines = said(page).splitlines()
        assert wanted in lines
        assert f"page {i + 1} of {len(pages)}" in lines


def test_every_page_says_what_probes_csv_wants_and_what_to_beware_of(pages: list[Figure]) -> None:
    for text in printed(pages):
        assert "none = pushed to that depth and met nothing" in text
        assert all(words in text for words in (*CONTACTS, "depth m", "notes"))
        assert all(caution in text for caution in CAUTIONS)
    whole = " ".join(CAUTIONS)
    for word in ("supervisor", "ordnance", "do not push", "by hand", "damage", "permit"):
        assert word in whole
    assert not re.search(r"\bmin\b|minutes", " ".join(printed(pages)))


def test_a_way_round_a_keep_out_stands_under_its_station(
    stations: pd.DataFrame, backdrop: Backdrop, said: Said
) -> None:
    many = "; ".join(f"{k}.25 {k}.75" for k in range(10, 20))
    via = ["", "20.26 11.2; 21.44 8", "no way", many]
    (page,) = drawn(stations.head(4).assign(via=via), backdrop)
    lines = said(page).splitlines()
    first, second, third = stations["station"].head(3)
    assert "go round by 20.26, 11.20; 21.44, 8.00" in lines
    assert f"from {second} NO WAY along the bed" in lines
    assert f"from {third} go round: see map" in lines
    assert not any(line.startswith(f"from {first} ") for line in lines)


@pytest.mark.parametrize("count", [1, 3, 15, 16])
def test_nothing_is_cut_off_or_written_over(
    stations: pd.DataFrame, backdrop: Backdrop, words: Callable, count: int
) -> None:
    own = stations.head(count)
    for page in probe_slate_pages(own, backdrop, site_name="Heron Skerry: " + "long " * 12):
        mine = [text for text in words(page) if text.axes is page.axes[0]]
        boxes = [text.get_window_extent() for text in words(page)]
        for text, box in zip(words(page), boxes, strict=True):
            assert np.all(box.min >= -1), text.get_text()
            assert np.all(box.max <= page.bbox.max + 1), text.get_text()
        for i, text in enumerate(mine):
            for other in mine[i + 1 :]:
                # Lines stand close: what counts is that letters do not lie on each other.
                one, two = (t.get_window_extent().padded(-1.5) for t in (text, other))
                assert not one.overlaps(two), (text.get_text(), other.get_text())


def test_stations_are_shared_out_evenly(stations: pd.DataFrame) -> None:
    most = page_rows()
    assert [len(part) for part in share_out(stations.head(most))] == [most]
    halves = [len(part) for part in share_out(stations.head(most + 1))]
    assert sum(halves) == most + 1
    assert max(halves) - min(halves) <= 1
    assert share_out(stations.head(0)) == []
    assert probe_sheets(stations.head(0)) == 0
    assert probe_sheets(stations.head(most + 1)) == 1


def test_probe_slates_are_black_and_white(pages: list[Figure]) -> None:
    canvas = FigureCanvasAgg(pages[0])
    canvas.draw()
    rgb = np.asarray(canvas.buffer_rgba())[..., :3]
    assert np.ptp(rgb, axis=-1).max() == 0
