"""Tables that were written by a saved layout, brought in by the same layout."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import groupby
from typing import get_args
from uuid import UUID

from ingest.bring.table import ImportProblem, ImportRefused
from ingest.bring.visits import BroughtVisit
from ingest.bring.write import OWNER, Brought, boiler_for
from ingest.export.cells import unguarded
from ingest.export.layout import Layout, LayoutColumn
from ingest.export.layout_rows import quantity_of, rows_of
from ingest.intake import Intake
from ingest.layouts import all_layouts
from ingest.models import Visit
from ingest.store import visits
from ingest.store.lists import Wanted
from parsers.model import Bound, Phase, Reading


@dataclass(slots=True)
class _Row:
    line: int
    cells: list[str]
    place: dict[str, str] = field(default_factory=dict)


def layout_of(intake: Intake, data: bytes) -> Layout | None:
    """Return the saved layout whose headings stand in a file's first line, None where none does."""
    first = data.partition(b"\n")[0]
    if len(first) > 100_000:
        return None
    try:
        text = first.decode("utf-8-sig").rstrip("\r")
        headings = [unguarded(cell) for cell in next(csv.reader([text]), [])]
    except (UnicodeDecodeError, csv.Error):
        return None
    return next((one for one in all_layouts(intake.book) if one.headings == headings), None)


def bring_layout(intake: Intake, layout: Layout, data: bytes, file: str, who: str) -> Brought:
    """Write the visits of a table, marked as imported: all of them, or nothing.

    A visit that the book has with the same rows is there already; with others the file is refused.

    Raises
    ------
    ImportRefused
        Naming every cell that cannot be read and every boiler that is not in the book.
    """
    problems: list[ImportProblem] = []
    rows = _rows(layout, data, file)
    count = Brought()
    with intake.book.change(who) as change:
        sites = {s.id: s for s in intake.sites(change)}
        boilers = intake.boilers(change=change)
        seen: set[str] = set()
        for identity, group in groupby(rows, key=lambda row: row.place["visit"]):
            mine = list(group)
            visit = _visit(layout, mine, problems)
            readings = _readings(layout, mine, problems)
            if visit is None or problems:
                continue
            if identity in seen:
                problems.append(_at(mine[0], None, "the visit stands further up, too", "once"))
                continue
            seen.add(identity)
            held = list(rows_of(change.sql, layout, Wanted((), imported=None, visit_id=visit.id)))
            if held == [row.cells for row in mine]:
                count.there_already += 1
                continue
            if visits.exists(change.sql, visit.id):
                what = "the visit is in the book with other readings"
                problems.append(_at(mine[0], None, what, "the past as it was"))
                continue
            boiler = boiler_for(_named(mine[0], visit), boilers, sites, problems)
            if boiler is None:
                continue
            whole = visit.model_copy(update={"boiler_id": boiler.id})
            intake.bring_visit(whole, readings, data, file, who, owner=OWNER)
            count.visits += 1
            count.points += len(readings)
        if problems:
            raise ImportRefused(file, problems)
    return count


def _at(row: _Row, column: int | None, message: str, expected: str) -> ImportProblem:
    raw = None if column is None else row.cells[column]
    return ImportProblem(row.line, None if column is None else column + 1, message, expected, raw)


def _rows(layout: Layout, data: bytes, file: str) -> list[_Row]:
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        problem = ImportProblem(1, None, "the file is not UTF-8", "the file as it was written")
        raise ImportRefused(file, [problem]) from error
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    rows: list[_Row] = []
    try:
        next(reader)
        begun = reader.line_num + 1
        for cells in reader:
            if len(cells) != len(layout.columns):
                what = f"the row has {len(cells)} cells"
                raise ImportRefused(
                    file, [ImportProblem(begun, None, what, f"{len(layout.columns)} cells")]
                )
            plain = [unguarded(cell) for cell in cells]
            named = zip(layout.columns, plain, strict=True)
            place = {column.field: cell for column, cell in named if not column.is_quantity}
            rows.append(_Row(begun, plain, place))
            begun = reader.line_num + 1
    except csv.Error as error:
        problem = ImportProblem(reader.line_num, None, str(error), "a CSV file as it was written")
        raise ImportRefused(file, [problem]) from error
    return rows


def _index(layout: Layout, name: str) -> int:
    return next(n for n, column in enumerate(layout.columns) if column.field == name)


