"""Cells of a few forms to times and numbers, a whole column at once.

A logger writes every time in one form, or in a few: digits and marks at other places where a
leading zero or the end of a fraction is not written. Cells with digits in the same places are read
together. Of such cells the digits of the clock are numbers; the date, and whatever stands after,
is the same over many rows: each is understood once, by the code that reads a single cell.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from datetime import date, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from parsers.alike import wall_clock
from parsers.times import Stamp, day_of, stamp

_CLOCK = re.compile(
    r"(?<![\d:.,])"
    r"(?P<clock>(?P<h>\d{1,2}):(?P<m>\d{2})(?::(?P<s>\d{2})(?:[.,](?P<f>\d{1,6}))?)?)(?![\d:.,])"
)
_PACKED = re.compile(
    r"(?<!\d)20\d{6}[T _-]?(?P<clock>(?P<h>\d{2})(?P<m>\d{2})(?P<s>\d{2})(?P<f>))(?!\d)"
)
_NUMBER = re.compile(r"(\d{1,15})(?:[.,](\d{1,10}))?")
_DURATION = re.compile(r"(?:(\d{1,4}):)?(\d{1,2}):(\d{2})(?:[.,](\d{1,6}))?")
_MOST_FORMS = 64
_MOST_WIDE = 60
_EPOCH = date(1970, 1, 1)
_DAY = 86_400_000_000

Matrix = NDArray[np.uint8]
Micro = NDArray[np.int64]


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


def _alike(columns: Sequence[Any]) -> Iterator[tuple[NDArray[np.int64] | slice, Matrix | None]]:
    """Yield the rows of each form, and their bytes; None for cells that are not plain text."""
    whole = _joined(columns)
    if whole is not None:
        yield from _by_digits(whole, None)
        return
    widths = [_widths(c) for c in columns]
    # Two columns side by side: their widths as one number.
    kinds, kind = np.unique(sum(w * 1000**n for n, w in enumerate(widths)), return_inverse=True)
    if len(kinds) > _MOST_FORMS:
        yield slice(0), None
        return
    for n in range(len(kinds)):
        rows = np.flatnonzero(kind.reshape(-1) == n)
        part = _joined([_some(c, rows) for c in columns])
        if part is None:
            yield rows, None
            return
        yield from _by_digits(part, rows)


def _by_digits(
    matrix: Matrix, rows: NDArray[np.int64] | None
) -> Iterator[tuple[NDArray[np.int64] | slice, Matrix | None]]:
    """Yield the rows whose digits stand in the same places."""
    if matrix.shape[1] > _MOST_WIDE:
        yield slice(0), None
        return
    digit = (matrix - np.uint8(48)) < 10  # what is below "0" wraps around
    if bool((digit == digit[0]).all()):
        yield (slice(None) if rows is None else rows), matrix
        return
    codes = digit @ (np.uint64(1) << np.arange(matrix.shape[1], dtype=np.uint64))
    forms, form = np.unique(codes, return_inverse=True)
    if len(forms) > _MOST_FORMS:
        yield slice(0), None
        return
    for n in range(len(forms)):
        here = np.flatnonzero(form.reshape(-1) == n)
        yield (here if rows is None else rows[here]), matrix[here]


def _read(columns: Sequence[Any], one: Callable[[Matrix], Micro | None]) -> Micro | None:
    """Return what ``one`` makes of each form, in the order of the rows."""
    out = np.empty(len(columns[0]), dtype=np.int64)
    for rows, matrix in _alike(columns):
        found = None if matrix is None else one(matrix)
        if found is None:
            return None
        out[rows] = found
    return out


def times_of(
    columns: Sequence[Any], sample: str, day_first: bool | None, day: date | None = None
) -> Any:
    """Return datetime64[us] wall clocks, None where the cells are not plain times like the sample.

    Parameters
    ----------
    columns : sequence of list of str or pyarrow binary array
        The cells of a time column, or of a date and a time column.
    sample : str
        One cell, already understood; another may lack the leading zero or have another fraction.
    day_first : bool or None
        Order of day and month where the form leaves it open.
    day : date or None
        The day of clock times without one.
    """
    like = stamp(sample)
    if like is None:
        return None
    found = _read(columns, lambda matrix: _micro_of(matrix, like, day_first, day))
    return None if found is None else found.view("datetime64[us]")


def _micro_of(matrix: Matrix, like: Stamp, day_first: bool | None, day: date | None) -> Any:
    first = _text(matrix[0])
    form = _CLOCK.search(first) or _PACKED.search(first)
    if form is None:
        return None
    (low, high), between = form.span("clock"), ":" if ":" in form["clock"] else ""
    hour, minute, second, fraction = (
        _number(matrix, *form.span(k)) if form[k] else np.zeros(len(matrix), dtype=np.int64)
        for k in ("h", "m", "s", "f")
    )
    if hour.max() > 23 or minute.max() > 59 or second.max() > 59:
        return None
    marks = [n for n in range(low, high) if not first[n].isdigit()]
    if not (matrix[:, marks] == matrix[0, marks]).all():
        return None
    rest = np.hstack([matrix[:, :low], matrix[:, high:]])
    turns = [0]
    if rest.shape[1]:
        turns += (np.flatnonzero((rest[1:] != rest[:-1]).any(axis=1)) + 1).tolist()
    days = np.empty(len(turns), dtype=np.int64)
    halves = np.zeros(len(turns), dtype=np.int64)  # 1 before noon, 2 after it, as they are marked
    for n, row in enumerate(turns):
        text = _text(matrix[row])
        found = _day_and_half((text[:low], text[high:]), between, like, day_first, day)
        if found is None:
            return None
        days[n], halves[n] = found
    counts = np.diff([*turns, len(matrix)])
    if halves.any():
        half = np.repeat(halves, counts)
        marked = hour[half > 0]
        if marked.min() < 1 or marked.max() > 12:
            return None
        hour = np.where(half > 0, hour % 12 + 12 * (half == 2), hour)
    micro = (hour * 3600 + minute * 60 + second) * 1_000_000 + np.repeat(days, counts) * _DAY
    return micro + fraction * 10 ** (6 - len(form["f"] or ""))


def _day_and_half(
    around: tuple[str, str], between: str, like: Stamp, day_first: bool | None, day: date | None
) -> tuple[int, int] | None:
    """Return (days since 1970, half of the day as marked) of a cell's text around its clock."""
    before, behind = around
    found = stamp(between.join((f"{before}01", "00", f"00{behind}")))
    if (
        found is None
        or found.clock is None
        or (found.offset, found.zone) != (like.offset, like.zone)
    ):
        return None
    if (found.numbers is None) != (like.numbers is None):
        return None
    if found.order in ("dmy", "mdy") and day_first is not None:
        dotted = "." in f"{before}{behind}"[:10]
        if not dotted and day_first is not (found.order == "dmy"):
            return None  # it contradicts what was settled: the careful code decides
    on = day if found.numbers is None else day_of(found, day_first)
    if on is None:
        return None
    marked = stamp(between.join((f"{before}13", "00", f"00{behind}"))) is None
    return (on - _EPOCH).days, (1 + (found.clock.hour == 13)) if marked else 0


