"""The times of a block: which columns tell them, from which start, in which zone."""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta, timezone, tzinfo

from combustion.units import UnitError, conversion
from parsers.columns import Ask
from parsers.errors import Problem
from parsers.model import TimeSource
from parsers.numbers import split_cell
from parsers.shapes import Block
from parsers.times import (
    DateOrder,
    Stamp,
    day_of,
    elapsed_seconds,
    epoch_time,
    offset_of,
    serial_time,
    stamp,
    stated_zone,
    zone_of,
)
from parsers.vocabulary import Meaning, folded

_START = re.compile(r"\b(start|started|begin|beginn|beginning|debut|inicio|logging since|since)\b")
_DATE_KEY = re.compile(r"\b(date|datum|fecha|day|jour|tag|dia|start|beginn|debut|inicio)\b")
_OTHER_DATE = re.compile(
    r"\b(calibrat\w*|kalibr\w*|etalonnage|service|due|print\w*|export\w*|druck\w*|wartung|firmware|"
    r"software|version|next|manufactur\w*|install\w*|creat\w*)\b"
)
_TIME_KEY = re.compile(r"\b(time|uhrzeit|heure|hora|zeit|start time|startzeit)\b")
_ZONE_KEY = re.compile(r"\b(time ?zone|zeitzone|fuseau\w*|zona horaria|utc offset|tz)\b")


@dataclass(slots=True)
class Times:
    """One time per sample, None where there is none, and where they come from."""

    times: list[datetime | None]
    source: TimeSource = "none"


def see_dates(blocks: Sequence[Block], stated: bool | None) -> DateOrder:
    """Return the evidence on day and month over all blocks of a file."""
    order = DateOrder(stated)
    for block in blocks:
        for i, m in enumerate(block.meanings):
            if m.role in ("time", "date"):
                order.see({s.cells[i] for s in block.samples if i < len(s.cells)})
        order.see(v for k, v in block.preamble.items() if _DATE_KEY.search(folded(k)))
    return order


def _column(block: Block, meanings: Sequence[Meaning], role: str) -> int | None:
    found = [i for i, m in enumerate(meanings) if m.role == role]
    for i in found:
        if any(s.cells[i].strip() for s in block.samples if i < len(s.cells)):
            return i
    return None


def _preamble_date(block: Block, order: DateOrder) -> date | None:
    days = set()
    for key, value in block.preamble.items():
        name = folded(key)
        if _DATE_KEY.search(name) and not _OTHER_DATE.search(name):
            found = stamp(value)
            day = day_of(found, order.verdict) if found else None
            if day:
                days.add(day)
    return days.pop() if len(days) == 1 else None


def _preamble_start(block: Block, order: DateOrder) -> tuple[datetime, Stamp] | None:
    clock: Stamp | None = None
    for key, value in block.preamble.items():
        name = folded(key)
        if _OTHER_DATE.search(name):
            continue
        found = stamp(value)
        if found is None or found.clock is None:
            continue
        day = day_of(found, order.verdict)
        if day is not None and (
            _START.search(name) or _DATE_KEY.search(name) or _TIME_KEY.search(name)
        ):
            return datetime.combine(day, found.clock), found
        if _TIME_KEY.search(name) or _START.search(name):
            clock = found
    day = _preamble_date(block, order)
    if day is not None and clock is not None and clock.clock is not None:
        return datetime.combine(day, clock.clock), clock
    return None


def day_of_clocks(block: Block, order: DateOrder, ask: Ask) -> date | None:
    """Return the day of clock times without a date: stated in the file, or by the person."""
    day = _preamble_date(block, order)
    started = ask.options.started
    return started.date() if day is None and started is not None else day


def _preamble_zone(block: Block) -> tzinfo | None:
    for key, value in block.preamble.items():
        if _ZONE_KEY.search(folded(key)):
            return zone_of(value)
    return None


def _heading_zone(heading: str) -> tzinfo | None:
    match = re.search(
        r"\b(UTC|GMT)\s*([+-]\d{1,2}(?::?\d{2})?)?|[\[(]\s*(Z|[+-]\d{2}:?\d{2})\s*[\])]", heading
    )
    if match is None:
        return None
    offset = offset_of((match[2] or match[3] or match[1]).strip())
    return None if offset is None else timezone(offset)


