"""A page of a list is read in the order of an index: nothing sorts or scans all visits for it."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from uuid import UUID

import pytest

from ingest.store.lists import Wanted, counts_by_severity, review_list
from ingest.store.reach import Reach, within
from tests.big_book import write_big_book


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("big") / "book.db"
    write_big_book(path, 2000)
    return path


def _plans(sql: sqlite3.Connection, told: list[str]) -> list[tuple[int, str]]:
    """Return each step of the plans with the step that it serves, 0 for the statement itself."""
    return [
        (row[1], row[3])
        for statement in list(told)
        if statement.lstrip().startswith("SELECT")
        for row in sql.execute("EXPLAIN QUERY PLAN " + statement)
    ]


def _traced(book: Path) -> tuple[sqlite3.Connection, list[str]]:
    sql, told = sqlite3.connect(book), list[str]()
    sql.set_trace_callback(told.append)
    return sql, told


@pytest.mark.parametrize("second", [False, True])
def test_review_list_reads_its_page_in_the_order_of_an_index(book: Path, second: bool) -> None:
    sql, told = _traced(book)
    rows = review_list(sql, Wanted(), most=40)
    assert len(rows) == 40
    if second:
        told.clear()
        assert review_list(sql, Wanted(), after=rows[-1].position, most=40)[0] not in rows
    plan = _plans(sql, told[:1])
    chosen = [line for serves, line in plan if serves]
    assert any("visit_in_review_order" in line for line in chosen), plan
    # The statement itself sorts the rows of one page; choosing them sorts and scans nothing.
    assert not [line for line in chosen if "TEMP B-TREE" in line], plan
    assert not [line for _, line in plan if line.startswith("SCAN")], plan


def test_whoever_is_held_to_some_sites_reads_no_more_of_an_index(book: Path) -> None:
    sql, told = _traced(book)
    sites = [UUID(row[0]) for row in sql.execute("SELECT id FROM site ORDER BY id LIMIT 3")]
    told.clear()
    with within(Reach(frozenset(sites))):
        counts = counts_by_severity(sql, Wanted())
        rows = review_list(sql, Wanted(), most=10_000)
    plans = [_plans(sql, [one]) for one in told[:2]]
    assert any("COVERING INDEX visit_in_review_order" in line for _, line in plans[0]), plans
    chosen = [line for serves, line in plans[1] if serves]
    assert any("visit_in_review_order" in line for line in chosen), plans
    assert not [line for line in chosen if "TEMP B-TREE" in line], plans
    # The same as asked in other words: by each visit's own boiler.
    names = ", ".join(f"'{site}'" for site in sites)
    wanted = sql.execute(
        "SELECT v.id FROM visit v JOIN boiler b ON b.id = v.boiler_id "
        f"WHERE v.imported = 0 AND v.state = 'handed_in' AND b.site_id IN ({names})"
    ).fetchall()
    assert {str(row.visit_id) for row in rows} == {row[0] for row in wanted}
    assert sum(counts.values()) == len(wanted) > 0
