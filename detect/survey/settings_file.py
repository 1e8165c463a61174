"""Read ``survey.toml``: every slip at once, each with its line, key, value and what is allowed."""

from __future__ import annotations

import math
import re
import tomllib
from dataclasses import dataclass, replace
from typing import Any

from pydantic import BaseModel, ValidationError

from detect.survey.columns import nearest
from detect.survey.errors import Problem
from detect.survey.settings import (
    REFERENCE,
    SETTINGS_FILE,
    Dives,
    Mapping,
    ProbesSettings,
    Ranking,
    Settings,
    Squares,
    Target,
    VariogramSettings,
)
from detect.survey.settings_words import models_in, required_keys, slip_problems
from detect.survey.square_slips import square_problems

#: sections that are written once for each entry, as ``[[targets]]``
LISTS = ("targets",)


@dataclass(frozen=True)
class SettingsFile:
    """What could be read of ``survey.toml``.

    Parameters
    ----------
    settings : Settings or None
        The settings; None where any section has a problem.
    sections : dict
        The sections by name that can still be used to check the tables against; a section with a
        slip is here without the offending keys, where its defaults allow that.
    written : dict
        The file as TOML reads it.
    problems : list of Problem
        Everything wrong with the file.
    """

    settings: Settings | None
    sections: dict[str, Any]
    written: dict[str, Any]
    problems: list[Problem]


def read_settings(text: str) -> SettingsFile:
    """Read the text of ``survey.toml``.

    Parameters
    ----------
    text : str
        The file's text.

    Returns
    -------
    SettingsFile
        Never raises for bad content; the problems are in it.
    """
    try:
        written = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        return SettingsFile(None, {}, {}, [_syntax(str(error), text)])
    models = section_models()
    problems, meant = _stray(written, models)
    sections: dict[str, Any] = {}
    for name, (model, required) in models.items():
        if name in written:
            read = _read_list if name in LISTS else _read_section
            section, found = read(name, model, written[name])
            problems += found
            if section is not None:
                sections[name] = section
        elif required and name not in meant:
            problems.append(
                Problem(
                    SETTINGS_FILE,
                    f"there is no [{name}] section",
                    "add it with at least " + ", ".join(required_keys(model)),
                    column=name,
                )
            )
    problems += _across(sections)
    settings = None if problems else Settings.model_validate(written)
    return SettingsFile(settings, sections, written, [at_line(p, text) for p in problems])


def section_models() -> dict[str, tuple[type[BaseModel], bool]]:
    """Model of each section by its name in the file, and whether the file must have it."""
    return {
        info.alias or name: (models_in(info.annotation)[0], info.is_required())
        for name, info in Settings.model_fields.items()
    }


def at_line(problem: Problem, text: str) -> Problem:
    """Add the line of ``survey.toml`` a problem's key is on, where it can be told."""
    if problem.row is not None or problem.column is None:
        return problem
    path = problem.column.split(".")
    best, best_row = 0, None
    prefix: list[str] = []
    counts: dict[str, int] = {}
    for row, line in enumerate(text.splitlines(), start=1):
        header = re.match(r"\s*(\[\[?)\s*([^\]]+?)\s*\]", line)
        key = re.match(r"\s*\"?([\w-]+(?:\s*\.\s*[\w-]+)*)\"?\s*=", line)
        if header:
            prefix = [part.strip().strip('"') for part in header[2].split(".")]
            if header[1] == "[[":
                counts[header[2]] = counts.get(header[2], 0) + 1
                prefix.append(str(counts[header[2]]))
            full = prefix
        elif key:
            full = prefix + [part.strip() for part in key[1].split(".")]
        else:
            continue
        # A section of entries is met at its first, where the problem is of none of them.
        if len(full) > best and (full == path[: len(full)] or full == [*path, "1"]):
            best, best_row = len(full), row
    return replace(problem, row=best_row)


