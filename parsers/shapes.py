"""Rows to blocks: where headings, units and data stand, upright or on their side.

Every row leaves with a class; nothing is dropped here. How far a shape explains the input is its
score, the number of cells that are numbers under an understood heading; the reader takes the best.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Literal

from combustion.units import is_unit
from parsers.grid import Row
from parsers.model import Phase
from parsers.numbers import NumberCell, no_value, split_cell
from parsers.times import stamp
from parsers.vocabulary import Meaning, folded, meaning

LineClass = Literal["reading", "heading", "units", "preamble", "summary", "blank", "not_read"]

Understand = Callable[[str], Meaning]

PHASE_WORDS: dict[str, Phase] = {
    **dict.fromkeys(
        ("as found", "found", "before", "before adjustment", "before service", "initial", "arrival",
         "vor", "vorher", "vor wartung", "vorgefunden", "vor einstellung", "vor der wartung",
         "avant", "avant reglage", "avant entretien", "etat initial", "trouve", "tel que trouve",
         "antes", "antes del ajuste", "encontrado", "como encontrado", "pre", "af"),
        "as_found",
    ),
    **dict.fromkeys(
        ("as left", "left", "after", "after adjustment", "after service", "final", "departure",
         "nach", "nachher", "nach wartung", "hinterlassen", "nach einstellung", "nach der wartung",
         "apres", "apres reglage", "apres entretien", "etat final", "laisse", "tel que laisse",
         "despues", "despues del ajuste", "dejado", "como dejado", "post", "al"),
        "as_left",
    ),
    **dict.fromkeys(
        ("trial", "adjusting", "adjustment", "tuning", "versuch", "einstellung", "essai", "reglage",
         "prueba", "ajuste"),
        "trial",
    ),
}  # fmt: skip

_SUMMARY = frozenset(
    [
        "mean", "average", "avg", "min", "max", "minimum", "maximum", "std", "stdev", "sd",
        "sum", "total", "count", "median", "range", "deviation", "mittelwert", "mittel",
        "durchschnitt", "summe", "anzahl", "standardabweichung", "moyenne", "somme", "ecart",
        "type", "media", "promedio", "suma", "desviacion", "minimo", "maximo", "minima",
        "maxima", "mw", "stabw", "spread", "var", "variance"
    ]
) | {"std dev", "standard deviation", "ecart type", "min max", "mean value", "average value",
     "valeur moyenne", "valor medio", "statistics", "desviacion estandar"}  # fmt: skip

_MEANS = frozenset(
    ("mean", "average", "avg", "std", "stdev", "median", "mittelwert", "durchschnitt", "moyenne",
     "promedio", "standardabweichung")
)  # fmt: skip
_VALUE = frozenset(("value", "values", "wert", "valeur", "valor", "dev", "of", "all"))

_RULE = re.compile(r"[\s\-=_*+.|~#;,:]*")


def phase_of(text: str) -> Phase | None:
    """Return the phase that a cell names, None where it names none.

    >>> phase_of("As-found"), phase_of("nach Wartung"), phase_of("running")
    ('as_found', 'as_left', None)
    """
    return PHASE_WORDS.get(folded(text))


def is_summary(text: str) -> bool:
    """Return whether a row label names a statistic of the rows above it.

    >>> is_summary("Mean:"), is_summary("Ø"), is_summary("Main")
    (True, True, False)
    """
    bare = text.strip().strip(":. ")
    if len(bare) > 60 or bare[:1].isdigit():
        return False
    if bare[:1] in ("Ø", "ø", "∅", "σ", "Σ") or folded(bare) in _SUMMARY:
        return True
    first, *rest = folded(bare).split() or [""]
    if first in _MEANS:
        return 0 < len(rest) <= 5
    return first in _SUMMARY and bool(rest) and set(rest) <= _VALUE


def numberlike(cell: str) -> bool:
    """Return whether a cell is a number, with a unit or a bound mark or without."""
    cell = cell.strip()
    return bool(cell) and (isinstance(cell, NumberCell) or split_cell(cell) is not None)


@dataclass(slots=True)
class Sample:
    """The cells of one reading, with the place of each where it is not (line, index + 1)."""

    lines: tuple[int, ...]
    cells: Sequence[str]
    places: Sequence[tuple[int, int]] | None = None
    phase: Phase | None = None
    raw: str = ""


@dataclass(slots=True)
class Block:
    """Headings with the samples beneath or beside them."""

    headings: list[str]
    units: list[str | None]
    meanings: list[Meaning]
    heading_places: list[tuple[int, int]]
    samples: list[Sample] = field(default_factory=list)
    sheet: str | None = None
    sideways: bool = False
    keys: frozenset[str] = frozenset()
    preamble: dict[str, str] = field(default_factory=dict)


@dataclass(slots=True)
class Shape:
    """One way of seeing the input."""

    blocks: list[Block]
    classes: dict[int, LineClass]
    not_read: dict[int, tuple[str, str]] = field(default_factory=dict)
    preamble: dict[str, str] = field(default_factory=dict)
    said: list[tuple[str, str, int]] = field(default_factory=list)
    score: float = 0.0


def _known(m: Meaning) -> bool:
    return m.role != "unknown"


def _is_quantity(m: Meaning) -> bool:
    return m.role == "quantity"


def _text_cells(row: Row) -> list[str]:
    return [c for c in row.cells if c.strip()]


def _wordlike(cell: str) -> bool:
    """Return whether a cell can be part of a heading: letters in it, and no number or date."""
    first = cell.lstrip()[:1]
    if first.isdigit() or first in "+-.,<>":
        return not numberlike(cell) and stamp(cell) is None and cell.upper() != cell.lower()
    return cell.upper() != cell.lower() or first in "#%°ληΔ"


def _mostly_words(row: Row) -> bool:
    cells = _text_cells(row)
    return bool(cells) and sum(map(_wordlike, cells)) >= 0.8 * len(cells)


def unit_of_cell(cell: str) -> str | None:
    """Return the unit that a whole cell states, None where it states none.

    >>> unit_of_cell("[°F]"), unit_of_cell("vol.% dry"), unit_of_cell("O2")
    ('°F', 'vol.%', None)
    """
    bare = cell.strip().strip("[](){}<> ").strip()
    if not bare:
        return None
    if is_unit(bare):
        return bare
    for part in re.split(r"[,\s]+", bare):
        if is_unit(part) and part not in ("-", "1") and re.search(r"dry|wet|vol|tr", bare, re.I):
            return part
    return None


def _units_row(row: Row) -> bool:
    cells = _text_cells(row)
    units = sum(unit_of_cell(c) is not None for c in cells)
    # Date patterns such as dd.mm.yyyy stand in unit rows above the time columns.
    patterns = sum(
        bool(re.fullmatch(r"[\[(]?[dDmMyYhHsStTjJaA./:\- ]{4,}[\])]?", c)) for c in cells
    )
    return units >= 1 and units + patterns >= 0.6 * len(cells)


@dataclass(slots=True)
class _Heading:
    texts: list[str]
    units: list[str | None]
    meanings: list[Meaning]
    places: list[tuple[int, int]]
    rows: list[Row]
    unit_row: Row | None
    score: float


def _carried(cells: Sequence[str], width: int) -> list[str]:
    """Return a group row with its texts carried to the empty cells on their right."""
    out, last = [], ""
    for cell in [*cells, *[""] * (width - len(cells))]:
        last = cell.strip() or last
        out.append(last)
    return out


def _combined(
    rows: list[Row], understand: Understand
) -> tuple[list[str], list[Meaning], list[int]]:
    """Return the headings of one to three rows, their meanings, and which row each came from."""
    width = max(len(r.cells) for r in rows)
    last = [c.strip() for c in rows[-1].cells] + [""] * (width - len(rows[-1].cells))
    if len(rows) == 1:
        return last, [understand(c) for c in last], [0] * width
    uppers = [_carried(r.cells, width) for r in rows[:-1]]
    plain = [[c.strip() for c in r.cells] + [""] * (width - len(r.cells)) for r in rows[:-1]]
    texts, meanings, origin = [], [], []
    for i in range(width):
        over = [u[i] if last[i] else p[i] for u, p in zip(uppers, plain, strict=True)]
        joined = " ".join(t for t in [*over, last[i]] if t)
        options = [joined]
        if last[i]:
            options += [" ".join(t for t in [*over[1:], last[i]] if t), last[i]]
        found = [(t, understand(t)) for t in options]
        # The whole stack of words counts first: "CO" over "@ 3 % O2" is not plain CO.
        text, best = next(((t, m) for t, m in found if _known(m)), found[0])
        if text != joined and _qualifies(over):
            best = Meaning("unknown", why=f"{joined!r} is not known, and its parts could mislead")
        texts.append(joined)
        meanings.append(best)
        origin.append(len(rows) - 1 if last[i] else 0)
    return texts, meanings, origin


def _qualifies(over: Sequence[str]) -> bool:
    """Return whether group words change what the word beneath them means."""
    words = set(folded(" ".join(over)).split())
    return bool(
        words
        & {
            "wet",
            "feucht",
            "humide",
            "humedo",
            "corrected",
            "corr",
            "ref",
            "reference",
            "air",
            "free",
            "undiluted",
            "setpoint",
            "target",
            "limit",
            "alarm",
            "room",
            "ambient",
            "intake",
            "supply",
            "return",
            "max",
            "min",
        }
    ) or any(phase_of(t) for t in over)


def _fitting(texts: list[str], meanings: list[Meaning], data: Row) -> int:
    return sum(
        1
        for m, cell in zip(meanings, data.cells, strict=False)
        if _is_quantity(m) and (numberlike(cell) or (cell.strip() and no_value(cell) is not None))
    )


def _heading_before(pending: list[Row], data: Row, understand: Understand) -> _Heading | None:
    """Return the best heading among the rows right before a data row."""
    above = [r for r in pending if _text_cells(r)][-5:]
    unit_row = None
    if above and _units_row(above[-1]) and not _looks_heading(above[-1], understand):
        unit_row = above.pop()
    best: _Heading | None = None
    for back in range(min(2, len(above))):
        stop = len(above) - back
        for size in (1, 2, 3):
            rows = above[max(0, stop - size) : stop]
            if len(rows) < size or not all(map(_mostly_words, rows)):
                break
            alone = size > 1 and len(_text_cells(rows[0])) < 2 < len(_text_cells(rows[-1]))
            if alone and not _qualifies(rows[0].cells):
                break  # a single text above a wide heading is a title, not a group
            texts, meanings, origin = _combined(rows, understand)
            fitting = _fitting(texts, meanings, data)
            known = sum(map(_known, meanings))
            if fitting == 0:
                continue
            lone = known == 1 and len([t for t in texts if t]) > 3
            if lone:
                continue
            score = fitting + 0.3 * known - 0.05 * size - 0.5 * back
            if best is None or score > best.score:
                places = [(rows[o].line, i + 1) for i, o in enumerate(origin)]
                units: list[str | None] = [None] * len(texts)
                if unit_row is not None and back == 0:
                    cells = [*unit_row.cells, *[""] * len(texts)]
                    units = [unit_of_cell(c) for c in cells[: len(texts)]]
                    meanings = [
                        understand("NO") if u and t.strip() == "No" else m
                        for t, u, m in zip(texts, units, meanings, strict=True)
                    ]
                best = _Heading(
                    texts, units, meanings, places, rows, unit_row if back == 0 else None, score
                )
    return best


def _looks_heading(row: Row, understand: Understand) -> bool:
    found = [understand(c) for c in _text_cells(row)]
    return sum(map(_is_quantity, found)) >= max(1, 0.4 * len(found))


def pair_of(row: Row) -> tuple[str, str] | None:
    """Return label and value of a preamble row, None where it is neither."""
    cells = [c.strip() for c in row.cells if c.strip()]
    whole = row.raw.strip(" ;,\t#*-=|")
    if stamp(whole) is not None:
        return "date time", whole
    if len(cells) >= 2 and len(cells[0]) < 60 and ":" not in cells[0].rstrip(":"):
        return cells[0].rstrip(": "), " ".join(cells[1:3]) if len(cells) < 4 else cells[1]
    if len(row.raw) > 300:
        return None
    match = re.match(r"[\s#*/]*([^\s:=#*/][^:=]{1,40}?)\s*[:=]\s*(\S.*)$", row.raw.rstrip(" ;,\t"))
    return (match[1], match[2]) if match else None


def tables(
    rows: Sequence[Row],
    understand: Understand,
    *,
    strict_width: bool = False,
    sheet: str | None = None,
) -> Shape:
    """Return the blocks of upright tables in the rows, and a class for every line.

    Parameters
    ----------
    rows : sequence of Row
        From one delimiter, or one sheet.
    understand : callable
        Heading text to meaning; the vocabulary, or a taught map.
    strict_width : bool
        Rows must have exactly as many cells as the heading (cells split at blanks can shift).
    """
    shape = Shape([], {})
    block: Block | None = None
    head: _Heading | None = None
    quantity_columns: list[int] = []
    phase: Phase | None = None
    pending: list[Row] = []
    fresh = False  # whether a row of words was added to the pending ones since the last look

    def mark(row: Row, kind: LineClass) -> None:
        for n in range(row.line, row.last + 1):
            if not row.head_only:
                shape.classes[n] = kind

    def refuse(row: Row, code: str, why: str) -> None:
        mark(row, "not_read")
        shape.not_read[row.line] = (code, why)

    def settle_pending(*, heading: _Heading | None = None, footer: bool = False) -> None:
        nonlocal phase
        used = [] if heading is None else [r.line for r in heading.rows]
        unit_line = heading.unit_row.line if heading and heading.unit_row else None
        for row in pending:
            cells = _text_cells(row)
            if row.line in used:
                mark(row, "heading")
            elif row.line == unit_line:
                mark(row, "units")
            elif not cells:
                mark(row, "blank")
            elif head is not None and block is not None and _same(row, head):
                mark(row, "heading")
            elif head is not None and _units_row(row) and len(cells) > 1:
                mark(row, "units")
            elif len(cells) <= 2 and (found := _phase_line(row)):
                phase = found
                mark(row, "preamble")
            elif block is not None and _summary_row(row, block):
                mark(row, "summary")
                shape.said.append(
                    ("summary_row", f"a row of statistics, no reading: {row.raw[:60]!r}", row.line)
                )
            elif _RULE.fullmatch(row.raw):
                mark(row, "preamble" if not footer and block is None else "not_read")
                if block is not None:
                    shape.not_read[row.line] = ("separator", "a line of marks only")
            elif heading is not None or block is None:
                mark(row, "preamble")
                pair = pair_of(row)
                if pair is not None:
                    shape.preamble.setdefault(*pair)
            else:
                code = "footer" if footer else "no_value"
                refuse(
                    row,
                    code,
                    "text after the readings" if footer else "no value of a known quantity",
                )
        pending.clear()

    for row in rows:
        cells = row.cells
        if block is not None and _fits(row, block, quantity_columns):
            first_words = _summary_row(row, block)
            if not first_words:
                retitled = None
                if fresh and pending:
                    fresh = False
                    retitled = _heading_before(pending, row, understand)
                if retitled is not None and not _same_heading(retitled, head):
                    settle_pending(heading=retitled)
                    block, head = _new_block(retitled, sheet, shape), retitled
                    quantity_columns = _columns(block)
                elif pending:
                    settle_pending(heading=None)
                _take(row, block, shape, phase, mark, refuse, strict_width)
                continue
            settle_pending()
            mark(row, "summary")
            shape.said.append(
                ("summary_row", f"a row of statistics, no reading: {row.raw[:60]!r}", row.line)
            )
            continue
        if fresh and any(map(numberlike, cells)):
            fresh = False
            found = _heading_before(pending, row, understand)
            if found is not None and not (head and _same_heading(found, head)):
                settle_pending(heading=found)
                block, head = _new_block(found, sheet, shape), found
                quantity_columns = _columns(block)
                if _summary_row(row, block):
                    mark(row, "summary")
                    told = f"a row of statistics, no reading: {row.raw[:60]!r}"
                    shape.said.append(("summary_row", told, row.line))
                    continue
                _take(row, block, shape, phase, mark, refuse, strict_width)
                continue
        pending.append(row)
        fresh = fresh or _mostly_words(row)
    settle_pending(footer=block is not None)
    shape.blocks = [b for b in shape.blocks if b.samples]
    shape.score = _score(shape.blocks) - 0.6 * sum(
        code == "ragged" for code, _ in shape.not_read.values()
    )
    return shape


def _new_block(heading: _Heading, sheet: str | None, shape: Shape) -> Block:
    width = len(heading.texts)
    while width and not heading.texts[width - 1]:
        width -= 1
    block = Block(
        heading.texts[:width],
        heading.units[:width],
        heading.meanings[:width],
        heading.places[:width],
        sheet=sheet,
        preamble=shape.preamble,
    )
    shape.blocks.append(block)
    return block


def _columns(block: Block) -> list[int]:
    return [
        i for i, m in enumerate(block.meanings) if m.role in ("quantity", "derived", "ambiguous")
    ]


def _same(row: Row, head: _Heading) -> bool:
    mine = [folded(c) for c in row.cells if c.strip()]
    return any(mine == [folded(c) for c in r.cells if c.strip()] for r in head.rows)


def _same_heading(one: _Heading, other: _Heading | None) -> bool:
    if other is None:
        return False
    same = [folded(t) for t in one.texts if t] == [folded(t) for t in other.texts if t]
    return same and (one.unit_row is None or one.units == other.units)


def _fits(row: Row, block: Block, columns: list[int]) -> bool:
    """Return whether a row has a number, or only marks for none, under the block's quantities."""
    cells = row.cells
    width = len(cells)
    marks = 0
    filled = 0
    for i in columns:
        if i >= width:
            break
        cell = cells[i]
        if not cell or not cell.strip():
            continue
        filled += 1
        if numberlike(cell):
            return True
        marks += no_value(cell) is not None
    return filled > 0 and marks == filled and width >= min(len(block.headings), 2)


