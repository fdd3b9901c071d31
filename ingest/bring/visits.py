"""Past visits, one row for each firing point: the readings by the parsers, the rest from here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, time

from ingest.bring.table import ImportProblem, ImportRefused, Table
from parsers import Reading, ReadOptions, ReadResult, read
from parsers.grid import Row
from parsers.times import DateOrder, Stamp, day_of, stamp

PLAIN_LINES = frozenset({"number_assumed", "not_a_number", "no_value"})


@dataclass(slots=True)
class BroughtVisit:
    """The rows of one boiler on one day."""

    line: int
    site: str
    boiler: str
    boiler_id: str
    visit_id: str
    day: datetime
    clock: bool
    technician: str
    note: str
    readings: list[Reading] = field(default_factory=list)


def read_visits(
    table: Table, data: bytes, *, options: ReadOptions = ReadOptions()
) -> list[BroughtVisit]:
    """Return the visits of a table, oldest first; times are naive until the site is known.

    Raises
    ------
    parsers.ReadError
        If the readings cannot be read at all: no unit, an unclear decimal mark.
    ImportRefused
        Naming every row that has no boiler, date, phase or firing rate, or a cell not read.
    """
    result = read(data, table.file, options=options)
    problems = _not_read(result, table)
    by_line = {line: r for r in result.readings for line in r.lines}
    order = DateOrder(options.day_first)
    order.see(table.cell(row, "date") for row in table.rows)
    visits: dict[tuple[str, str, str, str], BroughtVisit] = {}
    for row in table.rows:
        reading = by_line.get(row.line)
        if reading is None:
            if all(p.line != row.line for p in problems):
                problems.append(
                    ImportProblem(row.line, None, "no reading was found in the row", "a reading")
                )
            continue
        found = _visit(table, row, order, problems)
        if found is None:
            continue
        for what, value in (("firing rate", reading.firing_rate), ("phase", reading.phase)):
            if value is None:
                problems.append(
                    ImportProblem(
                        row.line,
                        None,
                        f"the row has no {what}",
                        "a column firing rate [%] and a column phase (as found, as left) "
                        "with a value in every row",
                    )
                )
        key = (found.site, found.boiler or found.boiler_id, found.visit_id, str(found.day.date()))
        visit = visits.setdefault(key, found)
        visit.readings.append(replace(reading, fuel=table.cell(row, "fuel") or reading.fuel))
    if problems:
        raise ImportRefused(table.file, problems)
    return sorted(visits.values(), key=lambda v: (v.day, v.line))


def _not_read(result: ReadResult, table: Table) -> list[ImportProblem]:
    return [
        ImportProblem(n.line, n.column, n.why, "a value that can be read, or an empty cell", n.raw)
        for n in result.not_read
        if n.line > table.heading_line
    ]


def _visit(
    table: Table, row: Row, order: DateOrder, problems: list[ImportProblem]
) -> BroughtVisit | None:
    boiler, boiler_id = table.cell(row, "boiler"), table.cell(row, "boiler_id")
    if not boiler and not boiler_id:
        problems.append(table.problem(row, "boiler", "the row names no boiler", "a boiler's name"))
        return None
    text = table.cell(row, "date")
    seen: Stamp | None = stamp(text) if text else None
    day = None if seen is None else day_of(seen, order.verdict)
    if seen is None or day is None:
        unclear = seen is not None and seen.order == "?" and order.verdict is None
        problems.append(
            table.problem(
                row,
                "date",
                "day and month may be exchanged" if unclear else "the row has no date",
                "a date such as 2024-03-31"
                + (", or --day-first / --month-first" if unclear else " in a column date"),
            )
        )
        return None
    moment = datetime.combine(day, seen.clock or time(12))
    return BroughtVisit(
        line=row.line,
        site=table.cell(row, "site") or table.cell(row, "site_id"),
        boiler=boiler,
        boiler_id=boiler_id,
        visit_id=table.cell(row, "visit_id"),
        day=moment,
        clock=seen.clock is not None,
        technician=table.cell(row, "technician"),
        note=table.cell(row, "note"),
    )


def names(visit: BroughtVisit) -> Mapping[str, str]:
    """Return what the rows say the boiler is, for messages."""
    return {"site": visit.site, "boiler": visit.boiler or visit.boiler_id}
