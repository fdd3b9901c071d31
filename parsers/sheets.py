"""Spreadsheets (.xlsx, .ods, .xls) to the same rows of cells as text, by row and cell number."""

from __future__ import annotations

import io
import zipfile
from datetime import date, datetime, time, timedelta

from parsers.errors import Problem, ReadError, TooLarge
from parsers.grid import Row
from parsers.numbers import NumberCell

_MAX_CELLS = 20_000_000


def _cell(value: object) -> str:
    if value is None or value == "":
        return ""
    if isinstance(value, bool):
        return str(value)
    if isinstance(value, int | float):
        return NumberCell(repr(int(value)) if float(value).is_integer() else repr(value))
    if isinstance(value, datetime):
        return value.isoformat(sep=" ")
    if isinstance(value, date | time):
        return value.isoformat()
    if isinstance(value, timedelta):
        seconds = value.total_seconds()
        hours, rest = divmod(seconds, 3600)
        return f"{int(hours)}:{int(rest // 60):02}:{rest % 60:02.0f}"
    return str(value).strip()


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


def sheets(data: bytes, name: str, limit: int) -> list[tuple[str, list[Row]]]:
    """Return (sheet name, rows) for every sheet with content; rows count from 1 as shown."""
    import python_calamine

    try:
        _checked(data, name, limit)
        book = python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(data))
        found = []
        for sheet in book.sheet_names:
            table = book.get_sheet_by_name(sheet).to_python(skip_empty_area=False)
            if sum(map(len, table)) > _MAX_CELLS:
                raise TooLarge(
                    name,
                    [
                        Problem(
                            "too_large",
                            "too many cells",
                            f"at most {_MAX_CELLS}",
                            "Split it.",
                            1,
                            1,
                        )
                    ],
                )
            rows = [
                Row(n, n, cells, "; ".join(cells))
                for n, values in enumerate(table, 1)
                for cells in ([_cell(v) for v in values],)
            ]
            while rows and not any(rows[-1].cells):
                rows.pop()
            if rows:
                found.append((sheet, rows))
    except ReadError:
        raise
    except (KeyboardInterrupt, SystemExit, MemoryError):
        raise
    except BaseException as error:
        # The reader raises several classes for broken files, and its panics are no Exception.
        raise ReadError(
            name,
            [
                Problem(
                    "spreadsheet_broken",
                    f"the spreadsheet cannot be opened ({type(error).__name__}: {error})",
                    "a whole .xlsx or .ods file without a password",
                    "Save it again, or export the sheet as CSV.",
                    line=1,
                    column=1,
                )
            ],
        ) from error
    return found
