"""Writing an export row by row: CSV, Parquet or SQLite, as the book was at one moment."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator, Sequence
from itertools import islice
from pathlib import Path
from typing import Any, Literal

from ingest.export.cells import guarded
from ingest.export.columns import LISTINGS, ExportColumn, Kind, columns_of
from ingest.store.book import Book
from ingest.store.export_file import write_sqlite
from ingest.store.listings import every_row
from ingest.store.lists import Wanted

Format = Literal["csv", "parquet", "sqlite"]
FORMATS: tuple[Format, ...] = ("csv", "parquet", "sqlite")
EVERYTHING = Wanted(states=(), imported=None)
_AT_ONCE = 2000

Cells = list[Any]


class NotInstalled(Exception):
    """A format needs a package that is not installed."""


def write_export(
    book: Book,
    kind: Kind,
    form: Format,
    target: Path,
    wanted: Wanted = EVERYTHING,
    *,
    superseded: bool = False,
) -> int:
    """Write an export into a file; return the number of its rows.

    Raises
    ------
    NotInstalled
        If Parquet is wanted and pyarrow is not there.
    """
    columns = columns_of(kind)
    if form == "parquet":
        _pyarrow()  # before the first row is read
    with book.snapshot() as sql:
        rows = every_row(sql, LISTINGS[kind], wanted, superseded=superseded)
        cells = ([column.value(row) for column in columns] for row in rows)
        if form == "csv":
            return write_csv(target, [c.heading for c in columns], cells)
        if form == "parquet":
            return _write_parquet(target, columns, cells)
        units = [(c.name, c.unit, c.meaning) for c in columns]
        return write_sqlite(target, kind, [(c.name, c.kind) for c in columns], units, cells)


def write_csv(target: Path, headings: Sequence[str], rows: Iterable[Cells]) -> int:
    """Write a CSV file (RFC 4180, UTF-8): texts guarded, numbers as they are."""
    count = 0
    with target.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\r\n")
        writer.writerow([guarded(h) for h in headings])
        for row in rows:
            writer.writerow([guarded(c) if isinstance(c, str) else c for c in row])
            count += 1
    return count


def _pyarrow() -> Any:
    try:
        import pyarrow.parquet
    except ImportError as error:
        raise NotInstalled(
            "Parquet needs the package pyarrow; install fluebook with its extra: fluebook[parquet]"
        ) from error
    return pyarrow


def _write_parquet(target: Path, columns: Sequence[ExportColumn], rows: Iterator[Cells]) -> int:
    arrow = _pyarrow()
    types = {"text": arrow.string(), "number": arrow.float64(), "count": arrow.int64()}
    fields = []
    for column in columns:
        said = {"unit": column.unit, "meaning": column.meaning}
        metadata = {key: text for key, text in said.items() if text}
        fields.append(arrow.field(column.name, types[column.kind], metadata=metadata))
    schema = arrow.schema(fields)
    count = 0
    with arrow.parquet.ParquetWriter(target, schema) as writer:
        while some := list(islice(rows, _AT_ONCE)):
            data = [
                arrow.array([row[n] for row in some], type=field.type)
                for n, field in enumerate(fields)
            ]
            writer.write_batch(arrow.record_batch(data, schema=schema))
            count += len(some)
    return count