def _visit(layout: Layout, rows: Sequence[_Row], problems: list[ImportProblem]) -> Visit | None:
    first, place = rows[0], rows[0].place
    identity, started = None, None
    try:
        identity = UUID(place["visit"])
    except ValueError:
        problems.append(_at(first, _index(layout, "visit"), "not an id of a visit", "a UUID"))
    try:
        started = datetime.fromisoformat(place["started"]) if place["started"] else None
        if started is not None and started.tzinfo is None:
            raise ValueError
    except ValueError:
        expected = "a time with its offset, such as 2026-03-04T09:15:00-05:00"
        problems.append(_at(first, _index(layout, "started"), "not a time", expected))
    for row in rows[1:]:
        for n, column in enumerate(layout.columns):
            same = column.is_quantity or column.field in _OF_POINT
            if not same and row.cells[n] != first.cells[n]:
                what = f"differs from line {first.line} of the same visit"
                problems.append(_at(row, n, what, first.cells[n]))
    if problems:
        return None
    return Visit(
        id=identity,
        external_id=place.get("visit_external_id") or None,
        started=started,
        technician=place.get("technician") or None,
        note=place.get("note") or None,
    )


_OF_POINT = frozenset({"phase", "firing_rate", "burner", "fuel", "time"})


def _named(row: _Row, visit: Visit) -> BroughtVisit:
    return BroughtVisit(
        line=row.line,
        site=row.place["site"],
        boiler=row.place["boiler"],
        boiler_id=row.place.get("boiler_external_id", ""),
        visit_id=str(visit.id),
        day=visit.started or datetime(1, 1, 1, tzinfo=UTC),
        clock=True,
        technician="",
        note="",
    )


def _readings(layout: Layout, rows: Sequence[_Row], problems: list[ImportProblem]) -> list[Reading]:
    if layout.rows == "point":
        return [r for row in rows if (r := _point(layout, row, problems)) is not None]
    found: dict[tuple[Phase, float], list[tuple[LayoutColumn, int]]] = {}
    for n, column in enumerate(layout.columns):
        if column.is_quantity and column.phase is not None and column.firing_rate is not None:
            found.setdefault((column.phase, column.firing_rate), []).append((column, n))
    made = []
    for (phase, rate), columns in found.items():
        values, bounds = _quantities(rows[0], columns, problems)
        if values or bounds:
            made.append(Reading(values, phase=phase, firing_rate=rate, bounds=bounds))
    return made


def _point(layout: Layout, row: _Row, problems: list[ImportProblem]) -> Reading | None:
    place = row.place
    before = len(problems)
    rate, time = math.nan, None
    with suppress(ValueError):
        rate = float(place["firing_rate"])
    if not 0 <= rate <= 110:
        n = _index(layout, "firing_rate")
        problems.append(_at(row, n, "not a firing rate", "percent, 0 to 110"))
    if place["phase"] not in get_args(Phase):
        n = _index(layout, "phase")
        problems.append(_at(row, n, "not a phase", ", ".join(get_args(Phase))))
    try:
        time = datetime.fromisoformat(place["time"]) if place.get("time") else None
    except ValueError:
        problems.append(_at(row, _index(layout, "time"), "not a time", "2026-03-04T09:15:00Z"))
    columns = [(c, n) for n, c in enumerate(layout.columns) if c.is_quantity]
    values, bounds = _quantities(row, columns, problems)
    if len(problems) > before:
        return None
    return Reading(
        values,
        time=time,
        time_source="none" if time is None else "stated",
        phase=place["phase"],  # type: ignore[arg-type]
        firing_rate=rate,
        burner=place["burner"],
        fuel=place["fuel"],
        bounds=bounds,
        lines=(row.line,),
    )


def _quantities(
    row: _Row, columns: Sequence[tuple[LayoutColumn, int]], problems: list[ImportProblem]
) -> tuple[dict[str, float], dict[str, Bound]]:
    values: dict[str, float] = {}
    bounds: dict[str, Bound] = {}
    for column, n in columns:
        try:
            found = quantity_of(row.cells[n], column)
            if isinstance(found, float) and not math.isfinite(found):
                raise ValueError
        except ValueError:
            expected = f"a number in {column.shown_unit}, or one after < or >"
            problems.append(_at(row, n, "not a number", expected))
            continue
        if isinstance(found, Bound):
            bounds[column.field] = found
        elif found is not None:
            values[column.field] = found
    return values, bounds
