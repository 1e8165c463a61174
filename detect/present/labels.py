"""Text that keeps out of the way of other text."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.text import Text
from matplotlib.transforms import Bbox
from numpy.typing import ArrayLike, NDArray

from detect.present.lettering import Words, ink_size, write
from detect.present.style import SMALL_PT, lines_as_one

Floats = NDArray[np.float64]

# Directions tried around a point, the favourite first (unit steps right and up of the point).
_DIRECTIONS = ((1, 1), (1, -1), (-1, 1), (-1, -1), (1, 0), (-1, 0), (0, 1), (0, -1))
# From one ring of farther places to the next, and what it is worth, in points farther away, not to
# cover a sign and not to lead a line through a label or another line.
_RING_PT, _COVERED_PT, _CROSSED_PT = 6.0, 30.0, 30.0


def text_box(text: Text) -> Bbox:
    """Return the box that a text fills, in pixels of its figure."""
    if isinstance(text, Words):
        return text.get_window_extent()
    figure: Any = text.figure
    return text.get_window_extent(figure.canvas.get_renderer())


def text_size_pt(words: str, size_pt: float, weight: str) -> tuple[float, float]:
    """Return width and height of the words' outlines in points, with a point of air around."""
    wide, high = ink_size(words, weight)
    return size_pt * wide + 2.0, size_pt * high + 2.0


def place_labels(
    axes: Axes,
    points: Sequence[tuple[float, float]],
    texts: Sequence[str],
    *,
    size_pt: float = SMALL_PT,
    gap_pt: float | tuple[float, float] = 4.0,
    reach_pt: float = 0.0,
    first: tuple[int, int] = (1, 1),
    colour: str = "black",
    weight: str = "bold",
    taken: Sequence[Bbox] = (),
    signs: ArrayLike = (),
) -> list[Text]:
    """Write a label beside each point where it covers no text that the axes hold already.

    The labels are set in the order given, so put the important ones first. Eight places around
    the point are tried, then with `reach_pt` places farther out, to which a thin line leads from
    the point; of those that are free, the one that is near and covers the fewest signs and lines.
    A label that fits nowhere is left out rather than printed over another (the tables carry every
    name).

    Parameters
    ----------
    axes : Axes
        Axes whose position and limits are final.
    points : sequence of (e, n)
        Metres.
    texts : sequence of str
    size_pt : float
        Type size, points.
    gap_pt : float or (float, float)
        Distance from the point, points; across and up where the two differ.
    reach_pt : float
        How much farther away a label may stand, points; 0: beside its point only.
    first : (int, int)
        Which of the eight places is the favourite: right (1) or left (-1), above or below.
    colour, weight : str
        Of the type.
    taken : sequence of Bbox
        Pixel boxes to keep clear of besides.
    signs : array_like, shape (M, 4)
        Pixel boxes (left, foot, right, top) better not covered: other signs on the map.

    Returns
    -------
    list of Text
        The labels that found room.
    """
    figure: Any = axes.figure
    pixels_per_pt = figure.dpi / 72.0
    frame = axes.get_window_extent()
    used = [*taken, *(text_box(text) for text in axes.texts if text.get_text())]
    low = np.array([box.min for box in used]).reshape(-1, 2)
    high = np.array([box.max for box in used]).reshape(-1, 2)
    spare = np.asarray(signs, float).reshape(-1, 4)
    middles = axes.transData.transform(np.asarray(points, float).reshape(-1, 2))
    gap = np.array([gap_pt, 0.6 * gap_pt] if isinstance(gap_pt, float | int) else gap_pt)
    steps, away = _steps(reach_pt, first)
    placed: list[Text] = []
    lines: list[Floats] = []
    for at, words, middle in zip(points, texts, middles, strict=True):
        half = np.array(text_size_pt(words, size_pt, weight)) * pixels_per_pt / 2
        # Half the text's own size plus the gap puts its near edge the gap away.
        sides = np.clip(1.5 * steps, -1.0, 1.0)
        shifts = sides * (half + gap * pixels_per_pt) + steps * away[:, None] * pixels_per_pt
        places = middle + shifts
        inside = ((places - half >= frame.min) & (places + half <= frame.max)).all(axis=1)
        apart = (places[:, None] - half >= high) | (places[:, None] + half <= low)
        free = np.flatnonzero(inside & apart.any(axis=2).all(axis=1))
        if not len(free):
            continue
        # From the rim of the sign to the label's own edge.
        rim = middle + gap * pixels_per_pt * steps[free]
        edge = np.clip(rim, places[free] - half, places[free] + half)
        leads = np.stack([rim, edge], axis=1)
        cost = away[free] + _COVERED_PT * _covered(places[free], half, spare)
        led = away[free] > 0
        cost[led] += _CROSSED_PT * _runs_into(leads[led], low, high, lines)
        best = int(np.argmin(cost))
        there = free[best]
        low = np.vstack([low, places[there] - half])
        high = np.vstack([high, places[there] + half])
        if away[there]:
            lines.append(leads[best])
            # A label that comes later had better not stand on this line.
            spots = np.linspace(leads[best][0], leads[best][1], 5)
            spare = np.vstack([spare, np.hstack([spots - 1.0, spots + 1.0])])
        label = write(
            axes,
            *at,
            words,
            offset_pt=tuple(shifts[there] / pixels_per_pt),
            ha="center",
            va="center",
            size_pt=size_pt,
            weight=weight,
            color=colour,
            rim_pt=2.2,
            zorder=9,
        )
        placed.append(label)
    if lines:
        ends = axes.transData.inverted().transform(np.reshape(lines, (-1, 2))).reshape(-1, 2, 2)
        axes.add_artist(lines_as_one(ends, color="white", lw=2.2, zorder=8.6))
        axes.add_artist(lines_as_one(ends, color=colour, lw=0.8, zorder=8.7))
    return placed


