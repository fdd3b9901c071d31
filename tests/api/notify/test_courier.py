"""The outbox delivered for real: to an HTTP server in a thread, from a real book."""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from uuid import UUID

import pytest

from api.notify import Courier
from api.notify.events import EventName, known
from api.settings import Settings
from ingest.documents import boiler_from
from ingest.identifiers import new_id
from ingest.intake import Intake, Statement
from ingest.models import Visit
from ingest.store import Book, StateConflict
from ingest.store.outbox import EVENTS
from ingest.store.sealing import key_file
from ingest.store.webhooks import Subscription
from tests.api.conftest import BOILER, CSV
from tests.api.notify.receiver import Receiver

HERE = Settings(webhook_allow_private=True, webhook_timeout_s=1)
ALL: tuple[str, ...] = tuple(EVENTS)


class Clock:
    """A clock that tests set."""

    def __init__(self) -> None:
        self.ahead = timedelta()

    def __call__(self) -> datetime:
        return datetime.now(UTC) + self.ahead


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def intake(tmp_path: Path, clock: Clock) -> Iterator[Intake]:
    with Book(tmp_path / "book.db", clock=clock) as book:
        yield Intake(book)


def stopped_visit(intake: Intake) -> UUID:
    """Hand in a visit whose CO at high fire is far above any limit."""
    boiler = intake.put_boiler(boiler_from(BOILER, "test"), "test").document
    visit = new_id()
    intake.put_visit(Visit(id=visit, boiler_id=boiler.id, technician="J. Harrow"), "J. Harrow")
    statement = Statement(rates=(100.0, 25.0), phase="as_left")
    intake.add_file(visit, CSV, "after.csv", "J. Harrow", statement=statement)
    judgement, _ = intake.hand_in(visit, "J. Harrow")
    assert judgement.worst == "stop"
    return visit


def once(intake: Intake, settings: Settings = HERE, **given: Any) -> int:
    return asyncio.run(Courier(intake, settings, **given).once())


def test_the_names_of_events_are_spelt_alike_in_schema_and_store() -> None:
    assert EventName.__args__ == ALL  # type: ignore[attr-defined]


def test_every_step_of_a_visit_arrives_signed_and_as_the_published_schema_says(
    intake: Intake,
) -> None:
    with Receiver() as there:
        _, secret = intake.add_webhook(Subscription(there.url, "all", ALL), "A. Merrow")
        visit = stopped_visit(intake)
        intake.take_stop(visit, "A. Merrow", "going there now")
        intake.send_back(visit, "A. Merrow", "measure high fire again")
        reading = intake.visit(visit).readings[0]
        intake.supersede_reading(reading.id, None, "J. Harrow", "probe was loose")
        intake.hand_in(visit, "J. Harrow")
        intake.judge_again(visit, "A. Merrow", "new rules")
        intake.accept(visit, "A. Merrow", "seen on site")
        for _ in range(3):
            once(intake)
        events = [known(one.verified(secret)) for one in there.seen]
    assert sorted(e.type for e in events) == sorted(
        [*ALL, "visit.handed_in"]  # handed in twice, the second time without a stop
    )
    assert {e.data.visit_id for e in events} == {visit}
    stop = next(e for e in events if e.type == "flag.stop")
    assert stop.data.flags and stop.data.flags_by_severity["stop"] == len(stop.data.flags)
    by_line = sorted(events, key=lambda e: e.data.line)
    assert by_line[-1].data.state == "accepted"
    assert by_line[0].data.technician == "J. Harrow"


def test_without_the_secrets_key_messages_wait_untried_and_go_out_when_it_is_back(
    intake: Intake, caplog: pytest.LogCaptureFixture
) -> None:
    with Receiver() as there:
        _, secret = intake.add_webhook(Subscription(there.url, "all", ALL), "A. Merrow")
        stopped_visit(intake)
        file = key_file(intake.book.path)
        key = file.read_text()
        file.unlink()
        assert once(intake) == 0
        waiting = intake.deliveries(state="waiting")
        assert len(waiting) == 2 and not any(one.tries for one in waiting)
        said = [r.getMessage() for r in caplog.records if r.levelno >= logging.ERROR]
        assert len(said) == 1 and "webhooks wait" in said[0] and str(file) in said[0]
        assert key.strip() not in caplog.text and secret not in caplog.text
        file.write_text(key)
        file.chmod(0o600)
        assert once(intake) == 2
        assert all(one.verified(secret) for one in there.seen) and len(there.seen) == 2


