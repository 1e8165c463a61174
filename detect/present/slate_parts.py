"""What every slate has: its title, boxes to fill in, the way to magnetic north, the cautions."""

from __future__ import annotations

import math
from collections.abc import Sequence

from detect.present.backdrop import Backdrop
from detect.present.page import Page
from detect.present.sheet import north_angles
from detect.present.slate_layout import BOXES_MM, MARGIN_MM, title_height


def draw_title(page: Page, head: str, site_name: str, page_words: str) -> float:
    """Print the title of a slate; return where what stands below it begins, mm."""
    page.text(MARGIN_MM, MARGIN_MM - 2, head, 28)
    right = page.width - MARGIN_MM
    room = page.width - 2 * MARGIN_MM - 64.0 * page.scale
    page.text(right, MARGIN_MM - 1, site_name, page.fitting(site_name, room, 12), ha="right")
    page.text(right, MARGIN_MM + 5 * page.scale, page_words, 10, ha="right")
    y = MARGIN_MM + title_height(page.width) - 3.0
    page.rule([MARGIN_MM, right], [y, y], 2.5)
    return y + 3.0


def draw_boxes(page: Page, y: float, words: Sequence[str]) -> float:
    """Draw boxes to fill in by hand, side by side; return where what stands below begins, mm."""
    w = (page.width - 2 * MARGIN_MM) / len(words)
    for i, word in enumerate(words):
        page.box(MARGIN_MM + i * w, y, w, 13.0)
        page.text(MARGIN_MM + i * w + 1.2, y + 1.0, word, 8)
    return y + BOXES_MM


def draw_magnetic_arrow(page: Page, x: float, y: float, backdrop: Backdrop) -> None:
    """Draw the direction to magnetic north as it lies on the map, whose top is grid north."""
    angle = math.radians(north_angles(backdrop.frame)["magnetic"])
    # y runs down the page, so north is minus.
    dx, dy = 7.0 * page.scale * math.sin(angle), -7.0 * page.scale * math.cos(angle)
    page.axes.annotate(
        "",
        (x + dx, y + dy),
        xytext=(x - dx, y - dy),
        arrowprops={
            "arrowstyle": "-|>",
            "mutation_scale": 20 * page.scale,
            "lw": 3.0 * page.scale,
            "color": "black",
            "shrinkA": 0,
            "shrinkB": 0,
        },
    )
    page.text(x, y + 9.5 * page.scale, "MAG NORTH", 7.5, ha="center")
    page.text(x, y + 13.0 * page.scale, "on this map", 7.5, ha="center")


def written_place(e: float, n: float, decimals: int = 1) -> str:
    """Return a place, to the decimetre unless said otherwise, without a minus before nothing."""
    return ", ".join(f"{round(at, decimals) + 0.0:.{decimals}f}" for at in (e, n))


def draw_cautions(page: Page, cautions: Sequence[str]) -> float:
    """Print the cautions at the foot of the page; return where their rule lies."""
    step = 5.2 * page.scale
    y = page.height - MARGIN_MM - len(cautions) * step
    page.rule([MARGIN_MM, page.width - MARGIN_MM], [y - 1.5, y - 1.5], 1.8)
    size = page.fitting(max(cautions, key=len), page.width - 2 * MARGIN_MM, 9.5)
    for i, words in enumerate(cautions):
        page.text(MARGIN_MM, y + i * step, words, size)
    return y - 1.5