def _summary_row(row: Row, block: Block) -> bool:
    for i, cell in enumerate(row.cells):
        role = block.meanings[i].role if i < len(block.meanings) else "unknown"
        if role in ("note", "quantity"):
            continue
        if cell and not cell[0].isdigit() and is_summary(cell):
            return True
    return bool(row.cells) and is_summary(row.cells[0])


def _phase_line(row: Row) -> Phase | None:
    cells = [c.strip().strip(":*#=-[] ") for c in row.cells if c.strip()]
    for text in (
        " ".join(cells),
        cells[-1] if len(cells) == 2 and meaning(cells[0]).role == "phase" else "",
    ):
        if text and (found := phase_of(text)):
            return found
        after = text.partition(":")[2].strip()
        if after and (found := phase_of(after)):
            return found
    return None


def _take(
    row: Row,
    block: Block,
    shape: Shape,
    phase: Phase | None,
    mark: Callable[[Row, LineClass], None],
    refuse: Callable[[Row, str, str], None],
    strict_width: bool,
) -> None:
    """Put a data row to its block, or refuse it where its cells may stand under wrong headings."""
    width, cells, places = len(block.headings), row.cells, row.places
    if len(cells) > width:
        extra = [c for c in cells[width:] if c.strip()]
        if extra and block.meanings[-1].role == "note" and not strict_width:
            cells = [*cells[: width - 1], ", ".join(cells[width - 1 :])]
            shape.said.append(
                ("note_split", "separators inside the note were put together again", row.line)
            )
        elif extra:
            refuse(
                row,
                "ragged",
                f"{len(cells)} cells under {width} headings: which value belongs where is unclear",
            )
            return
        else:
            cells = cells[:width]
    elif len(cells) < width:
        lacking = block.meanings[len(cells) :]
        if row.cut_off:
            refuse(row, "cut_off", "the last line breaks off before its end")
            return
        if strict_width or any(m.role not in ("note", "unknown", "number") for m in lacking):
            refuse(
                row,
                "ragged",
                f"{len(cells)} cells under {width} headings: which value belongs where is unclear",
            )
            return
        cells = [*cells, *[""] * (width - len(cells))]
    mark(row, "reading")
    lines = tuple(range(row.line, row.last + 1))
    block.samples.append(Sample(lines, cells, places, phase, row.raw))


