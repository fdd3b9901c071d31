"""Taught column maps: what a person said once about headings that the glossary does not know.

A map belongs to one shape of file, known by the fingerprint of its headings, and is exchanged as an
open description: a Frictionless Table Schema whose fields carry our own properties for quantity
and unit. A map that no longer fits is refused, never bent.
"""

from __future__ import annotations

import hashlib
import itertools
import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from combustion.quantities import MEASURED, QUANTITIES
from combustion.units import UnitError, conversion
from parsers.errors import MapDoesNotFit, Problem
from parsers.grid import DELIMITERS, split_rows
from parsers.line_rules import LineRules, line_rules_from
from parsers.shapes import numberlike
from parsers.vocabulary import ROLES, Meaning, meaning

FORMAT = "fluebook.map/1"
_QUANTITY, _UNIT, _REFERENCE = "fluebook:quantity", "fluebook:unit", "fluebook:referenceO2"
_LINES = "fluebook:lines"
IGNORE = "ignore"


@dataclass(frozen=True, slots=True)
class MapField:
    """One heading and what it means: a quantity key, a role such as ``time``, or ``ignore``."""

    heading: str
    means: str
    unit: str | None = None
    reference_o2: float | None = None


@dataclass(frozen=True, slots=True)
class ColumnMap:
    """What the headings of one kind of file mean, and how a stream with them guards its lines."""

    name: str
    fields: tuple[MapField, ...]
    lines: LineRules = field(default_factory=LineRules)

    @property
    def fingerprint(self) -> str:
        """Return the fingerprint of the headings that the map was made for."""
        return fingerprint([f.heading for f in self.fields])

    def understand(self, heading: str) -> Meaning:
        """Return the taught meaning of a heading; the glossary's where it is not in the map."""
        wanted = _canonical(heading)
        for taught in self.fields:
            if wanted and _canonical(taught.heading) == wanted:
                why = f"taught in the map {self.name!r}"
                if taught.means == IGNORE:
                    return Meaning("ignored", None, None, 1.0, why)
                if taught.means in ROLES:
                    return Meaning(taught.means, None, taught.unit, 1.0, why)
                return Meaning("quantity", taught.means, taught.unit, 1.0, why, taught.reference_o2)
        return meaning(heading)


def _canonical(heading: str) -> str:
    """Return a heading without case, spaces and quotes, its marks kept."""
    return "".join(heading.casefold().split()).strip("\"'")


def fingerprint(headings: Sequence[str]) -> str:
    """Return the fingerprint of headings: their order, their words, not case or spacing.

    >>> fingerprint(["A", "b "]) == fingerprint(["a", "B"]), len(fingerprint(["a"]))
    (True, 16)
    """
    kept = [_canonical(h) for h in headings]
    while kept and not kept[-1]:
        kept.pop()
    return hashlib.sha256("\x1f".join(kept).encode()).hexdigest()[:16]


def taught(name: str, headings: Sequence[str], meanings: dict[str, str]) -> ColumnMap:
    """Return a map from statements such as ``{"Kanal 1": "o2_dry[%]", "K2": "ignore"}``.

    Headings without a statement keep their glossary meaning, or are ignored where it is none.

    Raises
    ------
    ValueError
        If a statement names no heading, no known quantity or role, or a unit that does not fit.
    """
    known = {_canonical(h): h for h in headings}
    stated: dict[str, MapField] = {}
    for heading, text in meanings.items():
        if _canonical(heading) not in known:
            raise ValueError(f"no heading {heading!r}; there are {', '.join(map(repr, headings))}")
        means, _, unit = text.strip().rstrip("]").partition("[")
        stated[_canonical(heading)] = _checked(
            MapField(known[_canonical(heading)], means.strip(), unit.strip() or None)
        )
    fields = []
    for heading in headings:
        if _canonical(heading) in stated:
            fields.append(stated[_canonical(heading)])
            continue
        found = meaning(heading)
        if found.role == "quantity" and found.quantity:
            fields.append(MapField(heading, found.quantity, found.unit, found.reference_o2))
        elif found.role in ROLES:
            fields.append(MapField(heading, found.role, found.unit))
        else:
            fields.append(MapField(heading, IGNORE))
    return ColumnMap(name, tuple(fields))


def _checked(one: MapField) -> MapField:
    if one.means != IGNORE and one.means not in ROLES and one.means not in MEASURED:
        raise ValueError(
            f"{one.means!r} is no quantity of the glossary and no role; roles are "
            f"{', '.join(ROLES)}, {IGNORE}"
        )
    if one.means in MEASURED:
        canonical = QUANTITIES[one.means].unit
        if one.unit is not None:
            try:
                conversion(one.unit, canonical)
            except UnitError as error:
                raise ValueError(f"{one.heading!r}: {error}") from error
    return one


