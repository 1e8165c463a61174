"""Put numbers into the text of ``survey.toml``; all else, comments too, stays as it is."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from typing import Any


def with_numbers(text: str, numbers: Mapping[tuple[str, ...], float]) -> tuple[str, list[str]]:
    """Return the settings with some numbers put in.

    Parameters
    ----------
    text : str
        Of ``survey.toml``; it is sound.
    numbers : mapping
        From where to what: ``("detector", "air_range_m")``, or for an entry of a list
        ``("targets", "1", "air_range_m")``, counted from 1.

    Returns
    -------
    str
        The text with the numbers, to the third decimal, in place of the old ones; a key that is not
        there is written under its section's head.
    list of str
        Dotted keys that could not be placed (their section is written in one line, say).
    """
    lines = text.splitlines()
    failed = []
    for path, value in numbers.items():
        changed = _placed(lines, path, f"{round(value, 3):g}")
        if changed is None or not _holds("\n".join(changed), path, round(value, 3)):
            failed.append(".".join(path))
        else:
            lines = changed
    return "\n".join(lines) + "\n", failed


def _placed(lines: list[str], path: tuple[str, ...], number: str) -> list[str] | None:
    """Return the lines with one number placed; None where its section has no head."""
    section, key = path[:-1], path[-1]
    counts: dict[str, int] = {}
    here: tuple[str, ...] = ()
    head = None
    for row, line in enumerate(lines):
        header = re.match(r"\s*(\[\[?)\s*([\w.-]+)\s*\]", line)
        if header:
            here = tuple(header[2].split("."))
            if header[1] == "[[":
                counts[header[2]] = counts.get(header[2], 0) + 1
                here = (*here, str(counts[header[2]]))
            head = row if here == section else head
            continue
        old = re.match(rf"(\s*{re.escape(key)}\s*=\s*)([^#\s]+)(.*)$", line)
        if here == section and old:
            # Comments after the number keep their column where there is room.
            tail = old[3]
            if "#" in tail:
                spaces = len(tail) - len(tail.lstrip()) + len(old[2]) - len(number)
                tail = " " * max(spaces, 1) + tail.lstrip()
            return [*lines[:row], f"{old[1]}{number}{tail}", *lines[row + 1 :]]
    if head is None:
        return None
    return [*lines[: head + 1], f"{key} = {number}", *lines[head + 1 :]]


def _holds(text: str, path: tuple[str, ...], value: float) -> bool:
    """Whether the text is sound and has this value there."""
    try:
        found: Any = tomllib.loads(text)
        for part in path:
            found = found[int(part) - 1] if isinstance(found, list) else found[part]
    except (tomllib.TOMLDecodeError, KeyError, IndexError, TypeError, ValueError):
        return False
    return bool(found == value)
