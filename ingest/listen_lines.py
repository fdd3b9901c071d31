"""Events of a listening as lines of JSON: one object a line, as it comes."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable, Sequence
from typing import Any

from ingest.port import Chunk, Link
from ingest.stamp import stamp
from parsers.model import Reading
from parsers.stream_events import Event, Layout, PlainRow, StreamDamage, StreamReading


def line_of_reading(reading: Reading) -> str:
    """Return a reading as a line of JSON."""
    return _line(
        {
            "time": None if reading.time is None else reading.time.isoformat(),
            "lines": list(reading.lines),
            "values": dict(reading.values),
            "missing": dict(reading.missing),
        }
    )


def output() -> Callable[[str], None]:
    """Return what writes whole lines to the standard output, past its layers where it is a file."""
    stream = sys.stdout
    try:
        descriptor = stream.fileno()
    except (OSError, ValueError, AttributeError):
        descriptor = -1

    def through_layers(text: str) -> None:
        stream.write(text)
        stream.flush()

    if descriptor < 0 or os.linesep != "\n":
        return through_layers
    stream.flush()
    write = os.write

    def straight(text: str) -> None:
        data = text.encode()  # JSON is written in ASCII
        done = write(descriptor, data)
        while done < len(data):
            data = data[done:]
            done = write(descriptor, data)

    return straight


class JsonLines:
    """Lines of JSON; those of plain rows by a form made once for each heading.

    At 115,200 baud some three hundred rows come each second: building objects for each only to
    write them out was half of what listening cost.
    """

    def __init__(self) -> None:
        self._layout: Layout | None = None
        self._form = ""

    def of(self, events: Sequence[Event], record: Chunk | Link | None) -> str:
        """Return the lines of what came, in order, each with its end."""
        out = []
        time, shown = None, "null"
        for event in events:
            if type(event) is StreamReading:
                row = event.kept
                if type(row) is not PlainRow:
                    out.append(line_of_reading(event.reading))
                    continue
                if row.layout is not self._layout:
                    self._layout, self._form = row.layout, _form(row)
                if row.time is not None and row.time is not time:  # those of one chunk share it
                    time, shown = row.time, f'"{stamp(row.time)}"'
                elif row.time is None:
                    time, shown = None, "null"
                out.append(self._form % (shown, row.line, *row.texts))
            elif isinstance(event, StreamDamage):
                raw = event.raw.decode("latin-1")
                out.append(_line({"damage": event.code, "why": event.why, "raw": raw}))
        if isinstance(record, Link):
            out.append(_line({"link": record.state, "time": record.received.isoformat()}))
        return "".join(out)


def _form(row: PlainRow) -> str:
    """Return the form of a row's line: its own text with places for time, line and numbers."""
    layout = row.layout
    values = ", ".join(f"{_quoted(key)}: %s" for key in layout.keys)
    missing = json.dumps(dict(layout.missing)).replace("%", "%%")
    return f'{{"time": %s, "lines": [%d], "values": {{{values}}}, "missing": {missing}}}\n'


def _quoted(text: str) -> str:
    return json.dumps(text).replace("%", "%%")


def _line(document: dict[str, Any]) -> str:
    return json.dumps(document) + "\n"
