"""Problems of a survey, worded for a tired diver: file, row, column, what is wrong, what to do."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from itertools import groupby

#: the same said of more rows than this is said once
MOST_ALIKE = 9


@dataclass(frozen=True)
class Problem:
    """One thing wrong (or worth a warning) in one survey file.

    Parameters
    ----------
    file : str
        File name as the user knows it, relative to the survey folder.
    what : str
        What is wrong, with the offending value.
    remedy : str
        What to do about it.
    row : int or None
        Row as a spreadsheet numbers it: the header is row 1.
    column : str or None
        Column of a table, or dotted key of ``survey.toml``.
    """

    file: str
    what: str
    remedy: str = ""
    row: int | None = None
    column: str | None = None

    def __str__(self) -> str:
        return self.said_of("" if self.row is None else f"row {self.row}")

    def said_of(self, rows: str) -> str:
        """Return the problem in a line, with its rows in these words."""
        where = f"{self.file}, {rows}" if rows else self.file
        if self.column is not None:
            where += f", {'key' if self.file.endswith('.toml') else 'column'} {self.column}"
        return f"{where}: {self.what}" + (f" -> {self.remedy}" if self.remedy else "")

    def as_dict(self) -> dict[str, object]:
        """Return the problem as a plain dictionary, for ``--json`` and ``run.json``."""
        return asdict(self)


def lines_of(problems: Iterable[Problem]) -> list[str]:
    """Return a line a problem; what is the same in many rows of a file is one line.

    Parameters
    ----------
    problems : iterable of Problem

    Returns
    -------
    list of str
        In the order of the problems; rows put together stand where the first of them stood.
    """
    alike: dict[Problem, list[Problem]] = {}
    for problem in problems:
        alike.setdefault(replace(problem, row=None), []).append(problem)
    lines = []
    for kind, some in alike.items():
        rows = [problem.row for problem in some if problem.row is not None]
        if len(some) <= MOST_ALIKE or len(rows) < len(some):
            lines += [str(problem) for problem in some]
        else:
            lines.append(kind.said_of(f"{len(rows)} rows ({rows_in_words(rows)})"))
    return lines


def rows_in_words(rows: Sequence[int]) -> str:
    """Return rows as ``2 to 9, 12``: what follows on is a run."""
    runs = groupby(enumerate(sorted(set(rows))), key=lambda pair: pair[1] - pair[0])
    ends = [(run[0][1], run[-1][1]) for run in (list(group) for _, group in runs)]
    return ", ".join(f"{a}" if a == b else f"{a} to {b}" for a, b in ends)


class SurveyError(Exception):
    """The survey folder cannot be used as it stands; carries every problem found.

    Parameters
    ----------
    problems : iterable of Problem
        All problems, in the order they should be read.
    """

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        # an exception is passed between processes by its arguments
        super().__init__(self.problems)

    def __str__(self) -> str:
        return "\n".join(lines_of(self.problems))
