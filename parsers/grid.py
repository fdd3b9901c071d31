"""Physical lines to rows of cells: delimiters, quotes, and where each row begins and ends.

Quotes are honoured only where they are well-formed: an inch mark at the start of a cell or a
forgotten closing quote must not swallow the rest of the file.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

DELIMITERS = (";", "\t", ",", "|")
ALIGNED = "  "
"""Two blanks or more between cells, as a printer aligns columns."""
WORDS = " "
"""Any blank between cells, where no cell has a blank inside."""

_MAX_QUOTED_LINES = 25


@dataclass(slots=True)
class Row:
    """One row of cells with the physical lines that it spans."""

    line: int
    last: int
    cells: list[str]
    raw: str
    places: tuple[tuple[int, int], ...] | None = field(default=None)
    cut_off: bool = False
    """True for a last line without a line end."""
    head_only: bool = False
    """True for a made-up row of keys: its line is a reading's, and is classed as such."""


def _quoted(lines: Sequence[str], at: int, delimiter: str) -> tuple[list[str], int] | None:
    """Return the cells of a row with quotes and the index of its last line.

    None where a quote is not well-formed: the caller then takes quotes as plain characters.
    """
    cells: list[str] = []
    text, n, i = lines[at], at, 0
    while True:
        lead = i
        while lead < len(text) and text[lead] == " ":
            lead += 1
        if lead < len(text) and text[lead] == '"':
            parts, i = [], lead + 1
            while True:
                end = text.find('"', i)
                if end < 0:
                    if n + 1 >= len(lines) or n - at >= _MAX_QUOTED_LINES:
                        return None
                    parts.append(text[i:] + "\n")
                    n += 1
                    text, i = lines[n], 0
                elif text[end + 1 : end + 2] == '"':
                    parts.append(text[i : end + 1])
                    i = end + 2
                else:
                    parts.append(text[i:end])
                    i = end + 1
                    break
            rest = text[i:].lstrip(" ")
            if rest and not rest.startswith(delimiter):
                return None
            i = len(text) - len(rest)
            cells.append("".join(parts))
        else:
            end = text.find(delimiter, i)
            end = len(text) if end < 0 else end
            cells.append(text[i:end])
            i = end
        if i >= len(text):
            return cells, n
        i += len(delimiter)


def split_rows(
    lines: Sequence[str], delimiter: str, *, first_line: int = 1, cut_off: bool = False
) -> list[Row]:
    r"""Return the rows of delimited lines.

    Parameters
    ----------
    lines : sequence of str
        Physical lines without their ends.
    delimiter : str
        One of DELIMITERS, ALIGNED or WORDS.
    first_line : int
        Number of the first line.
    cut_off : bool
        Whether the last line lacks its line end.

    Examples
    --------
    >>> [r.cells for r in split_rows(['a;"b', 'c";d', 'e;"WC;f'], ";")]
    [['a', 'b\nc', 'd'], ['e', '"WC', 'f']]
    """
    rows: list[Row] = []
    if delimiter in (ALIGNED, WORDS):
        pattern = re.compile(r"\s{2,}|\t" if delimiter == ALIGNED else r"\s+")
        for n, line in enumerate(lines, first_line):
            rows.append(Row(n, n, pattern.split(line.strip()), line))
    else:
        n = 0
        while n < len(lines):
            line = lines[n]
            if '"' in line and (found := _quoted(lines, n, delimiter)) is not None:
                cells, last = found
                raw = "\n".join(lines[n : last + 1])
                rows.append(Row(first_line + n, first_line + last, cells, raw))
                n = last + 1
            else:
                rows.append(Row(first_line + n, first_line + n, line.split(delimiter), line))
                n += 1
    if rows and cut_off:
        rows[-1].cut_off = True
    return rows


_LONGEST = 200
"""Characters; a printer's line is shorter, and the patterns below are not meant for prose."""

