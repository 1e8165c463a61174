"""Words, ticks and PNG files of the house's own against those of matplotlib and Pillow."""

from __future__ import annotations

from collections.abc import Callable
from io import BytesIO

import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.text import Text
from PIL import Image

from detect.present.lettering import write
from detect.present.png import as_png
from detect.present.style import new_figure, pdf_bytes
from detect.present.ticks import name_ticks, tick_axes


@pytest.mark.parametrize("ha", ["left", "center", "right"])
@pytest.mark.parametrize("va", ["top", "center", "bottom", "baseline", "center_baseline"])
@pytest.mark.parametrize("weight", ["normal", "bold"])
def test_words_stand_where_matplotlib_would_set_them(ha: str, va: str, weight: str) -> None:
    axes = new_figure(4, 4).add_axes((0, 0, 1, 1))
    ours = write(axes, 0.5, 0.5, "An31 to 45", size_pt=20, ha=ha, va=va, weight=weight)
    theirs = axes.text(0.5, 0.5, "An31 to 45", fontsize=20, ha=ha, va=va, weight=weight)
    one, other = ours.get_window_extent(), theirs.get_window_extent()
    # Theirs is hinted, to whole pixels.
    assert np.allclose(one.get_points(), other.get_points(), atol=3.0)


def test_words_are_searched_for_unless_said_otherwise() -> None:
    figure = new_figure(2, 1)
    axes = figure.add_axes((0, 0, 1, 1))
    axes.axis("off")
    bare = len(pdf_bytes(figure))
    label = write(axes, 0.1, 0.5, "L01", searched=False)
    assert b"/Type3" not in pdf_bytes(figure)
    assert len(pdf_bytes(figure)) > bare
    label.searched = True
    assert b"/Type3" in pdf_bytes(figure)


def test_ticks_say_what_matplotlib_would_say(words: Callable[[Figure], list[Text]]) -> None:
    figure = new_figure(4, 3)
    axes = figure.add_axes((0.2, 0.2, 0.7, 0.7))
    axes.set(xlim=(-3, 7), ylim=(0, 1), xlabel="e (m)", ylabel="share")
    wanted = [axes.xaxis.get_major_formatter().format_ticks(list(axes.get_xticks()))]
    name_ticks(axes, "y", [0.25, 0.75, 1.5], ["low", "high", "beyond"])
    tick_axes(axes, grid="x")
    said = [text.get_text() for text in words(figure)]
    inside = [w for w, x in zip(wanted[0], axes.get_xticks(), strict=True) if -3 <= x <= 7]
    assert said == [*inside, "e (m)", "low", "high", "share"]


def test_a_png_file_is_read_back_as_it_was() -> None:
    dots = np.random.default_rng(1).integers(0, 256, (7, 5, 3)).astype(np.uint8)
    with Image.open(BytesIO(as_png(dots, 150))) as picture:
        assert picture.mode == "RGB"
        assert np.array_equal(np.asarray(picture), dots)
        assert picture.info["dpi"] == pytest.approx((150, 150), abs=0.02)
