"""Slates: one dive's own lanes and no others, black and white, printable at true size."""

from __future__ import annotations

import re
from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure
from matplotlib.text import Text

from detect.present.backdrop import Backdrop
from detect.present.page import pages_pdf_bytes
from detect.present.slate_layout import slate_sheets
from detect.present.slate_log import CELLS, LogRun, log_pages, log_runs, one_page
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


def test_each_of_a_pair_finds_their_lanes_on_map_and_log(
    dives: pd.DataFrame, backdrop: Backdrop, said: Said
) -> None:
    pair = dives.head(4).assign(diver=[1, 2, 1, 2], order=[1, 1, 2, 2], dive="D01")
    front, back = slate_pages(pair, backdrop, site_name="Heron Skerry")
    on_map = [text.get_text() for text in front.axes[1].texts]
    assert {"1a", "1b", "2a", "2b"} <= set(on_map)
    lines = said(back).splitlines()
    for diver, leg in zip("abab", pair.itertuples(), strict=True):
        assert f"{diver} {leg.lane} {leg.direction}" in lines


def test_a_way_round_a_keep_out_stands_in_the_table_with_its_turning_points(
    dives: pd.DataFrame, backdrop: Backdrop, said: Said
) -> None:
    round_it = dives.head(2).assign(via=["", "20.26 11.2; 21.44 8"], dive="D01", diver=1)
    (front, *_) = slate_pages(round_it, backdrop, site_name="Heron Skerry")
    assert "go round by 20.3, 11.2; 21.4, 8.0" in said(front).splitlines()


def test_the_table_says_which_planned_lane_a_swim_is_on_and_where_a_pair_parts(
    dives: pd.DataFrame, backdrop: Backdrop, said: Said
) -> None:
    told = dives.head(2).assign(
        instead_of=["L19 from 15.5 to 21.5 m", ""],
        via=["", "1 2"],
        parted_at=["", "10.04 8.5; 21.46 12.96"],
        minutes=float("nan"),
        diver=1,
        dive="DF01",
    )
    (front, *_) = slate_pages(told, backdrop, site_name="Heron Skerry")
    lines = said(front).splitlines()
    assert "on L19 from 15.5 to 21.5 m" in lines
    assert "go round by 1.0, 2.0; PAIR PARTS at 10.0, 8.5; 21.5, 13.0" in lines
    assert "DIVE DF01" in lines
    assert "min of work" not in said(front)


def test_a_log_on_the_front_says_how_it_is_filled_in_and_leaves_room_for_notes(
    dives: pd.DataFrame, backdrop: Backdrop, said: Said
) -> None:
    (page,) = slate_pages(dives.head(1), backdrop, site_name="Heron Skerry", log_step_m=2.0)
    words = said(page)
    assert "READINGS at metres from the START peg: write downwards, 0 where quiet" in words
    assert "notes, sketch" in words
    assert "1 lane, " in words


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


def test_the_log_has_a_cell_a_metre_in_the_order_swum(
    pages: list[Figure], words: Callable[[Figure], list[Text]]
) -> None:
    # Down each column: its names and figures begin within a millimetre of each other.
    cells = [text for text in words(pages[1]) if re.match(r"[0-9.]+$|L[0-9]+ ", text.get_text())]
    e, n = np.array([text.get_position() for text in cells]).T
    lines = [cells[i].get_text() for i in np.lexsort((n, np.round(e / 3.0)))]
    assert {f"{d}" for d in range(33)} <= set(lines)
    # Swum back: distances are taped from the start peg all the same, so they run down to 0.
    out, back = lines.index("L01 out"), lines.index("L02 back")
    assert lines[out + 1 : out + 4] == ["0", "1", "2"]
    assert lines[back - 1] == lines[back + 1]  # both lanes are as long
    assert float(lines[back + 2]) > float(lines[back + 3])


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


def run_of(lane: str, length_m: int) -> LogRun:
    return LogRun(lane, "out", tuple(float(d) for d in range(length_m + 1)))