def _score(blocks: Iterable[Block]) -> float:
    total = 0.0
    for block in blocks:
        columns = [i for i, m in enumerate(block.meanings) if _is_quantity(m)]
        roles = sum(m.role not in ("quantity", "unknown") for m in block.meanings)
        for sample in block.samples:
            total += sum(numberlike(sample.cells[i]) for i in columns if i < len(sample.cells))
        total += 0.1 * roles
    return total


def sideways(
    rows: Sequence[Row], understand: Understand, *, sheet: str | None = None, ticket: bool = False
) -> Shape:
    """Return blocks where the label stands first in each row and the readings beside it.

    A printer's lines (label and one value) are the same shape with one reading; the next ticket
    begins where the first label comes again.
    """
    shape = Shape([], {})
    groups: list[list[tuple[Row, str, str | None, Meaning, int]]] = []
    titles: dict[int, Row] = {}
    title: Row | None = None
    gap = True
    for row in rows:
        cells = [c.strip() for c in row.cells]
        if not any(cells):
            shape.classes[row.line] = "blank"
            gap = True
            continue
        entry = _labelled(row, cells, understand)
        if entry is None:
            for n in range(row.line, row.last + 1):
                shape.classes[n] = "preamble"
            title = row if len([c for c in cells if c]) > 1 else None
            if _phase_line(row) is not None and len([c for c in cells if c]) <= 2:
                fake = Meaning("phase", confidence=1.0, why="a line that names the phase")
                entry = (row, "phase", None, fake, -1)
                if gap or not groups or not groups[-1]:
                    groups.append([])
                groups[-1].append(entry)
                gap = False
                continue
            if _time_line(row):
                whole = Meaning("time", confidence=1.0, why="a line that is a date and time")
                entry = (row, "time", None, whole, -1)
                if _time_first(groups):
                    groups.append([entry])
                elif not any(e[1] == "time" for e in groups[-1]):
                    groups[-1].append(entry)
                gap = False
                continue
            pair = pair_of(row)
            if pair is not None and not groups:
                shape.preamble.setdefault(*pair)
            elif groups and not _RULE.fullmatch(row.raw) and (pair or re.search(r"\d", row.raw)):
                shape.classes[row.line] = "not_read"
                shape.not_read[row.line] = ("not_understood", "no label of a known quantity")
            gap = True
            continue
        first = groups[-1][0] if groups and groups[-1] else None
        labels = {e[1] for e in groups[-1]} if groups else set()
        repeated = entry[1] in labels and (gap or (first is not None and first[1] == entry[1]))
        if not groups or repeated:
            groups.append([])
        if title is not None:
            titles[len(groups) - 1], title = title, None
        groups[-1].append(entry)
        gap = False
    header: list[tuple[Row, str, str | None, Meaning, int]] = []
    for at, group in enumerate(groups):
        quantities = [e for e in group if _is_quantity(e[3])]
        if not quantities:
            header += group
            continue
        group, header = header + group, []
        _sideways_block(group, shape, sheet, titles.get(at))
    for entry in header:
        row = entry[0]
        shape.classes[row.line] = "preamble"
        pair = pair_of(row)
        if pair is not None:
            shape.preamble.setdefault(*pair)
    shape.score = _score(shape.blocks)
    if not ticket and shape.blocks and all(len(b.meanings) == 1 for b in shape.blocks):
        shape.score = 0.0
    return shape


