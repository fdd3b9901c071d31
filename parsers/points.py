"""Firing points: readings of one burner, fuel, phase, firing rate and pass, as one figure each.

``assign`` puts rate, phase, fuel and burner on readings that lack them, from what the uploader
states; ``firing_points`` groups readings into points. File order is never assumed ascending, and
a return to the same rate after another one is a new pass, not a duplicate.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from itertools import groupby
from statistics import fmean, stdev
from typing import NamedTuple

from parsers.errors import PointsUnclear, Problem
from parsers.model import Bound, Phase, Reading


@dataclass(frozen=True, slots=True)
class PointKey:
    """What tells one firing point of a visit from another."""

    burner: str
    fuel: str
    phase: Phase
    firing_rate: float
    pass_number: int = 1


class Settled(NamedTuple):
    """One quantity over one firing point.

    ``mean`` and ``spread`` (sample standard deviation, 0 for a single reading) in the canonical
    unit; ``drift`` is the fitted change over the point's span, None under three timed samples;
    ``u_mean`` the standard uncertainty of the mean from scatter, autocorrelation respected; in a
    cut log also from what was left of the step and from the display's rounding.
    """

    mean: float
    spread: float = 0.0
    count: int = 1  # type: ignore[assignment]  # a tuple's own count is of no use here
    drift: float | None = None
    u_mean: float | None = None
    settled: bool | None = None


@dataclass(frozen=True, slots=True)
class FiringPoint:
    """Readings of one key as one point, what rules judge and the store keeps."""

    key: PointKey
    values: Mapping[str, Settled]
    count: int
    started: datetime | None = None
    ended: datetime | None = None
    bounds: Mapping[str, Bound] = field(default_factory=dict)
    missing: Mapping[str, str] = field(default_factory=dict)
    references: Mapping[str, float] = field(default_factory=dict)
    lines: tuple[int, ...] = ()
    readings: tuple[Reading, ...] = ()
    rate_basis: str = "stated"
    """Where the firing rate comes from: stated, file, confirmed, two_signals.

    A mere proposal never enters judging.
    """

    def mean(self, quantity: str) -> float | None:
        """Return the settled mean of a quantity in its canonical unit, None where not read."""
        settled = self.values.get(quantity)
        return None if settled is None else settled.mean

    @property
    def seconds(self) -> float | None:
        """Return the time span in seconds, None without times."""
        if self.started is None or self.ended is None:
            return None
        return (self.ended - self.started).total_seconds()


@dataclass(frozen=True, slots=True)
class LineRange:
    """Physical lines of a file, both ends included, and what the person states about them."""

    first: int
    last: int
    firing_rate: float | None = None
    phase: Phase | None = None
    fuel: str | None = None
    burner: str | None = None


def _place(reading: Reading) -> int | None:
    return reading.lines[0] if reading.lines else None


def _count_problem(rates: Sequence[float], readings: Sequence[Reading]) -> Problem:
    listed = ", ".join(f"{r:g}" for r in rates)
    lines = ", ".join(str(_place(r)) for r in readings[:12] if _place(r) is not None)
    where = f" on lines {lines}{', ...' if len(readings) > 12 else ''}" if lines else ""
    return Problem(
        "rates_do_not_match",
        f"{len(rates)} firing rates are stated for {len(readings)} readings{where}",
        f"one rate for each reading, in the order of the file, and not {listed}",
        "State as many rates as there are readings, or put line ranges to rates.",
        line=_place(readings[-1]) if readings else None,
    )


def assign(
    readings: Sequence[Reading],
    *,
    rates: Sequence[float] | None = None,
    phase: Phase | None = None,
    fuel: str | None = None,
    burner: str | None = None,
    line_ranges: Sequence[LineRange] | None = None,
    file: str = "readings",
) -> list[Reading]:
    """Return the readings with rate, phase, fuel and burner as the person states them.

    Parameters
    ----------
    readings : sequence of Reading
        As read, in file order.
    rates : sequence of float [%], optional
        One for each reading, in file order; a whole log at one rate is a line range.
    phase, fuel, burner : str, optional
        For every reading that does not state its own.
    line_ranges : sequence of LineRange, optional
        Statements about physical lines; they are put first, the rest after.
    file : str
        Name shown in errors.

    Raises
    ------
    PointsUnclear
        If the number of rates is not the number of readings, a stated rate or phase contradicts
        what the file states, a range holds no reading, or ranges overlap.
    """
    problems: list[Problem] = []
    taken = list(readings)
    if rates is not None:
        wanted = list(rates)
        if len(wanted) != len(taken):
            problems.append(_count_problem(rates, taken))
        else:
            taken = [_stated(r, problems, rate=w) for r, w in zip(taken, wanted, strict=True)]
    owner: dict[int, LineRange] = {}
    for span in line_ranges or ():
        inside = [
            i for i, r in enumerate(taken) if any(span.first <= n <= span.last for n in r.lines)
        ]
        if not inside:
            problems.append(
                Problem(
                    "range_without_reading",
                    f"lines {span.first} to {span.last} hold no reading",
                    "a range of lines with readings in it",
                    "Look at fluebook read FILE --explain for the lines of the readings.",
                    line=span.first,
                )
            )
        for i in inside:
            if i in owner:
                problems.append(
                    Problem(
                        "ranges_overlap",
                        f"the line belongs to the ranges {owner[i].first} to {owner[i].last} and "
                        f"{span.first} to {span.last}",
                        "ranges that do not overlap",
                        "Change the ends of one of them.",
                        line=_place(taken[i]),
                    )
                )
            owner[i] = span
            taken[i] = _stated(
                taken[i],
                problems,
                rate=span.firing_rate,
                phase=span.phase,
                fuel=span.fuel,
                burner=span.burner,
            )
    if problems:
        raise PointsUnclear(file, problems)
    return [filled(r, phase=phase, fuel=fuel, burner=burner) for r in taken]


def filled(
    reading: Reading,
    *,
    phase: Phase | None = None,
    fuel: str | None = None,
    burner: str | None = None,
) -> Reading:
    """Return a reading with what it does not state itself; the same one where nothing is added."""
    whole = (reading.phase or phase, reading.fuel or fuel, reading.burner or burner)
    if whole == (reading.phase, reading.fuel, reading.burner):
        return reading  # copying fifteen fields costs more than all the rest of a posted reading
    return replace(reading, phase=whole[0], fuel=whole[1], burner=whole[2])


def _stated(
    reading: Reading,
    problems: list[Problem],
    *,
    rate: float | None = None,
    phase: Phase | None = None,
    fuel: str | None = None,
    burner: str | None = None,
) -> Reading:
    """Return the reading with the statements on it; a contradiction with the file is a problem."""
    if rate is not None and not 0 <= rate <= 110:
        problems.append(
            Problem(
                "rate_out_of_range",
                f"a firing rate of {rate:g} % is stated",
                "percent of the burner's range, 0 to 110",
                "State the rate as the burner's control shows it.",
                line=_place(reading),
            )
        )
    pairs = (
        ("firing rate", reading.firing_rate, rate),
        ("phase", reading.phase, phase),
        ("fuel", reading.fuel, fuel),
        ("burner", reading.burner, burner),
    )
    for what, own, stated in pairs:
        if own is not None and stated is not None and own != stated:
            problems.append(
                Problem(
                    "statement_contradicts_file",
                    f"the file gives {own} as {what}, and {stated} is stated",
                    "one of them",
                    "Leave the statement out, or correct the file.",
                    line=_place(reading),
                )
            )
    return replace(
        reading,
        firing_rate=reading.firing_rate if rate is None else float(rate),
        phase=reading.phase or phase,
        fuel=reading.fuel or fuel,
        burner=reading.burner or burner,
    )


def _ordered(readings: Sequence[Reading]) -> list[Reading]:
    """Return readings by time where every one has a comparable time, else in file order."""
    times = [r.time for r in readings]
    if all(t is not None and t.tzinfo is not None for t in times) or all(
        t is not None and t.tzinfo is None for t in times
    ):
        return sorted(readings, key=lambda r: r.time)  # type: ignore[arg-type,return-value]
    return list(readings)


def refuse_unclear(readings: Sequence[Reading], *, file: str = "readings") -> None:
    """Refuse readings of which no firing points can be made.

    Raises
    ------
    PointsUnclear
        If there is no reading, or one has no firing rate, phase or fuel.
    """
    problems: list[Problem] = []
    if not readings:
        problems.append(
            Problem(
                "no_reading", "there is no reading", "at least one", "Read a file with readings."
            )
        )
    for r in readings:
        if r.firing_rate is not None and r.phase is not None and r.fuel is not None:
            continue
        wanting = [
            what
            for what, value in (
                ("firing rate", r.firing_rate),
                ("phase", r.phase),
                ("fuel", r.fuel),
            )
            if value is None
        ]
        problems.append(
            Problem(
                "point_unclear",
                f"the reading has no {' and no '.join(wanting)}",
                "firing rate, phase (as-found, trial, as-left) and fuel for every reading",
                "State them: --rates 100,75,50,25 (one for each reading), --phase as-left, or "
                "line ranges.",
                line=_place(r),
            )
        )
    if problems:
        raise PointsUnclear(file, problems[:50])


def firing_points(
    readings: Sequence[Reading],
    *,
    fuel: str | None = None,
    burner: str = "1",
    phase: Phase | None = None,
    rate_basis: str | None = None,
    file: str = "readings",
) -> list[FiringPoint]:
    """Return readings grouped to firing points, in the order in which they were taken.

    Parameters
    ----------
    readings : sequence of Reading
        With firing rate, and phase and fuel where no default is given.
    fuel, phase : str, optional
        For readings that state none.
    burner : str
        For readings that state none.
    rate_basis : str, optional
        Kept on the points; by default ``file`` where the rate stands in the file, else ``stated``.
    file : str
        Name shown in errors.

    Raises
    ------
    PointsUnclear
        If a reading has no firing rate, phase or fuel and no default is given.

    Notes
    -----
    Readings are put in order of time where all have one, so that a file written newest first gives
    the same points. Consecutive readings of one key are one point; the same key again after another
    one is the next pass.
    """
    whole = [filled(r, phase=phase, fuel=fuel, burner=burner) for r in readings]
    refuse_unclear(whole, file=file)
    passes: dict[tuple[str, str, str, float], int] = {}
    points = []
    for key, group in groupby(
        _ordered(whole), key=lambda r: (r.burner, r.fuel, r.phase, r.firing_rate)
    ):
        number = passes[key] = passes.get(key, 0) + 1
        points.append(_point(PointKey(*key, number), list(group), rate_basis))
    return points


def _point(key: PointKey, group: list[Reading], rate_basis: str | None) -> FiringPoint:
    if len(group) == 1:
        return _snapshot(key, group[0], rate_basis)
    values: dict[str, Settled] = {}
    for quantity in dict.fromkeys(q for r in group for q in r.values):
        numbers = [r.values[quantity] for r in group if quantity in r.values]
        spread = stdev(numbers) if len(numbers) > 1 else 0.0
        values[quantity] = Settled(
            fmean(numbers), spread, len(numbers), u_mean=spread / len(numbers) ** 0.5
        )
    times = sorted(r.time for r in group if r.time is not None)
    from_file = all("firing_rate" in r.values for r in group)
    return FiringPoint(
        key=key,
        values=values,
        count=len(group),
        started=times[0] if times else None,
        ended=times[-1] if times else None,
        bounds={q: b for r in group for q, b in r.bounds.items()},
        missing={q: w for r in group for q, w in r.missing.items() if q not in values},
        references={q: n for r in group for q, n in r.references.items()},
        lines=tuple(sorted({n for r in group for n in r.lines})),
        readings=tuple(group),
        rate_basis=rate_basis or ("file" if from_file else "stated"),
    )


def _snapshot(key: PointKey, reading: Reading, rate_basis: str | None) -> FiringPoint:
    """Return the point of a single reading: the figures of many, without their statistics."""
    values = {q: Settled(float(n), 0.0, 1, None, 0.0) for q, n in reading.values.items()}
    return FiringPoint(
        key=key,
        values=values,
        count=1,
        started=reading.time,
        ended=reading.time,
        bounds=dict(reading.bounds),
        missing={q: why for q, why in reading.missing.items() if q not in values},
        references=dict(reading.references),
        lines=tuple(sorted(set(reading.lines))),
        readings=(reading,),
        rate_basis=rate_basis or ("file" if "firing_rate" in reading.values else "stated"),
    )
