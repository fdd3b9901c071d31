"""A table of boilers or past visits: its headings understood, each row with its line.

Quantities of combustion are the parsers' business. This knows the words of a list of boilers and
the columns that name site, boiler and technician. All problems of a file are gathered before it is
refused, so that one look at the list is enough to put it right.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from ingest.export.cells import unguarded
from parsers.grid import DELIMITERS, Row, split_rows
from parsers.text import decoded, physical_lines
from parsers.vocabulary import folded, meaning, split_unit

WORDS: Mapping[str, tuple[str, ...]] = {
    "site": ("site", "site name", "plant", "plant room", "location", "building", "property",
             "customer site", "standort", "anlage", "liegenschaft", "chaufferie", "sitio",
             "instalacion"),
    "site_id": ("site id", "site no", "site number", "site external id", "plant id"),
    "address": ("address", "site address", "street", "adresse", "direccion"),
    "zone": ("time zone", "timezone", "zone", "zeitzone", "fuseau horaire", "zona horaria"),
    "boiler": ("boiler", "boiler name", "unit", "unit name", "appliance", "equipment", "tag",
               "boiler no", "boiler number", "kessel", "kesselname", "chaudiere", "caldera"),
    "boiler_id": ("boiler id", "external id", "asset", "asset id", "asset no", "asset number",
                  "asset tag", "unit id", "equipment id", "boiler external id", "kesselnummer"),
    "fuel": ("fuel", "fuel type", "brennstoff", "combustible", "carburant"),
    "rated_input": ("rated input", "input", "firing rate max", "maximum input", "max input",
                    "input rating", "rated heat input", "nominal input", "gross input", "mbh input",
                    "heat input", "burner input", "feuerungsleistung", "nennwarmebelastung",
                    "puissance nominale", "potencia nominal"),
    "turndown": ("turndown", "turndown ratio", "turn down", "modulation ratio"),
    "condensing": ("condensing", "condensing boiler", "brennwert", "condensation",
                   "a condensation", "condensacion"),
    "medium": ("medium", "heats", "system", "water or steam", "service medium"),
    "altitude": ("altitude", "elevation", "height above sea level", "hohe", "hohe uber nn",
                 "altitud"),
    "vent": ("vent", "vent material", "flue material"),
    "serial": ("serial", "serial number", "serial no", "s n", "sn", "seriennummer",
               "numero de serie", "n de serie"),
    "installed": ("installed", "install date", "installation date", "date installed",
                  "commissioned", "einbaudatum", "baujahr"),
    "rates": ("rates", "firing rates", "test rates", "tested at"),
    "burners": ("burners", "burner names"),
    "air_fuel_control": ("air fuel control", "air-fuel control", "ratio control"),
    "stack_temperature_max": ("stack temperature max", "max stack temperature",
                              "stack temperature limit", "highest stack temperature"),
    "technician": ("technician", "tech", "by", "service engineer", "engineer", "serviced by",
                   "mechanic", "techniker", "technicien", "tecnico"),
    "visit_id": ("visit", "visit id", "visit no", "job no", "work order", "ticket no",
                 "visit external id"),
    "date": ("date", "visit date", "service date", "date of visit", "test date", "datum",
             "fecha", "day", "date and time", "date time", "datetime", "started"),
    "note": ("note", "notes", "remark", "remarks", "comment", "comments", "bemerkung",
             "remarque", "observaciones"),
}  # fmt: skip
"""Columns beside the quantities, by the words that head them, folded."""

_BY_WORDS = {folded(word): role for role, words in WORDS.items() for word in words}
_WITH_UNIT = frozenset({"rated_input", "altitude", "stack_temperature_max"})


@dataclass(frozen=True, slots=True)
class ImportProblem:
    """One place that cannot be taken in: where, what was found, what was expected."""

    line: int
    column: int | None
    message: str
    expected: str
    raw: str | None = None

    def shown(self, file: str) -> str:
        """Return the problem as one printable line."""
        where = f"{file}, line {self.line}"
        if self.column is not None:
            where += f", column {self.column}"
        raw = "" if self.raw is None else f" (found {self.raw!r})"
        return f"{where}: {self.message}{raw}. Expected {self.expected}."


class ImportRefused(Exception):
    """A file cannot be taken in; nothing of it was. Carries every problem found."""

    def __init__(self, file: str, problems: Iterable[ImportProblem]) -> None:
        self.file = file
        self.problems = tuple(sorted(problems, key=lambda p: (p.line, p.column or 0)))
        super().__init__("\n".join(p.shown(file) for p in self.problems))


@dataclass(frozen=True, slots=True)
class Heading:
    """One column: its place from 0, its own words, the unit in them."""

    index: int
    text: str
    unit: str | None


@dataclass(frozen=True, slots=True)
class Table:
    """Rows beneath an understood heading row."""

    file: str
    headings: Mapping[str, Heading]
    unknown: Sequence[Heading]
    rows: Sequence[Row]
    heading_line: int
    delimiter: str

    def cell(self, row: Row, role: str) -> str:
        """Return a row's text under a role, empty where there is none."""
        heading = self.headings.get(role)
        if heading is None or heading.index >= len(row.cells):
            return ""
        return unguarded(row.cells[heading.index].strip())

    def problem(self, row: Row, role: str, message: str, expected: str) -> ImportProblem:
        """Return a problem at a row's cell under a role."""
        heading = self.headings.get(role)
        column = None if heading is None else heading.index + 1
        return ImportProblem(row.line, column, message, expected, self.cell(row, role) or None)


