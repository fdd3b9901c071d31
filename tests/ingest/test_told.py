"""What verify compares with the trail: rows changed, removed or forged in the file are named."""

from __future__ import annotations

import shutil
import sqlite3
from pathlib import Path

import pytest

from api.accounts.desk import Desk
from ingest.batches import wait
from ingest.identifiers import new_id
from ingest.intake import Intake
from ingest.models import LimitsDocument
from ingest.service.job import Job
from ingest.store import gathered, layouts, maps, verify_file
from ingest.store.standing import Standing
from ingest.store.webhooks import Subscription
from parsers.maps import ColumnMap, MapField
from tests.ingest.books import CLEAN, DIRTY, RATES, open_book, reading, with_boiler, with_visit

WHO = "R. Voss"


@pytest.fixture(scope="module")
def once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a book in which each kind of row stands."""
    folder = tmp_path_factory.mktemp("told")
    with open_book(folder) as book:
        intake = Intake(book)
        boiler = with_boiler(intake, external_id="B-77")
        assert boiler.id is not None
        job = intake.put_job(
            Job.model_validate({"site_id": boiler.site_id, "on": "2026-03-04"}), "office"
        ).document
        first = with_visit(intake, boiler, job_id=job.id)
        taken = intake.add_file(first, DIRTY, "dirty.csv", "T. Hale", statement=RATES)
        intake.hand_in(first, "T. Hale")
        intake.take_stop(first, "B. Lund", "shut down, calling the plant")
        intake.send_back(first, WHO, "measure again")
        intake.withdraw_file(first, taken.attachment_id, "T. Hale", "wrong burner")
        intake.add_file(first, CLEAN, "clean.csv", "T. Hale", statement=RATES)
        intake.hand_in(first, "T. Hale")
        intake.accept(first, WHO, "fine now")
        second = with_visit(intake, boiler)
        (old, _), _, _ = intake.add_readings(
            second, [(new_id(), reading(100)), (new_id(), reading(50))], "T. Hale"
        )
        intake.supersede_reading(old, reading(100, co_dry=14.0), "T. Hale", "typed wrongly")
        intake.add_file(second, DIRTY, "dirty.csv", "T. Hale", statement=RATES)
        intake.hand_in(second, "T. Hale")
        wait(intake, new_id(), [(new_id(), reading())], "program", owner="acme")
        intake.add_standing(
            Standing(new_id(), boiler.id, "co_above_limit", "known", "fix", None, None, None, True),
            WHO,
        )
        intake.add_webhook(Subscription("https://example.org/h", "hook", ("visit.accepted",)), WHO)
        intake.put_duty_person("B. Lund", "lund@example.org", WHO)
        intake.keep_company_limits(LimitsDocument(co_air_free_fix=150.0), WHO, "house rule")
        with book.change(WHO) as change:
            layouts.put_layout(change, "ours", {"columns": ["o2_dry"]}, None)
            maps.put_map(change, ColumnMap("bench", (MapField("A", "o2_dry", "%"),)))
        desk = Desk(book)
        desk.use_link(desk.link_for(None, "first start"), "a long enough passphrase", "A. Merrow")
        desk.add_account("B. Lund", "technician", "A. Merrow")
        desk.revoke_key(desk.add_key("old", "A. Merrow")[0].id, "A. Merrow")
        desk.add_key("tablet", "A. Merrow", scopes=("read",))
    return folder / "book.db"


@pytest.fixture(autouse=True, params=["near", "far"])
def _gathered(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Hold what is gathered in memory, and nearly all of it in the file of a large book."""
    if request.param == "far":
        monkeypatch.setattr(gathered, "NEAR_MOST", 2)
        monkeypatch.setattr(gathered, "IDS_MOST", 1)


@pytest.fixture
def written(once: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(once, tmp_path))


def _tamper(path: Path, statement: str) -> list[str]:
    connection = sqlite3.connect(path)
    assert connection.execute(statement).rowcount > 0
    connection.commit()
    connection.close()
    return [f"{f.where} {f.what}" for f in verify_file(path)]


def test_a_book_with_every_kind_of_row_is_clean(once: Path) -> None:
    assert verify_file(once) == []
    connection = sqlite3.connect(once)
    from ingest.store.differing import _ROWS

    empty = {t for t, s in _ROWS.items() if connection.execute(s).fetchone() is None}
    connection.close()
    # Cuts and plans have books of their own in test_cuts and test_plans_in_book.
    assert empty == {"cut_confirmation", "cut_correction", "plan", "removed_plan"}


