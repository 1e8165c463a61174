"""Counts and lists as a sentence has them: none, one, many."""

from __future__ import annotations

from collections.abc import Sequence


def counted(count: int, noun: str, plural: str = "") -> str:
    """Return a count with its noun: ``no gaps``, ``1 gap``, ``2 gaps``."""
    many = plural or f"{noun}s"
    if count == 0:
        return f"no {many}"
    return f"1 {noun}" if count == 1 else f"{count} {many}"


def lanes_in_words(lanes: int, across: int, parts: int) -> str:
    """Return how many lanes there are: ``46 lanes and 3 cross lanes in 60 parts``.

    Parameters
    ----------
    lanes, across, parts : int
        As `detect.lanes.plan.count_lanes` returns them; parts are told where keep-outs cut lanes.
    """
    said = " and ".join(
        [counted(lanes, "lane")] * bool(lanes or not across)
        + [counted(across, "cross lane")] * bool(across)
    )
    return said if parts == lanes + across else f"{said} in {counted(parts, 'part')}"


def best(top_k: int) -> str:
    """Name the best k squares."""
    return "the best square" if top_k == 1 else f"the best {top_k}"


def among(top_k: int) -> str:
    """Say of squares that they belong to the best k: ``the best square``, ``among the best 10``."""
    return best(top_k) if top_k == 1 else f"among {best(top_k)}"


def listed(names: Sequence[str]) -> str:
    """Join names as a sentence does: ``A``, ``A and B``, ``A, B and C``."""
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} and {names[-1]}"


def ranged(low: float, high: float) -> str:
    """Return an interval of whole numbers, one number where its ends are the same."""
    return f"{low:.0f}" if round(low) == round(high) else f"{low:.0f} to {high:.0f}"


def hours(count: float) -> str:
    """Return hours in words: ``1 hour``, ``2.5 hours``."""
    return f"{count:g} hour" + ("" if count == 1 else "s")