def _time_line(row: Row) -> bool:
    """Return whether a line is nothing but a date with its clock time."""
    found = stamp(row.raw.strip())
    return found is not None and found.numbers is not None and found.clock is not None


def _time_first(groups: list[list[tuple[Row, str, str | None, Meaning, int]]]) -> bool:
    """Return whether a printer puts the time over its values, as the first ticket shows."""
    for group in groups:
        if any(_is_quantity(e[3]) for e in group):
            labels = [e[1] for e in group]
            first = next(n for n, e in enumerate(group) if _is_quantity(e[3]))
            return "time" in labels[:first]
    return True


def _labelled(
    row: Row, cells: list[str], understand: Understand
) -> tuple[Row, str, str | None, Meaning, int] | None:
    """Return (row, label, unit, meaning, index of first value) of a sideways row."""
    start = next((i for i, c in enumerate(cells) if c), 0)
    label = cells[start]
    if numberlike(label) or len(cells) < start + 2:
        return None
    found = understand(label)
    values = start + 1
    unit = unit_of_cell(cells[values]) if cells[values] not in ("-", "1") else None
    if unit is not None and any(c for c in cells[values + 1 :]):
        values += 1
    else:
        unit = None
    if not _known(found):
        return None
    given = [c for c in cells[values:] if c]
    if found.role in ("quantity", "derived", "ambiguous") and not any(
        numberlike(c) or no_value(c) for c in given
    ):
        return None
    return row, label, unit, found, values


