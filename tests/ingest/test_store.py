"""The book as a file: its tables, its transactions, many threads and programs at once."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from ingest.intake import Intake
from ingest.models import Site
from ingest.store import Book, NewerBook, NotABook, TargetExists, backup, restore, verify_file
from ingest.store.safekeeping import BackupUnsound
from ingest.store.schema import migration_names
from tests.ingest.books import CLEAN, RATES, open_book, with_boiler, with_visit


def test_every_table_is_strict_and_foreign_keys_hold(tmp_path: Path) -> None:
    with open_book(tmp_path) as book:
        tables = book.reader.execute(
            "SELECT name, strict FROM pragma_table_list WHERE schema = 'main' AND type = 'table' "
            "AND name NOT LIKE 'sqlite_%' AND name NOT LIKE '_sqlite_%'"
        ).fetchall()
        assert len(tables) > 10
        assert [name for name, strict in tables if not strict] == []
        assert book.reader.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        with pytest.raises(sqlite3.IntegrityError), book.change("t") as change:
            change.sql.execute(
                "INSERT INTO boiler (id, site_id, name, document) VALUES ('b', 'nowhere', 'x', '')"
            )


def test_a_reader_cannot_write(tmp_path: Path) -> None:
    with open_book(tmp_path) as book, pytest.raises(sqlite3.OperationalError, match="readonly"):
        book.reader.execute("DELETE FROM audit")


def test_opening_again_changes_nothing(tmp_path: Path) -> None:
    with open_book(tmp_path) as book:
        before = book.reader.execute("SELECT name, sql FROM sqlite_master ORDER BY 1").fetchall()
    with open_book(tmp_path) as book:
        after = book.reader.execute("SELECT name, sql FROM sqlite_master ORDER BY 1").fetchall()
        done = {r[0] for r in book.reader.execute("SELECT name FROM _sqlite_migrations")}
    assert before == after
    assert done == migration_names()


def test_a_book_of_a_newer_program_is_refused_unchanged(tmp_path: Path) -> None:
    with open_book(tmp_path) as book, book.change("t") as change:
        change.sql.execute(
            "INSERT INTO _sqlite_migrations (migration_set, name, applied_at) "
            "VALUES ('fluebook', 'm999_later', '2030')"
        )
    with pytest.raises(NewerBook, match="m999_later"):
        Book(tmp_path / "book.db")


@pytest.mark.parametrize("content", [b"O2;CO\n1;2\n" * 200, b"\x00" * 4096])
def test_a_file_that_is_no_book_is_refused_and_left_as_it_is(
    tmp_path: Path, content: bytes
) -> None:
    path = tmp_path / "no.db"
    path.write_bytes(content)
    with pytest.raises(NotABook):
        Book(path)
    assert path.read_bytes() == content


def test_another_programs_database_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "other.db"
    other = sqlite3.connect(path)
    other.execute("CREATE TABLE songs (title TEXT)")
    other.close()
    with pytest.raises(NotABook, match="another program"):
        Book(path)


def test_a_failed_change_leaves_nothing(tmp_path: Path) -> None:
    with open_book(tmp_path) as book:
        intake = Intake(book)
        with pytest.raises(ZeroDivisionError), book.change("t"):
            intake.put_site(Site(name="Gone"), "t")
            raise ZeroDivisionError
        assert intake.sites() == []
        assert book.reader.execute("SELECT COUNT(*) FROM audit").fetchone() == (0,)
        assert book.verify() == []


def test_a_change_whose_part_failed_cannot_be_finished(tmp_path: Path) -> None:
    with open_book(tmp_path) as book:
        intake = Intake(book)
        with pytest.raises(RuntimeError, match="undone"), book.change("t"):
            intake.put_site(Site(name="Gone"), "t")
            try:
                with book.change("t"):
                    raise ZeroDivisionError
            except ZeroDivisionError:
                pass
        assert intake.sites() == []
        intake.put_site(Site(name="Stays"), "t")
        assert [s.name for s in intake.sites()] == ["Stays"]


def test_readers_see_only_finished_changes(tmp_path: Path) -> None:
    with open_book(tmp_path) as book:
        intake = Intake(book)
        seen: list[int] = []
        with book.change("t"):
            intake.put_site(Site(name="Half"), "t")
            looking = threading.Thread(target=lambda: seen.append(len(intake.sites())))
            looking.start()
            looking.join()
        assert seen == [0]
        assert len(intake.sites()) == 1


def test_many_threads_write_and_none_is_told_to_come_back(tmp_path: Path) -> None:
    with open_book(tmp_path) as book:
        intake = Intake(book)
        failed: list[BaseException] = []

        def work(number: int) -> None:
            try:
                for n in range(25):
                    intake.put_site(Site(name=f"{number}/{n}"), "t")
                    intake.sites()
            except BaseException as error:
                failed.append(error)

        threads = [threading.Thread(target=work, args=(n,)) for n in range(8)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert failed == []
        assert len(intake.sites()) == 200
        assert book.verify() == []


_OPENER = """
import sys
from pathlib import Path
from uuid import uuid4
from ingest.models import Site
from ingest.store import Book, places
sys.stdin.readline()
with Book(Path(sys.argv[1])) as book:
    for n in range(20):
        with book.change("t") as change:
            places.put_site(change, Site(id=uuid4(), name=f"{sys.argv[2]}-{n}"), "", None)
