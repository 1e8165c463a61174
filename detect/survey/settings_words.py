"""Word a slip in ``survey.toml``: what was typed, and what its key allows, told from the models."""

from __future__ import annotations

import types
import typing
from collections.abc import Mapping, Sequence
from typing import Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from detect.survey.columns import nearest
from detect.survey.errors import Problem
from detect.survey.settings import SETTINGS_FILE, Point


def slip_problems(
    section: str, model: type[BaseModel], slips: Sequence[Any], homes: Mapping[str, str]
) -> list[Problem]:
    """Turn the validator's list of slips into problems, one a key.

    Parameters
    ----------
    section : str
        Name of the section in the file.
    model : type
        The section's model.
    slips : sequence of dict
        As ``ValidationError.errors()`` gives them.
    homes : mapping of str to str
        Section of each key known anywhere, to name where a misplaced key belongs.

    Returns
    -------
    list of Problem
    """
    problems: dict[str, Problem] = {}
    for slip in slips:
        loc = _plain_loc(model, slip["loc"])
        key = ".".join([section, *(str(p + 1) if isinstance(p, int) else p for p in loc)])
        if key not in problems:
            problems[key] = _slip_problem(model, loc, key, slip, homes)
    # A choice of shapes reports the other shape too: keep the deepest word on a key.
    return [p for key, p in problems.items() if not any(k.startswith(key + ".") for k in problems)]


def required_keys(model: type[BaseModel]) -> list[str]:
    """Keys of a section that have no default."""
    return [name for name, info in model.model_fields.items() if info.is_required()]


def models_in(annotation: Any) -> list[type[BaseModel]]:
    """Every section model an annotation mentions, unions, lists and Annotated unwrapped."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [model for part in typing.get_args(annotation) for model in models_in(part)]


def allowed(annotation: Any, metadata: Sequence[Any] = ()) -> str:
    """Say what a key allows, for example "a number above 0 and at most 5"."""
    origin = typing.get_origin(annotation)
    if origin is typing.Annotated:
        inner, *more = typing.get_args(annotation)
        return allowed(inner, [*metadata, *more])
    if origin in (typing.Union, types.UnionType):
        parts = [allowed(a, metadata) for a in typing.get_args(annotation) if a is not type(None)]
        return ", or ".join(parts)
    if origin is typing.Literal:
        words = [f'"{word}"' for word in typing.get_args(annotation)]
        return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} or {words[-1]}"
    if annotation == Point:
        return "a point [e, n]"
    if origin is tuple:
        args = typing.get_args(annotation)
        if args[-1] is Ellipsis:
            return f"a list, each {allowed(args[0])}"
        return f"a list of {len(args)}, each {allowed(args[0])}"
    if origin is dict:
        key, value = typing.get_args(annotation)
        return f"a table; keys {allowed(key)}; values {allowed(value)}"
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return f"a table with keys {', '.join(annotation.model_fields)}"
    plain = {float: "a number", int: "a whole number", str: 'text in "quotation marks"'}
    return " ".join([plain.get(annotation, str(annotation)), _bounds(metadata)]).strip()


def _bounds(metadata: Sequence[Any]) -> str:
    """Word the bounds among an annotation's metadata: "from 0 to 5", "above 0 and at most 5"."""
    flat = [
        m for item in metadata for m in (item.metadata if isinstance(item, FieldInfo) else [item])
    ]
    bound = {
        name: getattr(m, name)
        for m in flat
        for name in ("ge", "gt", "le", "lt")
        if getattr(m, name, None) is not None
    }
    if set(bound) == {"ge", "le"}:
        return f"from {bound['ge']:.10g} to {bound['le']:.10g}"
    words = {"ge": "at least", "gt": "above", "le": "at most", "lt": "below"}
    return " and ".join(f"{words[name]} {bound[name]:.10g}" for name in words if name in bound)


def _plain_loc(model: type[BaseModel], loc: Sequence[int | str]) -> list[int | str]:
    """Leave only keys and places in lists of the validator's path, not its names of branches."""
    plain: list[int | str] = []
    annotation: Any = model
    for part in loc:
        if isinstance(part, int):
            plain.append(part)
            continue
        known = [m for m in models_in(annotation) if part in m.model_fields]
        if known:
            annotation = known[0].model_fields[part].annotation
            plain.append(part)
        elif not _is_branch(part):
            plain.append(part)
    return plain


def _is_branch(part: str) -> bool:
    return (
        part == "[key]"
        or "[" in part
        or part in {"VariogramSettings", "constrained-float", "float"}
    )


def _slip_problem(
    model: type[BaseModel], loc: list[int | str], key: str, slip: Any, homes: Mapping[str, str]
) -> Problem:
    kind = slip["type"]
    owner, info = _field_at(model, loc)
    if kind == "extra_forbidden" or slip["loc"][-1:] == ("[key]",):
        return _unknown_key(owner, info, str(loc[-1]), key, homes)
    wanted = allowed(info.annotation, info.metadata) if info else allowed(model)
    if kind == "missing" and loc and isinstance(loc[-1], str):
        return Problem(SETTINGS_FILE, "the key is missing", f"add it: {wanted}", column=key)
    if kind in {"missing", "too_short", "too_long"}:
        return Problem(
            SETTINGS_FILE, "the list has the wrong number of values", f"give {wanted}", column=key
        )
    shown = _shown(slip["input"])
    what = f"{shown} is not allowed"
    if kind in {"greater_than", "greater_than_equal", "less_than", "less_than_equal"}:
        what = f"{shown} is out of range"
    elif kind == "finite_number":
        what = f"{shown} is not a finite number"
    elif kind == "float_type":
        what = f"{shown} is not a number"
    return Problem(SETTINGS_FILE, what, f"allowed: {wanted}", column=key)


def _field_at(
    model: type[BaseModel], loc: Sequence[int | str]
) -> tuple[type[BaseModel], FieldInfo | None]:
    """Follow a path of keys to the model that owns the last of them, and to its field."""
    owner, info = model, None
    for part in loc:
        if isinstance(part, int):
            continue
        inner = models_in(info.annotation) if info is not None else [owner]
        found = [m for m in inner if part in m.model_fields]
        if not found:
            return (inner[0] if inner else owner), (info if not inner else None)
        owner, info = found[0], found[0].model_fields[part]
    return owner, info


def _unknown_key(
    owner: type[BaseModel], info: FieldInfo | None, name: str, key: str, homes: Mapping[str, str]
) -> Problem:
    known = list(owner.model_fields)
    if info is not None and typing.get_origin(info.annotation) is dict:
        known = list(typing.get_args(typing.get_args(info.annotation)[0]))
    like = nearest(name, known)
    elsewhere = nearest(name, homes, 0.85)
    if name in homes:
        remedy = f"it belongs in [{homes[name]}]"
    elif like is None and elsewhere:
        remedy = f'the nearest known key is "{elsewhere}" in [{homes[elsewhere]}]'
    else:
        # Nothing much alike: still name the nearest, and list the rest.
        remedy = f'the nearest known key is "{like or nearest(name, known, 0.0)}"'
        if like is None:
            remedy += f"; this section has {', '.join(known)}"
    return Problem(SETTINGS_FILE, "the key is not known", remedy, column=key)


def _shown(value: Any) -> str:
    """Show what was typed, as TOML has it, cut short where it is long."""
    if isinstance(value, bool):
        return str(value).lower()
    text = f'"{value}"' if isinstance(value, str) else str(value)
    return text if len(text) <= 60 else text[:57] + "..."