def _sideways_block(
    group: list[tuple[Row, str, str | None, Meaning, int]],
    shape: Shape,
    sheet: str | None,
    title: Row | None,
) -> None:
    columns: list[tuple[Row, str, str | None, Meaning, int]] = []
    count = 0
    # Where some rows have a unit cell, an empty one in another row is a unit cell too.
    base = max(e[4] for e in group if _is_quantity(e[3]))
    for row, label, unit, found, start in group:
        if 0 <= start < base and not any(c.strip() for c in row.cells[start:base]):
            start = base
        if start < 0:
            columns.append((row, label, unit, found, start))
            continue
        cells = [c.strip() for c in row.cells]
        while cells and not cells[-1]:
            cells.pop()
        if (
            unit is None
            and len(cells) - start >= 2
            and _is_quantity(found)
            and unit_of_cell(cells[-1]) is not None
            and cells[-1] not in ("-", "1")
        ):
            unit = unit_of_cell(cells[-1])
            cells.pop()
        if found.role == "quantity":
            count = max(count, len(cells) - start)
        columns.append((row, label, unit, found, start))
    block = Block([], [], [], [], sheet=sheet, sideways=True, preamble=shape.preamble)
    lines: list[int] = []
    for row, label, unit, found, start in columns:
        block.headings.append(label)
        block.units.append(unit)
        block.meanings.append(found)
        block.heading_places.append((row.line, max(start, 1)))
        lines += range(row.line, row.last + 1)
        for n in range(row.line, row.last + 1):
            shape.classes[n] = "reading"
    for j in range(count):
        cells, places = [], []
        named = _title_over(columns, title, j, count)
        if named is not None and is_summary(named[0]):
            told = f"a column of statistics, no reading: {named[0]!r}"
            shape.said.append(("summary_column", told, named[1]))
            continue
        for row, _, _, found, start in columns:
            if start < 0:
                cells.append(row.raw.strip())
                places.append((row.line, 1))
                continue
            given = row.cells
            at = start + j
            lone = found.role not in ("quantity", "derived", "ambiguous")
            if lone and count > 1 and len([c for c in given[start:] if c.strip()]) == 1 and j:
                # One value for all readings beside it: a fuel or a date over the whole table.
                at = start
            text = given[at] if at < len(given) else ""
            cells.append(text)
            place = row.places[at] if row.places and at < len(row.places) else (row.line, at + 1)
            places.append(place)
        phase = phase_of(named[0]) if named is not None else None
        block.samples.append(Sample(tuple(lines), cells, places, phase))
    shape.blocks.append(block)


def _title_over(
    columns: list[tuple[Row, str, str | None, Meaning, int]],
    title: Row | None,
    j: int,
    count: int,
) -> tuple[str, int] | None:
    """Return the text over one reading of a sideways table, and its line."""
    start = next((c[4] for c in columns if _is_quantity(c[3])), 1)
    rows = [c[0] for c in columns if c[3].role == "number"] + ([title] if title else [])
    for row in rows:
        # A printer's title line has no cell over the labels.
        at = j if len(row.cells) == count and row.cells[0].strip() != "" else start + j
        text = row.cells[at].strip() if at < len(row.cells) else ""
        if text and (is_summary(text) or phase_of(text)):
            return text, row.line
    return None
