"""Where in a TOML file a key stands, so that a wrong plan gets an error with its line.

The standard library reads TOML without places. This walks the lines once more and notes where each
table, key and element of a list over several lines begins; what it cannot place (a key inside an
inline table) gets the line of what holds it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

Path = tuple[str | int, ...]

_HEADER = re.compile(r"^\s*\[\s*([^\[\]]+?)\s*\]\s*(?:#.*)?$")
_ARRAY_HEADER = re.compile(r"^\s*\[\[\s*([^\[\]]+?)\s*\]\]\s*(?:#.*)?$")
_KEY = re.compile(r"""^\s*((?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')(?:\s*\.\s*[A-Za-z0-9_-]+)*)\s*=""")


def _names(dotted: str) -> list[str]:
    return [part.strip().strip("\"'") for part in dotted.split(".")]


class _Scanner:
    """Walks a value that may go over several lines: strings, brackets, comments."""

    def __init__(self) -> None:
        self.depth = 0
        self.quote: str | None = None

    @property
    def open(self) -> bool:
        return self.depth > 0 or (self.quote is not None and len(self.quote) == 3)

    def feed(self, text: str) -> list[int]:
        """Take one line; return the columns at which an element of the outer list begins."""
        starts: list[int] = []
        fresh = self.depth == 1
        i = 0
        while i < len(text):
            char = text[i]
            if self.quote is not None:
                if char == "\\" and self.quote[0] == '"':
                    i += 1
                elif text.startswith(self.quote, i):
                    i += len(self.quote) - 1
                    self.quote = None
                i += 1
                continue
            if char == "#":
                break
            if fresh and self.depth == 1 and not char.isspace() and char not in ",]":
                starts.append(i)
                fresh = False
            if char in "\"'":
                self.quote = char * 3 if text.startswith(char * 3, i) else char
                i += len(self.quote)
                continue
            if char in "[{":
                self.depth += 1
                fresh = fresh or self.depth == 1
            elif char in "]}":
                self.depth -= 1
            elif char == "," and self.depth == 1:
                fresh = True
            i += 1
        if self.quote is not None and len(self.quote) == 1:
            self.quote = None  # an unclosed string: the reader has already refused the file
        return starts


def lines_of_toml(text: str) -> Mapping[Path, int]:
    """Return the line, from 1, at which each path of a TOML text begins.

    >>> lines_of_toml('a = 1\\n[[task]]\\nkey = "x"\\n')[("task", 0, "key")]
    3
    """
    places: dict[Path, int] = {(): 1}
    counts: dict[Path, int] = {}
    table: Path = ()
    value_path: Path = ()
    element = 0
    scanner = _Scanner()
    for number, line in enumerate(text.splitlines(), 1):
        if scanner.open:
            for _ in scanner.feed(line):
                places.setdefault((*value_path, element), number)
                element += 1
            continue
        if (match := _ARRAY_HEADER.match(line)) is not None:
            base = _through(_names(match.group(1)), counts, last_is_new=True)
            table = base
            places.setdefault(base[:-1], number)
            places[base] = number
        elif (match := _HEADER.match(line)) is not None:
            table = _through(_names(match.group(1)), counts, last_is_new=False)
            places.setdefault(table, number)
        elif (match := _KEY.match(line)) is not None:
            value_path = (*table, *_names(match.group(1)))
            places[value_path] = number
            scanner = _Scanner()
            element = len(scanner.feed(line[match.end() :].lstrip()))
            for n in range(element):
                places.setdefault((*value_path, n), number)
    return places


def _through(names: Sequence[str], counts: dict[Path, int], *, last_is_new: bool) -> Path:
    """Return the path of a header, with the index of each list of tables on the way."""
    path: Path = ()
    for n, name in enumerate(names):
        path = (*path, name)
        if n == len(names) - 1 and last_is_new:
            index = counts.get(path, -1) + 1
            counts[path] = index
            path = (*path, index)
        elif path in counts:
            path = (*path, counts[path])
    return path


def line_of(places: Mapping[Path, int], path: Path) -> int:
    """Return the line of a path, or of the nearest thing that holds it."""
    while path and path not in places:
        path = path[:-1]
    return places.get(path, 1)


def shown(path: Path) -> str:
    """Return a path as a person writes it.

    >>> shown(("task", 0, "record", 1, "unit"))
    'task[1].record[2].unit'
    """
    out = ""
    for part in path:
        out += f"[{part + 1}]" if isinstance(part, int) else f"{'.' if out else ''}{part}"
    return out or "the file"