def _role(text: str) -> tuple[str, str | None] | None:
    for words, unit in split_unit(text):
        role = _BY_WORDS.get(folded(words))
        if role is not None and (unit is None or role in _WITH_UNIT):
            return role, unit
    return None


def _headings(row: Row) -> tuple[dict[str, Heading], list[Heading]]:
    known: dict[str, Heading] = {}
    unknown: list[Heading] = []
    for index, text in enumerate(row.cells):
        found = _role(text)
        if found is not None and found[0] not in known:
            known[found[0]] = Heading(index, text.strip(), found[1])
        elif text.strip():
            unknown.append(Heading(index, text.strip(), None))
    return known, unknown


def read_table(data: bytes, file: str) -> Table:
    """Return the table of a file: the first row with a boiler's heading heads it.

    Raises
    ------
    ImportRefused
        If no row names a boiler or asset column.
    """
    lines = physical_lines(decoded(data).text)
    best: Table | None = None
    for delimiter in DELIMITERS:
        if not any(delimiter in line for line in lines[:50]):
            continue
        rows = split_rows(lines, delimiter)
        for at, row in enumerate(rows[:50]):
            known, unknown = _headings(row)
            if not {"boiler", "boiler_id"} & known.keys() or len(row.cells) < 2:
                continue
            if best is None or len(known) > len(best.headings):
                below = [r for r in rows[at + 1 :] if any(c.strip() for c in r.cells)]
                best = Table(file, known, unknown, below, row.line, delimiter)
            break
    if best is None:
        first = next((n for n, line in enumerate(lines, 1) if line.strip()), 1)
        raw = lines[first - 1][:80] if lines else ""
        raise ImportRefused(
            file,
            [
                ImportProblem(
                    first,
                    None,
                    "no row of headings names a boiler",
                    "a table with a column boiler (or asset), and site, fuel, rated input [kW] "
                    "beside it; for past visits date, phase, firing rate and the readings",
                    raw,
                )
            ],
        )
    return best


def holds_readings(table: Table) -> bool:
    """Return whether a table is one of visits: some heading is a measured quantity."""
    return any(
        meaning(heading.text).role == "quantity"
        and meaning(heading.text).quantity not in (None, "firing_rate", "fuel_input")
        for heading in table.unknown
    )


def unread(table: Table) -> list[str]:
    """Return the headings that nothing is taken from, to be said to the person."""
    return [h.text for h in table.unknown if meaning(h.text).role in ("unknown", "derived")]


def number(text: str, delimiter: str) -> float | None:
    """Return a number in plain spelling, None for anything else.

    A comma before exactly three digits groups thousands in a file whose cells are divided by
    commas; elsewhere it, or a point, could mean two things, and None is returned.

    >>> number("1 500", ";"), number("12,5", ";"), number("1,500", ","), number("1,500", ";")
    (1500.0, 12.5, 1500.0, None)
    """
    text = text.replace(" ", "").replace("\N{NO-BREAK SPACE}", "")
    if re.fullmatch(r"[+-]?[1-9]\d{0,2}([.,])\d{3}", text) and delimiter != ",":
        return None
    if re.fullmatch(r"[+-]?\d{1,3}(,\d{3})+(\.\d+)?", text):
        text = text.replace(",", "")
    elif re.fullmatch(r"[+-]?\d+,\d+", text):
        text = text.replace(",", ".")
    return float(text) if re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)", text) else None
