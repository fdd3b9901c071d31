"""The book: one SQLite file with every visit, its evidence and its trail. All SQL lives here."""

from ingest.store.audit import AuditFinding
from ingest.store.book import Book, Change
from ingest.store.errors import (
    BookError,
    NewerBook,
    NotABook,
    NotFound,
    SecretsLocked,
    StateConflict,
    TargetExists,
    UnfitText,
    VersionConflict,
)
from ingest.store.safekeeping import backup, restore, verify_file
from ingest.store.verifying import verify

__all__ = [
    "AuditFinding",
    "Book",
    "BookError",
    "Change",
    "NewerBook",
    "NotABook",
    "NotFound",
    "SecretsLocked",
    "StateConflict",
    "TargetExists",
    "UnfitText",
    "VersionConflict",
    "backup",
    "restore",
    "verify",
    "verify_file",
]
