"""The trail: whoever changes the file behind the program's back is found out."""

from __future__ import annotations

import hashlib
import json
import shutil
import sqlite3
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.intake import Intake
from ingest.store import verify_file
from ingest.store.audit import canonical_json
from tests.ingest.books import CLEAN, RATES, open_book, with_boiler, with_visit


@pytest.fixture(scope="module")
def once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("audit")
    with open_book(folder) as book:
        intake = Intake(book)
        boiler = with_boiler(intake)
        visit = with_visit(intake, boiler)
        intake.add_file(visit, CLEAN, "a.csv", "T. Hale", statement=RATES)
        intake.hand_in(visit, "T. Hale")
        intake.accept(visit, "R. Voss", "seen")
    return folder / "book.db"


@pytest.fixture
def written(once: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(once, tmp_path))


def _tamper(path: Path, *statements: str) -> list[str]:
    connection = sqlite3.connect(path)
    for statement in statements:
        connection.execute(statement)
    connection.commit()
    connection.close()
    return [f"{f.where} {f.what}" for f in verify_file(path)]


def test_an_untouched_book_is_clean(written: Path) -> None:
    assert verify_file(written) == []


def test_the_chain_can_be_recomputed_from_its_description(written: Path) -> None:
    # docs/store.md states the rule; this follows the text, not the program.
    connection = sqlite3.connect(written)
    rows = connection.execute(
        "SELECT seq, at, who, action, subject, details, previous, hash FROM audit ORDER BY seq"
    ).fetchall()
    head = connection.execute("SELECT value FROM setting WHERE key = 'audit_head'").fetchone()[0]
    connection.close()
    assert len(rows) == 6
    previous = "0" * 64
    for row in rows:
        assert row[6] == previous
        text = json.dumps([*row[:6], previous], separators=(",", ":"), ensure_ascii=False)
        previous = hashlib.sha256(text.encode("utf-8")).hexdigest()
        assert row[7] == previous
    assert json.loads(head) == [6, previous]


def test_every_change_left_a_line_with_who_and_when(written: Path) -> None:
    connection = sqlite3.connect(written)
    lines = connection.execute("SELECT action, who, at FROM audit ORDER BY seq").fetchall()
    connection.close()
    assert [(a, w) for a, w, _ in lines] == [
        ("site_added", "office"),
        ("boiler_added", "office"),
        ("visit_opened", "T. Hale"),
        ("file_added", "T. Hale"),
        ("handed_in", "T. Hale"),
        ("accepted", "R. Voss"),
    ]
    assert [at for _, _, at in lines] == sorted(at for _, _, at in lines)
    assert lines[0][2] == "2026-03-04T09:00:01.000000Z"


@pytest.mark.parametrize("column", ["at", "who", "action", "subject", "details", "previous"])
@pytest.mark.parametrize("line", [1, 4, 6])
def test_a_changed_line_is_found(written: Path, column: str, line: int) -> None:
    found = _tamper(written, f"UPDATE audit SET {column} = 'x' WHERE seq = {line}")
    assert any(f"audit line {line} was changed" in f for f in found)


def test_a_changed_line_with_its_hash_made_to_fit_is_found(written: Path) -> None:
    connection = sqlite3.connect(written)
    row = connection.execute(
        "SELECT seq, at, action, subject, details, previous FROM audit WHERE seq = 3"
    ).fetchone()
    connection.close()
    text = json.dumps(
        [row[0], row[1], "nobody", *row[2:]], separators=(",", ":"), ensure_ascii=False
    )
    digest = hashlib.sha256(text.encode()).hexdigest()
    found = _tamper(written, f"UPDATE audit SET who = 'nobody', hash = '{digest}' WHERE seq = 3")
    assert any("audit line 4 does not follow" in f for f in found)


def test_a_removed_line_is_found(written: Path) -> None:
    found = _tamper(written, "DELETE FROM audit WHERE seq = 3")
    assert any("audit line 3 missing" in f for f in found)


def test_a_removed_line_is_found_where_the_rest_moved_up(written: Path) -> None:
    found = _tamper(
        written,
        "DELETE FROM audit WHERE seq = 3",
        "UPDATE audit SET seq = seq - 1 WHERE seq > 3",
    )
    assert any("audit line 3" in f for f in found)


@pytest.mark.parametrize("lines", [1, 2, 6])
def test_a_cut_off_end_is_found(written: Path, lines: int) -> None:
    found = _tamper(written, f"DELETE FROM audit WHERE seq > {6 - lines}")
    assert any("lines were cut or added" in f for f in found)


def test_lines_in_another_order_are_found(written: Path) -> None:
    found = _tamper(
        written,
        "UPDATE audit SET seq = 99 WHERE seq = 3",
        "UPDATE audit SET seq = 3 WHERE seq = 4",
        "UPDATE audit SET seq = 4 WHERE seq = 99",
    )
    assert any("audit line 3" in f for f in found)
    assert any("audit line 4" in f for f in found)


def test_changed_evidence_is_found(written: Path) -> None:
    found = _tamper(written, "UPDATE evidence SET data = CAST('O2;9' AS BLOB)")
    assert any("evidence" in f and "does not match its hash" in f for f in found)


def test_removed_evidence_is_found(written: Path) -> None:
    found = _tamper(
        written,
        "DELETE FROM reading",
        "DELETE FROM attachment",
        "DELETE FROM evidence",
    )
    assert any("of audit line 4 is missing" in f for f in found)


def test_a_changed_frozen_judgement_is_found(written: Path) -> None:
    found = _tamper(
        written,
        "UPDATE judgement SET document = replace(document, '\"worst\":', '\"worse\":') "
        "WHERE kind = 'hand_in'",
    )
    assert any("was changed after it was frozen" in f for f in found)


def test_a_changed_reading_is_found(written: Path) -> None:
    found = _tamper(
        written,
        "UPDATE reading SET document = replace(document, '\"co_dry\":12', '\"co_dry\":11')",
    )
    assert any("readings" in f and "changed" in f for f in found)


TEXT = st.text(st.characters(exclude_categories=("Cs",), exclude_characters="\0"), max_size=40)
JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**80), 2**80)
    | TEXT
    | st.floats(allow_nan=False, allow_infinity=False),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(TEXT, inner),
    max_leaves=12,
)


@given(JSON)
def test_one_value_has_one_spelling_that_the_standard_library_reads_back(value: Any) -> None:
    text = canonical_json(value)
    assert json.loads(text) == value
    assert canonical_json(json.loads(text)) == text


@given(st.lists(TEXT | st.integers(0, 2**40) | st.none(), max_size=6))
def test_what_is_hashed_is_spelt_as_by_the_standard_library(row: list[Any]) -> None:
    """RFC 8259 (memory): hashes of older books were taken over this spelling."""
    spelt = json.dumps(row, separators=(",", ":"), ensure_ascii=False)
    assert canonical_json(row) == spelt


@pytest.mark.parametrize("rate", [0.0, 0.5, 20.0, 33.3, 66.66666666666667, 100.0, 110.0])
def test_firing_rates_are_hashed_as_they_always_were(rate: float) -> None:
    assert canonical_json([rate]) == json.dumps([rate])