@pytest.mark.parametrize(
    ("lengths", "pages"),
    [
        ([45] * 14, 1),
        ([113] * 4, 1),
        ([113, 104, 104, 104, 75, 62], 1),
        ([4] * 60, 1),
        ([30] * 5, 1),
        ([60] * 20, 2),
    ],
)
def test_a_log_of_any_lengths_fills_its_pages(lengths: list[int], pages: int) -> None:
    """A cell for every metre once, under its lane's name, none smaller than a hand can write."""
    runs = [run_of(f"L{i:02d}", length) for i, length in enumerate(lengths)]
    laid = log_pages(runs, 192.0, 266.0)
    assert len(laid) == pages
    cells, lane = [], ""
    for page in laid:
        assert page.width_mm <= 192.0 + 1e-9
        assert page.height_mm <= 266.0 + 1e-9
        assert page.cell.column_mm >= 13.5
        assert page.cell.row_mm >= 5.6
        for column, heads in zip(page.columns, page.heads, strict=True):
            assert heads[0], "every column says which lane it is of"
            assert not heads[-1], "no name stands alone at the foot of a column"
            for words, head in zip(column, heads, strict=True):
                lane = words.split()[0] if head else lane
                cells += [] if head else [(lane, float(words))]
    assert cells == [(run.lane, distance) for run in runs for distance in run.distances_m]


def test_cells_are_as_large_as_the_page_allows() -> None:
    few, many = ([run_of(f"L{i}", 20) for i in range(n)] for n in (3, 25))
    (roomy,), (tight,) = log_pages(few, 192.0, 266.0), log_pages(many, 192.0, 266.0)
    assert roomy.cell.row_mm == CELLS[0].row_mm > tight.cell.row_mm
    # Under the table of a front only what fits without small cells.
    assert one_page(few, 192.0, 100.0) is not None
    assert one_page(many, 192.0, 100.0) is None


def test_fourteen_long_lanes_are_a_front_and_a_back(
    dives: pd.DataFrame, backdrop: Backdrop, said: Said
) -> None:
    legs = pd.concat([dives.head(2)] * 7).assign(order=range(1, 15), length_m=45.0)
    legs["lane"] = [f"M{k:02d}" for k in range(1, 15)]
    pages = slate_pages(legs, backdrop, site_name="Heron Skerry")
    assert len(pages) == 2
    names = {line.split()[0] for line in said(pages[1]).splitlines()}
    assert {f"M{k:02d}" for k in range(1, 15)} <= names
    assert slate_sheets(legs, backdrop.lanes) == 1
    two = pd.concat([legs, legs.assign(dive="D99", length_m=92.0)])
    assert slate_sheets(two, backdrop.lanes) == 1 + 2


def test_part_of_a_lane_is_logged_from_its_start_peg(dives: pd.DataFrame) -> None:
    """Swum back from 19.4 m to 12.8 m of the tape: the end that lies between two metres too."""
    peg = pd.DataFrame({"lane": ["L3"], "start_e": [0.0], "start_n": [0.0]})
    leg = dives.head(1).assign(
        lane="L3", direction="back", from_e=19.4, from_n=0.0, to_e=12.8, to_n=0.0
    )
    (run,) = log_runs(leg, peg, 1.0)
    assert run.distances_m == (19.4, 19.0, 18.0, 17.0, 16.0, 15.0, 14.0, 13.0)


def test_a_dive_of_thirty_short_lanes_runs_its_table_overleaf(
    dives: pd.DataFrame, backdrop: Backdrop, said: Said
) -> None:
    many = pd.concat([dives.head(1)] * 30).assign(
        order=range(1, 31), lane=[f"S{i:02d}" for i in range(30)], length_m=4.0
    )
    pages = slate_pages(many, backdrop, site_name="Heron Skerry")
    text = "\n".join(said(page) for page in pages)
    assert all(f"S{i:02d} out" in text for i in range(30))
