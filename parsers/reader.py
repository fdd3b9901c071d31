"""The one entrance: bytes of an analyzer file in, readings and an account of every line out.

The input is seen in every shape that it could have (tables by each delimiter, on the side, a
printer's lines, key=value lines); the shape under which most cells are numbers of a known quantity
is taken. Problems are collected over the whole file and raised together.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

from parsers.build import blocks_read
from parsers.bulk import BULK_BYTES, read_log
from parsers.columns import Ask
from parsers.errors import (
    AmbiguousInput,
    EmptyInput,
    NotAnAnalyzerFile,
    Problem,
    ReadError,
    TooLarge,
    UnitsMissing,
)
from parsers.grid import (
    ALIGNED,
    DELIMITERS,
    WORDS,
    Row,
    pair_rows,
    split_rows,
    ticket_rows,
)
from parsers.maps import fitting_map
from parsers.model import LineCount, NotRead, Reading, ReadResult, ReadWarning
from parsers.options import ReadOptions
from parsers.rate_marks import stepped
from parsers.shapes import Shape, Understand, numberlike, sideways, tables
from parsers.sheets import sheets
from parsers.text import decoded, physical_lines
from parsers.unpack import is_spreadsheet, refuse_foreign, unpacked, wrong_kind
from parsers.vocabulary import meaning

_BLANKS = b"\x00 \t\r\n\xef\xbb\xbf\xff\xfe"


def read(data: bytes, name: str, *, options: ReadOptions = ReadOptions()) -> ReadResult:
    """Return the readings of an analyzer file, and what was not understood of it.

    Parameters
    ----------
    data : bytes
        The untouched bytes, packed or not.
    name : str
        Name of the file, shown in errors; its ending decides nothing.
    options : ReadOptions
        What the person states.

    Raises
    ------
    ReadError
        One of its kinds, with every problem found: file, line, column, raw text, what was
        expected and what to do.

    Examples
    --------
    >>> r = read(b"Load [%];O2 [%];CO [ppm]\\n100;3,1;12\\n50;4,0;8\\n", "a.csv")
    >>> [x.values["o2_dry"] for x in r.readings], r.lines.reading
    ([3.1, 4.0], 2)
    """
    if len(data) >= BULK_BYTES:
        # The hash needs no lock of the interpreter: it runs beside the reading.
        with ThreadPoolExecutor(1) as pool:
            sha256 = pool.submit(lambda: hashlib.sha256(data).hexdigest())
            return replace(_read(data, name, options), sha256=sha256.result())
    return replace(_read(data, name, options), sha256=hashlib.sha256(data).hexdigest())


def _blank(data: bytes) -> bool:
    return not data[:4096].strip(_BLANKS) and not data.strip(_BLANKS)


def _read(data: bytes, name: str, options: ReadOptions) -> ReadResult:
    """Read without the file's hash."""
    sha256 = ""
    if _blank(data):
        raise _empty(name, data)
    refuse_foreign(data, name)
    inner, said = unpacked(data, name, options.max_unpacked)
    if inner is not data:
        if _blank(inner):
            raise _empty(name, inner)
        refuse_foreign(inner, name)
    ask = Ask(name, options, warnings=said)
    if is_spreadsheet(inner):
        return _read_sheets(inner, name, sha256, ask)
    if len(inner) >= BULK_BYTES:
        if inner[:2] in (b"\xff\xfe", b"\xfe\xff"):
            inner = decoded(inner).text.encode()
        log = read_log(inner, ask, _understand, best_shape)
        if log is not None:
            return ReadResult(
                name, sha256, log.lines, log.columns, log.readings, log.not_read,
                [*ask.warnings, *log.warnings], log.preamble, log.rate_marks,
            )  # fmt: skip
    if len(inner) > options.max_careful:
        raise _too_long(name, len(inner), options.max_careful)
    text = decoded(inner)
    ask.warnings += text.warnings
    _refuse_binary(text.text, name)
    lines = physical_lines(text.text)
    cut_off = not text.text.endswith(("\n", "\r"))
    shape, delimiter = best_shape(lines, cut_off, _understand(lines, ask))
    ask.delimiter = delimiter
    if cut_off and shape.classes.get(len(lines)) == "reading":
        ask.warn(
            "no_last_line_end",
            "the last line has no line end: if the file was cut off, its last value may be short",
            len(lines),
        )
    return _result(name, sha256, [(None, shape)], {None: lines}, ask)


def _empty(name: str, data: bytes) -> EmptyInput:
    what = "the file has no bytes" if not data else "the file holds nothing but blanks"
    return EmptyInput(
        name,
        [
            Problem(
                "empty",
                what,
                "a table or list of readings",
                "Export the readings from the instrument again.",
                line=1,
                column=1,
            )
        ],
    )


def _too_long(name: str, size: int, limit: int) -> TooLarge:
    return TooLarge(
        name,
        [
            Problem(
                "too_large",
                f"{size / 1e6:.0f} MB of text that is not one plain table of numbers",
                f"at most {limit / 1e6:.0f} MB of tickets, pairs or tables that need each row "
                "looked at; a plain table with one row of headings may be longer",
                "Hand the file over in parts, or export it as a plain table.",
            )
        ],
    )