def _syntax(message: str, text: str) -> Problem:
    """Word a TOML syntax error, with its line."""
    place = re.search(r"\(at (?:line (\d+), column \d+|end of document)\)", message)
    row = int(place[1]) if place and place[1] else max(len(text.splitlines()), 1)
    what = re.sub(r"\s*\(at [^)]*\)", "", message)
    lines = text.splitlines()
    line = lines[row - 1] if 0 < row <= len(lines) else ""
    remedy = 'correct the line: key = value, with text in "quotation marks"'
    if re.search(r"=\s*[+-]?\d+,\d+\s*(#.*)?$", line):
        remedy = "write decimals with a point"
    elif found := re.search(r"=\s*(True|False|TRUE|FALSE)\b", line):
        remedy = f"write {found[1].lower()}, without capitals"
    elif line.count('"') % 2:
        remedy = "close the quotation mark"
    elif re.search(r"=\s*[+-]?[\d.]+\s*[A-Za-z%°]", line):
        remedy = "write the number without its unit; the key says the unit"
    return Problem(SETTINGS_FILE, f"is not valid TOML: {what}", remedy, row=row)


def _stray(
    written: dict[str, Any], models: dict[str, tuple[type[BaseModel], bool]]
) -> tuple[list[Problem], set[str]]:
    """Name sections and top-level keys nobody knows; also the sections they may be meant for."""
    problems, meant = [], set()
    for name, value in written.items():
        if name in models:
            continue
        home = next((s for s, (model, _) in models.items() if name in model.model_fields), None)
        like = nearest(name, models)
        table = isinstance(value, dict) or (isinstance(value, list) and like is not None)
        if not table and home:
            what, remedy = "the key stands outside any section", f"move it below [{home}]"
        elif table:
            what = f"there is no section [{name}]"
            shown = f"[[{like}]]" if like in LISTS else f"[{like}]"
            remedy = f"the nearest is {shown}" if like else f"the sections are {', '.join(models)}"
            if like:
                meant.add(like)
        else:
            what, remedy = "the key is not known", f"the sections are {', '.join(models)}"
        problems.append(Problem(SETTINGS_FILE, what, remedy, column=name))
    return problems, meant


def _read_section(
    name: str, model: type[BaseModel], value: Any
) -> tuple[BaseModel | None, list[Problem]]:
    """Read one section; where it has slips, also try it without the keys that have them."""
    try:
        return model.model_validate(value), []
    except ValidationError as error:
        slips = error.errors(include_url=False)
    homes: dict[str, str] = {}
    for section, (known, _) in section_models().items():
        for key in known.model_fields:
            homes.setdefault(key, section)
    problems = slip_problems(name, model, slips, homes)
    if not isinstance(value, dict):
        return None, problems
    bad = {slip["loc"][0] for slip in slips if slip["loc"]}
    try:
        return model.model_validate({k: v for k, v in value.items() if k not in bad}), problems
    except ValidationError:
        return None, problems


def _read_list(
    name: str, model: type[BaseModel], value: Any
) -> tuple[tuple[BaseModel, ...] | None, list[Problem]]:
    """Read a section written once for each entry; where one has slips, the others still count."""
    if not isinstance(value, list):
        what = "is one section where each entry has its own"
        return None, [Problem(SETTINGS_FILE, what, f"head each entry with [[{name}]]", column=name)]
    entries, problems = [], []
    for number, item in enumerate(value, start=1):
        entry, found = _read_section(f"{name}.{number}", model, item)
        problems += found
        if entry is not None:
            entries.append(entry)
    return tuple(entries), problems