"""


def test_programs_that_open_a_new_book_at_once_all_succeed(tmp_path: Path) -> None:
    path = tmp_path / "book.db"
    started = [
        subprocess.Popen(
            [sys.executable, "-c", _OPENER, str(path), str(n)],
            stdin=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        for n in range(3)
    ]
    for one in started:
        assert one.stdin is not None
        one.stdin.write("go\n")
        one.stdin.flush()
    for one in started:
        _, said = one.communicate(timeout=60)
        assert one.returncode == 0, said
    with Book(path) as book:
        assert len(Intake(book).sites()) == 60
        assert book.verify() == []


def test_a_backup_taken_while_writing_is_whole(tmp_path: Path) -> None:
    with open_book(tmp_path) as book:
        intake = Intake(book)
        boiler = with_boiler(intake)
        stop = threading.Event()

        def write() -> None:
            while not stop.is_set():
                intake.add_file(with_visit(intake, boiler), CLEAN, "a.csv", "t", statement=RATES)

        writing = threading.Thread(target=write)
        writing.start()
        try:
            for n in range(3):
                backup(book.path, tmp_path / f"copy{n}.db")
        finally:
            stop.set()
            writing.join()
    for n in range(3):
        assert verify_file(tmp_path / f"copy{n}.db") == []
    restore(tmp_path / "copy2.db", tmp_path / "again.db")
    with Book(tmp_path / "again.db") as again:
        assert len(Intake(again).boilers()) == 1


def test_backup_and_restore_never_overwrite(tmp_path: Path) -> None:
    with open_book(tmp_path) as book:
        book.backup(tmp_path / "copy.db")
        taken = tmp_path / "taken.db"
        taken.write_text("mine")
        with pytest.raises(TargetExists):
            book.backup(taken)
        with pytest.raises(TargetExists):
            restore(tmp_path / "copy.db", taken)
        assert taken.read_text() == "mine"
        assert sorted(p.name for p in tmp_path.iterdir() if ".part" in p.name) == []


def test_book_and_backup_are_their_owners_alone(tmp_path: Path) -> None:
    """They hold names, and hashes of passwords and keys."""
    with Book(tmp_path / "b.db") as book:
        Intake(book).put_site(Site(name="S"), "a")
        book.backup(tmp_path / "copy.db")
        found = sorted(tmp_path.iterdir())
        assert [p.name for p in found if p.stat().st_mode & 0o077] == []
        assert len(found) > 2  # what SQLite writes beside the book is as the book


def test_a_changed_backup_is_not_restored(tmp_path: Path) -> None:
    with open_book(tmp_path) as book:
        with_boiler(Intake(book))
        book.backup(tmp_path / "copy.db")
    changed = sqlite3.connect(tmp_path / "copy.db")
    changed.execute("UPDATE audit SET who = 'someone else' WHERE seq = 1")
    changed.commit()
    changed.close()
    with pytest.raises(BackupUnsound, match="audit line 1"):
        restore(tmp_path / "copy.db", tmp_path / "again.db")
    assert not (tmp_path / "again.db").exists()
