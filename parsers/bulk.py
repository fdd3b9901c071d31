"""Long logs by column: the head is understood as any file, the body goes through a fast reader.

The body is cut at line ends into chunks. A chunk that is nothing but plain rows is read by pyarrow
(pandas where it is not installed) straight to float64; a chunk with anything else in it is cut
smaller, and what is left goes through the same careful code as a short file. Where the body
contradicts what the head said, everything goes that way.
"""

from __future__ import annotations

import io
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from combustion.quantities import QUANTITIES
from combustion.units import Conversion
from parsers.build import blocks_read, identity, outside_message, prepared_blocks
from parsers.columns import Ask
from parsers.errors import ReadError
from parsers.grid import DELIMITERS, Row, split_rows
from parsers.long_clock import LongClock, added, long_clock, past_midnight
from parsers.model import Column, LineCount, NotRead, Phase, Reading, ReadWarning
from parsers.numbers import LARGEST, is_sentinel, no_value, split_cell
from parsers.rate_marks import (
    ByCode,
    StepReasons,
    are_steps,
    mark_of,
    stepped_reading,
    steps_of,
    why_no_percent_of_name,
)
from parsers.shapes import Block, Understand, is_summary, phase_of, tables
from parsers.table import LogReadings, Table, Words
from parsers.text import decoded, physical_lines

try:
    import pyarrow
    import pyarrow.compute
    import pyarrow.csv
except ImportError:  # the optional extra is not installed
    pyarrow = None

BULK_BYTES = 400_000
"""Shorter input is read by the careful code alone."""

_HEAD = 1 << 15
_CHUNK = 16 << 20
_SMALLEST = 1 << 14
_RATE = "rate"
"""A column of marks that stand for firing rates, among those of words."""


class _NotPlain(Exception):
    """The chunk is not all plain rows."""


class _Contradicted(Exception):
    """The body is not what the head said."""


@dataclass(slots=True)
class _Plan:
    """What the head settled."""

    delimiter: str
    width: int
    measured: dict[str, tuple[int, Conversion | None]]
    clock: LongClock
    words: dict[str, int]
    checked: list[int]
    decimal: str
    day_first: bool | None
    whole_numbers: bool
    heading: list[Row]
    understand: Understand


@dataclass(slots=True)
class _Body:
    """The body as it grows."""

    values: dict[str, NDArray[np.float64]]
    lines: NDArray[np.int64]
    times: NDArray[np.datetime64] | None
    words: dict[str, Words]
    rows: int = 0
    line: int = 1
    fractions: bool = False
    odd: dict[int, Reading] = field(default_factory=dict)
    counted: Counter[str] = field(default_factory=Counter)
    not_read: list[NotRead] = field(default_factory=list)
    said: list[ReadWarning] = field(default_factory=list)
    rate_marks: dict[str, None] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Log:
    """A long log, read."""

    columns: list[Column]
    readings: LogReadings
    lines: LineCount
    not_read: list[NotRead]
    warnings: list[ReadWarning]
    preamble: dict[str, str]
    rate_marks: list[str]


def read_log(data: bytes, ask: Ask, understand_of: Any, shape_of: Any) -> Log | None:
    """Return the log, None where it is not one plain table and needs the careful code.

    Parameters
    ----------
    data : bytes
        Text in UTF-8 or a single-byte code page.
    ask : Ask
        Receives nothing unless a log is returned.
    understand_of, shape_of : callable
        The reader's own functions from lines to meanings, and from lines to the best shape.
    """
    if b"\r" in data and data.count(b"\r") != data.count(b"\r\n"):
        return None
    head_end = data.rfind(b"\n", 0, _HEAD) + 1
    if head_end <= 0:
        return None
    head_text = decoded(data[:head_end])
    own = Ask(ask.name, ask.options, warnings=list(head_text.warnings))
    lines = physical_lines(head_text.text)
    understand = understand_of(lines, own)
    shape, delimiter = shape_of(lines, False, understand)
    if delimiter not in DELIMITERS or len(shape.blocks) != 1 or shape.blocks[0].sideways:
        return None
    block = shape.blocks[0]
    first = block.samples[0].lines[0]
    if block.samples[-1].lines[-1] != len(lines) or any(s.phase for s in block.samples):
        return None
    own.delimiter = delimiter
    account, head_readings = blocks_read([block], own)
    if own.units_missing or own.ambiguous or not head_readings:
        return None
    plan = _planned(block, delimiter, lines, first, own, understand)
    if plan is None:
        return None
    try:
        return _read_body(data, plan, block, first, head_readings, account, own, shape)
    except (_Contradicted, _NotPlain, ReadError):
        return None


