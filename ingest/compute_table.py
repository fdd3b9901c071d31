"""A table of readings with its computed columns beside it: every row and every cell kept.

The file goes through the one reader, so any understood heading works. The rows themselves are split
once more, only to carry their cells through untouched: a case number or a remark that means nothing
here comes out where it went in. A row that is no reading keeps its place and says why.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from combustion.compute import INPUTS, OUTPUTS, Computed, compute
from combustion.faults import SENTENCES, Fault
from combustion.fuel_text import FuelError, fuel_from_text
from combustion.fuels import Fuel
from combustion.quantities import QUANTITIES
from combustion.uncertainty import Accuracy
from combustion.units import UnitError, conversion
from parsers import Reading, ReadOptions, ReadResult, read
from parsers.text import decoded
from parsers.vocabulary import meaning

_DELIMITERS = (",", ";", "\t", "|")
_ACCURACY = re.compile(r"\b(accuracy|uncertainty|tolerance|genauigkeit)\b", re.IGNORECASE)
_COVERAGE = re.compile(r"\bk\s*=\s*([0-9.]+)", re.IGNORECASE)
_OF_READING = re.compile(r"%\s*(of\s+(the\s+)?reading|rdg)", re.IGNORECASE)


@dataclass(slots=True)
class ComputedTable:
    """Rows as they came, and what was computed for each.

    Attributes
    ----------
    headings : list of str
        Headings of the cells that are carried through.
    cells : list of list of str
        One list a row.
    lines : list of int
        First physical line of each row.
    computed : Computed
        One row each; rows that are no reading are missing throughout.
    not_read : Mapping of int to str
        Row, from 0, to the reason why it is no reading.
    fuel_problems : Mapping of int to str
        Row to what is wrong with its fuel.
    missing : Mapping of int to Mapping of str to str
        Row to the reader's own reasons for missing inputs.
    said : list of str
        What the person should know: assumptions, normalised compositions, warnings of the reader.
    """

    headings: list[str]
    cells: list[list[str]]
    lines: list[int]
    computed: Computed
    not_read: Mapping[int, str]
    fuel_problems: Mapping[int, str]
    missing: Mapping[int, Mapping[str, str]] = field(default_factory=dict)
    said: list[str] = field(default_factory=list)

    def refused(self, row: int) -> dict[str, str]:
        """Return the outputs of a row that are missing, each with its reason."""
        if row in self.not_read:
            return dict.fromkeys(OUTPUTS, f"this row is not a reading: {self.not_read[row]}")
        found = self.computed.refused(row)
        problem = self.fuel_problems.get(row)
        if problem:
            unknown = SENTENCES[Fault.FUEL]
            found = {key: why.replace(unknown, problem) for key, why in found.items()}
        reader = self.missing.get(row)
        if reader:
            for key, why in found.items():
                found[key] = _more_exactly(why, reader)
        return found


_PLAIN = {
    "CO was not measured": "co_dry",
    "NO was not measured": "no_dry",
    "neither O2 nor CO2 was measured": "o2_dry",
    "stack temperature was not measured": "stack_temperature",
    "combustion air temperature was not measured": "combustion_air_temperature",
}


def _more_exactly(why: str, reader: Mapping[str, str]) -> str:
    parts = []
    for part in why.split("; "):
        known = reader.get(_PLAIN.get(part, ""))
        parts.append(f"{part} ({known})" if known else part)
    return "; ".join(parts)


def computed_table(
    data: bytes,
    name: str,
    *,
    options: ReadOptions,
    fuel: str | None = None,
    accuracies: Mapping[str, Accuracy] | None = None,
    constants: Mapping[str, float] | None = None,
    no2_share_percent: float | None = None,
) -> ComputedTable:
    """Return a file's rows with every computed column.

    Parameters
    ----------
    data : bytes
        The file.
    name : str
        Its name, for messages.
    options : ReadOptions
        What the person states of the file.
    fuel : str or None
        Fuel of the rows that name none.
    accuracies : Mapping of str to Accuracy or None
        By input key, for rows whose table states none.
    constants : Mapping of str to float or None
        Inputs that hold for rows without their own, in canonical units.
    no2_share_percent : float or None
        See :func:`combustion.compute.compute`.

    Raises
    ------
    ReadError
        When the file as a whole cannot be read.
    """
    result = read(data, name, options=options)
    said = [w.message for w in result.warnings if w.code != "column_not_read"]
    headings, cells, lines, places = _rows(data, result)
    rows = len(lines)
    columns = {key: np.full(rows, np.nan) for key in INPUTS}
    index = np.full(rows, -1, dtype=np.int64)
    fuels: list[Fuel] = []
    known: dict[str, int | str] = {}
    problems: dict[int, str] = {}
    missing: dict[int, dict[str, str]] = {}
    seen = np.zeros(rows, dtype=bool)
    at = np.array(places, dtype=np.int64)
    seen[at] = True
    for key, column in result.table.values.items():
        if key in columns:
            columns[key][at] = column
    for row, reading in zip(at.tolist(), result.readings, strict=True):
        index[row] = _fuel_index(reading, fuel, fuels, known, problems, row)
        if reading.missing or reading.bounds:
            missing[row] = _reader_reasons(reading)
    for key, value in (constants or {}).items():
        columns[key] = np.where(np.isnan(columns[key]) & seen, value, columns[key])
    said += [f"fuel {f.name!r}: {f.note}" for f in fuels if f.note]
    given = {k: v for k, v in columns.items() if not np.isnan(v).all()}
    if not given:
        given = {"o2_dry": columns["o2_dry"]}
    spreads = _spreads(headings, cells, columns, said)
    done = compute(
        given,
        fuels,
        index,
        accuracies=accuracies or None,
        no2_share_percent=no2_share_percent,
        spreads=spreads or None,
    )
    why = {n.line: n.why for n in result.not_read}
    not_read = {
        row: why.get(lines[row], "a heading, summary or remark")
        for row in np.flatnonzero(~seen).tolist()
    }
    return ComputedTable(
        headings, cells, lines, done, not_read, problems, missing, list(dict.fromkeys(said))
    )


def _first_lines(result: ReadResult) -> list[int]:
    return [int(line) for line in result.table.lines]


def _reader_reasons(reading: Reading) -> dict[str, str]:
    found = dict(reading.missing)
    for key, bound in reading.bounds.items():
        unit = QUANTITIES[key].unit
        if bound.above is not None:
            found[key] = f"above the instrument's {bound.above:g} {unit}"
        elif bound.below is not None:
            found[key] = f"below the instrument's {bound.below:g} {unit}"
    return found


def _fuel_index(
    reading: Reading,
    default: str | None,
    fuels: list[Fuel],
    known: dict[str, int | str],
    problems: dict[int, str],
    row: int,
) -> int:
    text = reading.fuel or default
    if not text:
        problems[row] = "no fuel is stated: a column 'fuel', or --fuel"
        return -1
    if text not in known:
        try:
            fuels.append(fuel_from_text(text))
            known[text] = len(fuels) - 1
        except FuelError as error:
            known[text] = str(error)
    found = known[text]
    if isinstance(found, str):
        problems[row] = found
        return -1
    return found


def _rows(
    data: bytes, result: ReadResult
) -> tuple[list[str], list[list[str]], list[int], list[int]]:
    """Return headings, cells and lines of every row, and the row of each reading."""
    block = [c for c in result.columns if c.block == 0]
    wanted = [c.heading.strip() for c in sorted(block, key=lambda c: c.index)]
    starts = _first_lines(result)
    first = min(starts, default=1)
    table = None if result.readings and result.readings[0].sheet else _split(data, wanted, first)
    if table is None:
        return _without_cells(result)
    headings, found = table
    row_of = {line: row for row, (line, _) in enumerate(found)}
    if len(set(starts)) != len(starts) or any(line not in row_of for line in starts):
        return _without_cells(result)
    width = len(headings)
    cells = [(c + [""] * width)[:width] for _, c in found]
    return headings, cells, [line for line, _ in found], [row_of[n] for n in starts]


def _split(
    data: bytes, wanted: Sequence[str], first: int
) -> tuple[list[str], list[tuple[int, list[str]]]] | None:
    text = decoded(data).text
    for delimiter in _DELIMITERS:
        rows = list(_csv_rows(text, delimiter))
        heads = [i for i, (line, _) in enumerate(rows) if line < first]
        for i in reversed(heads):
            cells = [c.strip() for c in rows[i][1]]
            same = sum(a == b for a, b in zip(cells, wanted, strict=False))
            if same and same >= 0.6 * len(wanted) and len(cells) >= len(wanted) > 1:
                below = [(n, c) for n, c in rows[i + 1 :] if n >= first]
                body = [(n, c) for n, c in below if any(x.strip() for x in c)]
                return cells, body
    return None


def _csv_rows(text: str, delimiter: str) -> Iterator[tuple[int, list[str]]]:
    reader = csv.reader(text.splitlines(keepends=True), delimiter=delimiter)
    line = 1
    try:
        for cells in reader:
            yield line, cells
            line = reader.line_num + 1
    except csv.Error:
        return


def _without_cells(
    result: ReadResult,
) -> tuple[list[str], list[list[str]], list[int], list[int]]:
    """Return the rows of tickets, spreadsheets and sideways tables: the readings themselves."""
    keys = [key for key in result.table.values if key in QUANTITIES]
    headings = [f"read {key} [{QUANTITIES[key].unit}]" for key in keys]
    columns = [result.table.values[key].tolist() for key in keys]
    cells = [
        ["" if value != value else f"{value:.10g}" for value in row]
        for row in zip(*columns, strict=True)
    ]
    lines = _first_lines(result)
    return headings, cells, lines, list(range(len(lines)))


def _spreads(
    headings: Sequence[str],
    cells: Sequence[Sequence[str]],
    columns: Mapping[str, np.ndarray],
    said: list[str],
) -> dict[str, np.ndarray]:
    """Return standard uncertainties by row from columns such as ``O2 accuracy [%]``."""
    found: dict[str, np.ndarray] = {}
    for i, heading in enumerate(headings):
        if not _ACCURACY.search(heading):
            continue
        stated = _COVERAGE.search(heading)
        coverage = float(stated[1]) if stated else 2.0
        of_reading = bool(_OF_READING.search(heading))
        rest = _ACCURACY.sub("", _COVERAGE.sub("", heading))
        rest = re.sub(r"\(\s*\)|\[\s*\]|[,;]\s*$", "", _OF_READING.sub("", rest)).strip()
        meant = meaning(re.sub(r"\s{2,}", " ", rest))
        key = meant.quantity
        if key is None or key not in columns:
            said.append(f"column {heading!r}: accuracy of what? it is not used")
            continue
        values = np.array([_number(row[i]) for row in cells])
        divisor = Accuracy(absolute=1.0, coverage=coverage).divisor
        if of_reading:
            half = 0.01 * values * np.abs(columns[key])
        else:
            try:
                half = values * conversion(meant.unit or QUANTITIES[key].unit, _scale(key)).factor
            except UnitError as error:
                said.append(f"column {heading!r}: {error}; it is not used")
                continue
        # The larger of two columns for one quantity holds.
        one = half / divisor
        found[key] = np.fmax(found[key], one) if key in found else one
    return found


def _scale(key: str) -> str:
    return QUANTITIES[key].unit


def _number(text: str) -> float:
    try:
        return float(text.strip().replace(",", "."))
    except ValueError:
        return float("nan")