def block_times(block: Block, meanings: Sequence[Meaning], order: DateOrder, ask: Ask) -> Times:
    """Return the times of all samples of a block; what is doubtful is warned of."""
    n = len(block.samples)
    time_at, date_at = _column(block, meanings, "time"), _column(block, meanings, "date")
    elapsed_at = _column(block, meanings, "elapsed")
    if time_at is not None and meanings[time_at].unit is not None and elapsed_at is None:
        elapsed_at, time_at = time_at, None
    if time_at is None and date_at is None:
        if elapsed_at is not None:
            return _elapsed(block, meanings, elapsed_at, order, ask)
        start = _preamble_start(block, order)
        if start is not None and (block.sideways or n == 1) and n == 1:
            return _zoned([start[0]], [start[1]], block, "", ask)
        return Times([None] * n)
    zone_at, half_at = _column(block, meanings, "zone"), _column(block, meanings, "am_pm")
    day_default = None if date_at is not None else day_of_clocks(block, order, ask)
    naive: list[datetime | None] = []
    stamps: list[Stamp | None] = []
    undated = ambiguous = False
    timeless = 0
    last_day: date | None = None
    carried = timedelta(0)
    previous: datetime | None = None
    for k, sample in enumerate(block.samples):
        cells = sample.cells
        text = cells[time_at].strip() if time_at is not None and time_at < len(cells) else ""
        day_text = cells[date_at].strip() if date_at is not None and date_at < len(cells) else ""
        if half_at is not None and half_at < len(cells) and text:
            text = f"{text} {cells[half_at].strip()}"
        if not text and not day_text:
            timeless = timeless or sample.lines[0]
            naive.append(None)
            stamps.append(None)
            continue
        found = stamp(text) if text else None
        dated = stamp(day_text) if day_text else None
        if found is None and dated is None:
            whole = epoch_time(text or day_text) or serial_time(text or day_text)
            if whole is not None:
                naive.append(whole)
                stamps.append(Stamp(zone="UTC" if whole.tzinfo else None))
                continue
            _bad_time(block, k, time_at if text else date_at, text or day_text, ask)
            naive.append(None)
            stamps.append(None)
            continue
        if dated is not None and dated.clock is not None and found is None:
            found = dated
        source = found if found is not None and found.numbers is not None else dated
        day = day_of(source, order.verdict) if source is not None else None
        if source is not None and source.numbers is not None and day is None:
            if source.order == "?" and order.verdict is None:
                ambiguous = True
            else:
                _bad_time(block, k, date_at if source is dated else time_at, day_text or text, ask)
            naive.append(None)
            stamps.append(None)
            continue
        if day is None:
            day = last_day if date_at is not None and not day_text else day_default
        last_day = day or last_day
        clock = found.clock if found is not None else None
        if clock is None and dated is not None and dated.clock is not None:
            clock = dated.clock
        if day is None or clock is None:
            undated = undated or day is None
            naive.append(None)
            stamps.append(found or dated)
            continue
        when = datetime.combine(day, clock)
        if found is not None and found.next_day:
            when += timedelta(days=1)
        if day_default is not None:
            # Only a clock in the file: past midnight it starts again.
            if previous is not None and previous - (when + carried) > timedelta(hours=12):
                carried += timedelta(days=1)
                ask.warn(
                    "midnight_passed", "the clock passed midnight; a day is added", sample.lines[0]
                )
            when += carried
            previous = when
        mark = found if found is not None and found.offset is not None else dated or found
        if (
            zone_at is not None
            and zone_at < len(cells)
            and mark is not None
            and mark.offset is None
        ):
            offset = offset_of(cells[zone_at])
            mark = Stamp(mark.numbers, mark.order, mark.clock, False, offset, cells[zone_at])
        naive.append(when)
        stamps.append(mark)
    if ambiguous:
        _ask_order(block, date_at if date_at is not None else time_at or 0, order, ask)
    if undated:
        ask.warn(
            "time_without_date",
            "the clock times have no date, in the rows or before them; the readings carry no time",
            block.samples[0].lines[0],
            None if time_at is None else time_at + 1,
        )
    if timeless and any(stamps):
        ask.warn(
            "time_missing",
            "a row without time among rows with one; look whether it is a reading or a summary",
            timeless,
        )
    heading = " ".join(block.headings[i] for i in (time_at, date_at) if i is not None)
    return _zoned(naive, stamps, block, heading, ask)


def _bad_time(block: Block, k: int, column: int | None, text: str, ask: Ask) -> None:
    from parsers.model import NotRead

    sample = block.samples[k]
    place = sample.places[column] if sample.places and column is not None else None
    line, at = place if place else (sample.lines[0], (column or 0) + 1)
    ask.not_read.append(NotRead(line, at, text, "time_not_read", "no date or time that exists"))


def _ask_order(block: Block, column: int, order: DateOrder, ask: Ask) -> None:
    line, at = block.heading_places[column]
    shown = order.open[0] if order.open else ""
    ask.ambiguous.append(
        Problem(
            "date_order",
            "day and month of the dates can be exchanged, and nothing in the file decides",
            "a date with a day above 12 somewhere, ISO dates, or a statement",
            "State it: --day-first or --month-first.",
            block.samples[0].lines[0] if block.samples else line,
            at,
            shown,
            ask.sheet,
        )
    )