def test_a_subscription_gets_only_its_events_and_its_site(intake: Intake) -> None:
    with Receiver() as there:
        intake.add_webhook(Subscription(there.url, "", ("visit.accepted",)), "A")
        visit = stopped_visit(intake)
        once(intake)
        assert there.seen == []
        intake.accept(visit, "A. Merrow", "seen")
        once(intake)
        assert [known(_json(r.body)).type for r in there.seen] == ["visit.accepted"]


def _json(body: bytes) -> Any:
    import json

    return json.loads(body)


def test_a_change_that_is_undone_leaves_no_message(intake: Intake) -> None:
    intake.add_webhook(Subscription("https://there.example/", "", ALL), "A")
    visit = stopped_visit(intake)
    before = intake.delivery_counts()["waiting"]
    with pytest.raises(RuntimeError, match="power"), intake.book.change("A. Merrow"):
        intake.accept(visit, "A. Merrow", "seen")
        raise RuntimeError("power is gone")
    assert intake.visit(visit).state == "handed_in"
    assert intake.delivery_counts()["waiting"] == before


def test_failed_tries_are_repeated_under_the_same_id_and_then_given_up(
    intake: Intake, clock: Clock
) -> None:
    with Receiver(answers=[500] * 3) as there:
        intake.add_webhook(Subscription(there.url, "", ("visit.handed_in",)), "A")
        stopped_visit(intake)
        waits = (timedelta(seconds=5), timedelta(seconds=30))
        assert once(intake, waits=waits) == 1
        assert once(intake, waits=waits) == 0  # not due yet
        for _ in waits:
            clock.ahead += timedelta(minutes=1)
            assert once(intake, waits=waits) == 1
        (dead,) = intake.deliveries(state="dead")
        assert dead.why == "gave up after the last try"
        _, tries = intake.delivery(dead.id)
        assert [(t.number, t.status, t.result) for t in tries] == [
            (1, 500, "retry"),
            (2, 500, "retry"),
            (3, 500, "retry"),
        ]
        intake.replay_delivery(dead.id, "A. Merrow")
        assert once(intake) == 1
        assert len({r.message_id for r in there.seen}) == 1
        assert intake.delivery(dead.id)[0].state == "delivered"
        with pytest.raises(StateConflict):
            intake.replay_delivery(dead.id, "A. Merrow")


def test_a_receiver_that_is_gone_is_switched_off_and_the_rest_set_aside(intake: Intake) -> None:
    with Receiver(answers=[410]) as there:
        made, _ = intake.add_webhook(Subscription(there.url, "", ALL), "A")
        stopped_visit(intake)
        once(intake)
        off = intake.webhook(made.id)
        assert not off.asked.active
        assert off.off_why is not None and "410" in off.off_why
        assert intake.delivery_counts() == {"waiting": 0, "delivered": 0, "dead": 2, "discarded": 0}
        assert len(there.seen) == 1
        assert intake.replay_deliveries("A. Merrow") == 0  # it is off
        intake.change_webhook(made.id, Subscription(there.url, "", ALL), "A. Merrow")
        assert intake.replay_deliveries("A. Merrow") == 2
        once(intake)
        assert intake.delivery_counts() == {"waiting": 0, "delivered": 2, "dead": 0, "discarded": 0}


def test_a_redirect_is_not_followed(intake: Intake) -> None:
    with Receiver(answers=[307]) as there:
        intake.add_webhook(Subscription(there.url, "", ("visit.handed_in",)), "A")
        stopped_visit(intake)
        once(intake)
        assert [r.path for r in there.seen] == ["/hook"]
    assert intake.delivery(intake.deliveries()[0].id)[1][0].status == 307


def drip(handler: Any) -> None:
    handler.wfile.write(b"HTTP/1.1 200 OK\r\n")
    for _ in range(40):
        handler.wfile.write(b"x")
        handler.wfile.flush()
        time.sleep(0.1)


def test_a_receiver_that_answers_byte_by_byte_gets_no_longer_than_the_timeout(
    intake: Intake,
) -> None:
    with Receiver(drip=drip) as there:
        intake.add_webhook(Subscription(there.url, "", ("visit.handed_in",)), "A")
        stopped_visit(intake)
        begun = time.perf_counter()
        once(intake)
        assert time.perf_counter() - begun < 3
    tries = intake.delivery(intake.deliveries()[0].id)[1]
    assert [t.detail for t in tries] == ["no whole answer within 1 s"]


def test_a_slow_receiver_holds_up_no_other(intake: Intake) -> None:
    with Receiver(hang_s=0.8) as slow, Receiver() as quick:
        intake.add_webhook(Subscription(slow.url, "", ("visit.handed_in",)), "A")
        intake.add_webhook(Subscription(quick.url, "", ("visit.handed_in",)), "A")
        stopped_visit(intake)
        courier = Courier(intake, HERE)
        courier.start()
        until = time.monotonic() + 0.7
        while not quick.seen and time.monotonic() < until:
            time.sleep(0.02)
        assert len(quick.seen) == 1
        assert intake.delivery_counts()["delivered"] <= 1
        courier.stop()


