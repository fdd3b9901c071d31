"""A corpus of small analyzer files over troubles and pairs of troubles, the truth beside each.

``python -m tests.parsers.corpus`` prints the score. A recoverable file is right when every value,
count and place is right; an unrecoverable one is right when it is refused; a file that is wrong
without a refusal or a warning is silent, the worst class.
"""

from __future__ import annotations

import gzip
import io
import itertools
import sys
import zipfile
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field

from parsers import ReadError, ReadOptions, ReadResult, read

# The truth of the base file, in canonical units, by reading.
RATES = (100.0, 75.0, 50.0, 25.0)
O2 = (3.1, 3.6, 4.4, 6.2)
CO = (12.0, 9.0, 21.0, 45.0)
STACK_C = (182.5, 168.0, 151.5, 139.0)
DRAFT_PA = (-12.0, -10.5, -8.0, -6.5)


@dataclass
class Table:
    """A table still as Python values, which troubles change before it is written."""

    headings: list[str] = field(
        default_factory=lambda: ["Firing rate", "O2", "CO", "Stack temperature", "Stack draft"]
    )
    units: list[str] = field(default_factory=lambda: ["%", "%", "ppm", "°C", "Pa"])
    rows: list[list[str]] = field(
        default_factory=lambda: [
            [f"{v:.{d}f}" for v, d in zip(row, (0, 1, 0, 1, 1), strict=True)]
            for row in zip(RATES, O2, CO, STACK_C, DRAFT_PA, strict=True)
        ]
    )
    preamble: list[str] = field(default_factory=list)
    footer: list[str] = field(default_factory=list)
    delimiter: str = ";"
    end: str = "\n"
    encoding: str = "utf-8"
    unit_style: str = "brackets"
    last_end: bool = True
    truth: list[dict[str, float]] = field(
        default_factory=lambda: [
            dict(
                zip(
                    ("firing_rate", "o2_dry", "co_dry", "stack_temperature", "stack_draft"),
                    row,
                    strict=True,
                )
            )
            for row in zip(RATES, O2, CO, STACK_C, DRAFT_PA, strict=True)
        ]
    )
    shape: str = "upright"
    quote: bool = False
    bounds: dict[tuple[int, str], float] = field(default_factory=dict)
    times: list[str] | None = None
    options: ReadOptions = field(default_factory=ReadOptions)
    refused: bool = False
    pack: str = ""
    between: dict[int, list[str]] = field(default_factory=dict)
    not_read: int = 0

    def cell(self, text: str) -> str:
        if self.quote or self.delimiter in text or '"' in text or "\n" in text:
            return '"' + text.replace('"', '""') + '"'
        return text

    def line(self, cells: list[str]) -> str:
        return self.delimiter.join(self.cell(c) for c in cells)

    def text(self) -> str:
        heads = {
            "brackets": lambda h, u: f"{h} [{u}]" if u else h,
            "round": lambda h, u: f"{h} ({u})" if u else h,
            "comma": lambda h, u: f"{h}, {u}" if u else h,
            "word": lambda h, u: f"{h} {u}" if u else h,
            "row": lambda h, u: h,
            "cells": lambda h, u: h,
        }[self.unit_style]
        headings = [heads(h, u) for h, u in zip(self.headings, self.units, strict=True)]
        rows = self.rows
        if self.unit_style == "cells":
            rows = [
                [f"{c} {u}".strip() if c else c for c, u in zip(r, self.units, strict=True)]
                for r in rows
            ]
        lines = list(self.preamble)
        if self.shape == "upright":
            lines.append(self.line(headings))
            if self.unit_style == "row":
                lines.append(self.line(self.units))
            for n, row in enumerate(rows):
                lines += self.between.get(n, [])
                lines.append(self.line(row))
            lines += self.between.get(len(rows), [])
        elif self.shape == "sideways":
            for i, head in enumerate(headings):
                cells = [head, self.units[i]] if self.unit_style == "row" else [head]
                lines.append(self.line([*cells, *(r[i] for r in rows)]))
        elif self.shape == "tickets":
            for row in rows:
                lines.append("*** TEST ***")
                for h, u, c in zip(self.headings, self.units, row, strict=True):
                    lines.append(f"{h:<26}{c} {u}".rstrip())
                lines.append("")
        elif self.shape == "pairs":
            for row in rows:
                lines.append(
                    " ".join(
                        f"{h.replace(' ', '_')}={c}{u}"
                        for h, u, c in zip(self.headings, self.units, row, strict=True)
                    )
                )
        lines += self.footer
        return self.end.join(lines) + (self.end if self.last_end else "")

    def data(self) -> bytes:
        raw = self.text().encode(self.encoding)
        if self.pack == "gzip":
            return gzip.compress(raw, mtime=0)
        if self.pack == "zip":
            out = io.BytesIO()
            with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
                archive.writestr("log.csv", raw)
            return out.getvalue()
        return raw