def _refuse_binary(text: str, name: str) -> None:
    head = text[:4096]
    odd = sum(c < " " and c not in "\t\n\r\x0b\x0c\x1b" for c in head) + head.count("�")
    if odd > 0.1 * len(head) + 2:
        raise wrong_kind(name, "not text", head[:20])


def _understand(lines: Sequence[str], ask: Ask) -> Understand:
    chosen = fitting_map(lines, ask.options.map, ask.options.maps, ask.name)
    if chosen is None:
        return meaning
    ask.warn("map_used", f"the headings are read by the taught map {chosen.name!r}")
    return chosen.understand


def best_shape(lines: Sequence[str], cut_off: bool, understand: Understand) -> tuple[Shape, str]:
    """Return the shape that explains most of the lines, and its delimiter."""
    best: tuple[Shape, str] | None = None

    def offer(shape: Shape, delimiter: str, handicap: float = 0.0) -> None:
        nonlocal best
        shape.score -= handicap
        if shape.blocks and (best is None or shape.score > best[0].score):
            best = (shape, delimiter)

    for delimiter in _by_promise(lines, understand):
        rows = split_rows(lines, delimiter, cut_off=cut_off)
        upright = tables(rows, understand)
        offer(upright, delimiter)
        if best is not None and best[0] is upright and _explains_all(upright, lines):
            return best
        offer(sideways(rows, understand), delimiter, 0.05)
    if best is None or best[0].score < 0.5 * len(lines):
        # Not plainly a delimited table: the shapes of printers and terminals.
        pairs = pair_rows(lines, cut_off=cut_off)
        if pairs is not None:
            offer(tables(pairs, understand), "=", -0.1)
        offer(sideways(ticket_rows(lines, cut_off=cut_off), understand, ticket=True), "\n", 0.1)
        rows = split_rows(lines, ALIGNED, cut_off=cut_off)
        offer(tables(rows, understand, strict_width=True), ALIGNED, 0.2)
        offer(sideways(rows, understand), ALIGNED, 0.2)
        rows = split_rows(lines, WORDS, cut_off=cut_off)
        offer(tables(rows, understand, strict_width=True), WORDS, 0.3)
        single = split_rows(lines, "\x1f", cut_off=cut_off)
        offer(tables(single, understand), "\x1f", 0.4)
    return best or (Shape([], {}), ";")


def _by_promise(lines: Sequence[str], understand: Understand) -> list[str]:
    """Return the delimiters in the lines, first the one that shows most known headings."""
    promise: dict[str, int] = {}
    head = [line for line in lines[:60] if line and len(line) < 4000]
    for delimiter in DELIMITERS:
        if not any(delimiter in line for line in lines[:200]):
            continue
        promise[delimiter] = max(
            (
                sum(understand(c).role == "quantity" for c in line.split(delimiter))
                for line in head
                if delimiter in line and sum(map(str.isalpha, line)) * 3 > len(line)
            ),
            default=0,
        )
    return sorted(promise, key=lambda d: -promise[d])


def _explains_all(shape: Shape, lines: Sequence[str]) -> bool:
    """Return whether a table leaves so little open that no other shape is sought."""
    if len(shape.blocks) != 1 or not shape.blocks[0].samples:
        return False
    block = shape.blocks[0]
    quantities = sum(m.role == "quantity" for m in block.meanings)
    rows = len(block.samples)
    return (
        quantities >= 2
        and len(shape.not_read) <= 0.1 * rows
        and rows >= 0.8 * (len(lines) - block.samples[0].lines[0] + 1)
        and shape.score >= 0.8 * rows * quantities
    )


def _read_sheets(data: bytes, name: str, sha256: str, ask: Ask) -> ReadResult:
    found: list[tuple[str | None, Shape]] = []
    lines: dict[str | None, Sequence[str]] = {}
    for sheet, rows in sheets(data, name, ask.options.max_unpacked):
        lines[sheet] = [r.raw for r in rows]
        # A row's raw text joins its cells with "; ", which the map's fingerprint splits again.
        understand = _understand(lines[sheet], ask)
        upright = tables(rows, understand, sheet=sheet)
        aside = sideways(rows, understand, sheet=sheet)
        found.append((sheet, upright if upright.score >= aside.score else aside))
    if not found:
        raise _empty(name, b" ")
    ask.delimiter = "\x00"
    return _result(name, sha256, found, lines, ask)


