"""Blocks to readings: each cell a canonical number, a bound, or missing with a reason."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from combustion.quantities import QUANTITIES
from parsers.clock import block_times, see_dates
from parsers.columns import Ask, Measured, understood
from parsers.errors import Problem
from parsers.model import Bound, Column, NotRead, Phase, Reading
from parsers.numbers import (
    LARGEST,
    Mark,
    Parts,
    Settled,
    is_sentinel,
    no_value,
    settle,
    settle_with,
    split_cell,
    value_of,
)
from parsers.rate_marks import mark_of, why_no_percent_of_name
from parsers.shapes import Block, phase_of
from parsers.times import DateOrder
from parsers.vocabulary import Meaning, folded

_PLAIN = re.compile(r"[-+]?[0-9]+(?:\.[0-9]+)?(?:\n[-+]?[0-9]+(?:\.[0-9]+)?)*")
_PLAIN_COMMA = re.compile(r"[-+]?[0-9]+(?:,[0-9]+)?(?:\n[-+]?[0-9]+(?:,[0-9]+)?)*")
_CERTAIN_COMMA = re.compile(r"(?:^|[-+\n])(?:[0-9]{4,}|0[0-9]*),|,(?:[0-9]{1,2}|[0-9]{4,})(?:\n|$)")
_CERTAIN_POINT = re.compile(
    r"(?:^|[-+\n])(?:[0-9]{4,}|0[0-9]*)\.|\.(?:[0-9]{1,2}|[0-9]{4,})(?:\n|$)"
)


@dataclass(slots=True)
class _Numbers:
    """One measured column: plain numbers, or cells taken apart."""

    column: Measured
    texts: list[str]
    plain: list[float] | None
    parts: list[Parts | None]
    settled: Settled


def _texts(block: Block, i: int) -> list[str]:
    return [s.cells[i] if i < len(s.cells) else "" for s in block.samples]


def _taken_apart(block: Block, i: int) -> tuple[list[str], list[float], list[Parts | None]]:
    """Return a column's texts, its plain numbers, or else its cells taken apart."""
    texts = _texts(block, i)
    whole = "\n".join(texts)
    if all(texts) and max(map(len, texts)) < 40:
        plain: list[float] = []
        if _PLAIN.fullmatch(whole) is not None:
            plain = list(map(float, texts))
        elif _PLAIN_COMMA.fullmatch(whole) is not None and _CERTAIN_COMMA.search(whole) is not None:
            plain = list(map(float, whole.replace(",", ".").split("\n")))
        if plain and max(plain) <= LARGEST and min(plain) >= -LARGEST:
            return texts, plain, []
    return texts, [], [split_cell(t) for t in texts]


def _possible(column: Measured) -> Callable[[float], bool]:
    low, high = QUANTITIES[column.quantity].plausible
    convert = column.convert or next(iter(column.per_cell.values()), None)

    def check(value: float) -> bool:
        return low <= (convert(value) if convert else value) <= high

    return check


_Prepared = tuple[Block, list[Meaning], list[_Numbers]]


def _prepared(blocks: Sequence[Block], ask: Ask) -> tuple[list[Column], list[_Prepared]]:
    account: list[Column] = []
    prepared: list[_Prepared] = []
    for number, block in enumerate(blocks):
        ask.sheet = block.sheet
        apart = {
            i: _taken_apart(block, i) for i, m in enumerate(block.meanings) if m.role == "quantity"
        }
        parts = {i: p for i, (_, _, p) in apart.items() if p}
        meanings, measured, columns = understood(block, number, ask, parts)
        account += columns
        numbers = []
        for column in measured:
            texts, plain, cut = apart[column.index]
            if plain and any("," in t for t in texts):
                settled = Settled(",", "its cells allow only comma")
                numbers.append(_Numbers(column, texts, plain, [], settled))
            elif plain:
                joined = "\n".join(texts)
                certain = "." not in joined or _CERTAIN_POINT.search(joined) is not None
                mark: Mark | Literal["either"] = "." if "." in joined else "either"
                settled = Settled(mark, "its cells allow only point") if certain else settle(texts)
                numbers.append(_Numbers(column, texts, plain, [], settled))
            else:
                bodies = [p.body for p in cut if p is not None and not p.exact]
                numbers.append(_Numbers(column, texts, None, cut, settle(bodies)))
        prepared.append((block, meanings, numbers))
    _settle_marks(prepared, ask)
    return account, prepared


def prepared_blocks(blocks: Sequence[Block], ask: Ask) -> tuple[_Prepared, DateOrder]:
    """Return the first block's meanings and settled columns, and the evidence on dates."""
    _, prepared = _prepared(blocks, ask)
    return prepared[0], see_dates(blocks, ask.options.day_first)


def blocks_read(blocks: Sequence[Block], ask: Ask) -> tuple[list[Column], list[Reading]]:
    """Return the account of all columns, and all readings in the order of the input."""
    account, prepared = _prepared(blocks, ask)
    order = see_dates(blocks, ask.options.day_first)
    readings: list[Reading] = []
    for number, (block, meanings, numbers) in enumerate(prepared):
        ask.sheet = block.sheet
        readings += _readings(number, block, meanings, numbers, order, ask)
    return account, readings