def _across(sections: dict[str, Any]) -> list[Problem]:
    """Check what must hold between keys, as far as the sections could be read."""
    problems: list[Problem] = []
    mapping: Mapping = sections.get("mapping", Mapping())
    squares: Squares = sections.get("squares", Squares())
    dives: Dives | None = sections.get("dives")
    ranking: Ranking = sections.get("ranking", Ranking())
    steps = squares.size_m / mapping.node_m
    if abs(steps - round(steps)) > 1e-6 * steps or round(steps) < 1:
        problems.append(
            _wrong(
                "mapping.node_m",
                f"{mapping.node_m:g} does not go a whole number of times into squares.size_m "
                f"({squares.size_m:g})",
                f"give for example {_round_part(squares.size_m, mapping.node_m):g}",
            )
        )
    if len(set(mapping.conditioning)) < len(mapping.conditioning):
        problems.append(
            _wrong("mapping.conditioning", "a step is named twice", "name each step once")
        )
    if isinstance(mapping.variogram, VariogramSettings):
        problems += _variogram(mapping.variogram, "mapping.variogram")
    if dives is not None and dives.setup_min >= dives.bottom_time_min:
        problems.append(
            _wrong(
                "dives.setup_min",
                f"{dives.setup_min:g} takes up the whole bottom time, {dives.bottom_time_min:g}",
                "allowed: less than dives.bottom_time_min",
            )
        )
    probes: ProbesSettings = sections.get("probes", ProbesSettings())
    if (probes.feature_width_m or 0.0) > probes.feature_diameter_m:
        problems.append(
            _wrong(
                "probes.feature_width_m",
                f"{probes.feature_width_m:g} is more than the feature's length, "
                f"feature_diameter_m ({probes.feature_diameter_m:g})",
                "give the longer of the two as feature_diameter_m",
            )
        )
    if dives is not None and dives.divers_on_lane > dives.divers:
        problems.append(
            _wrong(
                "dives.divers_on_lane",
                f"{dives.divers_on_lane} divers on a lane, and {dives.divers} in the water",
                "allowed: at most dives.divers",
            )
        )
    if sum(ranking.weights.values()) <= 0:
        problems.append(
            _wrong("ranking.weights", "every weight is 0", "give at least one weight above 0")
        )
    return problems + _target_names(sections.get("targets", ())) + _square_lists(squares)


def _round_part(whole: float, near: float) -> float:
    """Return the part of a length that goes into it whole, has few decimals and is nearest."""
    parts = [whole / count for count in range(1, 1001)]
    exact = [part for part in parts if abs(part * 1000 - round(part * 1000)) < 1e-6]
    return min(exact or parts, key=lambda part: abs(math.log(part / near)))


def _target_names(targets: tuple[Target, ...]) -> list[Problem]:
    """Say where two classes go by one name, or one by the reference target's."""
    problems, seen = [], {REFERENCE: "the one of [detector]"}
    for number, target in enumerate(targets, start=1):
        key, name = f"targets.{number}.name", target.name.strip().casefold()
        if name in seen:
            what = f'"{target.name}" is already the name of {seen[name]}'
            problems.append(_wrong(key, what, "give each class its own name"))
        seen.setdefault(name, f"class {number}")
    return problems


def _variogram(variogram: VariogramSettings, key: str, nested: bool = False) -> list[Problem]:
    if variogram.structures:
        problems = []
        if nested:
            problems.append(_wrong(key, "structures hold structures", "list them all in one level"))
        if variogram.partial_sill is not None or variogram.range_m is not None:
            problems.append(
                _wrong(
                    key,
                    "has structures as well as a partial_sill or range_m of its own",
                    "move these into one of the structures",
                )
            )
        for i, structure in enumerate(variogram.structures, start=1):
            problems += _variogram(structure, f"{key}.structures.{i}", nested=True)
        return problems
    problems = [
        _wrong(f"{key}.{name}", "the key is missing", f"add {name} = a number")
        for name in ("partial_sill", "range_m")
        if getattr(variogram, name) is None
    ]
    if variogram.model == "matern" and variogram.smoothness is None:
        problems.append(
            _wrong(f"{key}.smoothness", "the key is missing", "the matern model needs a smoothness")
        )
    if variogram.nugget + (variogram.partial_sill or 0) == 0 and variogram.partial_sill is not None:
        problems.append(
            _wrong(f"{key}.partial_sill", "the sill is 0", "give a partial_sill above 0")
        )
    return problems


def _square_lists(squares: Squares) -> list[Problem]:
    """Check the form of every square named; whether the site has it is checked with the outline."""
    problems: list[Problem] = []
    seen: dict[str, str] = {}
    for key, name in square_keys(squares):
        problems += square_problems(name, None, SETTINGS_FILE, key)
        if name in seen:
            problems.append(
                _wrong(key, f'square "{name}" is already named in {seen[name]}', "name it once")
            )
        seen.setdefault(name, key)
    return problems


def square_keys(squares: Squares) -> list[tuple[str, str]]:
    """List every square the settings name, with its dotted key."""
    return [(f"squares.reserve.{i}", s) for i, s in enumerate(squares.reserve, start=1)] + [
        (f"squares.excluded.{i}.square", s.square) for i, s in enumerate(squares.excluded, start=1)
    ]


def _wrong(key: str, what: str, remedy: str) -> Problem:
    return Problem(SETTINGS_FILE, what, remedy, column=key)