Trouble = Callable[[Table], None]
TROUBLES: dict[str, Trouble] = {}


def trouble(function: Trouble) -> Trouble:
    TROUBLES[function.__name__] = function
    return function


def column(table: Table, key: str) -> int:
    return ["firing_rate", "o2_dry", "co_dry", "stack_temperature", "stack_draft"].index(key)


def add_column(table: Table, heading: str, unit: str, cells: list[str]) -> None:
    table.headings.append(heading)
    table.units.append(unit)
    for row, cell in zip(table.rows, cells, strict=True):
        row.append(cell)


@trouble
def decimal_comma(t: Table) -> None:
    t.rows = [[c.replace(".", ",") for c in row] for row in t.rows]


@trouble
def comma_delimiter(t: Table) -> None:
    t.delimiter = ","


@trouble
def tab_delimiter(t: Table) -> None:
    t.delimiter = "\t"


@trouble
def pipe_delimiter(t: Table) -> None:
    t.delimiter = "|"


@trouble
def all_quoted(t: Table) -> None:
    t.quote = True


@trouble
def utf16(t: Table) -> None:
    t.encoding = "utf-16"


@trouble
def utf8_bom(t: Table) -> None:
    t.encoding = "utf-8-sig"


@trouble
def cp1252(t: Table) -> None:
    t.encoding = "cp1252"


@trouble
def crlf(t: Table) -> None:
    t.end = "\r\n"


@trouble
def lone_cr(t: Table) -> None:
    t.end = "\r"


@trouble
def no_last_line_end(t: Table) -> None:
    t.last_end = False


@trouble
def preamble(t: Table) -> None:
    t.preamble += [
        "Flue gas report",
        "Site: Mill Lane plant",
        "Serial no: 0012345",
        "",
        "O2 reference: 3 %",
    ]


@trouble
def footer(t: Table) -> None:
    t.footer += ["", "End of report", "Signature:"]
    t.not_read += 2


@trouble
def units_row(t: Table) -> None:
    t.unit_style = "row"


@trouble
def units_round(t: Table) -> None:
    t.unit_style = "round"


@trouble
def units_comma(t: Table) -> None:
    t.unit_style = "comma"


@trouble
def units_word(t: Table) -> None:
    t.unit_style = "word"


@trouble
def units_in_cells(t: Table) -> None:
    t.unit_style = "cells"


@trouble
def fahrenheit(t: Table) -> None:
    i = column(t, "stack_temperature")
    t.units[i] = "°F"
    for row, c in zip(t.rows, STACK_C, strict=True):
        comma = "," in row[i]
        row[i] = f"{c * 1.8 + 32:.1f}"
        row[i] = row[i].replace(".", ",") if comma else row[i]


@trouble
def inches_of_water(t: Table) -> None:
    i = column(t, "stack_draft")
    t.units[i] = "inWC"
    for row, truth in zip(t.rows, t.truth, strict=True):
        inches = round(truth["stack_draft"] / 249.0889, 4)
        truth["stack_draft"] = inches * 249.0889
        comma = any("," in c for c in row)
        row[i] = f"{inches:.4f}".replace(".", "," if comma else ".")


@trouble
def german_words(t: Table) -> None:
    t.headings[:5] = [
        "Brennerleistung",
        "Sauerstoff",
        "Kohlenmonoxid",
        "Abgastemperatur",
        "Kaminzug",
    ]