def _steps(reach_pt: float, first: tuple[int, int]) -> tuple[Floats, Floats]:
    """Return the directions tried and how much farther out each is, points; the nearest first."""
    turns = np.arange(16) * np.pi / 8
    round_ = np.column_stack([np.cos(turns), np.sin(turns)])
    rings = np.arange(_RING_PT, reach_pt + 0.1, _RING_PT)
    beside = sorted(_DIRECTIONS, key=lambda step: step != first)
    steps = np.vstack([np.array(beside, float), np.tile(round_, (len(rings), 1))])
    return steps, np.concatenate([np.zeros(len(_DIRECTIONS)), np.repeat(rings, len(turns))])


def _covered(places: Floats, half: Floats, spare: Floats) -> Floats:
    """Return how many of the boxes a label would cover at each place."""
    apart = (places[:, None] - half >= spare[:, 2:]) | (places[:, None] + half <= spare[:, :2])
    return np.asarray((~apart.any(axis=2)).sum(axis=1), dtype=float)


def _runs_into(leads: Floats, low: Floats, high: Floats, lines: Sequence[Floats]) -> Floats:
    """Return how many labels and lines each line would run through."""
    spots = np.linspace(leads[:, 0], leads[:, 1], 9, axis=1)[:, :, None]
    within = np.all((spots > low) & (spots < high), axis=3)
    labels = np.sum(np.any(within, axis=1), axis=1)
    if not lines:
        return np.asarray(labels, dtype=float)
    there = shapely.linestrings(np.array(lines))
    crossed = shapely.intersects(shapely.linestrings(leads)[:, None], there[None]).sum(axis=1)
    return np.asarray(labels + crossed, dtype=float)


def overlapping(texts: Sequence[Text]) -> list[tuple[str, str]]:
    """Return the pairs of texts whose boxes overlap; empty for a clean figure.

    Parameters
    ----------
    texts : sequence of Text
        Drawn in one figure.

    Returns
    -------
    list of (str, str)
    """
    boxes = [text_box(text) for text in texts]
    if not boxes:
        return []
    low = np.array([box.min for box in boxes])
    high = np.array([box.max for box in boxes])
    apart = (low[:, None, :] >= high[None, :, :]).any(axis=2)
    meet = ~(apart | apart.T)
    first, second = np.nonzero(np.triu(meet, k=1))
    words = [text.get_text() for text in texts]
    return [(words[int(i)], words[int(j)]) for i, j in zip(first, second, strict=True)]
