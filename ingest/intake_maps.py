"""The taught maps of a book: kept, listed, and used for every file that comes in."""

from __future__ import annotations

from ingest.store import maps as kept
from ingest.store.book import Book
from ingest.store.errors import NotFound
from parsers.maps import ColumnMap


class Maps:
    """Maps of headings that the glossary does not know."""

    book: Book

    def put_map(self, taught: ColumnMap, who: str) -> None:
        """Keep a map; it is used for every later file with the same headings."""
        with self.book.change(who) as change:
            kept.put_map(change, taught)

    def maps(self) -> tuple[ColumnMap, ...]:
        """Return all maps by name."""
        return kept.maps(self.book.reader)

    def map_of(self, fingerprint: str) -> ColumnMap:
        """Return the map for headings of this fingerprint."""
        found = next((m for m in self.maps() if m.fingerprint == fingerprint), None)
        if found is None:
            raise NotFound("map", fingerprint)
        return found

    def forget_map(self, fingerprint: str, who: str) -> None:
        """Take a map out of use."""
        with self.book.change(who) as change:
            kept.forget_map(change, fingerprint)