# A printer's line: label, then a mark or room, then the value.
_LABEL = re.compile(
    r"\s*(?P<label>[^\W\d][^:=\t]*?|[A-Za-z][^=\t]*?)"
    r"(?:\s*[:=]\s*|\s*\.{2,}:?\s*|\s*_{2,}\s*|\t+\s*|\s{2,}|\s(?=[-+−–<>≥≤]?\s?[0-9.,]+\b|-{2,}|n/a\b))"
    r"(?P<value>.*?)\s*",
    re.IGNORECASE,
)
_VALUE_FIRST = re.compile(
    r"\s*(?P<value>[-+−–<>]?\s?[0-9][0-9.,]*\s*[^\s0-9]{1,6})\s+(?P<label>[^\W\d].*?)\s*"
)


def ticket_rows(lines: Sequence[str], *, cut_off: bool = False) -> list[Row]:
    """Return lines as rows of label and value, as a small printer gives them.

    >>> [r.cells for r in ticket_rows(["O2 ......  5.1 %", "CO: 20 ppm", "350 °F  T stack"])]
    [['O2', '5.1 %'], ['CO', '20 ppm'], ['T stack', '350 °F']]
    """
    rows = []
    for n, line in enumerate(lines, 1):
        line = line.strip()
        if len(line) > _LONGEST:
            rows.append(Row(n, n, [line], line))
        elif match := _VALUE_FIRST.fullmatch(line):
            rows.append(Row(n, n, [match["label"], match["value"]], line, places=((n, 2), (n, 1))))
        elif match := _LABEL.fullmatch(line):
            rows.append(Row(n, n, [match["label"].strip(" .-*"), match["value"]], line))
        else:
            rows.append(Row(n, n, [line.strip()], line))
    if rows and cut_off:
        rows[-1].cut_off = True
    return rows


_PAIR_EQUALS = re.compile(r"""(?:^|(?<=[\s,;|&]))"?([^\W\d][^\s=,;|&"]*(?:\[[^\]]*\])?)"?\s*=\s*""")
_PAIR_COLON = re.compile(r"""(?:^|(?<=[\s,;|{]))"?([^\W\d][^:=,;|{}"]*?)"?\s*:\s+""")


def pair_rows(lines: Sequence[str], *, cut_off: bool = False) -> list[Row] | None:
    """Return lines of ``key=value`` pairs as one table, None where the lines are not such.

    The first row holds the keys in the order of their first appearance, with the first line.

    >>> [r.cells for r in pair_rows(["o2=5.1 co=20", "co=21 o2=5,2"])]
    [['o2', 'co'], ['5.1', '20'], ['5,2', '21']]
    """
    for pattern in (_PAIR_EQUALS, _PAIR_COLON):
        keys: dict[str, int] = {}
        split: list[tuple[int, str, list[tuple[str, str]]]] = []
        several = 0
        for n, line in enumerate(lines, 1):
            marks = list(pattern.finditer(line))
            pairs = []
            for i, match in enumerate(marks):
                end = marks[i + 1].start() if i + 1 < len(marks) else len(line)
                pairs.append((match[1].strip(), line[match.end() : end].strip(' ,;|&"}')))
            several += len(pairs) > 1 and not line[: marks[0].start()].strip(' {"')
            split.append((n, line, pairs))
        if several == 0 or several < 0.4 * sum(1 for line in lines if line.strip()):
            continue
        rows = []
        for n, line, pairs in split:
            names = [k for k, _ in pairs]
            if len(pairs) < 2 or len(set(names)) < len(names):
                rows.append(Row(n, n, [line], line))
                continue
            for key in names:
                keys.setdefault(key, len(keys))
            row = Row(n, n, [], line)
            places = {keys[k]: (n, i) for i, (k, _) in enumerate(pairs, 1)}
            given = {keys[k]: v for k, v in pairs}
            row.cells = [given.get(i, "") for i in range(len(keys))]
            row.places = tuple(places.get(i, (n, 0)) for i in range(len(keys)))
            rows.append(row)
        width = len(keys)
        for row in rows:
            if row.places is not None:
                row.cells += [""] * (width - len(row.cells))
                row.places += ((row.line, 0),) * (width - len(row.places))
        if rows and cut_off:
            rows[-1].cut_off = True
        first = next((r.line for r in rows if r.places is not None), 1)
        return [Row(first, first, list(keys), "", head_only=True), *rows]
    return None
