"""Text that keeps out of the way of other text."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.text import Text
from matplotlib.transforms import Bbox

from detect.present.lettering import Words, ink_size, write
from detect.present.style import SMALL_PT

# Directions tried around a point, the favourite first (unit steps right and up of the point).
_DIRECTIONS = ((1, 1), (1, -1), (-1, 1), (-1, -1), (1, 0), (-1, 0), (0, 1), (0, -1))


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
    gap_pt: float = 4.0,
    colour: str = "black",
    weight: str = "bold",
    taken: Sequence[Bbox] = (),
) -> list[Text]:
    """Write a label beside each point where it covers no text that the axes hold already.

    The labels are set in the order given, so put the important ones first. Eight places around
    the point are tried; a label that fits nowhere is left out rather than printed over another
    (the tables carry every name).

    Parameters
    ----------
    axes : Axes
        Axes whose position and limits are final.
    points : sequence of (e, n)
        Metres.
    texts : sequence of str
    size_pt, gap_pt : float
        Type size and distance from the point, in points.
    colour, weight : str
        Of the type.
    taken : sequence of Bbox
        Pixel boxes to keep clear of besides.

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
    middles = axes.transData.transform(np.asarray(points, float).reshape(-1, 2))
    placed: list[Text] = []
    for at, words, middle in zip(points, texts, middles, strict=True):
        half = np.array(text_size_pt(words, size_pt, weight)) * pixels_per_pt / 2
        # Half the text's own size plus the gap puts its near edge the gap away.
        shifts = np.array(_DIRECTIONS) * (half + gap_pt * pixels_per_pt * np.array([1.0, 0.6]))
        places = middle + shifts
        inside = ((places - half >= frame.min) & (places + half <= frame.max)).all(axis=1)
        apart = (places[:, None] - half >= high) | (places[:, None] + half <= low)
        free = np.flatnonzero(inside & apart.any(axis=2).all(axis=1))
        if not len(free):
            continue
        there = free[0]
        low = np.vstack([low, places[there] - half])
        high = np.vstack([high, places[there] + half])
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
    return placed


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
