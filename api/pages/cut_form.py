"""From the fields of a cut's form to corrections: only what differs from the cut as it stands.

Field names carry the number of the stretch, from 0: ``end-2`` is where stretch 2 ends. Times are
times of day of the log, or bare seconds since its start.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from datetime import timedelta

from api.cut_chart import clock
from api.pages.numbers import typed_number
from api.problems import ErrorItem, ProblemError
from ingest.cut_operations import CutOperation
from ingest.intake_cuts import LogCut
from parsers import PHASES, Phase

_CLOCK = re.compile(r"^\s*(\d{1,2}):(\d{2})(?::(\d{2}(?:\.\d+)?))?\s*$")
_DAY = 86400.0


def seconds_of(text: str, cut: LogCut, near: float) -> float | None:
    """Return the second of the log that a text names, the one nearest where days repeat it."""
    match = _CLOCK.match(text)
    if match is None:
        try:
            value = float(text)
        except ValueError:
            return None
        return value if math.isfinite(value) else None
    given = timedelta(
        hours=int(match[1]), minutes=int(match[2]), seconds=float(match[3] or 0)
    ).total_seconds()
    start = cut.log.started
    of_day = start.hour * 3600 + start.minute * 60 + start.second + start.microsecond / 1e6
    second = given - of_day
    return second + round((near - second) / _DAY) * _DAY


def _wrong(field: str, message: str, raw: str, expected: str) -> ErrorItem:
    return ErrorItem(message=message, parameter=field, raw=raw[:100], expected=expected)


def _phase(text: str) -> Phase | None:
    return next((p for p in PHASES if p == text), None)


def rate_text(rate: float | None) -> str:
    """Return a firing rate as its field holds it."""
    return "" if rate is None else f"{rate:g}"


def entered(form: Mapping[str, str], cut: LogCut, near: float) -> dict[str, str]:
    """Return the fields of a form that say other than the cut as it stands.

    A new boundary of a log of days is named by its second: another part has another middle than
    ``near`` [s].
    """
    out = {k: form[k][:100] for k in ("phase-all", "split") if form.get(k, "").strip()}
    if float(cut.log.times[-1]) > _DAY / 2 and "split" in out:
        second = seconds_of(out["split"], cut, near)
        out["split"] = out["split"] if second is None else f"{second:.1f}"
    for n, s in enumerate(cut.segments):
        stands = {
            f"end-{n}": clock(cut.log.started, s.end),
            f"rate-{n}": rate_text(s.firing_rate),
            f"phase-{n}": cut.phases.get(s.start, ""),
        } | {f"{tick}-{n}": "" for tick in ("right", "drop", "keep", "join")}
        for name, text in stands.items():
            given = form.get(name, text)[:100]
            if given.strip() != text:
                out[name] = given
    return out


def stretch_of(field: str) -> int | None:
    """Return the number of the stretch that a field is of, None where it is of the whole log.

    >>> stretch_of("end-12"), stretch_of("phase-all")
    (12, None)
    """
    number = field.rpartition("-")[2]
    return int(number) if number.isdecimal() else None


def corrections_from(
    form: Mapping[str, str], cut: LogCut, near: float | None = None
) -> list[CutOperation]:
    """Return the corrections that the form asks for.

    A new boundary goes where its time of day is nearest to ``near`` [s], the middle of the log.

    Raises
    ------
    ProblemError
        Naming every field that cannot be understood.
    """
    wrong: list[ErrorItem] = []
    ends = [s.end for s in cut.segments]
    for n, s in enumerate(cut.segments[:-1]):
        text = form.get(f"end-{n}", "").strip()
        if not text or text == clock(cut.log.started, s.end):
            continue
        second = seconds_of(text, cut, s.end)
        if second is None:
            said = "this is no time for a boundary"
            wrong.append(_wrong(f"end-{n}", said, text, "a time such as 09:12:30"))
        else:
            ends[n] = second
    out = _moves([s.end for s in cut.segments], ends)
    starts = [cut.segments[0].start, *ends[:-1]]
    every = _phase(form.get("phase-all", ""))
    if every is not None:
        out.append(CutOperation("phase", phase=every))
    for n, s in enumerate(cut.segments):
        middle = (starts[n] + ends[n]) / 2
        if s.kind != "plateau":
            if form.get(f"keep-{n}"):
                out.append(CutOperation("keep", middle))
                out += _said_of(form, n, None, None, middle, wrong)
            continue
        if form.get(f"drop-{n}"):
            out.append(CutOperation("drop", middle))
            continue
        shown = cut.phases.get(s.start)
        out += _said_of(form, n, s.firing_rate, shown, middle, wrong)
    out += _split_and_joined(form, cut, ends, near, wrong)
    if wrong:
        raise ProblemError("not-valid", "; ".join(w.message for w in wrong), wrong)
    return out


def _moves(before: list[float], after: list[float]) -> list[CutOperation]:
    """Return moves in an order in which no boundary has to pass a neighbour that moves as well."""
    pairs = [(a, b) for a, b in zip(before, after, strict=True) if a != b]
    later = sorted((p for p in pairs if p[1] > p[0]), reverse=True)
    sooner = sorted(p for p in pairs if p[1] < p[0])
    return [CutOperation("move", a, to=b) for a, b in (*later, *sooner)]


def _said_of(
    form: Mapping[str, str],
    n: int,
    rate: float | None,
    phase: Phase | None,
    middle: float,
    wrong: list[ErrorItem],
) -> list[CutOperation]:
    """Return what is said of one firing point: its rate, or that the proposal is right; phase."""
    out = []
    text = form.get(f"rate-{n}", "").strip().rstrip("%").strip().replace(",", ".")
    if text and (text != rate_text(rate) or form.get(f"right-{n}")):
        try:
            named = typed_number(text)
        except ValueError:
            named = math.nan
        if math.isfinite(named) and 0 <= named <= 110:
            out.append(CutOperation("rate", middle, rate=named))
        else:
            said = "this is no firing rate"
            wrong.append(_wrong(f"rate-{n}", said, text, "percent, from 0 to 110"))
    chosen = _phase(form.get(f"phase-{n}", ""))
    if chosen is not None and chosen != phase:
        out.append(CutOperation("phase", middle, phase=chosen))
    return out


def _split_and_joined(
    form: Mapping[str, str],
    cut: LogCut,
    ends: list[float],
    near: float | None,
    wrong: list[ErrorItem],
) -> list[CutOperation]:
    out = []
    text = form.get("split", "").strip()
    if text:
        middle = float(cut.log.times[-1]) / 2 if near is None else near
        second = seconds_of(text, cut, middle)
        if second is None:
            said = "this is no time for a new boundary"
            wrong.append(_wrong("split", said, text, "a time such as 09:12:30"))
        else:
            out.append(CutOperation("split", second))
    for n in range(len(cut.segments) - 1):
        if form.get(f"join-{n}"):
            out.append(CutOperation("join", ends[n]))
    return out
