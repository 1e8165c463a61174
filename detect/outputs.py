"""The output folder: it appears whole or not at all, and never in place of anything but itself."""

from __future__ import annotations

import hashlib
import json
import math
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from detect.survey.errors import Problem, SurveyError

#: a folder with this file in it was written by detect and may be replaced; it lists the files
#: with their sums, so that what somebody typed into one is not
MARKER = ".detect-output"
#: files that editors and file browsers leave about: ours is one of the first kind
PASSING, SYSTEM_FILES = (".", "~$"), {"Thumbs.db", "desktop.ini"}
MARKED = "Written by detect, which replaces this folder whole.\n"

#: decimals by the unit a column name ends in; the rest get eight significant digits
DECIMALS = {"_m": 3, "_m2": 3, "_m3": 3, "_h": 2, "_deg": 1, "minutes": 1}


def check_target(target: Path, survey_folder: Path | None) -> None:
    """Refuse an output folder that would touch the survey or replace something else's files.

    Parameters
    ----------
    target : Path
        Where the output is to go.
    survey_folder : Path or None
        The survey, which is never changed; None when there is none yet.

    Raises
    ------
    SurveyError
        ``target`` is, holds or lies in the survey folder, or holds files that are not ours, or
        that somebody changed since.
    """
    out = target.resolve()
    survey = survey_folder.resolve() if survey_folder is not None else None
    if survey and (out == survey or out in survey.parents or survey in out.parents):
        raise SurveyError(
            [
                Problem(
                    str(target),
                    "the output folder touches the survey folder, which is never changed",
                    "give --out a folder of its own, beside the survey",
                )
            ]
        )
    if target.exists() and (
        not target.is_dir() or (any(target.iterdir()) and not (target / MARKER).exists())
    ):
        raise SurveyError(
            [
                Problem(
                    str(target),
                    "exists already and was not written by detect, so it is not replaced",
                    "give --out a new or empty folder, or move this one away",
                )
            ]
        )
    changed = _changed_since(target)
    if changed:
        raise SurveyError(
            [
                Problem(
                    str(target / name),
                    "was changed or put there by somebody, so the folder is not replaced",
                    "copy it into the survey folder if it belongs there (a filled-in "
                    "trial_to_fill.csv becomes trial.csv), then move it away or give another --out",
                )
                for name in changed
            ]
        )


def _sums(folder: Path) -> dict[str, str]:
    """Return the SHA-256 sum of every file in a folder by its name there."""
    files = (path for path in sorted(folder.rglob("*")) if path.is_file())
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in files
        if not path.name.startswith(PASSING) and path.name not in SYSTEM_FILES
    }


def _changed_since(folder: Path) -> list[str]:
    """Return the files of an output folder that are not as they were written."""
    marker = folder / MARKER
    lines = marker.read_text(encoding="utf-8").splitlines()[1:] if marker.exists() else []
    if not lines:  # none there, or written before sums were kept
        return []
    written = {name: known for known, _, name in (line.partition("  ") for line in lines)}
    return [name for name, now in _sums(folder).items() if written.get(name) != now]


@contextmanager
def output_folder(
    target: Path, survey_folder: Path | None, *, marked: bool = True
) -> Iterator[Path]:
    """Give a fresh folder to write in; put it in the target's place when all went well.

    Parameters
    ----------
    target : Path
        Where the output is to stand.
    survey_folder : Path or None
        The survey the output is about; None when there is none yet.
    marked : bool
        Mark the folder as ours to replace; a new survey is not.

    Yields
    ------
    Path
        A folder beside the target; it is removed when the block raises.

    Raises
    ------
    SurveyError
        See :func:`check_target`; or the place cannot be written to.
    """
    check_target(target, survey_folder)
    parent = target.resolve().parent
    try:
        parent.mkdir(parents=True, exist_ok=True)
        fresh = Path(tempfile.mkdtemp(prefix=f".{target.name}-", dir=parent))
    except OSError as error:
        raise SurveyError(
            [Problem(str(target), f"cannot be written: {error.strerror}", "choose another --out")]
        ) from error
    try:
        yield fresh
        if marked:
            listed = "".join(f"{one}  {name}\n" for name, one in _sums(fresh).items())
            (fresh / MARKER).write_text(MARKED + listed, encoding="utf-8")
        fresh.chmod(0o777 & ~_umask())
        _swap(fresh, target.resolve())
    finally:
        shutil.rmtree(fresh, ignore_errors=True)


def _umask() -> int:
    """Return the process's umask (mkdtemp ignores it and hides the folder from the team)."""
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _swap(fresh: Path, target: Path) -> None:
    """Put ``fresh`` at ``target``; what stood there goes only once the new folder is in place."""
    if not target.exists():
        fresh.rename(target)
        return
    old = Path(tempfile.mkdtemp(prefix=f".{target.name}-old-", dir=target.parent))
    target.rename(old / target.name)
    try:
        fresh.rename(target)
    except OSError:
        (old / target.name).rename(target)
        raise
    finally:
        shutil.rmtree(old, ignore_errors=True)


def write_table(table: pd.DataFrame, path: Path) -> None:
    """Write a table as CSV with the decimals its units deserve.

    Parameters
    ----------
    table : DataFrame
        Column names end in their unit.
    path : Path
        File to write.
    """
    out = table.copy()
    for name in out.columns:
        if pd.api.types.is_float_dtype(out[name]):
            out[name] = [_number(value, name) for value in out[name]]
    out.to_csv(path, index=False, lineterminator="\n")


def _number(value: float, column: str) -> str:
    if not math.isfinite(value):
        return ""
    if column in {"e", "n"} or column.endswith(("_e", "_n", "e_min", "n_min")):
        return f"{value:.3f}"
    for ending, decimals in DECIMALS.items():
        if column.endswith(ending):
            return f"{value:.{decimals}f}"
    return f"{value:.8g}"


def plain(value: Any) -> Any:
    """Return ``value`` as what JSON holds: NaN and infinity become null, arrays lists."""
    if isinstance(value, dict):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        return [plain(v) for v in value]
    if isinstance(value, np.ndarray):
        return [plain(v) for v in value.tolist()]
    if isinstance(value, (np.bool_, bool)):
        return bool(value)
    if isinstance(value, (np.integer, int)):
        return int(value)
    if isinstance(value, (np.floating, float)):
        return float(value) if math.isfinite(value) else None
    if value is pd.NA or value is None:
        return None
    return value if isinstance(value, str) else str(value)


def write_json(value: Any, path: Path) -> None:
    """Write a summary as JSON, readable by people too."""
    path.write_text(json.dumps(plain(value), indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