@trouble
def french_words(t: Table) -> None:
    t.headings[:5] = [
        "Charge brûleur", "Oxygène", "Monoxyde de carbone", "Température des fumées", "Tirage",
    ]  # fmt: skip


@trouble
def spanish_words(t: Table) -> None:
    t.headings[:5] = [
        "Carga", "Oxígeno", "Monóxido de carbono", "Temperatura de humos", "Tiro",
    ]  # fmt: skip


@trouble
def shouting_underscores(t: Table) -> None:
    t.headings = [h.upper().replace(" ", "_") for h in t.headings]


@trouble
def subscripts(t: Table) -> None:
    t.headings = [h.replace("O2", "O₂") for h in t.headings]


@trouble
def unusual_minus(t: Table) -> None:
    if t.encoding == "cp1252":
        t.rows = [[c.replace("-", "–") for c in row] for row in t.rows]
    else:
        t.rows = [[c.replace("-", "−") for c in row] for row in t.rows]


@trouble
def over_range(t: Table) -> None:
    t.rows[3][2] = "> 2000"
    del t.truth[3]["co_dry"]
    t.bounds[3, "co_dry"] = 2000.0


@trouble
def no_reading_mark(t: Table) -> None:
    t.rows[1][4] = "---"
    del t.truth[1]["stack_draft"]


@trouble
def sensor_off(t: Table) -> None:
    t.rows[2][2] = "OFF"
    del t.truth[2]["co_dry"]


@trouble
def summary_rows(t: Table) -> None:
    width = len(t.headings)
    for name in ("Mean", "Max"):
        t.between.setdefault(len(t.rows), []).append(
            t.delimiter.join([name, "4.3", "22", "160", "-9", *[""] * (width - 5)])
        )


@trouble
def blank_lines(t: Table) -> None:
    t.between.setdefault(2, []).append("")


@trouble
def separator_only_lines(t: Table) -> None:
    t.between.setdefault(1, []).append(t.delimiter * (len(t.headings) - 1))


@trouble
def repeated_heading(t: Table) -> None:
    t.between.setdefault(2, []).append("@HEAD")


@trouble
def trailing_delimiter(t: Table) -> None:
    t.headings.append("")
    t.units.append("")
    for row in t.rows:
        row.append("")


@trouble
def unknown_column(t: Table) -> None:
    add_column(t, "Blorf", "", ["7", "8", "9", "10"])


@trouble
def note_column(t: Table) -> None:
    add_column(t, "Remarks", "", ["ok", 'said "hm", left', "max reached", "mean of 3"])


@trouble
def note_with_line_break(t: Table) -> None:
    add_column(t, "Notes", "", ["first\nsecond", "", "x", ""])


@trouble
def corrected_co(t: Table) -> None:
    add_column(t, "CO @ 3% O2", "ppm", ["13", "10", "23", "54"])
    for truth, value in zip(t.truth, (13.0, 10.0, 23.0, 54.0), strict=True):
        truth["stated_co_at_reference"] = value


@trouble
def room_co(t: Table) -> None:
    add_column(t, "Ambient CO", "ppm", ["0", "1", "0", "2"])
    for truth, value in zip(t.truth, (0.0, 1.0, 0.0, 2.0), strict=True):
        truth["room_co"] = value


@trouble
def average_beside_instant(t: Table) -> None:
    add_column(t, "O2 average", "%", ["4", "4", "4", "4"])


@trouble
def setpoint_beside_reading(t: Table) -> None:
    add_column(t, "O2 setpoint", "%", ["3", "3", "4", "5"])


@trouble
def iso_times(t: Table) -> None:
    add_column(t, "Time", "", [f"2026-11-25T10:0{i}:00Z" for i in range(4)])
    t.times = [f"2026-11-25T10:0{i}:00+00:00" for i in range(4)]


@trouble
def european_dates(t: Table) -> None:
    add_column(t, "Datum", "", ["25.11.2026"] * 4)
    add_column(t, "Uhrzeit", "", [f"10:0{i}" for i in range(4)])
    t.times = [f"2026-11-25T10:0{i}:00" for i in range(4)]


