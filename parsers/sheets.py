"""Spreadsheets (.xlsx, .ods, .xls) to the same rows of cells as text, by row and cell number."""

from __future__ import annotations

import io
import json
import subprocess
import sys
import threading
import zipfile
from pathlib import Path
from typing import Any

from parsers import sheet_program
from parsers.errors import Problem, ReadError, TooLarge
from parsers.grid import Row
from parsers.numbers import NumberCell

_PROGRAM = Path(sheet_program.__file__)
_few = threading.BoundedSemaphore(2)
"""Spreadsheets that are read at once: each may take all the memory that one may."""


def _checked(data: bytes, name: str, limit: int) -> None:
    if not data.startswith(b"PK"):
        return
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        total = 0
        for member in archive.infolist():
            # The stated size may lie: count what really comes out.
            with archive.open(member) as stream:
                while chunk := stream.read(1 << 20):
                    total += len(chunk)
                    if total > limit:
                        raise TooLarge(
                            name,
                            [
                                Problem(
                                    "too_large",
                                    f"the spreadsheet unpacks to more than {limit} bytes",
                                    "at most that many bytes",
                                    "Split it by sheet or day.",
                                    line=1,
                                    column=1,
                                )
                            ],
                        )


def _read_apart(data: bytes) -> dict[str, Any]:
    """Return what the program of its own made of a spreadsheet, ``error`` where it could not."""
    # It reads bytes that it was given and knows its own file: nothing comes from outside.
    with _few:
        done = subprocess.run(
            [sys.executable, "-I", str(_PROGRAM)], input=data, capture_output=True, check=False
        )
    if done.returncode == 0 and done.stdout:
        made: dict[str, Any] = json.loads(done.stdout)
        return made
    # It was ended by the system for the memory or time that it took.
    return {"error": sheet_program.TOO_LARGE}


def _text(cell: str | list[str]) -> str:
    return cell if isinstance(cell, str) else NumberCell(cell[0])


def sheets(data: bytes, name: str, limit: int) -> list[tuple[str, list[Row]]]:
    """Return (sheet name, rows) for every sheet with content; rows count from 1 as shown.

    Raises
    ------
    TooLarge
        If it unpacks to more bytes than the limit, or its cells reach further than can be held.
    ReadError
        If it is no spreadsheet that can be opened.
    """
    try:
        _checked(data, name, limit)
        made = _read_apart(data)
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, EOFError, OSError) as error:
        made = {"error": f"{type(error).__name__}: {error}"}
    why = made.get("error")
    if why == sheet_program.TOO_LARGE:
        raise TooLarge(
            name,
            [
                Problem(
                    "too_large",
                    "the spreadsheet holds too much, or its cells reach too far",
                    f"at most {sheet_program.MOST_ROWS} rows and {sheet_program.MOST_CELLS} cells "
                    f"from the first to the last, with {sheet_program.MOST_TEXT >> 20} MB of text",
                    "Delete what stands far outside the readings, or export the sheet as CSV: that "
                    "may be longer.",
                    1,
                    1,
                )
            ],
        )
    if why is not None:
        raise ReadError(
            name,
            [
                Problem(
                    "spreadsheet_broken",
                    f"the spreadsheet cannot be opened ({why})",
                    "a whole .xlsx or .ods file without a password",
                    "Save it again, or export the sheet as CSV.",
                    line=1,
                    column=1,
                )
            ],
        )
    found = []
    for sheet, given in made["sheets"]:
        rows = [
            Row(n, n, cells, "; ".join(cells))
            for n, values in enumerate(given, 1)
            for cells in ([_text(v) for v in values],)
        ]
        while rows and not any(rows[-1].cells):
            rows.pop()
        if rows:
            found.append((sheet, rows))
    return found