def test_private_addresses_are_refused_unless_the_settings_allow(intake: Intake) -> None:
    with Receiver() as there:
        intake.add_webhook(Subscription(there.url, "", ("visit.handed_in",)), "A")
        intake.add_webhook(
            Subscription(f"https://localhost:{there.port}/", "", ("visit.handed_in",)), "A"
        )
        stopped_visit(intake)
        once(intake, Settings(webhook_timeout_s=1))
        assert there.seen == []
    assert {d.why for d in intake.deliveries(state="dead")} == {"the address may not be called"}


def test_a_message_is_claimed_by_one_courier_and_free_again_when_the_claim_runs_out(
    intake: Intake, clock: Clock
) -> None:
    intake.add_webhook(Subscription("https://there.example/", "", ("visit.handed_in",)), "A")
    stopped_visit(intake)
    (one,) = intake.due_deliveries("webhook")
    assert intake.claim_delivery(one.id, timedelta(seconds=20))
    assert not intake.claim_delivery(one.id, timedelta(seconds=20))
    assert intake.due_deliveries("webhook") == []
    clock.ahead += timedelta(seconds=21)
    assert [d.id for d in intake.due_deliveries("webhook")] == [one.id]


def test_old_and_new_secret_sign_until_the_old_one_ends(intake: Intake, clock: Clock) -> None:
    from standardwebhooks import WebhookVerificationError

    with Receiver() as there:
        made, old = intake.add_webhook(Subscription(there.url, "", ALL), "A")
        _, new = intake.rotate_webhook(made.id, "A. Merrow", both_for=timedelta(hours=1))
        intake.test_webhook(made.id, "A. Merrow")
        once(intake)
        there.seen[0].verified(old)
        there.seen[0].verified(new)
        # After the hour: judged by the clock of the book, so the message's own time is ahead, too.
        clock.ahead += timedelta(hours=1, seconds=1)
        assert intake.signing_secrets(made.id) == (new,)
        clock.ahead = timedelta()
        intake.rotate_webhook(made.id, "A. Merrow", both_for=timedelta())
        intake.test_webhook(made.id, "A. Merrow")
        once(intake)
        for ended in (old, new):
            with pytest.raises(WebhookVerificationError):
                there.seen[1].verified(ended)


def test_no_secret_reaches_the_trail_or_the_log(
    intake: Intake, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    with Receiver(answers=[500]) as there:
        made, first = intake.add_webhook(Subscription(there.url, "", ALL), "A")
        _, second = intake.rotate_webhook(made.id, "A", both_for=timedelta(hours=1))
        stopped_visit(intake)
        once(intake)
    rows = intake.book.reader.execute("SELECT details FROM audit").fetchall()
    tries = intake.book.reader.execute("SELECT detail FROM delivery_try").fetchall()
    said = caplog.text + repr(rows) + repr(tries) + repr(intake.webhooks())
    for secret in (first, second):
        assert secret.removeprefix("whsec_") not in said
    intake.remove_webhook(made.id, "A")
    left = intake.book.reader.execute("SELECT secret, old_secret FROM webhook").fetchall()
    assert left == [("", None)]


def test_what_was_delivered_is_forgotten_in_time_and_dead_letters_stay(
    intake: Intake, clock: Clock
) -> None:
    with Receiver(answers=[204, 410]) as there:
        made, _ = intake.add_webhook(Subscription(there.url, "", ALL), "A")
        intake.test_webhook(made.id, "A")
        intake.test_webhook(made.id, "A")
        once(intake)
    clock.ahead += timedelta(days=31)
    assert intake.forget_delivered(timedelta(days=30)) == 1
    assert intake.delivery_counts() == {"waiting": 0, "delivered": 0, "dead": 1, "discarded": 0}
    assert intake.book.verify() == []


def test_the_page_for_integrators_names_every_event_and_the_waits_as_they_are() -> None:
    from api.notify.delivery import WAITS

    page = (Path(__file__).resolve().parents[3] / "docs" / "webhooks.md").read_text("utf-8")
    for event, said in EVENTS.items():
        assert f"| `{event}` | {said} |" in page
    assert [int(w.total_seconds()) for w in WAITS] == [5, 30, 120, 600, 3600, 14400, 43200, 86400]
    assert "5 s, 30 s, 2 min, 10 min, 1 h, 4 h, 12 h and 24 h" in " ".join(page.split())
    assert 41 * 3600 < sum(w.total_seconds() for w in WAITS) < 42 * 3600
