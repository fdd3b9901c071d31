"""The book: one SQLite file with every visit, its evidence and its trail. All SQL lives here."""

from ingest.store.audit import AuditFinding, verify
from ingest.store.book import Book, Change
from ingest.store.errors import (
    BookError,
    NotFound,
    StateConflict,
    VersionConflict,
)

__all__ = [
    "AuditFinding",
    "Book",
    "BookError",
    "Change",
    "NotFound",
    "StateConflict",
    "VersionConflict",
    "verify",
]
