"""Changes synced together: each whole or nothing of its own, none told of before it is kept."""

from __future__ import annotations

import asyncio
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from contextvars import ContextVar
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from ingest.intake import Intake
from ingest.models import Site
from ingest.store import Book
from ingest.store.clerk import Clerk

MANY = 12


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Book]:
    with Book(tmp_path / "book.db") as opened:
        yield opened


def names(book: Book) -> set[str]:
    """Return the sites that a program of its own sees in the file."""
    sql = sqlite3.connect(book.path)
    try:
        rows = sql.execute("SELECT json_extract(document, '$.name') FROM site")
        return {row[0] for row in rows}
    finally:
        sql.close()


@pytest.fixture(params=[True, False], ids=["short", "long"])
def short(request: pytest.FixtureRequest) -> bool:
    """Where changes are made: in the loop's own thread, or all in another one."""
    found: bool = request.param
    return found


def all_at_once(book: Book, works: list[Callable[[], Any]], short: bool) -> list[Any]:
    async def ask() -> list[Any]:
        clerk = Clerk(book)
        try:
            orders = [clerk.write(work, short=short) for work in works]
            return await asyncio.gather(*orders, return_exceptions=True)
        finally:
            clerk.stop()

    return asyncio.run(ask())


def test_changes_that_wait_together_are_synced_together(book: Book, short: bool) -> None:
    intake, seen = Intake(book), []
    with book.change("t") as change:
        change.sql.set_trace_callback(seen.append)
    works = [lambda n=n: intake.put_site(Site(name=f"S-{n}"), "t") for n in range(MANY)]
    answers = all_at_once(book, works, short)
    assert [a.document.name for a in answers] == [f"S-{n}" for n in range(MANY)]
    assert names(book) == {f"S-{n}" for n in range(MANY)}
    assert sum(s == "COMMIT" for s in seen) < MANY
    assert book.verify() == []


def test_one_that_fails_undoes_itself_only(book: Book, short: bool) -> None:
    intake = Intake(book)

    def half() -> None:
        with book.change("t"):
            intake.put_site(Site(name="half"), "t")
            raise ValueError("no")

    good = [lambda n=n: intake.put_site(Site(name=f"S-{n}"), "t") for n in range(2)]
    answers = all_at_once(book, [good[0], half, good[1]], short)
    assert isinstance(answers[1], ValueError)
    assert names(book) == {"S-0", "S-1"}
    assert book.verify() == []


def test_nobody_is_told_before_it_is_kept(book: Book, short: bool) -> None:
    intake = Intake(book)

    async def put(clerk: Clerk, name: str) -> bool:
        await clerk.write(lambda: intake.put_site(Site(name=name), "t"), short=short)
        return name in names(book)

    async def ask() -> list[bool]:
        clerk = Clerk(book)
        try:
            return await asyncio.gather(*(put(clerk, f"S-{n}") for n in range(MANY)))
        finally:
            clerk.stop()

    assert asyncio.run(ask()) == [True] * MANY


class _NoDisk:
    """A connection whose disk fails when it is to confirm."""

    def __init__(self, real: sqlite3.Connection) -> None:
        self.real = real

    def execute(self, statement: str, *given: Any) -> sqlite3.Cursor:
        if statement == "COMMIT":
            raise sqlite3.OperationalError("disk I/O error")
        return self.real.execute(statement, *given)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.real, name)


