"""A stop by mail: over a real SMTP server, with and without TLS, and nothing into its header."""

from __future__ import annotations

import asyncio
import email
import email.policy
import logging
import ssl
import subprocess
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from email.message import EmailMessage
from pathlib import Path
from typing import Any

import pytest

from api.notify import Courier
from api.settings import Settings, settings_from_environment
from ingest.documents import boiler_from
from ingest.identifiers import new_id
from ingest.intake import Intake, Statement
from ingest.models import Visit
from ingest.store import Book
from tests.api.conftest import BOILER, CSV
from tests.api.notify.mail_server import MailServer
from tests.api.notify.test_courier import Clock
from tests.page_words import ENGLISH_PARTS, english_in, without

NASTY = "Weir 2\r\nBcc: everyone@elsewhere.example\r\n\r\nAll is well."


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def intake(tmp_path: Path, clock: Clock) -> Iterator[Intake]:
    with Book(tmp_path / "book.db", clock=clock) as book:
        yield Intake(book)


def mailing(server: MailServer, **given: Any) -> Settings:
    plain: dict[str, Any] = {
        "smtp_host": "localhost" if server.tls else "127.0.0.1",
        "smtp_port": server.port,
        "smtp_starttls": server.tls is not None,
        "smtp_from": "book@heat.example",
        "webhook_timeout_s": 3,
    }
    return Settings(**{**plain, **given})


def hand_in_a_stop(intake: Intake, name: str = "Weir 2", technician: str = "J. Harrow") -> None:
    boiler = intake.put_boiler(boiler_from({**BOILER, "name": name}, "test"), "test").document
    visit = new_id()
    intake.put_visit(Visit(id=visit, boiler_id=boiler.id, technician=technician), technician)
    statement = Statement(rates=(100.0, 25.0), phase="as_left")
    intake.add_file(visit, CSV, "after.csv", technician, statement=statement)
    intake.hand_in(visit, technician)


def once(intake: Intake, settings: Settings) -> int:
    return asyncio.run(Courier(intake, settings).once())


def parsed(data: bytes) -> EmailMessage:
    found = email.message_from_bytes(data, policy=email.policy.default)
    assert isinstance(found, EmailMessage)
    return found


def test_a_stop_goes_to_everybody_on_duty_and_an_ordinary_visit_to_nobody(intake: Intake) -> None:
    intake.put_duty_person("J. Harrow", "harrow@heat.example", "A. Merrow")
    intake.put_duty_person("A. Merrow", "merrow@heat.example", "A. Merrow")
    with MailServer() as server:
        settings = mailing(server, address="https://book.heat.example")
        intake.put_visit(plain := Visit(id=new_id()), "T")
        intake.hand_in(plain.id, "T")  # type: ignore[arg-type]
        assert once(intake, settings) == 0
        hand_in_a_stop(intake)
        assert once(intake, settings) == 2
    assert sorted(r for m in server.mails for r in m.recipients) == [
        "<harrow@heat.example>",
        "<merrow@heat.example>",
    ]
    mail = parsed(server.mails[0].data)
    assert mail["Subject"] == "STOP: Weir 2"
    text = mail.get_content()
    assert "CO" in text and "https://book.heat.example/visits/" in text
    assert "leave, ventilate" in text


@pytest.mark.parametrize("where", ["boiler", "technician"])
def test_what_users_type_cannot_become_a_header_or_another_mail(intake: Intake, where: str) -> None:
    intake.put_duty_person("J. Harrow", "harrow@heat.example", "A")
    names = {"name": NASTY} if where == "boiler" else {"technician": NASTY}
    with MailServer() as server:
        hand_in_a_stop(intake, **names)
        once(intake, mailing(server))
    (taken,) = server.mails
    assert taken.recipients == ["<harrow@heat.example>"]
    mail = parsed(taken.data)
    assert mail["Bcc"] is None
    assert "Bcc:" not in [line[:4] for line in taken.data.decode().split("\r\n")]
    assert "do not leave it running" in mail.get_content()


@pytest.mark.parametrize("person", ["x\r\nBcc: y@z.example <a@b.example>", "x <a@b.example\r\nB>"])
def test_a_recipient_that_is_no_plain_address_is_never_handed_over(
    intake: Intake, person: str
) -> None:
    # Past every check of the way in, straight into the outbox.
    from ingest.store.outbox import DUTY_TEST, write_message

    with intake.book.change("test") as change:
        write_message(change.sql, DUTY_TEST, change.at, {"who": "x"}, duty=person)
    with MailServer() as server:
        once(intake, mailing(server))
    assert server.mails == []
    assert [d.why for d in intake.deliveries(state="dead")] == ["the address may not be called"]


def test_a_refused_mail_is_tried_again_under_the_same_message_id(
    intake: Intake, clock: Clock
) -> None:
    intake.put_duty_person("J. Harrow", "harrow@heat.example", "A")
    with MailServer(refuse=["451 later", "550 no"]) as server:
        settings = mailing(server)
        hand_in_a_stop(intake)
        once(intake, settings)
        clock.ahead += timedelta(seconds=10)
        once(intake, settings)
        clock.ahead += timedelta(minutes=2)
        once(intake, settings)
    one, tries = intake.delivery(intake.deliveries()[0].id)
    assert one.state == "delivered"
    assert [(t.result, t.status) for t in tries] == [
        ("retry", 451),
        ("retry", 550),
        ("delivered", 250),
    ]
    assert one.message_id in parsed(server.mails[0].data)["Message-ID"]