def map_json(column_map: ColumnMap) -> dict[str, Any]:
    """Return the map as a Frictionless Table Schema with our own properties."""
    fields: list[dict[str, Any]] = []
    for one in column_map.fields:
        kind = "number" if one.means in MEASURED else "any"
        entry: dict[str, Any] = {"name": one.heading, "type": kind, _QUANTITY: one.means}
        if one.means in MEASURED:
            entry["title"] = QUANTITIES[one.means].label
            entry["description"] = QUANTITIES[one.means].meaning
        if one.unit is not None:
            entry[_UNIT] = one.unit
        if one.reference_o2 is not None:
            entry[_REFERENCE] = one.reference_o2
        fields.append(entry)
    lines = column_map.lines.as_json()
    return {
        "$schema": "https://datapackage.org/profiles/2.0/tableschema.json",
        "fluebook:format": FORMAT,
        "fluebook:name": column_map.name,
        "fluebook:fingerprint": column_map.fingerprint,
        **({_LINES: lines} if lines else {}),
        "fields": fields,
        "missingValues": ["", "---", "n/a"],
    }


def map_from_json(document: str | dict[str, Any]) -> ColumnMap:
    """Return the map of a Table Schema.

    Raises
    ------
    ValueError
        If it is no Table Schema, names what the glossary does not know, or its fingerprint is not
        that of its headings.
    """
    try:
        data = json.loads(document) if isinstance(document, str) else document
        fields = data["fields"]
        made = ColumnMap(
            str(data.get("fluebook:name", "unnamed")),
            tuple(
                _checked(
                    MapField(
                        str(f["name"]),
                        str(f.get(_QUANTITY, IGNORE)),
                        f.get(_UNIT),
                        f.get(_REFERENCE),
                    )
                )
                for f in fields
            ),
            line_rules_from(data.get(_LINES, {})),
        )
    except (KeyError, TypeError, AttributeError, json.JSONDecodeError) as error:
        raise ValueError(f"this is no Table Schema with fields: {error!r}") from error
    stated = data.get("fluebook:fingerprint")
    if stated is not None and stated != made.fingerprint:
        raise ValueError("the fingerprint in the map is not that of its headings")
    if len({_canonical(f.heading) for f in made.fields if f.heading}) < len(
        [f for f in made.fields if f.heading]
    ):
        raise ValueError("two fields have the same heading; give columns names of their own")
    return made


def heading_rows(lines: Sequence[str]) -> list[tuple[int, str, list[str]]]:
    """Return (line, delimiter, headings) of rows of words right above a row of numbers."""
    found = []
    for delimiter in DELIMITERS:
        rows = split_rows(lines[:300], delimiter)
        for above, below in itertools.pairwise(rows):
            words = [c.strip() for c in above.cells]
            if len([w for w in words if w]) < 2 or any(numberlike(w) for w in words):
                continue
            numbers = sum(map(numberlike, below.cells))
            if numbers >= 1 and len(below.cells) >= len(words) - 1:
                while words and not words[-1]:
                    words.pop()
                found.append((above.line, delimiter, words))
    found.sort(key=lambda f: -len(f[2]))
    return found


def fitting_map(
    lines: Sequence[str], named: ColumnMap | None, saved: Sequence[ColumnMap], name: str
) -> ColumnMap | None:
    """Return the map for the lines: the named one if it fits, else a saved one by fingerprint.

    Raises
    ------
    MapDoesNotFit
        If a map was named and no row of the file has its headings.
    """
    if named is None and not saved:
        return None
    prints: dict[str, tuple[int, list[str]]] = {}
    for line, _, headings in all_rows_of_words(lines):
        prints.setdefault(fingerprint(headings), (line, headings))
    if named is not None:
        if named.fingerprint in prints:
            return named
        raise MapDoesNotFit(name, [_misfit(lines, named)])
    return next((m for m in saved if m.fingerprint in prints), None)


def all_rows_of_words(lines: Sequence[str]) -> list[tuple[int, str, list[str]]]:
    """Return (line, delimiter, cells) of every row of words near the top or inside."""
    found = []
    for delimiter in DELIMITERS:
        for row in split_rows(lines[:300], delimiter):
            words = [c.strip() for c in row.cells]
            if len([w for w in words if w]) >= 2 and not any(numberlike(w) for w in words):
                found.append((row.line, delimiter, words))
    return found


def _misfit(lines: Sequence[str], named: ColumnMap) -> Problem:
    wanted = {_canonical(f.heading): f.heading for f in named.fields if f.heading}
    best: tuple[int, int, list[str]] = (-1, 1, [])
    for line, _, headings in all_rows_of_words(lines):
        common = len({_canonical(h) for h in headings} & set(wanted))
        if common > best[0]:
            best = (common, line, headings)
    have = {_canonical(h): h for h in best[2] if h}
    lacking = [wanted[k] for k in wanted if k not in have]
    extra = [have[k] for k in have if k not in wanted]
    parts = []
    if lacking:
        parts.append("not in the file: " + ", ".join(map(repr, lacking[:6])))
    if extra:
        parts.append("not in the map: " + ", ".join(map(repr, extra[:6])))
    if not parts:
        parts.append("the same headings stand in another order")
    return Problem(
        "map_does_not_fit",
        f"the map {named.name!r} does not fit; " + "; ".join(parts),
        "exactly the headings that the map was made for",
        "Teach this file's headings as a map of their own: fluebook maps teach.",
        line=best[1],
        column=1,
        raw=(lines[best[1] - 1].strip()[:80] if lines else None),
    )
