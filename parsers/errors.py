"""What can go wrong while reading, as one tree.

ReadError                 the input cannot be read; carries every problem found, not only the first
|- NotAnAnalyzerFile      no table, list or line of a known quantity in it (a PDF, a picture, prose)
|- EmptyInput             no byte, or nothing but blank lines
|- UnitsMissing           a temperature, pressure or input without a unit
|- AmbiguousInput         two readings of the same text are possible and differ
|- MapDoesNotFit          a learned column map was named, and the file is not of that shape
|- PointsUnclear          readings without rate, phase or fuel, or a count that does not match
`- TooLarge               more bytes, rows or columns than the stated limit
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that stopped reading: what, where, what was expected, what to do.

    ``line`` and ``column`` count from 1, as an editor shows them; a spreadsheet's row and column
    likewise, with ``sheet`` named.
    """

    code: str
    message: str
    expected: str
    next_step: str
    line: int | None = None
    column: int | None = None
    raw: str | None = None
    sheet: str | None = None


class ReadError(Exception):
    """The input cannot be read as analyzer readings."""

    def __init__(self, file: str, problems: Sequence[Problem]) -> None:
        self.file = file
        self.problems = tuple(problems)
        super().__init__("\n".join(self.lines()))

    def lines(self) -> list[str]:
        """Return one printable line per problem."""
        shown = []
        for problem in self.problems:
            where = self.file
            if problem.sheet is not None:
                where += f", sheet {problem.sheet!r}"
            if problem.line is not None:
                where += f", line {problem.line}"
            if problem.column is not None:
                where += f", column {problem.column}"
            raw = f" (found {problem.raw!r})" if problem.raw is not None else ""
            shown.append(
                f"{where}: {problem.message}{raw}. Expected {problem.expected}. {problem.next_step}"
            )
        return shown


class NotAnAnalyzerFile(ReadError):
    """Nothing in the input names a known quantity."""


class EmptyInput(ReadError):
    """There is nothing to read."""


class UnitsMissing(ReadError):
    """A temperature, pressure or input stands without its unit."""


class AmbiguousInput(ReadError):
    """The text can be read in two ways that differ."""


class MapDoesNotFit(ReadError):
    """The named column map was made for a file of another shape."""


class PointsUnclear(ReadError):
    """Readings cannot be put to firing points without a statement of the person."""


class TooLarge(ReadError):
    """The input is larger than the stated limit."""