@pytest.mark.parametrize(
    ("statement", "named"),
    [
        ("UPDATE standing_stop SET taken_by = 'N. Obody' WHERE taken_at IS NOT NULL", "taken_by"),
        ("UPDATE standing_stop SET words = '' WHERE taken_at IS NOT NULL", "words"),
        (
            "UPDATE standing_stop SET taken_at = NULL, taken_by = NULL WHERE taken_at IS NOT NULL",
            "standing_stop",
        ),
        ("DELETE FROM standing_stop WHERE taken_at IS NOT NULL", "is missing"),
        ("DELETE FROM standing_stop WHERE taken_at IS NULL", "stop of visit"),
        (
            "UPDATE standing_stop SET taken_at = '2026-03-04T10:00:00.000000Z', taken_by = 'x', "
            "words = '' WHERE taken_at IS NULL",
            "stands in no line of the trail",
        ),
        ("UPDATE site SET name = 'Elsewhere'", "site"),
        ("UPDATE boiler SET document = replace(document, 'B-1', 'B-2')", "document"),
        ("UPDATE boiler SET site_id = NULL", "site_id"),
        ("UPDATE job SET document = replace(document, '2026-03-04', '2026-03-05')", "job"),
        ("UPDATE visit SET job_document = '{}' WHERE state = 'accepted'", "job_sha256"),
        ("UPDATE visit SET state = 'accepted' WHERE state = 'handed_in'", "state"),
        ("UPDATE visit SET technician = 'x'", "technician"),
        ("UPDATE visit SET document = replace(document, 'T. Hale', 'x')", "document"),
        ("UPDATE attachment SET withdrawn_at = NULL WHERE name = 'dirty.csv'", "withdrawn_at"),
        ("UPDATE attachment SET withdrawn_why = 'x' WHERE withdrawn_at <> ''", "withdrawn_why"),
        ("UPDATE attachment SET name = 'x'", "name"),
        ("UPDATE reading SET superseded_at = NULL WHERE superseded_by <> ''", "superseded"),
        ("UPDATE reading SET superseded_why = 'x' WHERE superseded_by <> ''", "superseded"),
        (
            "UPDATE reading SET superseded_at = '2026-03-04T10:00:00.000000Z', "
            "superseded_who = 'x', superseded_why = 'x' WHERE superseded_at IS NULL",
            "superseded",
        ),
        ("UPDATE reading SET superseded_at = NULL WHERE attachment_id <> ''", "superseded"),
        (
            "INSERT INTO reading (id, visit_id, seq, document) SELECT 'f', id, 99, '{}' FROM visit "
            "LIMIT 1",
            "reading f stands in no line",
        ),
        ("UPDATE waiting_readings SET document = replace(document, '12', '13')", "document"),
        ("DELETE FROM waiting_readings", "is missing"),
        ("UPDATE standing_acceptance SET reason = 'x'", "reason"),
        ("UPDATE standing_acceptance SET ended_at = '2026'", "ended_at"),
        ("DELETE FROM standing_acceptance", "is missing"),
        ("UPDATE webhook SET url = 'https://elsewhere.example/h'", "url"),
        ("UPDATE duty_person SET email = 'x@example.org'", "email"),
        ("DELETE FROM duty_person", "is missing"),
        (
            "UPDATE setting SET value = replace(value, '150', '900') WHERE key = 'company_limits'",
            "company_limits",
        ),
        ("DELETE FROM setting WHERE key = 'company_limits'", "is missing"),
        ("UPDATE layout SET document = '{}'", "layout ours"),
        ("UPDATE column_map SET document = '[]'", "column_map"),
        ("UPDATE account SET role = 'administrator' WHERE name = 'B. Lund'", "role"),
        ("UPDATE account SET closed_at = '2026' WHERE name = 'B. Lund'", "closed"),
        (
            "INSERT INTO account (id, name, sign_in_name, printed_name, role, made_at, made_by) "
            "VALUES ('f', 'x', 'x', 'x', 'administrator', '2026', 'x')",
            "account f stands in no line",
        ),
        ("UPDATE access_key SET revoked_at = NULL WHERE label = 'old'", "revoked"),
        ("UPDATE access_key SET scopes = '[\"read\", \"write\"]' WHERE label = 'tablet'", "scopes"),
        ("UPDATE access_key SET sites = '[]'", "sites"),
        ("UPDATE judgement SET made_by = 'x' WHERE kind <> 'current'", "made_by"),
        (
            "INSERT INTO judgement SELECT 'f', visit_id, kind, made_at, made_by, why, "
            "rules_version, program_version, limits_id, limits_sha256, limits, document, plan, "
            "plan_version FROM judgement WHERE kind = 'hand_in' LIMIT 1",
            "judgement f stands in no line",
        ),
    ],
)
def test_a_row_that_differs_from_the_trail_is_named(
    written: Path, statement: str, named: str
) -> None:
    found = _tamper(written, statement)
    assert any(named in f for f in found), found


def test_a_line_of_nonsense_does_not_stop_the_rest(written: Path) -> None:
    found = _tamper(written, "UPDATE audit SET details = '[1' WHERE action = 'stop_taken'")
    assert any("was changed after it was written" in f for f in found)
    assert any("standing_stop" in f and "stands in no line" in f for f in found)
