"""Columns of a block: one quantity each, in a known unit, or refused with what to do about it."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from combustion.quantities import QUANTITIES
from combustion.units import Conversion, UnitError, conversion, is_unit
from parsers.errors import Problem
from parsers.model import Column, NotRead, ReadWarning
from parsers.numbers import Parts, split_cell
from parsers.options import ReadOptions
from parsers.shapes import Block
from parsers.vocabulary import Meaning, folded

# Common practice: analyzers give O2 and CO2 in percent by volume and trace gases in ppm; a bare
# number for anything else (a temperature, a pressure, an input) is refused.
_ASSUMED = ("%", "ppm")

_MOLAR_MASS = {  # g/mol, IUPAC conventional atomic weights (memory)
    "co_dry": (28.010, "CO"),
    "no_dry": (30.006, "NO"),
    "no2_dry": (46.0055, "NO2"),
    "nox_dry": (46.0055, "NOx counted as NO2"),
    "so2_dry": (64.06, "SO2"),
}
_MOLAR_VOLUME = 22.414  # L/mol of an ideal gas at 0 degC and 101.325 kPa (memory)

_PER_HEAT = re.compile(r"mg/|/\s*(?:mm|k)?btu|/\s*[km]?j\b|/\s*kwh", re.IGNORECASE)
"""Emission per heat or volume: cannot be ppm without the fuel or conditions, and is left out."""

_UNIT_KEYS = (
    "unit",
    "units",
    "einheit",
    "einheiten",
    "unite",
    "unites",
    "unidad",
    "unidades",
    "scale",
)


@dataclass(slots=True)
class Ask:
    """What the whole file shares while it is read: statements, findings, problems."""

    name: str
    options: ReadOptions
    delimiter: str = ";"
    warnings: list[ReadWarning] = field(default_factory=list)
    not_read: list[NotRead] = field(default_factory=list)
    units_missing: list[Problem] = field(default_factory=list)
    ambiguous: list[Problem] = field(default_factory=list)
    sheet: str | None = None
    rate_marks: dict[str, None] = field(default_factory=dict)
    """Marks that stand for a firing rate in place of a percent, in the order they were met."""
    piece: bool = False
    """Whether what is read is a piece of a file, which says nothing of its columns as a whole."""

    def warn(
        self, code: str, message: str, line: int | None = None, column: int | None = None
    ) -> None:
        """Keep a warning; the sheet is named in its text where there is one."""
        if self.sheet is not None:
            message = f"sheet {self.sheet!r}: {message}"
        self.warnings.append(ReadWarning(code, message, line, column))


@dataclass(slots=True)
class Measured:
    """One column that is a quantity."""

    index: int
    quantity: str
    unit: str | None
    convert: Conversion | None
    per_cell: dict[str, Conversion]
    place: tuple[int, int]
    heading: str
    reference: float | None = None


def normal_conditions_factor(quantity: str) -> float | None:
    """Return ppm per mg/m3 at 0 degC and 101.325 kPa, None for another quantity.

    >>> round(normal_conditions_factor("co_dry"), 3)
    0.8
    """
    known = _MOLAR_MASS.get(quantity)
    return None if known is None else _MOLAR_VOLUME / known[0]


def _convert(unit: str, quantity: str, heading: str) -> tuple[Conversion | None, str]:
    """Return the conversion to the canonical unit, or None and why not."""
    canonical = QUANTITIES[quantity].unit
    try:
        return conversion(unit, canonical), ""
    except UnitError as error:
        folded_unit = unit.casefold().replace(" ", "").replace("³", "3")
        base = quantity
        if folded_unit in ("mg/nm3", "mg/m3"):
            normal = folded_unit == "mg/nm3" or any(
                w in heading.casefold()
                for w in ("0°c", "0 °c", "1013", "101.3", "norm", "stp", "ntp")
            )
            factor = normal_conditions_factor(base)
            if factor is not None and normal:
                return Conversion(factor, 0.0), ""
            if factor is not None:
                return None, "mg/m3 needs its conditions (0 degC, 101.325 kPa: write mg/Nm3)"
        return None, str(error)


def _declared_units(preamble: Mapping[str, str], canonical: str) -> str | None:
    """Return the one unit of this kind that the preamble declares for the file."""
    found = set()
    for key, value in preamble.items():
        words = set(folded(key).split())
        if not words & set(_UNIT_KEYS):
            continue
        for part in [value, *value.replace("/", " ").replace(",", " ").replace(";", " ").split()]:
            part = part.strip()
            if not is_unit(part) or part in ("1", "-"):
                continue
            try:
                conversion(part, canonical)
            except UnitError:
                continue
            found.add(part)
    return found.pop() if len(found) == 1 else None


def _claims_settled(block: Block, ask: Ask) -> list[Meaning]:
    """Return the meanings with double claims told apart; what cannot be is a problem."""
    meanings = list(block.meanings)
    owners: dict[str, list[int]] = {}
    for i, m in enumerate(meanings):
        if m.role == "quantity" and m.quantity:
            owners.setdefault(m.quantity, []).append(i)
    for quantity, columns in owners.items():
        if len(columns) < 2:
            continue
        instant = [i for i in columns if not meanings[i].average]
        if len(instant) == 1:
            for i in columns:
                if meanings[i].average:
                    meanings[i] = replace(
                        meanings[i],
                        role="derived",
                        quantity=None,
                        why=f"an average beside the reading itself in column {instant[0] + 1}",
                    )
            continue
        first = instant[0] if instant else columns[0]
        rest = [i for i in columns if i != first]
        filled = [_filled(block, i) for i in columns]
        if sum(filled) == 1:
            keep = columns[filled.index(True)]
            for i in columns:
                if i != keep:
                    meanings[i] = replace(
                        meanings[i], role="derived", quantity=None, why="an empty column"
                    )
            continue
        if all(_equal(block, first, i) for i in rest):
            for i in rest:
                meanings[i] = replace(
                    meanings[i],
                    role="derived",
                    quantity=None,
                    why=f"the same numbers as in column {first + 1}",
                )
            ask.warn(
                "column_repeated",
                f"{QUANTITIES[quantity].label} stands in {len(columns)} columns with equal numbers",
                *block.heading_places[first],
            )
            continue
        named = ", ".join(f"{block.headings[i]!r}" for i in columns)
        for i in columns:
            meanings[i] = replace(meanings[i], role="ambiguous", quantity=None, why="claimed twice")
        line, column = block.heading_places[columns[1]]
        ask.ambiguous.append(
            Problem(
                "claimed_twice",
                f"the columns {named} both claim {quantity}",
                "one column for each quantity, or headings that tell them apart "
                "(dry or wet, measured or corrected to a reference O2, stack or ambient)",
                "Rename one heading, or teach a map that says which column counts: "
                "fluebook maps teach.",
                line,
                column,
                block.headings[columns[1]],
                ask.sheet,
            )
        )
    return meanings


def _cell(block: Block, n: int, i: int) -> str:
    cells = block.samples[n].cells
    return cells[i].strip() if i < len(cells) else ""


def _shares(block: Block, i: int) -> bool:
    """Return whether all numbers of a column lie from 0 to 1, one of them above 0."""
    cells = [_cell(block, n, i).replace(",", ".") for n in range(len(block.samples))]
    numbers = [float(c) for c in cells if re.fullmatch(r"[0-9]+(\.[0-9]+)?", c)]
    return bool(numbers) and 0 < max(numbers) <= 1


def _running(block: Block, i: int) -> bool:
    """Return whether a column counts 1, 2, 3 and on."""
    cells = [_cell(block, n, i).rstrip(".") for n in range(min(len(block.samples), 50))]
    return len(cells) > 1 and cells == [str(n) for n in range(1, len(cells) + 1)]


def _filled(block: Block, i: int) -> bool:
    return any(split_cell(_cell(block, n, i)) for n in range(len(block.samples)))


def _equal(block: Block, i: int, j: int) -> bool:
    same_unit = (block.meanings[i].unit or block.units[i]) == (
        block.meanings[j].unit or block.units[j]
    )
    return same_unit and all(
        _cell(block, n, i) == _cell(block, n, j) for n in range(len(block.samples))
    )


def understood(
    block: Block, number: int, ask: Ask, parts: Mapping[int, Sequence[Parts | None]]
) -> tuple[list[Meaning], list[Measured], list[Column]]:
    """Return the settled meanings, the measured columns and the account of every column.

    ``parts`` holds the cells of a column taken apart, for columns whose cells carry units.
    """
    meanings = _claims_settled(block, ask)
    measured: list[Measured] = []
    account: list[Column] = []
    for i, m in enumerate(meanings):
        place = block.heading_places[i]
        heading = block.headings[i]
        unit = m.unit or block.units[i]
        why = m.why
        quantity = m.quantity if m.role == "quantity" else None
        if quantity is not None:
            taken = _measured(block, i, m, quantity, ask, parts.get(i, ()))
            if isinstance(taken, Measured):
                measured.append(taken)
                unit = taken.unit or next(iter(taken.per_cell), None)
            else:
                quantity, why = None, taken
                reported = {(p.line, p.column) for p in (*ask.units_missing, *ask.ambiguous)}
                if place not in reported:
                    ask.warn("column_not_read", f"column {heading!r} is not read: {why}", *place)
        elif m.role not in ("unknown", "derived", "ambiguous", "computed"):
            why = f"{m.role}: {why}"
        if (
            quantity is None
            and m.role in ("unknown", "derived", "ambiguous")
            and heading
            and not (m.role == "derived" and ("same numbers" in why or "empty" in why))
        ):
            ask.warn("column_not_read", f"column {heading!r} is not read: {why}", *place)
        if not heading and any(_cell(block, n, i) for n in range(len(block.samples))):
            ask.warn("column_not_read", "a column without a heading is not read", *place)
        if heading or quantity:
            account.append(Column(number, i, heading, unit, quantity, m.confidence, why))
    return meanings, measured, account


def _measured(
    block: Block, i: int, m: Meaning, quantity: str, ask: Ask, parts: Sequence[Parts | None]
) -> Measured | str:
    """Return the column with its conversion, or the reason why it is left out."""
    place, heading = block.heading_places[i], block.headings[i]
    canonical = QUANTITIES[quantity].unit
    row_unit = block.units[i]
    own = m.unit or row_unit
    if m.unit and row_unit:
        first, _ = _convert(m.unit, quantity, heading)
        second, _ = _convert(row_unit, quantity, heading)
        if first != second:
            _conflict(ask, place, heading, m.unit, row_unit, "the heading", "the row of units")
            return "two units are stated"
    in_cells = {p.unit for p in parts if p is not None and p.unit}
    bare = any(p is not None and not p.unit for p in parts)
    per_cell: dict[str, Conversion] = {}
    for unit in in_cells:
        convert, why = _convert(unit, quantity, heading)
        if convert is None:
            _wrong_unit(ask, place, heading, unit, quantity, why)
            return why
        per_cell[unit] = convert
    silent = bool(parts) and not any(parts)
    if own is None and (silent or (in_cells and not bare)):
        # Cells with their own units, or not one number: nothing here needs a unit of the column.
        return Measured(i, quantity, None, None, per_cell, place, heading, m.reference_o2)
    if own is None:
        own = ask.options.units.get(quantity) or _declared_units(block.preamble, canonical)
        if own is not None:
            ask.warn("unit_declared", f"{heading!r} is taken in {own}, as declared", *place)
    if own is None and canonical == "1":
        own = "1"
    if own is None and quantity == "no_dry" and _running(block, i):
        return "a running number, not nitric oxide"
    if quantity == "firing_rate" and own == "%" and not ask.piece and _shares(block, i):
        stated = ask.options.units.get(quantity)
        if stated is None:
            _doubtful_share(ask, place, heading)
            return "numbers up to 1 can be percent or a share of the range"
        own = stated
    if own is None and quantity == "firing_rate" and _shares(block, i):
        _no_unit(ask, place, heading, quantity)
        return "numbers up to 1 can be percent or a share of the range"
    if own is None and canonical in _ASSUMED:
        own = canonical
        ask.warn(
            "unit_assumed",
            f"{heading!r} has no unit and is taken in "
            f"{'vol %' if QUANTITIES[quantity].basis == 'dry' and own == '%' else own}, "
            "as is common practice",
            *place,
        )
    if own is None:
        _no_unit(ask, place, heading, quantity)
        return "the unit is missing"
    convert, why = _convert(own, quantity, heading)
    if convert is None:
        if QUANTITIES[quantity].role == "setting" or _PER_HEAT.search(own):
            return why
        _wrong_unit(ask, place, heading, own, quantity, why)
        return why
    if per_cell and any(c != convert for c in per_cell.values()):
        _conflict(ask, place, heading, own, sorted(per_cell)[0], "the heading", "a cell")
        return "two units are stated"
    if own.casefold().startswith("mg/"):
        ask.warn(
            "mass_concentration",
            f"{heading!r} is converted from mg/m3 at 0 degC and 101.325 kPa, "
            f"{_MOLAR_MASS[quantity][1]}, {_MOLAR_MASS[quantity][0]} g/mol",
            *place,
        )
    return Measured(i, quantity, own, convert, per_cell, place, heading, m.reference_o2)


def _conflict(
    ask: Ask, place: tuple[int, int], heading: str, one: str, other: str, here: str, there: str
) -> None:
    ask.ambiguous.append(
        Problem(
            "two_units",
            f"column {heading!r} is in {one} by {here} and in {other} by {there}",
            "one unit",
            "Correct one of them.",
            place[0],
            place[1],
            heading,
            ask.sheet,
        )
    )


_EXAMPLES = {
    "degC": "°C or °F",
    "Pa": "Pa, hPa, mbar, mmH2O, inWC or psi",
    "kW": "kW, MBH or Btu/h",
    "uA": "uA",
    "rpm": "rpm",
    "m": "m or ft",
    "m^3/h": "m3/h or cfh",
}


def _no_unit(ask: Ask, place: tuple[int, int], heading: str, quantity: str) -> None:
    canonical = QUANTITIES[quantity].unit
    examples = _EXAMPLES.get(canonical, canonical)
    ask.units_missing.append(
        Problem(
            "unit_missing",
            f"column {heading!r} ({QUANTITIES[quantity].meaning.lower()}) has no unit, and none is "
            "guessed from the size of its numbers",
            f"a unit in the heading, such as {examples}",
            f"Write it into the heading, or state it: --unit {quantity}={canonical}.",
            place[0],
            place[1],
            heading,
            ask.sheet,
        )
    )


def _doubtful_share(ask: Ask, place: tuple[int, int], heading: str) -> None:
    ask.units_missing.append(
        Problem(
            "unit_doubtful",
            f"column {heading!r} is in %, and none of its numbers is above 1: they can be percent "
            "or shares of the range",
            "% where 1 is one percent, or 1 where it is the whole range",
            "State it: --unit firing_rate=1 for shares, --unit firing_rate=% for percent.",
            place[0],
            place[1],
            heading,
            ask.sheet,
        )
    )


def _wrong_unit(
    ask: Ask, place: tuple[int, int], heading: str, unit: str, quantity: str, why: str
) -> None:
    canonical = QUANTITIES[quantity].unit
    ask.units_missing.append(
        Problem(
            "unit_wrong",
            f"column {heading!r} is in {unit!r}: {why}",
            f"a unit such as {_EXAMPLES.get(canonical, canonical)}",
            "Correct the unit, or teach a map that leaves the column out: fluebook maps teach.",
            place[0],
            place[1],
            heading,
            ask.sheet,
        )
    )
