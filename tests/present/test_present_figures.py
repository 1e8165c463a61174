"""What holds for every figure: nothing cut off, nothing over anything, fit for vector print."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from matplotlib.text import Text

from detect.present.labels import overlapping, place_labels
from detect.present.style import new_figure, pdf_bytes

NAMES = ["signal", "seabed", "pair", "coverage", "squares", "plan"]
NAMES += ["variogram", "cross_validation", "ranks", "search", "conditioning"]
MAPS = NAMES[:6]

Words = Callable[[Figure], list[Text]]
Said = Callable[[Figure], str]


def test_every_figure_is_looked_at(figures: dict[str, Figure]) -> None:
    assert sorted(figures) == sorted(NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_no_text_runs_off_the_page(figures: dict[str, Figure], words: Words, name: str) -> None:
    page = figures[name].bbox
    for text in words(figures[name]):
        box = text.get_window_extent()
        assert page.x0 - 1 <= box.x0, text.get_text()
        assert page.y0 - 1 <= box.y0, text.get_text()
        assert box.x1 <= page.x1 + 1, text.get_text()
        assert box.y1 <= page.y1 + 1, text.get_text()


@pytest.mark.parametrize("name", NAMES)
def test_no_text_lies_over_another(figures: dict[str, Figure], words: Words, name: str) -> None:
    assert overlapping(words(figures[name])) == []


@pytest.mark.parametrize("name", MAPS)
def test_a_map_has_metres_scale_bar_and_norths(
    figures: dict[str, Figure], said: Said, name: str
) -> None:
    lines = said(figures[name]).splitlines()
    for wanted in (
        "e, grid east (m)",
        "n, grid north (m)",
        "metres",
        "grid north",
        "true north",
        "grid north lies 312.0° true",
        "magnetic declination 2.5° E",
        "site outline",
    ):
        assert wanted in lines, wanted


@pytest.mark.parametrize("name", ["signal", "conditioning"])
def test_vector_pdf_stays_small(figures: dict[str, Figure], name: str) -> None:
    # Cells and clouds of points are kept as pictures inside it; as vectors they would be megabytes.
    assert len(pdf_bytes(figures[name])) < 600_000


def test_labels_give_way_to_each_other() -> None:
    figure = new_figure(3, 3)
    axes = figure.add_axes((0.1, 0.1, 0.8, 0.8))
    crowd = [(0.5, 0.5)] * 12
    placed = place_labels(axes, crowd, [f"A{i:02d}" for i in range(12)])
    assert 4 <= len(placed) <= 8  # eight places round a point
    assert placed[0].get_text() == "A00"  # the first one asked for is the first served
    assert overlapping(placed) == []


def test_a_crowd_is_named_whole_where_lines_may_lead_to_the_names() -> None:
    figure = new_figure(5, 4)
    axes = figure.add_axes((0.1, 0.1, 0.8, 0.8))
    axes.set(xlim=(0, 30), ylim=(0, 20))
    rng = np.random.default_rng(5)
    crowd = [*rng.normal([15.0, 10.0], [4.0, 1.2], (53, 2))]
    pixels = axes.transData.transform(crowd)
    signs = np.hstack([pixels - 8.0, pixels + 8.0])
    names = [f"An{i}" for i in range(1, 54)]
    look = {"size_pt": 7.0, "gap_pt": 4.0}
    placed = place_labels(axes, crowd, names, reach_pt=72.0, signs=signs, **look)
    assert [label.get_text() for label in placed] == names
    assert overlapping(placed) == []
    # every name that stands apart has its line, which begins at its own sign's rim
    _, line = (p for p in axes.get_children() if isinstance(p, PathPatch))
    starts = axes.transData.transform(line.get_path().vertices[::2])
    near = np.hypot(*(starts[:, None] - pixels[None]).transpose(2, 0, 1)).min(axis=1)
    assert 10 < len(starts) < 53
    assert near.max() < 1.5 * 4.0 * figure.dpi / 72.0