def _nothing(
    name: str, shapes: Sequence[tuple[str | None, Shape]], lines: dict[str | None, Sequence[str]]
) -> NotAnAnalyzerFile:
    """Return the error for an input in which no reading was found."""
    sheet = shapes[0][0]
    given = lines[sheet]
    at, known = 1, False
    # Name the line that looks most like headings, else the first with text.
    best = 0.0
    for n, line in enumerate(given[:200], 1):
        for delimiter in (*DELIMITERS, ALIGNED):
            cells = [c for c in line.split(delimiter) if c.strip()]
            words = [c for c in cells if not numberlike(c)]
            meant = sum(meaning(c).role == "quantity" for c in words)
            weight = 10.0 * meant + (len(words) if len(words) == len(cells) else 0)
            if weight > best and (len(cells) > 1 or meant):
                best, at, known = weight, n, meant > 0
    if best == 0.0:
        at = next((n for n, line in enumerate(given, 1) if line.strip()), 1)
    raw = given[at - 1].strip()[:80] if given else ""
    if known:
        message = "headings of known quantities, but no row of numbers beneath them"
        expected = "at least one row with a number under a known heading"
    else:
        message = "no heading or label names a known quantity"
        expected = (
            "headings such as O2 [%], CO [ppm] or stack temperature [°C], with numbers beneath"
        )
    return NotAnAnalyzerFile(
        name,
        [
            Problem(
                "no_readings" if known else "no_known_quantity",
                message,
                expected,
                "Check that this is the instrument's export; unknown headings can be taught once: "
                "fluebook maps teach.",
                line=at,
                column=1,
                raw=raw,
                sheet=sheet,
            )
        ],
    )


def _result(
    name: str,
    sha256: str,
    shapes: Sequence[tuple[str | None, Shape]],
    lines: dict[str | None, Sequence[str]],
    ask: Ask,
) -> ReadResult:
    blocks = [b for _, s in shapes for b in s.blocks]
    if not blocks:
        raise _nothing(name, shapes, lines)
    account, readings = blocks_read(blocks, ask)
    if ask.units_missing or ask.ambiguous:
        problems = [*ask.units_missing, *ask.ambiguous]
        problems.sort(key=lambda p: (p.line or 0, p.column or 0))
        kind: type[ReadError] = UnitsMissing if ask.units_missing else AmbiguousInput
        raise kind(name, problems)
    called = [c.heading for c in account if c.quantity == "firing_rate"]
    steps: Sequence[str] = ()
    if called:
        readings, steps = stepped(readings, called, ask.options.marks)
    kept = [r for r in readings if r.values or r.bounds]
    for reading in readings:
        if not (reading.values or reading.bounds):
            _without_value(reading, shapes, lines, ask)
    if not kept:
        raise _nothing(name, shapes, lines)
    count, not_read, said = _accounted(shapes, lines)
    whole = {(n.line, n.column) for n in not_read}
    not_read += [n for n in ask.not_read if (n.line, n.column) not in whole]
    not_read.sort(key=lambda n: (n.line, n.column or 0))
    preamble = {k: v for _, s in shapes for k, v in s.preamble.items()}
    return ReadResult(
        name,
        sha256,
        count,
        account,
        kept,
        not_read,
        [*ask.warnings, *said],
        preamble,
        [*ask.rate_marks, *steps],
    )


def _without_value(
    reading: Reading,
    shapes: Sequence[tuple[str | None, Shape]],
    lines: dict[str | None, Sequence[str]],
    ask: Ask,
) -> None:
    """Turn the lines of a reading without any value to lines not read, with the reason."""
    for sheet, shape in shapes:
        if sheet == reading.sheet:
            if any(len(b.samples) > 1 and b.sideways for b in shape.blocks):
                continue
            for line in reading.lines:
                shape.classes[line] = "not_read"
                reasons = "; ".join(f"{q}: {w}" for q, w in list(reading.missing.items())[:3])
                shape.not_read[line] = ("no_value", f"no value in it ({reasons})")
    _ = (lines, ask)


def _accounted(
    shapes: Sequence[tuple[str | None, Shape]], lines: dict[str | None, Sequence[str]]
) -> tuple[LineCount, list[NotRead], list[ReadWarning]]:
    """Return the lines by class, adding up to the physical lines, and the refused ones named."""
    counted: Counter[str] = Counter()
    not_read: list[NotRead] = []
    said: list[ReadWarning] = []
    physical = 0
    for sheet, shape in shapes:
        given = lines[sheet]
        physical += len(given)
        where = "" if sheet is None else f"sheet {sheet!r}: "
        for n, raw in enumerate(given, 1):
            kind = shape.classes.get(n)
            if kind is None or (kind in ("preamble", "not_read") and not raw.strip(" ;,\t|\x1f")):
                kind = "blank" if not raw.strip(" ;,\t|") else "not_read"
            counted[kind] += 1
            if kind == "not_read":
                code, why = shape.not_read.get(n, ("not_understood", "no reading was found in it"))
                not_read.append(NotRead(n, None, raw, code, where + why))
        said += [ReadWarning(c, where + m, n) for c, m, n in shape.said]
    return (
        LineCount(
            physical,
            counted["reading"],
            counted["heading"],
            counted["units"],
            counted["preamble"],
            counted["summary"],
            counted["blank"],
            counted["not_read"],
        ),
        not_read,
        said,
    )


__all__ = ["Row", "best_shape", "read"]
