"""A list of sites and boilers, one row for each boiler."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from combustion.fuel_text import fuel_from_text
from combustion.units import UnitError, conversion
from ingest.bring.table import ImportProblem, ImportRefused, Table, number
from ingest.dimensions import CANONICAL_UNITS
from ingest.documents import DocumentError, boiler_from
from ingest.models import Boiler, Site
from parsers.grid import Row
from parsers.numbers import no_value
from parsers.times import day_of, stamp, zone_of

_YES = frozenset({"yes", "y", "true", "1", "x", "ja", "oui", "si", "sí", "condensing"})
_NO = frozenset({"no", "n", "false", "0", "nein", "non", "non-condensing", "not condensing", ""})
_MEDIUM = {
    "hot water": "hot_water",
    "water": "hot_water",
    "hydronic": "hot_water",
    "steam": "steam",
    "low pressure steam": "steam",
}
_UNITS = {"rated_input": "kW", "altitude": "m", "stack_temperature_max": "degC"}
_WITH_UNIT = re.compile(r"\s*([-+]?[0-9][0-9 .,]*?)\s*([^\d\s.,].*?)\s*")


@dataclass(frozen=True, slots=True)
class BroughtBoiler:
    """One row: a boiler and the site it stands in, not yet with ids."""

    line: int
    site: Site | None
    boiler: Boiler


def read_boilers(table: Table) -> list[BroughtBoiler]:
    """Return every row of a list of boilers.

    Raises
    ------
    ImportRefused
        Naming every cell that cannot be taken in.
    """
    problems: list[ImportProblem] = []
    found: list[BroughtBoiler] = []
    seen: dict[tuple[str, str], int] = {}
    for row in table.rows:
        before = len(problems)
        made = _row(table, row, problems)
        if made is None or len(problems) > before:
            continue
        name = made.boiler.external_id or made.boiler.name
        key = ("" if made.site is None else made.site.name, name)
        if key in seen:
            problems.append(
                table.problem(
                    row,
                    "boiler",
                    f"the boiler stands already on line {seen[key]}",
                    "each boiler of a site once",
                )
            )
        seen[key] = row.line
        found.append(made)
    if not table.rows:
        problems.append(
            ImportProblem(
                table.heading_line, None, "there is no row beneath the headings", "one per boiler"
            )
        )
    if problems:
        raise ImportRefused(table.file, problems)
    return found


def _row(table: Table, row: Row, problems: list[ImportProblem]) -> BroughtBoiler | None:
    name = table.cell(row, "boiler") or table.cell(row, "boiler_id")
    if not name:
        problems.append(table.problem(row, "boiler", "the row names no boiler", "a boiler's name"))
        return None
    document: dict[str, Any] = {"name": name, "units": dict(CANONICAL_UNITS)}
    if table.cell(row, "boiler_id"):
        document["external_id"] = table.cell(row, "boiler_id")
    for role in ("rated_input", "altitude", "stack_temperature_max"):
        value = _measured(table, row, role, problems)
        if value is not None and role == "stack_temperature_max":
            document["limits"] = {role: value, "source": f"list {table.file}, line {row.line}"}
        elif value is not None:
            document[role] = value
    for role in ("serial", "note", "air_fuel_control", "vent"):
        if table.cell(row, role):
            text = table.cell(row, role)
            document[role] = text if role in ("serial", "note") else text.casefold()
    _plain(table, row, document, problems)
    site = _site(table, row, problems)
    if site is not None and site.altitude is not None:
        document.pop("altitude", None)
    try:
        return BroughtBoiler(row.line, site, boiler_from(document, table.file))
    except DocumentError as error:
        for one in error.problems:
            role = one.pointer.strip("/").split("/")[0]
            problems.append(table.problem(row, role, one.message, one.expected))
        return None


def _plain(table: Table, row: Row, document: dict[str, Any], problems: list[ImportProblem]) -> None:
    fuel = table.cell(row, "fuel")
    if fuel:
        try:
            fuel_from_text(fuel)
        except ValueError as error:
            problems.append(table.problem(row, "fuel", str(error), "a fuel's name or composition"))
        document["fuel"] = fuel
    condensing = table.cell(row, "condensing").casefold()
    if condensing in _YES or condensing in _NO:
        document["condensing"] = condensing in _YES
    else:
        problems.append(table.problem(row, "condensing", "neither yes nor no", "yes or no"))
    medium = table.cell(row, "medium").casefold().replace("_", " ")
    if medium:
        if medium in _MEDIUM:
            document["medium"] = _MEDIUM[medium]
        else:
            problems.append(table.problem(row, "medium", "not a medium", "hot water or steam"))
    turndown = re.sub(r"\s*(:|to|/)\s*1$", "", table.cell(row, "turndown"))
    if turndown:
        value = number(turndown, table.delimiter)
        if value is None:
            problems.append(table.problem(row, "turndown", "not a ratio", "5 or 5:1"))
        document["turndown"] = value
    rates = table.cell(row, "rates")
    if rates:
        parts = [
            number(p, table.delimiter) for p in re.split(r"[;,/\s]+", rates.replace("%", " ")) if p
        ]
        if None in parts:
            problems.append(table.problem(row, "rates", "not numbers", "100/75/50/25"))
        document["rates"] = parts
    installed = table.cell(row, "installed")
    if installed:
        day = _day(installed)
        if day is None:
            expected = "a date such as 2019-05-30, or a year"
            problems.append(table.problem(row, "installed", "not a plain date", expected))
        document["installed"] = day


def _day(text: str) -> date | None:
    if re.fullmatch(r"(19|20)\d\d", text):
        return date(int(text), 1, 1)
    found = stamp(text)
    return None if found is None else day_of(found, None)


def _measured(table: Table, row: Row, role: str, problems: list[ImportProblem]) -> float | None:
    """Return a number in its canonical unit; the unit stands in the heading or in the cell."""
    text = table.cell(row, role)
    if not text or no_value(text) is not None:
        return None
    unit = table.headings[role].unit
    match = _WITH_UNIT.fullmatch(text)
    value = number(text, table.delimiter)
    if match is not None:
        value, unit = number(match[1], table.delimiter), match[2]
    if value is None or unit is None:
        what = (
            "not a number, or one that can be read in two ways"
            if value is None
            else "a number without its unit"
        )
        expected = f"a number, with the unit in the heading or the cell: {_example(role)}"
        problems.append(table.problem(row, role, what, expected))
        return None
    try:
        return float(conversion(unit, _UNITS[role])(value))
    except UnitError as error:
        problems.append(table.problem(row, role, str(error), f"such as {_example(role)}"))
        return None


def _example(role: str) -> str:
    examples: Mapping[str, str] = {
        "rated_input": "rated input [kW], or 2000 MBH",
        "altitude": "altitude [m], or 400 ft",
        "stack_temperature_max": "max stack temperature [°C], or 480 °F",
    }
    return examples[role]


def _site(table: Table, row: Row, problems: list[ImportProblem]) -> Site | None:
    name = table.cell(row, "site") or table.cell(row, "site_id")
    if not name:
        return None
    zone = table.cell(row, "zone")
    if zone and zone_of(zone) is None:
        problems.append(
            table.problem(row, "zone", "not a time zone", "an IANA zone such as Europe/Zurich")
        )
    return Site(
        name=name,
        external_id=table.cell(row, "site_id") or None,
        address=table.cell(row, "address") or None,
        zone=zone or "UTC",
    )
