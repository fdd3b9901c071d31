"""Times of one fixed form to numbers, a whole column at once.

A logger writes every time in one form. The form is learned from one cell; every other cell must
have digits and marks in the same places, and numbers that a calendar has. Some write no fraction
on a whole second, or fewer digits where the last are naughts: cells of one width are then one form,
and differ from the others in nothing but seconds and fraction.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from parsers.times import stamp

_FORM = re.compile(r"(\d+)([-/.])(\d+)\2(\d+)([T ])(\d{2}):(\d{2})(?::(\d{2})(?:[.,](\d{1,6}))?)?")
_MOST_WIDTHS = 16

Matrix = NDArray[np.uint8]


def _matrix(texts: Any) -> Matrix | None:
    """Return texts of one width as rows of bytes, None where widths differ."""
    if isinstance(texts, list):
        if not texts or len(set(map(len, texts))) != 1 or not texts[0]:
            return None
        whole = "".join(texts)
        if not whole.isascii():
            return None
        flat = np.frombuffer(whole.encode("ascii"), dtype=np.uint8)
        return flat.reshape(len(texts), -1)
    n = len(texts)
    _, offsets, data = texts.buffers()
    if n == 0 or data is None:
        return None
    marks = np.frombuffer(offsets, dtype=np.int32)[texts.offset : texts.offset + n + 1]
    width = int(marks[1] - marks[0])
    if width == 0 or not (np.diff(marks) == width).all():
        return None
    flat = np.frombuffer(data, dtype=np.uint8)[marks[0] : marks[-1]]
    return flat.reshape(n, width)


def _joined(columns: Sequence[Any]) -> Matrix | None:
    """Return the cells of date and time columns side by side, a blank between."""
    matrices = [_matrix(c) for c in columns]
    if any(m is None for m in matrices):
        return None
    known = [m for m in matrices if m is not None]
    if len(known) == 1:
        return known[0]
    blank = np.full((len(known[0]), 1), ord(" "), dtype=np.uint8)
    return np.hstack([known[0], blank, known[1]])


def _widths(texts: Any) -> NDArray[np.int64]:
    if isinstance(texts, list):
        return np.fromiter(map(len, texts), np.int64, len(texts))
    offsets = np.frombuffer(texts.buffers()[1], dtype=np.int32)
    return np.diff(offsets[texts.offset : texts.offset + len(texts) + 1]).astype(np.int64)


def _some(texts: Any, rows: NDArray[np.int64]) -> Any:
    return [texts[i] for i in rows.tolist()] if isinstance(texts, list) else texts.take(rows)


def _frame(text: str) -> tuple[str, ...] | None:
    """Return what cells of several widths must have in common: all but digits of the clock."""
    form = _FORM.match(text)
    if form is None:
        return None
    date = re.sub(r"\d", "0", text[: form.end(4)])
    return date, form[5], text[form.end() :]


def times_of(columns: Sequence[Any], sample: str, day_first: bool | None) -> Any:
    """Return datetime64[us] wall clocks, None where the cells are not all of the sample's form.

    Parameters
    ----------
    columns : sequence of list of str or pyarrow binary array
        The cells of a time column, or of a date and a time column.
    sample, day_first
        As :func:`fixed_times` takes them; the sample may have another fraction.
    """
    matrix = _joined(columns)
    if matrix is not None and matrix.shape[1] == len(sample.strip()):
        return fixed_times(matrix, sample, day_first)
    widths = [_widths(c) for c in columns]
    # Two columns side by side: their widths as one number.
    kinds, kind = np.unique(sum(w * 1000**n for n, w in enumerate(widths)), return_inverse=True)
    frame = _frame(sample.strip())
    if frame is None or not 0 < len(kinds) <= _MOST_WIDTHS:
        return None
    out = np.empty(len(widths[0]), dtype="datetime64[us]")
    for n in range(len(kinds)):
        rows = np.flatnonzero(kind.reshape(-1) == n)
        alike = _joined([_some(c, rows) for c in columns])
        if alike is None:
            return None
        first = alike[0].tobytes().decode("ascii", "replace")
        found = fixed_times(alike, first, day_first) if _frame(first) == frame else None
        if found is None:
            return None
        out[rows] = found
    return out


def _number(matrix: Matrix, start: int, stop: int) -> NDArray[np.int64]:
    total = np.zeros(len(matrix), dtype=np.int64)
    for i in range(start, stop):
        total *= 10
        total += matrix[:, i] - np.uint8(48)
    return total


def _days(year: NDArray[np.int64], month: NDArray[np.int64], day: NDArray[np.int64]) -> Any:
    """Return days since 1970-01-01 of proleptic Gregorian dates (days_from_civil, H. Hinnant)."""
    year = year - (month <= 2)
    era = year // 400
    of_era = year - era * 400
    of_year = (153 * (month + np.where(month > 2, -3, 9)) + 2) // 5 + day - 1
    return era * 146097 + of_era * 365 + of_era // 4 - of_era // 100 + of_year - 719468


def fixed_times(matrix: Matrix, sample: str, day_first: bool | None) -> Any:
    """Return datetime64[us] wall clocks, None where the cells are not all of the sample's form.

    Parameters
    ----------
    matrix : array of uint8, (n, width)
        The cells.
    sample : str
        One cell, already understood.
    day_first : bool or None
        Order of day and month where the form leaves it open.
    """
    sample = sample.strip()
    form = _FORM.match(sample)
    found = stamp(sample)
    if form is None or found is None or len(sample) != matrix.shape[1] or not sample.isascii():
        return None
    text = np.frombuffer(sample.encode("ascii"), dtype=np.uint8)
    spans = [form.span(k) for k in (1, 3, 4, 6, 7, 8, 9) if form.span(k) != (-1, -1)]
    digits = {i for a, b in spans for i in range(a, b)}
    for i in range(matrix.shape[1]):
        column = matrix[:, i]
        if i in digits:
            if int(column.min()) < 48 or int(column.max()) > 57:
                return None
        elif not (column == text[i]).all():
            return None
    first, second, third = (_number(matrix, *form.span(k)) for k in (1, 3, 4))
    widths = [b - a for a, b in (form.span(k) for k in (1, 3, 4))]
    if widths == [4, 2, 2]:
        year, month, day = first, second, third
    elif widths == [2, 2, 4]:
        dotted = form[2] == "."
        if not dotted and day_first is None:
            return None
        year = third
        day, month = (first, second) if dotted or day_first else (second, first)
    else:
        return None
    hour, minute = _number(matrix, *form.span(6)), _number(matrix, *form.span(7))
    second_ = _number(matrix, *form.span(8)) if form[8] else np.zeros(len(matrix), dtype=np.int64)
    if (
        month.min() < 1 or month.max() > 12 or day.min() < 1 or day.max() > 31
        or hour.max() > 23 or minute.max() > 59 or second_.max() > 59 or year.min() < 1900
    ):  # fmt: skip
        return None
    if day.max() > 28:
        late = day > 28
        ends = np.array([0, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])[month[late]]
        years = year[late]
        leap = (years % 4 == 0) & ((years % 100 != 0) | (years % 400 == 0))
        if (day[late] > ends + (leap & (month[late] == 2))).any():
            return None
    seconds = _days(year, month, day) * 86400 + hour * 3600 + minute * 60 + second_
    micro = seconds * 1_000_000
    if form[9]:
        a, b = form.span(9)
        micro = micro + _number(matrix, a, b) * 10 ** (6 - (b - a))
    return micro.view("datetime64[us]")
