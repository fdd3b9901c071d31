"""Backing a book up, bringing a backup back, and checking a book without changing it."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

from ingest.store.audit import AuditFinding
from ingest.store.errors import BookError, NotABook, TargetExists
from ingest.store.sealing import sealed_names
from ingest.store.verifying import verify


class BackupUnsound(BookError):
    """A backup is not restored while something in it is not as it was written."""

    def __init__(self, path: Path, findings: list[AuditFinding]) -> None:
        listed = "; ".join(f"{f.where} {f.what}" for f in findings[:5])
        super().__init__(f"{path} is not as it was written: {listed}")
        self.findings = tuple(findings)


@contextmanager
def _reading(path: Path) -> Iterator[sqlite3.Connection]:
    """Open a book for reading only; a file that is not there is never made."""
    if not path.is_file():
        raise NotABook(path, "there is no such file")
    connection = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True, timeout=10.0)
    try:
        connection.execute("SELECT COUNT(*) FROM audit").fetchone()
        yield connection
    except sqlite3.DatabaseError as error:
        raise NotABook(path, str(error)) from error
    finally:
        connection.close()


def verify_file(path: Path) -> list[AuditFinding]:
    """Return what in a book is not as it was written; empty if clean. Nothing is changed.

    Raises
    ------
    NotABook
        If the file cannot be read as a book at all.
    """
    with _reading(path) as connection:
        connection.execute("BEGIN")  # one moment, even while a server writes
        return verify(connection)


def keys_named(path: Path) -> list[str]:
    """Return the names of the keys that open a book's signing secrets; none where it has none."""
    with _reading(path) as connection:
        try:
            return sorted(sealed_names(connection))
        except sqlite3.DatabaseError as error:
            if "no such table" in str(error):
                return []  # of a program that had no webhooks yet
            raise NotABook(path, str(error)) from error


def for_owner_only(path: Path) -> None:
    """Make an empty file that only its owner may read, where there is none.

    A book holds names, and hashes of passwords and keys. Where it cannot be made, SQLite says why.
    """
    with suppress(OSError):
        os.close(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))


def backup(source: Path, target: Path) -> None:
    """Write a consistent copy of a book, also while a server writes it.

    Raises
    ------
    TargetExists
        If the target exists: a backup never overwrites.
    """
    with _reading(source) as connection:
        _copied(connection, target)


def restore(source: Path, target: Path) -> None:
    """Bring a backup back as a new book, after checking it.

    Raises
    ------
    BackupUnsound
        If the backup is not as it was written.
    TargetExists
        If the target exists: the old book is moved away by a person, never by this.
    """
    findings = verify_file(source)
    if findings:
        raise BackupUnsound(source, findings)
    with _reading(source) as connection:
        _copied(connection, target)


def _copied(connection: sqlite3.Connection, target: Path) -> None:
    """Write the copy beside its target and put it there whole, synced, or not at all."""
    if target.exists():
        raise TargetExists(target)
    part = target.with_name(f".{target.name}.part-{os.getpid()}")
    try:
        for_owner_only(part)
        with closing(sqlite3.connect(part)) as copy:
            connection.backup(copy)
            # The copy stands alone: no log file belongs to it.
            copy.execute("PRAGMA journal_mode = DELETE")
        with part.open("rb") as written:
            os.fsync(written.fileno())
        try:
            os.link(part, target)  # unlike a rename, this refuses to overwrite
        except FileExistsError as error:
            raise TargetExists(target) from error
    finally:
        part.unlink(missing_ok=True)