@trouble
def us_dates(t: Table) -> None:
    add_column(t, "Date/Time", "", [f"11/25/2026 01:0{i} PM" for i in range(4)])
    t.times = [f"2026-11-25T13:0{i}:00" for i in range(4)]


@trouble
def epoch_times(t: Table) -> None:
    add_column(t, "Epoch", "", [str(1795600800 + 60 * i) for i in range(4)])
    t.times = [f"2026-11-25T10:0{i}:00+00:00" for i in range(4)]


@trouble
def elapsed_times(t: Table) -> None:
    t.preamble.append("Start time: 2026-11-25 10:00:00")
    add_column(t, "Elapsed", "s", ["0", "60", "120", "180"])
    t.times = [f"2026-11-25T10:0{i}:00" for i in range(4)]


@trouble
def sideways(t: Table) -> None:
    t.shape = "sideways"


@trouble
def tickets(t: Table) -> None:
    t.shape = "tickets"


@trouble
def pairs(t: Table) -> None:
    t.shape = "pairs"


@trouble
def gzipped(t: Table) -> None:
    t.pack = "gzip"


@trouble
def zipped(t: Table) -> None:
    t.pack = "zip"


# Unrecoverable: refused is right, anything else is wrong.
@trouble
def refuse_no_temperature_unit(t: Table) -> None:
    t.units[3] = ""
    t.refused = True


@trouble
def refuse_two_o2(t: Table) -> None:
    add_column(t, "Oxygen", "%", ["9", "9", "9", "9"])
    t.refused = True


@trouble
def refuse_ambiguous_dates(t: Table) -> None:
    add_column(t, "Date", "", ["03/04/2026 10:00"] * 4)
    t.refused = True


@trouble
def refuse_unknown_headings(t: Table) -> None:
    t.headings = [f"K{i}" for i in range(len(t.headings))]
    t.refused = True


# Troubles that exclude one another: one of each group at most.
GROUPS: tuple[tuple[str, ...], ...] = (
    ("comma_delimiter", "tab_delimiter", "pipe_delimiter", "tickets", "pairs"),
    ("utf16", "utf8_bom", "cp1252"),
    ("crlf", "lone_cr"),
    ("units_row", "units_round", "units_comma", "units_word", "units_in_cells"),
    ("german_words", "french_words", "spanish_words", "shouting_underscores", "subscripts",
     "refuse_unknown_headings"),
    ("sideways", "tickets", "pairs"),
    ("iso_times", "european_dates", "us_dates", "epoch_times", "elapsed_times",
     "refuse_ambiguous_dates"),
    ("gzipped", "zipped"),
)  # fmt: skip
_SIDE = ("sideways", "tickets", "pairs")
_ROWS_ONLY = (
    "summary_rows", "blank_lines", "separator_only_lines", "repeated_heading", "trailing_delimiter",
    "note_with_line_break", "footer", "note_column", "units_in_cells", "unknown_column",
    "all_quoted",
    "units_row", "units_comma", "units_round", "refuse_unknown_headings", "preamble",
    "elapsed_times",
)  # fmt: skip
_PAIR_ONLY = (
    "european_dates", "us_dates", "iso_times", "epoch_times", "setpoint_beside_reading",
    "units_word",
    "corrected_co", "room_co", "average_beside_instant", "refuse_no_temperature_unit",
    "refuse_ambiguous_dates", "over_range", "no_reading_mark", "sensor_off", "refuse_two_o2",
)  # fmt: skip


def allowed(names: tuple[str, ...]) -> bool:
    for group in GROUPS:
        if sum(n in group for n in names) > 1:
            return False
    if any(n in _SIDE for n in names) and any(n in _ROWS_ONLY for n in names):
        return False
    if any(n in ("tickets", "pairs") for n in names) and any(n in _PAIR_ONLY for n in names):
        return False
    both = {
        ("comma_delimiter", "units_comma"), ("cp1252", "subscripts"),
        ("units_in_cells", "refuse_no_temperature_unit"), ("units_comma", "decimal_comma"),
        ("units_row", "refuse_no_temperature_unit"),
    }  # fmt: skip
    return not any(set(b) <= set(names) for b in both)


