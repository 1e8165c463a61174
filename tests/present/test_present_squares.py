"""The ranked squares: every word in its square, and closed squares that say why."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from matplotlib.collections import PolyCollection
from matplotlib.colors import to_hex
from matplotlib.figure import Figure
from matplotlib.text import Text
from shapely.geometry import box

from detect.present.backdrop import Backdrop
from detect.present.labels import overlapping
from detect.present.squares import draw_squares
from detect.survey.grid import square_at
from detect.survey.outlines import KeepOutArea

Words = Callable[[Figure], list[Text]]


def inside(text: Text, size: float) -> bool:
    """Whether a text lies within the square of the grid that it is centred in."""
    box = text.get_window_extent().transformed(text.axes.transData.inverted())  # type: ignore[union-attr]
    corner = np.floor(np.array(text.get_position()) / size) * size
    return bool(np.all(box.min >= corner - 1e-6) and np.all(box.max <= corner + size + 1e-6))


def in_squares(figure: Figure, words: Words) -> list[Text]:
    names = figure.axes[0].texts
    return [t for t in words(figure) if t in names and t.get_transform() == t.axes.transData]


def test_every_square_has_name_rank_and_interval_within_it(
    figures: dict[str, Figure], words: Words, squares: pd.DataFrame
) -> None:
    texts = in_squares(figures["squares"], words)
    said = {t.get_text() for t in texts}
    assert set(squares["square"]) <= said
    ranked = squares.dropna(subset=["rank"])
    assert {str(rank) for rank in ranked["rank"]} <= said
    assert {f"{r.rank_p05} to {r.rank_p95}" for r in ranked.itertuples()} <= said
    astray = [t.get_text() for t in texts if not inside(t, 2.0)]
    assert astray == []


def test_no_words_overlap(figures: dict[str, Figure], words: Words) -> None:
    texts = in_squares(figures["squares"], words)
    assert len(texts) > 400
    assert overlapping(texts) == []


def test_closed_squares_say_why_and_have_hatches_of_their_own(
    figures: dict[str, Figure], words: Words, squares: pd.DataFrame
) -> None:
    said = [t.get_text() for t in in_squares(figures["squares"], words)]
    hatches = {}
    for status in ("reserve", "excluded", "unsurveyed"):
        wanted = squares[squares["status"] == status]
        assert said.count(status) == len(wanted) > 0
        corners = set(zip(wanted["e_min"], wanted["n_min"], strict=True))
        (hatches[status],) = {
            fill.get_hatch() for fill in fills(figures["squares"]) if corners <= set(fill_at(fill))
        } - {None}
    assert len(set(hatches.values())) == 3


def fills(figure: Figure) -> list[PolyCollection]:
    return [c for c in figure.axes[0].collections if isinstance(c, PolyCollection)]


def fill_at(fill: PolyCollection) -> list[tuple[float, float]]:
    """South-west corners of the squares in a collection."""
    return [(float(p.vertices[0, 0]), float(p.vertices[0, 1])) for p in fill.get_paths()]


def test_colour_follows_the_chance_to_be_among_the_best(
    figures: dict[str, Figure], squares: pd.DataFrame
) -> None:
    open_ones = fills(figures["squares"])[0]
    colour = dict(zip(fill_at(open_ones), open_ones.get_facecolor(), strict=True))
    ranked = squares.dropna(subset=["rank"])
    light = [float(colour[(r.e_min, r.n_min)][:3].sum()) for r in ranked.itertuples()]
    assert len(light) == len(colour)
    assert light[0] == max(light)  # the yellow end of the scale
    assert to_hex(colour[(ranked["e_min"].iloc[-1], ranked["n_min"].iloc[-1])]) == "#440154"


def test_squares_to_open_first_are_outlined(figures: dict[str, Figure]) -> None:
    heavy = [p for p in figures["squares"].axes[0].patches if p.get_linewidth() == 3.0]
    assert len(heavy) == 4


@pytest.mark.parametrize("size", [0.5, 5.0])
def test_other_square_sizes_never_crowd(backdrop: Backdrop, words: Words, size: float) -> None:
    figure = draw_squares(grid_of(size), backdrop)
    texts = in_squares(figure, words)
    assert len(texts) > 20
    assert overlapping(texts) == []
    assert all(inside(t, size) for t in texts)
    if size == 0.5:  # 2400 squares: past the first 300 only the colour tells
        said = {t.get_text() for t in words(figure)}
        assert "300" in said
        assert "301" not in said
        assert "large: rank (1 is best, to 300)" in said


def grid_of(size: float) -> pd.DataFrame:
    """A site full of ranked squares of one size."""
    e, n = (a.ravel() for a in np.meshgrid(np.arange(0, 30, size), np.arange(0, 20, size)))
    rank = np.arange(1, len(e) + 1)
    return pd.DataFrame(
        {
            "square": square_at(e + size / 2, n + size / 2, size, (0.0, 0.0)),
            "e_min": e,
            "n_min": n,
            "size_m": size,
            "rank": rank,
            "rank_p05": np.maximum(rank - 40, 1),
            "rank_p95": rank + 40,
            "p_top_k": 1 / rank,
            "score": -rank,
            "status": "open",
        }
    )


def test_a_site_without_one_ranked_square_is_still_drawn(
    squares: pd.DataFrame, backdrop: Backdrop, words: Words
) -> None:
    closed = squares[squares["status"] != "open"]
    figure = draw_squares(closed, backdrop, colour_by="score")
    assert "unsurveyed" in {t.get_text() for t in words(figure)}


def test_open_squares_with_a_strong_anomaly_are_marked_and_the_key_says_so(
    squares: pd.DataFrame, backdrop: Backdrop
) -> None:
    strong = squares.assign(strong_anomalies="")
    is_open = np.flatnonzero(strong["status"] == "open")[:2]
    closed = np.flatnonzero(strong["status"] == "reserve")[:1]
    strong.loc[strong.index[[*is_open, *closed]], "strong_anomalies"] = "A01"
    figure = draw_squares(strong, backdrop)
    marks = [line for line in figure.axes[0].lines if line.get_marker() == "^"]
    assert [len(line.get_xdata()) for line in marks] == [2]
    key = [text.get_text() for text in figure.axes[-1].texts]
    assert "strong anomaly: may be ordnance" in key
    plain = draw_squares(squares, backdrop)
    assert "part of a square not surveyed" not in [t.get_text() for t in plain.axes[-1].texts]
    assert not any(
        len(line.get_xdata()) for line in plain.axes[0].lines if line.get_marker() == "^"
    )


def test_keep_outs_remains_and_ground_not_swum_are_drawn_and_in_the_key(
    squares: pd.DataFrame, backdrop: Backdrop, fields: xr.Dataset
) -> None:
    ribs = KeepOutArea("ribs", "", box(4.0, 4.0, 9.0, 6.0))
    swum = fields["surveyed"].copy(data=np.ones(fields["surveyed"].shape, dtype=bool))
    west = (swum["e"] > 6.0) & (swum["e"] < 7.0) & (swum["n"] > 8.0) & (swum["n"] < 10.0)
    figure = draw_squares(squares, replace(backdrop, remains=[ribs]), surveyed=swum & ~west)
    key = [text.get_text() for text in figure.axes[-1].texts]
    for wanted in (
        "keep out: mooring block",
        "visible remains: ribs",
        "part of a square not surveyed",
    ):
        assert wanted in key
    hatched = {
        p.get_hatch(): p.get_path().get_extents().bounds
        for p in figure.axes[0].patches
        if p.get_hatch()
    }
    assert hatched["////"] == pytest.approx((6.0, 8.0, 1.0, 2.0))
    assert hatched["---"] == pytest.approx((4.0, 4.0, 5.0, 2.0))
    assert hatched["xxx"] == pytest.approx((21.0, 14.5, 3.5, 3.0))