def _settle_marks(
    prepared: Sequence[tuple[Block, list[Meaning], list[_Numbers]]], ask: Ask
) -> None:
    """Settle every column's decimal mark; the file's other columns are evidence."""
    everything = [n for _, _, numbers in prepared for n in numbers]
    stated = ask.options.decimal
    votes: set[Mark] = {n.settled.mark for n in everything if n.settled.mark in (".", ",")}
    for block, _, numbers in prepared:
        for n in numbers:
            place = n.column.place
            if stated in (".", ",") and n.settled.mark == "ambiguous":
                n.settled = Settled(stated, "as stated")  # type: ignore[arg-type]
            if n.settled.mark == "ambiguous":
                bodies = (
                    [t.lstrip("+-") for t in n.texts]
                    if n.plain is not None
                    else [p.body for p in n.parts if p is not None and not p.exact]
                )
                n.settled = settle_with(
                    bodies, n.settled, votes, _possible(n.column), ask.delimiter
                )
                if n.settled.mark == "ambiguous":
                    _ask_mark(block, n, bodies, ask)
                else:
                    mark = "comma" if n.settled.mark == "," else "point"
                    ask.warn(
                        "decimal_mark_by_evidence",
                        f"{n.column.heading!r}: decimal {mark}, because {n.settled.why}",
                        *place,
                    )
            if n.settled.mark == "mixed":
                ask.warn(
                    "decimal_marks_mixed",
                    f"{n.column.heading!r}: {n.settled.why}; cells open to both are not read",
                    *place,
                )
            if n.plain is not None and n.settled.mark == "," and any("." in t for t in n.texts):
                # "1.234" with a decimal comma elsewhere: the point marks thousands.
                n.parts = [split_cell(t) for t in n.texts]
                n.plain = None


def _ask_mark(block: Block, n: _Numbers, bodies: Sequence[str], ask: Ask) -> None:
    k = next((k for k, b in enumerate(n.texts) if "." in b or "," in b), 0)
    sample = block.samples[k]
    line, column = (
        sample.places[n.column.index] if sample.places else (sample.lines[0], n.column.index + 1)
    )
    ask.ambiguous.append(
        Problem(
            "decimal_mark",
            f"the numbers of column {n.column.heading!r} can be read with a decimal mark or with "
            "a mark of thousands, and the two differ",
            "a number that decides, such as 0,5 or 1234.5, in this or another column",
            "State it: --decimal , or --decimal . as the instrument writes it.",
            line,
            column,
            n.texts[k].strip(),
            ask.sheet,
        )
    )
    _ = bodies


def _readings(
    number: int,
    block: Block,
    meanings: Sequence[Meaning],
    numbers: Sequence[_Numbers],
    order: DateOrder,
    ask: Ask,
) -> list[Reading]:
    times = block_times(block, meanings, order, ask)
    roles = {m.role: i for i, m in reversed(list(enumerate(meanings)))}
    phase_default = _preamble_phase(block)
    fuel_default = _preamble_text(
        block, ("fuel", "fuel type", "brennstoff", "combustible", "fuel name")
    )
    burner_default = _preamble_text(
        block, ("burner", "burner no", "brenner", "bruleur", "quemador")
    )
    count = len(block.samples)
    values: list[dict[str, float]] = [{} for _ in range(count)]
    missing: list[dict[str, str]] = [{} for _ in range(count)]
    bounds: list[dict[str, Bound]] = [{} for _ in range(count)]
    at: list[dict[str, tuple[int, int]]] = [{} for _ in range(count)]
    references = {
        n.column.quantity: n.column.reference for n in numbers if n.column.reference is not None
    }
    for n in numbers:
        _fill(block, n, values, missing, bounds, at, ask)
    phase_at, fuel_at = roles.get("phase"), roles.get("fuel")
    burner_at, note_at = roles.get("burner"), roles.get("note")
    done = []
    for k, sample in enumerate(block.samples):
        cells = sample.cells
        phase: Phase | None = sample.phase or phase_default
        if phase_at is not None and phase_at < len(cells) and cells[phase_at].strip():
            phase = _phase_cell(block, k, phase_at, ask)
        place = sample.places
        done.append(
            Reading(
                values[k],
                times.times[k],
                times.source if times.times[k] is not None else "none",
                phase,
                values[k].get("firing_rate"),
                _text(cells, fuel_at) or fuel_default,
                _text(cells, burner_at) or burner_default,
                number,
                sample.lines,
                missing[k],
                bounds[k],
                at[k],
                {q: r for q, r in references.items() if q in values[k] or q in bounds[k]},
                _text(cells, note_at),
                block.sheet,
            )
        )
        _ = place
    return done


def _text(cells: Sequence[str], at: int | None) -> str | None:
    return (cells[at].strip() or None) if at is not None and at < len(cells) else None