@dataclass(frozen=True)
class Case:
    """One file with its truth."""

    name: str
    data: bytes
    table: Table


def made(names: tuple[str, ...]) -> Case:
    table = Table()
    # Rows that look at the delimiter or the headings come after those that set them.
    late = ("summary_rows", "separator_only_lines", "repeated_heading", "unusual_minus")
    for name in sorted(names, key=lambda n: (n in late, list(TROUBLES).index(n))):
        TROUBLES[name](table)
    for inserted in table.between.values():
        for i, line in enumerate(inserted):
            if line == "@HEAD":
                heads = Table(
                    headings=table.headings, units=table.units, rows=[], truth=[],
                    delimiter=table.delimiter, unit_style=table.unit_style, quote=table.quote,
                )  # fmt: skip
                inserted[i] = heads.text().rstrip("\n").replace("\n", table.end)
            elif "decimal_comma" in names and line.startswith(("Mean", "Max")):
                inserted[i] = line if table.delimiter == "," else line.replace(".", ",")
    return Case("+".join(names) or "plain", table.data(), table)


def cases() -> list[Case]:
    """Return every single trouble and every pair that can stand together."""
    wanted: list[tuple[str, ...]] = [(), *((n,) for n in TROUBLES)]
    wanted += [p for p in itertools.combinations(TROUBLES, 2) if allowed(p)]
    return [made(names) for names in wanted]


def faults(result: ReadResult, table: Table) -> list[str]:
    """Return what is wrong in a result, held against the truth."""
    found = []
    if len(result.readings) != len(table.truth):
        return [f"{len(result.readings)} readings instead of {len(table.truth)}"]
    lines = result.lines
    total = (
        lines.reading + lines.heading + lines.units + lines.preamble + lines.summary + lines.blank
        + lines.not_read
    )  # fmt: skip
    if total != lines.physical:
        found.append(f"the classes add up to {total} of {lines.physical} lines")
    for k, (reading, truth) in enumerate(zip(result.readings, table.truth, strict=True)):
        if set(reading.values) != set(truth):
            found.append(f"reading {k}: {sorted(set(reading.values) ^ set(truth))}")
            continue
        for key, value in truth.items():
            if abs(reading.values[key] - value) > 1e-9 * max(1.0, abs(value)):
                found.append(f"reading {k}: {key} {reading.values[key]} instead of {value}")
            if key not in reading.at:
                found.append(f"reading {k}: {key} has no place")
        for (row, key), above in table.bounds.items():
            if row == k and (key not in reading.bounds or reading.bounds[key].above != above):
                found.append(f"reading {k}: {key} is not above {above}")
        if table.times is not None:
            got = None if reading.time is None else reading.time.isoformat()
            if got != table.times[k]:
                found.append(f"reading {k}: time {got} instead of {table.times[k]}")
    return found


def outcome(case: Case) -> tuple[str, list[str]]:
    """Return right, refused, warned (wrong, but said) or silent, with details."""
    try:
        result = read(case.data, f"{case.name}.csv", options=case.table.options)
    except ReadError as error:
        return ("right" if case.table.refused else "refused"), error.lines()
    if case.table.refused:
        return ("warned" if result.warnings or result.not_read else "silent"), ["was read"]
    wrong = faults(result, case.table)
    if not wrong:
        return "right", []
    return ("warned" if result.warnings or result.not_read else "silent"), wrong


def main(shown: int = 40) -> int:
    """Print the score and the files that are not right."""
    score: Counter[str] = Counter()
    bad = []
    for case in cases():
        verdict, details = outcome(case)
        score[verdict] += 1
        if verdict != "right":
            bad.append((verdict, case.name, details[:2]))
    for verdict, name, details in bad[:shown]:
        print(f"{verdict:8} {name}: {'; '.join(details)}")
    total = sum(score.values())
    print(
        f"{score['right']} of {total} right, {score['refused']} refused though readable, "
        f"{score['warned']} wrong with a warning, {score['silent']} wrong in silence"
    )
    return 0 if score["silent"] == 0 else 1


if __name__ == "__main__":
    sys.exit(main())