def test_failed_sync_is_told_to_all_and_leaves_nothing(
    book: Book, short: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    intake = Intake(book)
    monkeypatch.setattr(book.group, "_sql", _NoDisk(book._writer))
    works = [lambda n=n: intake.put_site(Site(name=f"S-{n}"), "t") for n in range(3)]
    answers = all_at_once(book, works, short)
    assert [type(a) for a in answers] == [sqlite3.OperationalError] * 3
    assert names(book) == set()
    monkeypatch.undo()
    assert intake.put_site(Site(name="after"), "t").version == 1


def test_short_change_waits_elsewhere_for_a_book_that_another_program_holds(book: Book) -> None:
    intake = Intake(book)
    other = sqlite3.connect(book.path, isolation_level=None)
    turns = 0

    async def ask() -> int:
        nonlocal turns
        clerk = Clerk(book)
        try:
            other.execute("BEGIN IMMEDIATE")
            order = asyncio.create_task(
                clerk.write(lambda: intake.put_site(Site(name="late"), "t"), short=True)
            )
            until = time.monotonic() + 0.3
            while time.monotonic() < until:
                await asyncio.sleep(0.01)
                turns += 1
            assert not order.done()
            other.execute("ROLLBACK")
            return (await order).version
        finally:
            clerk.stop()

    assert asyncio.run(ask()) == 1
    assert turns > 10  # the loop went on meanwhile
    other.close()


def test_threads_and_loop_take_turns(book: Book) -> None:
    intake, seen = Intake(book), set[str]()

    def put(name: str) -> None:
        seen.add(threading.current_thread().name)
        intake.put_site(Site(name=name), "t")

    async def ask() -> None:
        clerk = Clerk(book)
        try:
            for n in range(20):
                ways = [
                    clerk.write(partial(put, f"short-{n}"), short=True),
                    clerk.write(partial(put, f"long-{n}")),
                    asyncio.to_thread(put, f"thread-{n}"),
                    clerk.write(partial(put, f"again-{n}"), short=True),
                ]
                await asyncio.wait_for(asyncio.gather(*ways), 20)
        finally:
            clerk.stop()

    asyncio.run(ask())
    ways = ("short", "long", "thread", "again")
    assert names(book) == {f"{way}-{n}" for way in ways for n in range(20)}
    assert threading.main_thread().name in seen and any("clerk" in name for name in seen)
    assert book.verify() == []


def test_transaction_that_is_gone_takes_no_further_change(book: Book) -> None:
    intake = Intake(book)

    def lost() -> None:
        with book.change("t") as change:
            change.sql.execute("ROLLBACK")  # as SQLite itself does on a full disk
            raise sqlite3.OperationalError("database or disk is full")

    works = [lost, lambda: intake.put_site(Site(name="late"), "t")]
    with pytest.raises(sqlite3.OperationalError), book.together():
        for work in works:
            with pytest.raises(sqlite3.OperationalError):
                work()
    assert names(book) == set()


def test_work_is_done_in_the_context_of_who_ordered_it(book: Book) -> None:
    who: ContextVar[str] = ContextVar("who")

    async def ask(clerk: Clerk, name: str) -> str:
        who.set(name)
        return await clerk.write(who.get)

    async def both() -> list[str]:
        clerk = Clerk(book)
        try:
            return await asyncio.gather(*(asyncio.create_task(ask(clerk, n)) for n in "ab"))
        finally:
            clerk.stop()

    assert asyncio.run(both()) == ["a", "b"]


def test_loop_that_ended_before_its_answer_keeps_nobody_waiting(book: Book, short: bool) -> None:
    intake, clerk = Intake(book), Clerk(book)

    async def leave() -> None:
        order = asyncio.create_task(
            clerk.write(lambda: intake.put_site(Site(name="left"), "t"), short=short)
        )
        await asyncio.sleep(0)
        await asyncio.sleep(0)
        order.cancel()

    async def come() -> int:
        work = clerk.write(lambda: intake.put_site(Site(name="came"), "t"), short=short)
        return (await asyncio.wait_for(work, 20)).version

    try:
        asyncio.run(leave())
        assert asyncio.run(come()) == 1
    finally:
        clerk.stop()


def test_two_loops_at_once_are_both_served(book: Book, short: bool) -> None:
    intake, clerk = Intake(book), Clerk(book)

    async def put(way: str) -> None:
        for n in range(10):
            name = f"{way}-{n}"
            work = clerk.write(
                partial(intake.put_site, Site(name=name), "t"), short=short and n % 3 > 0
            )
            await asyncio.wait_for(work, 20)

    threads = [threading.Thread(target=asyncio.run, args=(put(way),)) for way in "ab"]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    clerk.stop()
    assert names(book) == {f"{way}-{n}" for way in "ab" for n in range(10)}
