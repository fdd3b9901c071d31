"""A program of its own that reads one spreadsheet: bytes in, the cells of every sheet out as JSON.

A spreadsheet of a kilobyte can name a cell so far out that the reading library makes room for
billions, and takes the memory of the whole program with it. Here it takes only that of this one,
which the system bounds. Run by ``parsers.sheets``; it imports nothing else of fluebook, so that it
starts quickly.
"""

from __future__ import annotations

import io
import json
import sys
from datetime import date, datetime, time, timedelta
from typing import Any

MOST_CELLS = 3_000_000
"""Cells from the first to the last: a day's log of a row each second with thirty columns."""
MOST_ROWS = 250_000
"""Rows of all sheets: each is looked at by itself, which takes 50 to 100 us."""
MOST_TEXT = 16 * 1024 * 1024
"""Characters of all cells, as of text whose rows are looked at one by one."""
MEMORY = 2 * 1024**3
"""Bytes that reading one spreadsheet may take."""
SECONDS = 60
"""Processor time that reading one spreadsheet may take."""
TOO_LARGE = "too many cells"


def _cell(value: object) -> Any:
    """Return a cell as text; a number as a list of its text, to be told from digits in a text."""
    if value is None or value == "":
        return ""
    if isinstance(value, bool):
        return str(value)
    if isinstance(value, int | float):
        return [repr(int(value)) if float(value).is_integer() else repr(value)]
    if isinstance(value, datetime):
        return value.isoformat(sep=" ")
    if isinstance(value, date | time):
        return value.isoformat()
    if isinstance(value, timedelta):
        seconds = value.total_seconds()
        hours, rest = divmod(seconds, 3600)
        return f"{int(hours)}:{int(rest // 60):02}:{rest % 60:02.0f}"
    return str(value).strip()


def _bounded() -> None:
    try:
        import resource
    except ImportError:  # no such bound on this system
        return
    for what, most in ((resource.RLIMIT_AS, MEMORY), (resource.RLIMIT_CPU, SECONDS)):
        _, hard = resource.getrlimit(what)
        if hard == resource.RLIM_INFINITY or most < hard:
            resource.setrlimit(what, (most, hard))


def read(data: bytes) -> dict[str, Any]:
    """Return ``sheets``, a list of name and rows, or ``error``."""
    try:
        import python_calamine

        book = python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(data))
        found = []
        left, lines, text = MOST_CELLS, MOST_ROWS, MOST_TEXT
        for name in book.sheet_names:
            sheet = book.get_sheet_by_name(name)
            # The area is counted from the first cell on, as the rows are.
            left -= sheet.total_height * sheet.total_width
            lines -= sheet.total_height
            if left < 0 or lines < 0:
                return {"error": TOO_LARGE}
            rows = [[_cell(v) for v in row] for row in sheet.to_python(skip_empty_area=False)]
            text -= sum(len(v) if isinstance(v, str) else len(v[0]) for r in rows for v in r)
            if text < 0:
                return {"error": TOO_LARGE}
            found.append((name, rows))
    except (KeyboardInterrupt, SystemExit):
        raise
    except MemoryError:
        return {"error": TOO_LARGE}
    except BaseException as error:
        # The library raises several classes for broken files, and its panics are no Exception.
        return {"error": f"{type(error).__name__}: {error}"}
    return {"sheets": found}


if __name__ == "__main__":
    _bounded()
    # Whole at once: piece by piece the library's encoder takes five times as long.
    sys.stdout.write(json.dumps(read(sys.stdin.buffer.read())))