def _planned(
    block: Block, delimiter: str, lines: Sequence[str], first: int, own: Ask, understand: Understand
) -> _Plan | None:
    quiet = Ask(own.name, own.options, delimiter)
    (_, meanings, numbers), order = prepared_blocks([block], quiet)
    if any(n.column.per_cell or n.settled.mark in ("mixed", "ambiguous") for n in numbers):
        return None
    votes = {n.settled.mark for n in numbers} - {"either"}
    if len(votes) > 1:
        return None
    decimal = str(votes.pop()) if votes else "."
    clock = long_clock(block, meanings, order, quiet)
    if clock is None:
        return None
    used = {n.column.index for n in numbers} | {*clock.columns, *clock.ignored}
    words = {}
    for i, m in enumerate(meanings):
        if m.role in ("phase", "fuel", "burner", "note"):
            if m.role in words:
                return None
            words[m.role] = i
    for n in numbers:
        if n.column.quantity == "firing_rate" and any(map(mark_of, n.texts)):
            if any(p is not None for p in n.parts):
                return None  # marks and numbers
            words[_RATE] = n.column.index
    return _Plan(
        delimiter,
        len(block.headings),
        {
            n.column.quantity: (n.column.index, n.column.convert)
            for n in numbers
            if n.column.index != words.get(_RATE)
        },
        clock,
        words,
        [i for i in range(len(block.headings)) if i not in used and i not in words.values()],
        decimal,
        order.verdict,
        not any(n.settled.mark in (".", ",") for n in numbers),
        [replace_row(r) for r in split_rows(lines[: first - 1], delimiter)],
        understand,
    )


def replace_row(row: Row) -> Row:
    """Return the row as context only: its lines are accounted for already."""
    row.head_only = True
    return row


def _read_body(
    data: bytes,
    plan: _Plan,
    block: Block,
    first: int,
    head: Sequence[Reading],
    account: list[Column],
    own: Ask,
    shape: Any,
) -> Log:
    start = 0
    for _ in range(first - 1):
        start = data.index(b"\n", start) + 1
    chunks = list(_chunks(data, start))
    count = sum(rows for _, _, rows in chunks) + (not data.endswith(b"\n"))
    zone = next((r.time.tzinfo for r in head if r.time is not None), None)
    body = _Body(
        {q: np.empty(count) for q in plan.measured},
        np.empty(count, dtype=np.int64),
        np.empty(count, dtype="datetime64[us]") if plan.clock.kept else None,
        {role: Words(np.zeros(count, dtype=np.int32)) for role in plan.words},
        line=first,
    )
    view = memoryview(data)
    for begin, end, rows in chunks:
        _chunk(view[begin:end], data, begin, end, rows, plan, body, own)
    n = body.rows
    if n == 0:
        raise _Contradicted
    table = Table(
        {q: v[:n] for q, v in body.values.items()},
        body.lines[:n],
        None if body.times is None else body.times[:n],
        zone,
    )
    reasons: dict[str, Mapping[int, str]] = {**_cleaned(table, plan, body, own)}
    marks = _rates(table, plan, body, own, reasons, account)
    if plan.whole_numbers and any(
        bool(np.any(v[np.isfinite(v)] % 1)) for v in table.values.values()
    ):
        raise _Contradicted
    if plan.clock.carried and table.times is not None:
        _over_midnight(table, body)
    _clock(table, body)
    references = {
        q: r
        for q, r in ((c.quantity, block.meanings[c.index].reference_o2) for c in account)
        if q is not None and r is not None
    }
    typical = head[0]
    phases = body.words.pop("phase", None)
    readings = LogReadings(
        table,
        {c.quantity: c.index + 1 for c in account if c.quantity is not None},
        source=next((r.time_source for r in head if r.time is not None), "none"),
        odd=body.odd,
        reasons=reasons,
        references=references,
        phases=phases,
        phase_names={t: phase_of(t) for t in (phases.texts if phases else []) if t},
        texts=body.words,
        stated={
            "fuel": typical.fuel if "fuel" not in plan.words else None,
            "burner": typical.burner if "burner" not in plan.words else None,
        },
        phase=_stated_phase(typical, plan),
    )
    before = Counter(shape.classes.get(k, "blank") for k in range(1, first))
    total = before + body.counted
    refused = [
        NotRead(k, None, "", *shape.not_read.get(k, ("not_understood", "no reading in it")))
        for k in range(1, first)
        if shape.classes.get(k) == "not_read"
    ]
    lines = LineCount(
        sum(total.values()),
        total["reading"],
        total["heading"],
        total["units"],
        total["preamble"],
        total["summary"],
        total["blank"],
        total["not_read"],
    )
    kept = {"outside_plausible", "maybe_no_value", "clock_jumped_back", "newest_first"}
    kept |= {"midnight_passed"} if plan.clock.carried else set()
    said = [w for w in own.warnings if w.code not in kept]
    return Log(account, readings, lines, [*refused, *body.not_read], [*said, *body.said],
               shape.preamble, marks)  # fmt: skip


