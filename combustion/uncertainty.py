"""From what an instrument's maker states to a standard uncertainty."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from combustion.refusals import Value


@dataclass(frozen=True, slots=True)
class Accuracy:
    """A stated accuracy: absolute, percent of reading, or the larger of the two.

    Attributes
    ----------
    absolute : float
        Half width, in the quantity's canonical unit.
    percent : float
        Half width [% of reading]; of a temperature, of its value in degC.
    coverage : float
        Coverage factor k of the statement; 0 means limits of a rectangular distribution, whose
        standard uncertainty is the half width over the square root of 3.
    """

    absolute: float = 0.0
    percent: float = 0.0
    coverage: float = 2.0

    def __post_init__(self) -> None:
        values = (self.absolute, self.percent, self.coverage)
        if not all(math.isfinite(v) and v >= 0.0 for v in values):
            raise ValueError("an accuracy is made of finite numbers, 0 or above")

    @property
    def divisor(self) -> float:
        """What the half width is divided by [1]."""
        return self.coverage if self.coverage > 0.0 else math.sqrt(3.0)

    def standard(self, reading: Value) -> Value:
        """Return the standard uncertainty of a reading, in its unit.

        >>> Accuracy(absolute=5.0, percent=10.0, coverage=2.0).standard(100.0)
        5.0
        """
        if isinstance(reading, float):
            return max(self.absolute, 0.01 * self.percent * abs(reading)) / self.divisor
        import numpy as np

        half = np.maximum(self.absolute, (0.01 * self.percent) * np.abs(reading))
        return half * (1.0 / self.divisor)


def accuracy_from_text(text: str) -> tuple[float, str, float, float]:
    """Return absolute part, its unit, percent of reading and coverage from a stated accuracy.

    Parameters
    ----------
    text : str
        Such as ``"0.2"``, ``"5 ppm or 10 % of reading, k=2"``, ``"2 %rdg k=1"``, ``"1 degC, k=0"``;
        the larger of several parts holds. A bare ``%`` with nothing behind it is absolute where the
        quantity itself is in %, so percent of reading is written ``% of reading`` or ``%rdg``.

    Returns
    -------
    tuple of float, str, float, float
        Half width, its unit as written (empty when bare), percent of reading, k (2 unless given).

    Raises
    ------
    ValueError
        When it cannot be understood.

    Examples
    --------
    >>> accuracy_from_text("5 ppm or 10 % of reading, k=2")
    (5.0, 'ppm', 10.0, 2.0)
    """
    rest = text.strip()
    coverage = 2.0
    stated = re.search(r"[,;]?\s*k\s*=\s*([0-9.]+)\s*$", rest)
    if stated:
        coverage = float(stated[1])
        rest = rest[: stated.start()]
    absolute, unit, percent = 0.0, "", 0.0
    for part in re.split(r"\s+or\s+|[,;]|/(?=\s*[0-9±])", rest):
        word = part.strip()
        if not word:
            continue
        found = re.fullmatch(r"(?:\+/-|±)?\s*([0-9]*\.?[0-9]+)\s*(.*)", word, flags=re.IGNORECASE)
        if found is None:
            raise ValueError(f"accuracy {text!r}: cannot understand {word!r}")
        number, tail = float(found[1]), found[2].strip()
        folded = re.sub(r"[\s.]+", "", tail.casefold())
        if folded in ("%rdg", "%ofreading", "%reading", "percentofreading", "%mv", "%ofrdg"):
            percent = max(percent, number)
        elif absolute and unit != tail:
            raise ValueError(f"accuracy {text!r}: two absolute parts in different units")
        else:
            absolute, unit = max(absolute, number), tail
    if not (absolute or percent):
        raise ValueError(f"accuracy {text!r}: no number found")
    return absolute, unit, percent, coverage