def _preamble_phase(block: Block) -> Phase | None:
    for key, value in block.preamble.items():
        if folded(key) in (
            "phase",
            "condition",
            "state",
            "zustand",
            "test phase",
            "fase",
            "etat",
            "stage",
        ):
            return phase_of(value)
    return None


def _preamble_text(block: Block, keys: Sequence[str]) -> str | None:
    return next((v.strip() for k, v in block.preamble.items() if folded(k) in keys), None)


def _phase_cell(block: Block, k: int, column: int, ask: Ask) -> Phase | None:
    sample = block.samples[k]
    text = sample.cells[column].strip()
    found = phase_of(text)
    if found is None:
        heading = folded(block.headings[column])
        if heading not in ("status", "state", "condition", "stage", "estado", "etat", "zustand"):
            line, at = sample.places[column] if sample.places else (sample.lines[0], column + 1)
            ask.not_read.append(
                NotRead(line, at, text, "phase_not_known", "expected as found, trial or as left")
            )
    return found


def _fill(
    block: Block,
    n: _Numbers,
    values: list[dict[str, float]],
    missing: list[dict[str, str]],
    bounds: list[dict[str, Bound]],
    at: list[dict[str, tuple[int, int]]],
    ask: Ask,
) -> None:
    """Put one column's numbers to the readings."""
    column, quantity, i = n.column, n.column.quantity, n.column.index
    convert = column.convert
    low, high = QUANTITIES[quantity].plausible
    outside: list[int] = []
    doubtful: list[tuple[float, tuple[int, int]]] = []
    for k, sample in enumerate(block.samples):
        place = sample.places[i] if sample.places is not None else (sample.lines[0], i + 1)
        unit_convert = convert
        bound = None
        if n.plain is not None:
            number: float | None = n.plain[k]
        else:
            part = n.parts[k]
            text = n.texts[k].strip()
            if part is None:
                mark = mark_of(text) if quantity == "firing_rate" else None
                percent = _marked(mark, text, place, missing[k], ask) if mark else None
                if percent is not None:
                    values[k][quantity], at[k][quantity] = percent, place
                if mark is not None:
                    continue
                reason = no_value(text)
                if reason is not None:
                    if not (reason == "empty" and place[1] == 0):
                        missing[k][quantity] = (
                            "empty cell" if reason == "empty" else f"{reason}: {text}"
                        )
                    if reason == "empty" and place[1] == 0:
                        missing[k][quantity] = "not in this line"
                else:
                    _not_a_number(quantity, text, place, missing[k], ask)
                continue
            number = value_of(part, n.settled.mark)  # type: ignore[arg-type]
            if number is None:
                if n.settled.mark != "ambiguous":
                    _not_a_number(quantity, text, place, missing[k], ask)
                continue
            if part.unit:
                unit_convert = column.per_cell.get(part.unit, convert)
            bound = part.bound
        if number is None:
            continue
        value = number if unit_convert is None or identity(unit_convert) else unit_convert(number)
        if bound is not None:
            bounds[k][quantity] = Bound(above=value) if bound == "above" else Bound(below=value)
            at[k][quantity] = place
            continue
        if not low <= value <= high:
            if is_sentinel(number):
                missing[k][quantity] = f"no reading: {number:g} stands for no value here"
                continue
            outside.append(place[0])
        elif is_sentinel(number) and number > 900:
            doubtful.append((number, place))
        values[k][quantity] = value
        at[k][quantity] = place
    if doubtful:
        ask.warn(
            "maybe_no_value",
            f"{column.heading!r}: {doubtful[0][0]:g} is also a mark for no value; it was kept",
            *doubtful[0][1],
        )
    if outside:
        ask.warn(
            "outside_plausible",
            outside_message(column.heading, quantity, len(outside)),
            outside[0],
            i + 1 if not block.sideways else None,
        )


def outside_message(heading: str, quantity: str, count: int) -> str:
    """Return the warning for values outside the plausible range."""
    low, high = QUANTITIES[quantity].plausible
    return (
        f"{heading!r}: {count} values outside {low:g} to {high:g} {QUANTITIES[quantity].unit}, "
        "kept as read"
    )


def identity(convert: object) -> bool:
    """Return whether a conversion changes nothing."""
    return getattr(convert, "factor", None) == 1.0 and getattr(convert, "offset", None) == 0.0


def _marked(
    mark: str, text: str, place: tuple[int, int], missing: dict[str, str], ask: Ask
) -> float | None:
    """Return the percent of a rate that is a mark, None where nobody said it."""
    ask.rate_marks.setdefault(mark)
    percent = ask.options.marks.get(mark)
    if percent is None:
        why = why_no_percent_of_name(text)
        missing["firing_rate"] = why
        ask.not_read.append(NotRead(place[0], place[1] or None, text, "named_rate", why))
    return percent


def _not_a_number(
    quantity: str, text: str, place: tuple[int, int], missing: dict[str, str], ask: Ask
) -> None:
    if quantity == "firing_rate":
        ask.rate_marks.setdefault(text[:20])
    missing[quantity] = f"not a number: {text!r}"
    ask.not_read.append(
        NotRead(place[0], place[1] or None, text, "not_a_number", missing[quantity])
    )