def _rates(
    table: Table,
    plan: _Plan,
    body: _Body,
    own: Ask,
    reasons: dict[str, Mapping[int, str]],
    account: Sequence[Column],
) -> list[str]:
    """Put the percent of marks to the rate's column, and return the marks."""
    met = (*own.rate_marks, *body.rate_marks)
    words = body.words.pop(_RATE, None)
    if words is not None:
        shown = _rates_in_words(words, table, body, own.options.marks, reasons)
    elif "firing_rate" in table.values:
        headings = " ".join(c.heading for c in account if c.quantity == "firing_rate")
        shown = _rates_in_numbers(headings, table, plan, body, own, reasons)
    else:
        return []
    return list(dict.fromkeys((*met, *shown)))


def _rates_in_words(
    words: Words,
    table: Table,
    body: _Body,
    percents: Mapping[str, float],
    reasons: dict[str, Mapping[int, str]],
) -> list[str]:
    """Make the rate's column of its words, and return the marks and what else stands there."""
    named = [mark_of(t) if t else None for t in words.texts]
    unknown = [t[:20] for t, m in zip(words.texts, named, strict=True) if t and not m]
    unknown = [t for t in unknown if no_value(t) is None]
    if any(split_cell(t) is not None for t in unknown):
        raise _Contradicted  # numbers behind marks: the careful code reads both
    known = np.array([percents.get(m, np.nan) if m else np.nan for m in named])
    rates = known[words.codes[: body.rows]]
    for i, reading in body.odd.items():
        rates[i] = reading.values.get("firing_rate", np.nan)
    table.values = {**table.values, "firing_rate": rates}
    texts = [
        None if t is None or m in percents else _why_no_rate(t, m)
        for t, m in zip(words.texts, named, strict=True)
    ]
    reasons["firing_rate"] = ByCode(words.codes, texts)
    return [*(m for m in named if m), *unknown]


def _rates_in_numbers(
    headings: str,
    table: Table,
    plan: _Plan,
    body: _Body,
    own: Ask,
    reasons: dict[str, Mapping[int, str]],
) -> list[str]:
    """Put the percent of steps in their place, and return the steps, none in a log in percent."""
    column, percents = table.values["firing_rate"], own.options.marks
    if not are_steps(column, headings):
        convert = plan.measured["firing_rate"][1]
        most = float(np.nanmax(column, initial=0.0))
        if (
            0 < most <= 1
            and (convert is None or identity(convert))
            and "firing_rate" not in own.options.units
        ):
            raise _Contradicted  # percent or shares: the careful code asks
        return []
    reasons["firing_rate"] = StepReasons(column.copy())
    steps = steps_of(column)
    for i, reading in body.odd.items():
        body.odd[i] = stepped_reading(reading, percents)
    moved = np.full(len(column), np.nan)
    for step in steps:
        moved[column == float(step)] = percents.get(step, np.nan)
    table.values = {**table.values, "firing_rate": moved}
    return steps


def _why_no_rate(text: str, mark: str | None) -> str:
    """Return why a row with this text under the rate has none, as the careful code says it."""
    if mark is not None:
        return why_no_percent_of_name(text)
    reason = no_value(text)
    return f"not a number: {text!r}" if reason is None else f"{reason}: {text}"


def _stated_phase(typical: Reading, plan: _Plan) -> Phase | None:
    return typical.phase if "phase" not in plan.words else None