def test_without_a_mail_server_a_stop_waits_and_says_why(intake: Intake) -> None:
    intake.put_duty_person("J. Harrow", "harrow@heat.example", "A")
    hand_in_a_stop(intake)
    once(intake, Settings())
    one, tries = intake.delivery(intake.deliveries()[0].id)
    assert one.state == "waiting"
    assert "FLUEBOOK_SMTP_HOST" in tries[0].detail


def test_a_mail_server_without_tls_gets_nothing_where_tls_is_asked_for(intake: Intake) -> None:
    intake.put_duty_person("J. Harrow", "harrow@heat.example", "A")
    hand_in_a_stop(intake)
    with MailServer() as server:
        once(intake, mailing(server, smtp_starttls=True))
    assert server.mails == []
    assert not any(c.startswith("MAIL") for c in server.commands)


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A certificate of its own for localhost."""
    folder = tmp_path_factory.mktemp("tls")
    key, cert = folder / "key.pem", folder / "cert.pem"
    made = subprocess.run(
        [
            *("openssl", "req", "-x509", "-newkey", "ec", "-nodes", "-days", "2"),
            *("-pkeyopt", "ec_paramgen_curve:prime256v1", "-subj", "/CN=localhost"),
            *("-addext", "subjectAltName=DNS:localhost", "-keyout", str(key), "-out", str(cert)),
        ],
        capture_output=True,
        check=False,
    )
    if made.returncode:
        pytest.skip("no openssl is installed here")
    return key, cert


def test_name_and_password_go_over_tls_only_and_into_no_log(
    intake: Intake,
    certificate: tuple[Path, Path],
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level(logging.DEBUG)
    key, cert = certificate
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(cert, key)
    monkeypatch.setenv("SSL_CERT_FILE", str(cert))
    intake.put_duty_person("J. Harrow", "harrow@heat.example", "A")
    hand_in_a_stop(intake)
    with MailServer(tls=context, password=("book", "opensesame")) as server:
        wrong = mailing(server, smtp_user="book", smtp_password="tellnobody")
        once(intake, wrong)
        tries = intake.delivery(intake.deliveries()[0].id)[1]
        assert tries[0].status == 535
        intake.test_duty_person(intake.duty_list()[0].id, "A. Merrow")
        once(intake, mailing(server, smtp_user="book", smtp_password="opensesame"))
    (taken,) = server.mails
    assert (taken.secure, taken.user) == (True, "book")
    said = caplog.text + repr(tries) + repr(wrong)
    assert "tellnobody" not in said and "opensesame" not in said


def test_an_unknown_certificate_is_refused(intake: Intake, certificate: tuple[Path, Path]) -> None:
    key, cert = certificate
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(cert, key)
    intake.put_duty_person("J. Harrow", "harrow@heat.example", "A")
    hand_in_a_stop(intake)
    with MailServer(tls=context) as server:
        once(intake, mailing(server))
    assert server.mails == []
    assert "certificate" in intake.delivery(intake.deliveries()[0].id)[1][0].detail.lower()


@pytest.mark.parametrize(
    "wrong",
    [
        {"FLUEBOOK_SMTP_HOST": "mail.example"},
        {
            "FLUEBOOK_SMTP_HOST": "mail.example",
            "FLUEBOOK_SMTP_FROM": "a@b.example\nBcc: c@d.example",
        },
        {"FLUEBOOK_SMTP_USER": "u", "FLUEBOOK_SMTP_STARTTLS": "no"},
        {"FLUEBOOK_SMTP_STARTTLS": "maybe"},
    ],
)
def test_mail_settings_that_cannot_work_are_refused_at_the_start(wrong: dict[str, str]) -> None:
    with pytest.raises(ValueError, match="FLUEBOOK_SMTP"):
        settings_from_environment(wrong)


def test_the_time_of_a_mail_is_that_of_its_try(intake: Intake) -> None:
    intake.put_duty_person("J. Harrow", "harrow@heat.example", "A")
    hand_in_a_stop(intake)
    with MailServer() as server:
        once(intake, mailing(server))
    sent = parsed(server.mails[0].data)["Date"].datetime
    assert abs(sent - datetime.now(UTC)) < timedelta(minutes=1)


def test_a_mail_speaks_the_offices_language_with_the_english_of_what_is_about_safety(
    intake: Intake,
) -> None:
    intake.put_duty_person("A. Merrow", "merrow@heat.example", "A. Merrow")
    with MailServer() as server:
        hand_in_a_stop(intake, name="Caldera 2", technician="J. Harrow")
        once(intake, mailing(server, language="es", units="si"))
        mail = parsed(server.mails[0].data)
    assert str(mail["Subject"]) == "PARAR: Caldera 2"
    said = " ".join(mail.get_content().split())
    assert english_in(without(said, ["Caldera 2", "J. Harrow"])) == []
    beside = [part[10:-1] for part in ENGLISH_PARTS.findall(said)]
    assert len(beside) >= 3
    assert any(part.startswith("Live gas, flame, hot surfaces") for part in beside)
