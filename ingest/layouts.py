"""Saving layouts in a book, and writing tables in them."""

from __future__ import annotations

from pathlib import Path

from ingest.export.layout import Layout
from ingest.export.layout_rows import rows_of
from ingest.export.write import EVERYTHING, write_csv
from ingest.intake import Intake
from ingest.store import layouts as store
from ingest.store.book import Book
from ingest.store.errors import StateConflict, VersionConflict
from ingest.store.lists import Wanted


def put_layout(
    intake: Intake, layout: Layout, who: str, *, expected_version: int | None = None
) -> tuple[int, bool]:
    """Save a layout; return its version and whether it is new.

    Raises
    ------
    StateConflict
        If another layout has the same headings: a table must tell by which one it was written.
    """
    with intake.book.change(who) as change:
        for other in store.layouts(change.sql):
            known = Layout.model_validate(other)
            if known.name != layout.name and known.headings == layout.headings:
                raise StateConflict(f"the layout {known.name!r} has the same headings")
        return store.put_layout(change, layout.name, layout.document(), expected_version)


def layout_named(book: Book, name: str) -> tuple[Layout, int]:
    """Return a layout and its version."""
    document, version = store.layout(book.reader, name)
    return Layout.model_validate(document), version


def all_layouts(book: Book) -> list[Layout]:
    """Return all layouts by name."""
    return [Layout.model_validate(one) for one in store.layouts(book.reader)]


def remove_layout(
    intake: Intake, name: str, who: str, *, expected_version: int | None = None
) -> None:
    """Remove a layout."""
    with intake.book.change(who) as change:
        version = store.layout(change.sql, name)[1]
        if expected_version not in (None, version):
            raise VersionConflict("layout", name, expected_version or 0, version)
        store.remove_layout(change, name)


def write_layout(book: Book, layout: Layout, target: Path, wanted: Wanted = EVERYTHING) -> int:
    """Write a book's table in a layout as CSV, as of one moment; return the number of rows."""
    with book.snapshot() as sql:
        return write_csv(target, layout.headings, rows_of(sql, layout, wanted))
