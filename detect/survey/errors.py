"""Problems of a survey, worded for a tired diver: file, row, column, what is wrong, what to do."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass


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
        where = self.file
        if self.row is not None:
            where += f", row {self.row}"
        if self.column is not None:
            where += f", {'key' if self.file.endswith('.toml') else 'column'} {self.column}"
        return f"{where}: {self.what}" + (f" -> {self.remedy}" if self.remedy else "")

    def as_dict(self) -> dict[str, object]:
        """Return the problem as a plain dictionary, for ``--json`` and ``run.json``."""
        return asdict(self)


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
        return "\n".join(str(problem) for problem in self.problems)
