"""The one entrance: bytes of an analyzer file in, readings and an account of every line out."""

from __future__ import annotations

import csv
import hashlib
import re

from combustion.quantities import QUANTITIES
from combustion.units import conversion
from parsers.errors import EmptyInput, NotAnAnalyzerFile, Problem, UnitsMissing
from parsers.model import Column, LineCount, NotRead, Phase, Reading, ReadResult, ReadWarning
from parsers.options import ReadOptions
from parsers.text import decoded, physical_lines
from parsers.vocabulary import meaning

_PHASE_WORDS: dict[str, Phase] = {
    "as found": "as_found",
    "before": "as_found",
    "as left": "as_left",
    "after": "as_left",
    "trial": "trial",
}
_ASSUMED = {"%": "%", "ppm": "ppm", "1": "1"}


def read(data: bytes, name: str, *, options: ReadOptions = ReadOptions()) -> ReadResult:
    """Return the readings of an analyzer file and what was not understood of it."""
    sha256 = hashlib.sha256(data).hexdigest()
    if not data.strip():
        raise EmptyInput(
            name,
            [Problem("empty", "the file is empty", "readings", "Export the file again.", 1, 1)],
        )
    if data.startswith(b"%PDF") or data.startswith(b"\x89PNG"):
        raise NotAnAnalyzerFile(
            name,
            [
                Problem(
                    "wrong_file",
                    "this is a PDF or a picture",
                    "a text table",
                    "Export CSV.",
                    1,
                    1,
                    data[:4].decode("latin-1"),
                )
            ],
        )
    text = decoded(data)
    lines = physical_lines(text.text)
    best: tuple[float, int, str] | None = None
    for delimiter in ";\t,|":
        for n, line in enumerate(lines[:60]):
            found = [meaning(c) for c in line.split(delimiter)]
            score = sum(m.confidence for m in found if m.role == "quantity")
            if len(found) > 1 and (best is None or score > best[0]):
                best = (score, n, delimiter)
    if best is None or best[0] < 0.5:
        raise NotAnAnalyzerFile(
            name,
            [
                Problem(
                    "no_known_quantity",
                    "no column of a known quantity",
                    "headings such as O2 [%], CO [ppm], Stack temperature [degC]",
                    "Teach the headings once with fluebook maps teach.",
                    1,
                    1,
                    lines[0][:80],
                )
            ],
        )
    _, at, delimiter = best
    headings = next(csv.reader([lines[at]], delimiter=delimiter))
    meanings = [meaning(h) for h in headings]
    columns, problems, warnings = [], [], list(text.warnings)
    for i, (heading, m) in enumerate(zip(headings, meanings, strict=True)):
        unit = m.unit
        if m.quantity:
            canonical = QUANTITIES[m.quantity].unit
            unit = unit or options.units.get(m.quantity) or _ASSUMED.get(canonical)
            if unit is None:
                problems.append(
                    Problem(
                        "unit_missing",
                        f"column {heading!r} has no unit",
                        f"a unit such as {canonical}",
                        "Write the unit into the heading or state it.",
                        at + 1,
                        i + 1,
                        heading,
                    )
                )
            elif m.unit is None:
                warnings.append(
                    ReadWarning("unit_assumed", f"{heading!r} taken in {unit}", at + 1, i + 1)
                )
        columns.append(Column(0, i, heading, unit, m.quantity, m.confidence, m.why))
    if problems:
        raise UnitsMissing(name, problems)
    readings, not_read, blank = [], [], 0
    for n, line in enumerate(lines[at + 1 :], at + 2):
        if not line.strip(" ;,\t"):
            blank += 1
            continue
        cells = next(csv.reader([line], delimiter=delimiter))
        values, missing, places, phase = {}, {}, {}, None
        for i, cell in enumerate(cells[: len(columns)]):
            quantity, unit = columns[i].quantity, columns[i].unit
            if meanings[i].role == "phase":
                phase = _PHASE_WORDS.get(cell.strip().casefold().replace("_", " "))
            if quantity is None or unit is None:
                continue
            if re.fullmatch(r"\s*[-+]?\d+([.,]\d+)?\s*", cell):
                values[quantity] = conversion(unit, QUANTITIES[quantity].unit)(
                    float(cell.replace(",", "."))
                )
                places[quantity] = (n, i + 1)
            else:
                missing[quantity] = f"not a number: {cell.strip()!r}"
        if values:
            readings.append(
                Reading(
                    values,
                    lines=(n,),
                    at=places,
                    missing=missing,
                    phase=phase,
                    firing_rate=values.get("firing_rate"),
                )
            )
        else:
            not_read.append(NotRead(n, None, line, "no_value", "no value of a known quantity"))
    count = LineCount(len(lines), len(readings), 1, 0, at, 0, blank, len(not_read))
    return ReadResult(name, sha256, count, columns, readings, not_read, warnings)