def _text(row: Matrix) -> str:
    return row.tobytes().decode("ascii", "replace")


def _number(matrix: Matrix, start: int, stop: int) -> NDArray[np.int64]:
    total = np.zeros(len(matrix), dtype=np.int64)
    for i in range(start, stop):
        total *= 10
        total += matrix[:, i] - np.uint8(48)
    return total


def counts_of(texts: Any) -> NDArray[np.float64] | None:
    """Return plain numbers without sign, exact to the last bit; None where a cell is none.

    >>> counts_of(["9.5", "10"])
    array([ 9.5, 10. ])
    """
    found = _read([texts], _bits_of)
    return None if found is None else found.view(np.float64)


def _bits_of(matrix: Matrix) -> Any:
    form = _NUMBER.fullmatch(_text(matrix[0]))
    if form is None or len(form[1]) + len(form[2] or "") > 15:
        return None  # beyond 2 ** 53 the sum of the digits is not exact
    if not form[2]:
        return _number(matrix, *form.span(1)).astype(np.float64).view(np.int64)
    mark = matrix[:, form.end(1)]
    if not (mark == mark[0]).all():
        return None
    whole, places = _number(matrix, *form.span(1)), len(form[2])
    number = whole * 10**places + _number(matrix, *form.span(2))
    return (number / 10.0**places).view(np.int64)


def after(start: datetime, seconds: NDArray[np.float64]) -> Any:
    """Return wall clocks so many seconds after one, rounded as ``timedelta`` rounds."""
    whole = np.trunc(seconds)
    micro = whole.astype(np.int64) * 1_000_000
    micro += np.rint((seconds - whole) * 1e6).astype(np.int64)
    return (micro + wall_clock(start)).view("datetime64[us]")


def durations_of(texts: Any) -> NDArray[np.float64] | None:
    """Return the seconds of h:mm:ss or mm:ss cells, None where a cell is none.

    >>> durations_of(["9:59", "0:10:00.5"])
    array([599. , 600.5])
    """
    found = _read([texts], _duration_bits)
    return None if found is None else found.view(np.float64)


def _duration_bits(matrix: Matrix) -> Any:
    form = _DURATION.fullmatch(_text(matrix[0]))
    if form is None:
        return None
    marks = [n for n in range(form.end()) if not form[0][n].isdigit()]
    if not (matrix[:, marks] == matrix[0, marks]).all():
        return None
    parts = [_number(matrix, *form.span(k)) if form[k] else 0 for k in (1, 2, 3)]
    seconds = np.asarray(parts[0] * 3600 + parts[1] * 60 + parts[2], dtype=np.float64)
    if form[4]:
        seconds = seconds + _number(matrix, *form.span(4)) / 10.0 ** len(form[4])
    return seconds.view(np.int64)