def _line_ends(data: bytes, start: int, end: int) -> int:
    # Faster than bytes.count where the byte is frequent.
    return int(np.count_nonzero(np.frombuffer(data, np.uint8, end - start, start) == 10))


def _chunks(data: bytes, start: int) -> Iterator[tuple[int, int, int]]:
    """Yield (start, end, line ends) of pieces that end at a line end."""
    while start < len(data):
        end = min(start + _CHUNK, len(data))
        end = end if end == len(data) else data.rfind(b"\n", start, end) + 1
        if end <= start:
            raise _Contradicted
        yield start, end, _line_ends(data, start, end)
        start = end


def _chunk(
    view: memoryview,
    data: bytes,
    start: int,
    end: int,
    rows: int,
    plan: _Plan,
    body: _Body,
    own: Ask,
) -> None:
    """Read one chunk, the fast way or cut smaller."""
    try:
        if end - start < 1024 or not data.endswith(b"\n", start, end):
            raise _NotPlain
        quotes = data.find(b'"', start, end) >= 0
        if pyarrow is None and not quotes:
            # pandas fills rows that are too short: the delimiters tell. pyarrow refuses them.
            marks = np.frombuffer(data, np.uint8, end - start, start) == ord(plan.delimiter)
            if int(np.count_nonzero(marks)) != rows * (plan.width - 1):
                raise _NotPlain
        _plain(view, rows, quotes, plan, body)
    except _NotPlain:
        if end - start <= _SMALLEST:
            _careful(bytes(view), plan, body, own)
            return
        step = max((end - start) // 8, _SMALLEST // 2)
        at = start
        while at < end:
            stop = min(at + step, end)
            if stop < end:
                stop = data.find(b"\n", stop, end) + 1 or end
            piece = view[at - start : stop - start]
            _chunk(piece, data, at, stop, _line_ends(data, at, stop), plan, body, own)
            at = stop


def _sized(array: NDArray[np.float64]) -> bool:
    """Return whether all are numbers, and none beyond what anything measures."""
    return not len(array) or bool(array.min() >= -LARGEST and array.max() <= LARGEST)


def _plain(view: memoryview, rows: int, quotes: bool, plan: _Plan, body: _Body) -> None:
    n = body.rows
    parse = _by_pyarrow if pyarrow is not None else _by_pandas
    columns, texts = parse(view, rows, quotes, plan)
    whole = False
    measured = {i for i, _ in plan.measured.values()}
    for i, array in columns.items():
        if _sized(array):
            # A measured column without an empty cell: no row is without a value.
            whole |= i in measured
            kept = array
        else:
            kept = array[~np.isnan(array)]
            if not _sized(kept):
                raise _NotPlain
        body.fractions |= plan.whole_numbers and bool(np.any(kept % 1))
    if plan.clock.columns:
        times = plan.clock.times([texts[i] for i in plan.clock.columns])
        if times is None:
            raise _NotPlain
        if body.times is not None:
            body.times[n : n + rows] = times
    for role, i in plan.words.items():
        _coded(body.words[role], texts[i], n, role not in ("note", _RATE))
    # A row of marks or nothing under every quantity is no reading: the careful code names it.
    empty = np.ones(rows, dtype=bool)
    for quantity, (i, convert) in plan.measured.items():
        array = columns[i]
        if not whole:
            empty &= np.isnan(array)
        out = body.values[quantity][n : n + rows]
        if convert is None or identity(convert):
            out[:] = array
        else:
            np.multiply(array, convert.factor, out=out)
            out += convert.offset
    if not whole and empty.any():
        raise _NotPlain
    body.lines[n : n + rows] = np.arange(body.line, body.line + rows)
    body.rows += rows
    body.line += rows
    body.counted["reading"] += rows


def _coded(words: Words, texts: Any, n: int, guarded: bool) -> None:
    """Put a text column's codes to the body; a summary word sends the chunk the careful way."""
    listed = (
        texts.to_pylist() if pyarrow is not None and hasattr(texts, "to_pylist") else list(texts)
    )
    known = {t: c for c, t in enumerate(words.texts)}
    codes = np.empty(len(listed), dtype=np.int32)
    for k, text in enumerate(listed):
        text = (text or "").strip() or None
        code = known.get(text)
        if code is None:
            if guarded and text is not None and is_summary(text):
                raise _NotPlain
            code = known[text] = len(words.texts)
            words.texts.append(text)
        codes[k] = code
    words.codes[n : n + len(listed)] = codes


def _by_pyarrow(
    view: memoryview, rows: int, quotes: bool, plan: _Plan
) -> tuple[dict[int, NDArray[np.float64]], dict[int, Any]]:
    names = [str(i) for i in range(plan.width)]
    texts = [*plan.clock.columns, *plan.words.values()]
    measured = [i for i, _ in plan.measured.values()]
    types = {str(i): pyarrow.float64() for i in (*measured, *plan.checked)}
    types |= {str(i): pyarrow.string() for i in plan.words.values()}
    types |= {str(i): pyarrow.binary() for i in plan.clock.columns}
    try:
        table = pyarrow.csv.read_csv(
            pyarrow.BufferReader(pyarrow.py_buffer(view)),
            read_options=pyarrow.csv.ReadOptions(column_names=names, block_size=1 << 21),
            parse_options=pyarrow.csv.ParseOptions(
                delimiter=plan.delimiter,
                quote_char='"' if quotes else False,
                double_quote=True,
                newlines_in_values=False,
                ignore_empty_lines=False,
            ),
            convert_options=pyarrow.csv.ConvertOptions(
                column_types=types,
                null_values=[""],
                strings_can_be_null=False,
                decimal_point=plan.decimal,
                include_columns=list(types),
            ),
        )
    except (pyarrow.ArrowInvalid, pyarrow.ArrowKeyError, pyarrow.ArrowNotImplementedError):
        raise _NotPlain from None
    if table.num_rows != rows:
        raise _NotPlain
    numbers = {}
    for i in (*measured, *plan.checked):
        column = table.column(str(i))
        # Nulls become NaN; a written "nan" is told from an empty cell by the careful code.
        array = column.to_numpy()
        if not np.isfinite(array).all() and column.null_count != int(np.isnan(array).sum()):
            raise _NotPlain
        numbers[i] = array
    return numbers, {i: table.column(str(i)).combine_chunks() for i in texts}


def _by_pandas(
    view: memoryview, rows: int, quotes: bool, plan: _Plan
) -> tuple[dict[int, NDArray[np.float64]], dict[int, Any]]:
    import pandas

    if quotes:
        raise _NotPlain
    texts = [*plan.clock.columns, *plan.words.values()]
    measured = [i for i, _ in plan.measured.values()]
    kinds: dict[int, Any] = dict.fromkeys((*measured, *plan.checked), np.float64)
    kinds |= dict.fromkeys(texts, object)
    # Before version 3 the reader's default way of reading digits is not exact to the last bit.
    exact: Any = {}
    if int(pandas.__version__.split(".")[0]) < 3:
        exact["float_precision"] = "round_trip"
    try:
        frame = pandas.read_csv(
            io.BytesIO(view),
            sep=plan.delimiter,
            header=None,
            usecols=sorted(kinds),
            dtype=kinds,
            decimal=plan.decimal,
            engine="c",
            **exact,
            keep_default_na=False,
            na_values=[""],
            skip_blank_lines=False,
            quoting=3,
        )
    except (ValueError, UnicodeDecodeError, OverflowError):
        raise _NotPlain from None
    if len(frame) != rows:
        raise _NotPlain
    numbers = {i: frame[i].to_numpy() for i in (*measured, *plan.checked)}
    return numbers, {i: [c if isinstance(c, str) else "" for c in frame[i].tolist()] for i in texts}


def _careful(piece: bytes, plan: _Plan, body: _Body, own: Ask) -> None:
    """Read a piece of the body as any short file under the head's headings."""
    text = decoded(piece)
    lines = physical_lines(text.text)
    cut_off = not piece.endswith(b"\n")
    rows = split_rows(lines, plan.delimiter, first_line=body.line, cut_off=cut_off)
    shape = tables([*plan.heading, *rows], plan.understand)
    if len(shape.blocks) > 1:
        raise _Contradicted
    options = replace(own.options, decimal=plan.decimal, day_first=plan.day_first)
    ask = Ask(own.name, options, plan.delimiter, piece=True)
    readings: list[Reading] = []
    if shape.blocks:
        block = shape.blocks[0]
        if block.headings and len(block.headings) != plan.width:
            raise _Contradicted
        _, readings = blocks_read([block], ask)
        if ask.units_missing or ask.ambiguous:
            raise _Contradicted
    refused = {}
    for r in readings:
        if r.values or r.bounds:
            _put(r, plan, body)
        else:
            for line in r.lines:
                shape.classes[line] = "not_read"
                refused[line] = ("no_value", "no value in it")
    for k, raw in enumerate(lines, body.line):
        kind = shape.classes.get(k)
        if kind is None or (kind in ("preamble", "not_read") and not raw.strip(" ;,\t|")):
            kind = "blank" if not raw.strip(" ;,\t|") else "not_read"
        body.counted[kind] += 1
        if kind == "not_read":
            code, why = refused.get(k) or shape.not_read.get(
                k, ("not_understood", "no reading was found in it")
            )
            body.not_read.append(NotRead(k, None, raw, code, why))
    body.not_read += ask.not_read
    body.rate_marks |= ask.rate_marks
    body.said += [ReadWarning(c, m, k) for c, m, k in shape.said]
    body.said += [
        w
        for w in text.warnings
        if w.code != "encoding_assumed" and w.code not in {x.code for x in body.said}
    ]
    body.line += len(lines)


def _put(reading: Reading, plan: _Plan, body: _Body) -> None:
    n = body.rows
    for quantity, column in body.values.items():
        column[n] = reading.values.get(quantity, np.nan)
    body.lines[n] = reading.lines[0]
    if body.times is not None:
        wall = reading.time
        body.times[n] = np.datetime64("NaT") if wall is None else np.datetime64(_wall(wall))
    body.odd[n] = reading
    body.rows += 1
    _ = plan


def _wall(time: datetime) -> datetime:
    return time.replace(tzinfo=None)


def _cleaned(table: Table, plan: _Plan, body: _Body, own: Ask) -> dict[str, dict[int, str]]:
    """Take marks such as -999 out of the columns, and warn of what is outside the plausible."""
    reasons: dict[str, dict[int, str]] = {}
    for quantity, column in table.values.items():
        index, convert = plan.measured[quantity]
        low, high = QUANTITIES[quantity].plausible
        with np.errstate(invalid="ignore"):
            least, most = np.nanmin(column, initial=np.inf), np.nanmax(column, initial=-np.inf)
            if least >= low and most <= high:
                continue
            rows = np.flatnonzero((column < low) | (column > high))
        outside = []
        for i in rows.tolist():
            given = float(column[i])
            if convert is not None:
                given = round((given - convert.offset) / convert.factor, 6)
            if i not in body.odd and is_sentinel(given):
                reasons.setdefault(quantity, {})[i] = (
                    f"no reading: {given:g} stands for no value here"
                )
                column[i] = np.nan
            else:
                outside.append(i)
        if outside:
            body.said.append(
                ReadWarning(
                    "outside_plausible",
                    outside_message(quantity, quantity, len(outside)),
                    int(table.lines[outside[0]]),
                    index + 1,
                )
            )
    _ = own
    return reasons


def _over_midnight(table: Table, body: _Body) -> None:
    """Add a day wherever clock times without a date start again, and warn of it."""
    if table.times is None:
        return
    days = past_midnight(table.times)
    table.times += days.astype("timedelta64[D]")
    for i, reading in body.odd.items():
        if i < len(days) and days[i] and reading.time is not None:
            body.odd[i] = replace(reading, time=added(reading.time, int(days[i])))
    dates = table.times.astype("datetime64[D]")
    known = np.flatnonzero(~np.isnat(dates))
    turns = known[1:][np.diff(dates[known]) > np.timedelta64(0, "D")]
    body.said += [
        ReadWarning(
            "midnight_passed",
            "the clock passed midnight; a day is added",
            int(table.lines[i]),
        )
        for i in turns.tolist()
    ]


def _clock(table: Table, body: _Body) -> None:
    """Warn of times that jump back."""
    if table.times is None or len(table.times) < 2:
        return
    steps = np.diff(table.times.astype(np.int64))
    known = ~(np.isnat(table.times[1:]) | np.isnat(table.times[:-1]))
    back = np.flatnonzero((steps < 0) & known)
    if not len(back):
        return
    if len(back) == len(steps):
        body.said.append(
            ReadWarning(
                "newest_first", "the rows run from the newest to the oldest", int(table.lines[1])
            )
        )
        return
    body.said += [
        ReadWarning(
            "clock_jumped_back",
            "the time is earlier than that of the row before",
            int(table.lines[i + 1]),
        )
        for i in back[:20].tolist()
    ]