def _bare(cell: str) -> str:
    parts = split_cell(cell)
    return cell if parts is None or parts.negative else parts.body


def elapsed_factor(block: Block, meanings: Sequence[Meaning], column: int) -> float | None:
    """Return the seconds in one of an elapsed column's unit, None where it states none."""
    unit = meanings[column].unit or block.units[column]
    words = folded(block.headings[column]).split()
    if unit is None:
        given = {p.unit for s in block.samples if (p := split_cell(s.cells[column])) is not None}
        unit = given.pop() if len(given) == 1 else None
    if unit is None:
        unit = "s" if {"seconds", "sec", "secs", "s"} & set(words) else None
        unit = unit or ("min" if {"minutes", "min"} & set(words) else None)
    if unit is None:
        return None
    try:
        return 0.001 if unit.casefold() == "ms" else conversion(unit, "s").factor
    except UnitError:
        return None


def elapsed_start(block: Block, order: DateOrder, ask: Ask) -> tuple[datetime, Stamp | None] | None:
    """Return the start that elapsed times count from: stated in the file, or by the person."""
    start = _preamble_start(block, order)
    if start is None and ask.options.started is not None:
        return ask.options.started, None
    return start


def _elapsed(
    block: Block, meanings: Sequence[Meaning], column: int, order: DateOrder, ask: Ask
) -> Times:
    n = len(block.samples)
    per_unit = elapsed_factor(block, meanings, column)
    line, at = block.heading_places[column]
    seconds = [
        elapsed_seconds(_bare(s.cells[column]), per_unit) if column < len(s.cells) else None
        for s in block.samples
    ]
    if all(s is None for s in seconds):
        ask.warn("elapsed_without_unit", "the elapsed time has no unit; no times", line, at)
        return Times([None] * n)
    start = elapsed_start(block, order, ask)
    if start is None:
        ask.warn(
            "elapsed_without_start", "elapsed times without a start before them; no times", line, at
        )
        return Times([None] * n)
    naive = [None if s is None else start[0] + timedelta(seconds=s) for s in seconds]
    done = _zoned(list(naive), [start[1]] * n, block, "", ask)
    return Times(done.times, "elapsed")


def _zoned(
    naive: list[datetime | None],
    stamps: Sequence[Stamp | None],
    block: Block,
    heading: str,
    ask: Ask,
) -> Times:
    """Return the times with their offset: from the cell, the heading, the preamble or the site."""
    given = _heading_zone(heading) or _preamble_zone(block)
    source: TimeSource = "file"
    times: list[datetime | None] = []
    site = stated_zone(ask.options.site_zone) if ask.options.site_zone else None
    bare = 0
    folded_hour: int | None = None
    for k, (when, mark) in enumerate(zip(naive, stamps, strict=True)):
        if when is None or when.tzinfo is not None:
            times.append(when)
        elif mark is not None and mark.offset is not None:
            times.append(when.replace(tzinfo=timezone(mark.offset)))
        elif given is not None:
            times.append(when.replace(tzinfo=given))
        elif site is not None:
            bare += 1
            local = when.replace(tzinfo=site)
            if local.utcoffset() != local.replace(fold=1).utcoffset():
                folded_hour = folded_hour or block.samples[k].lines[0]
            times.append(local)
        else:
            bare += 1
            times.append(when)
    if bare and site is not None:
        source = "file_and_site_zone"
        ask.warn(
            "site_zone_used",
            f"the times carry no offset; they are taken in the site's zone {ask.options.site_zone}",
            block.samples[0].lines[0],
        )
        if folded_hour is not None:
            ask.warn(
                "clock_change", "times in the hour of a clock change are not certain", folded_hour
            )
    elif bare:
        ask.warn(
            "no_zone",
            "the times carry no offset, and no zone of a site is stated",
            block.samples[0].lines[0],
        )
    if not any(times):
        return Times(times, "none")
    _jumps(times, block, ask)
    return Times(times, source)


def _jumps(times: Sequence[datetime | None], block: Block, ask: Ask) -> None:
    known = [(t, s.lines[0]) for t, s in zip(times, block.samples, strict=True) if t is not None]
    if block.sideways and len(known) > 1:
        return
    steps = []
    for (a, _), (b, line) in itertools.pairwise(known):
        if (a.tzinfo is None) != (b.tzinfo is None):
            return
        steps.append((b - a, line))
    back = [line for step, line in steps if step < timedelta(0)]
    if back and len(back) == len(steps) and len(steps) > 1:
        ask.warn("newest_first", "the rows run from the newest to the oldest", back[0])
        return
    for line in back[:20]:
        ask.warn("clock_jumped_back", "the time is earlier than that of the row before", line)
