"""Interval arithmetic: months that respect month ends and leap days, and running hours.

Months are always counted from the day the work was done, never from a date already clamped, so
that a chain from 31 January does not slip to the 28th for ever.
"""

from __future__ import annotations

import itertools
import math
from calendar import monthrange
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta


def add_months(day: date, months: int) -> date:
    """Return the date some months later; a day that the month lacks becomes its last day.

    Parameters
    ----------
    day : date
        Where counting starts.
    months : int
        May be negative.

    Examples
    --------
    >>> add_months(date(2024, 1, 31), 1)
    datetime.date(2024, 2, 29)
    >>> add_months(date(2024, 2, 29), 12)
    datetime.date(2025, 2, 28)
    """
    index = day.year * 12 + (day.month - 1) + months
    year, month = divmod(index, 12)
    return date(year, month + 1, min(day.day, monthrange(year, month + 1)[1]))


def end_of_month(text: str) -> date:
    """Return the last day that ``2027-03``, ``2027-03-15`` or ``2027`` includes.

    >>> end_of_month("2028-02")
    datetime.date(2028, 2, 29)
    """
    parts = text.strip().split("-")
    try:
        numbers = [int(p) for p in parts]
        if len(numbers) == 1 and len(parts[0]) == 4:
            return date(numbers[0], 12, 31)
        if len(numbers) == 2:
            return date(numbers[0], numbers[1], monthrange(numbers[0], numbers[1])[1])
        return date.fromisoformat(text.strip())
    except (ValueError, IndexError) as error:
        raise ValueError(f"{text!r} is no date; write 2027-03 or 2027-03-15") from error


@dataclass(frozen=True, slots=True)
class CounterReading:
    """What a running-hours or starts counter showed on a day."""

    on: date
    value: float


def count_between(counter: Sequence[CounterReading], start: date, end: date) -> float | None:
    """Return what a counter gained between two days, None under two readings.

    Between readings it is interpolated; beyond the last it goes on as between first and last. A
    reading below an earlier one (a counter replaced) starts a new stretch and adds what it shows.
    """
    track = cumulative(counter)
    if len(track) < 2:
        return None
    return _at(track, end) - _at(track, start)


def cumulative(counter: Sequence[CounterReading]) -> list[tuple[date, float]]:
    """Return (day, total since the first reading), one entry a day, a replaced counter bridged."""
    track: list[tuple[date, float]] = []
    total, before = 0.0, None
    for reading in sorted(counter, key=lambda r: (r.on, r.value)):
        if before is not None:
            total += reading.value - before if reading.value >= before else reading.value
        before = reading.value
        if track and track[-1][0] == reading.on:
            track[-1] = (reading.on, total)
        else:
            track.append((reading.on, total))
    return track


def _at(track: Sequence[tuple[date, float]], day: date) -> float:
    first, last = track[0], track[-1]
    span = (last[0] - first[0]).days
    rate = (last[1] - first[1]) / span
    if day <= first[0]:
        return first[1] - rate * (first[0] - day).days
    if day >= last[0]:
        return last[1] + rate * (day - last[0]).days
    for (d0, v0), (d1, v1) in itertools.pairwise(track):
        if d0 <= day <= d1:
            return v0 + (v1 - v0) * (day - d0).days / (d1 - d0).days
    return last[1]  # pragma: no cover - the loop covers every day between


def day_of_count(counter: Sequence[CounterReading], start: date, amount: float) -> date | None:
    """Return the first day on which a counter has gained ``amount`` since ``start``.

    Parameters
    ----------
    counter : sequence of CounterReading
        In any order.
    start : date
        Day of the last work.
    amount : float
        Running hours or starts.

    Returns
    -------
    date or None
        None under two readings on different days, or where the counter stands still and never gets
        there.

    Examples
    --------
    >>> log = [CounterReading(date(2026, 1, 1), 0.0), CounterReading(date(2026, 1, 11), 100.0)]
    >>> day_of_count(log, date(2026, 1, 6), 200.0)
    datetime.date(2026, 1, 26)
    """
    track = cumulative(counter)
    if len(track) < 2:
        return None
    goal = _at(track, start) + amount
    points = [(start, _at(track, start))] + [(d, v) for d, v in track if d > start]
    for (d0, v0), (d1, v1) in itertools.pairwise(points):
        if v1 >= goal - 1e-9 and v1 > v0:
            share = (goal - v0) / (v1 - v0) * (d1 - d0).days
            return d0 + timedelta(days=math.ceil(share - 1e-9))
    rate = (track[-1][1] - track[0][1]) / (track[-1][0] - track[0][0]).days
    if rate <= 0:
        return None
    days = math.ceil((goal - points[-1][1]) / rate - 1e-9)
    if days > 366 * 200:
        return None
    return points[-1][0] + timedelta(days=days)
