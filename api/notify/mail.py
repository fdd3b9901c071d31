"""A stop by mail: one plain text to one person on duty, over the office's own mail server.

Whatever a technician typed is text in the body. In the header stand only the subject, which is
stripped of everything that ends a line, and addresses that were checked when they were kept.
"""

from __future__ import annotations

import re
import smtplib
import ssl
from collections.abc import Mapping
from datetime import datetime
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime
from textwrap import fill
from types import MappingProxyType
from typing import Any
from uuid import UUID

from api.cautions import caution
from api.notify.delivery import KEPT_ANSWER, Outcome
from api.pages.facts import figures_behind, finding_shown
from api.pages.show import Shown
from api.settings import Settings, is_mail_address
from api.words import N_, _, speaking, words_of
from ingest.figures import Figures
from ingest.intake import Intake
from ingest.store.deliveries import Delivery
from ingest.store.outbox import DUTY_TEST

_SUBJECT = 150  # characters
_TEXT, _LONG = 500, 1200
_WIDTH = 95  # characters of a line
CAUTION = N_(
    "Live gas, flame, hot surfaces and flue gas can injure or kill. Where CO is read in a room or "
    "an alarm sounds: leave, ventilate, and call for help from outside. Local codes, the boiler's "
    "own instructions and licensed practice decide; fluebook tells which recorded values are "
    "within which limits."
)


def one_line(text: object, most: int = _TEXT) -> str:
    r"""Return a text without anything that could end a line or hide in one.

    >>> one_line("Weir 2\r\nBcc: x@y.example")
    'Weir 2 Bcc: x@y.example'
    """
    plain = "".join(c if c.isprintable() else " " for c in str(text))
    return " ".join(plain.split())[:most]


def mail_of(
    delivery: Delivery,
    settings: Settings,
    now: datetime,
    behind: Mapping[str, Figures] = MappingProxyType({}),
) -> EmailMessage:
    """Return the mail for one delivery; its Message-ID stays the same over all tries.

    It speaks the office's language: whoever is on duty may have no account that says another.
    ``behind`` are the figures of its sentences, unrounded.

    Raises
    ------
    ValueError
        If the recipient is no mail address.
    """
    # Not by the library's lenient parser: it finds an address in almost anything.
    found = re.fullmatch(r"([^<>]*) <([^<>]+)>", delivery.recipient)
    name, address = found.groups() if found else ("", "")
    if not is_mail_address(address) or not name.isprintable():
        raise ValueError(f"{one_line(delivery.recipient, 100)} is no mail address")
    content = delivery.content
    data: Mapping[str, Any] = content["data"]
    mail = EmailMessage(policy=SMTP)
    mail["From"] = Address("fluebook", addr_spec=settings.smtp_from)
    mail["To"] = Address(one_line(name, 100), addr_spec=address)
    mail["Date"] = format_datetime(now)
    host = settings.smtp_from.partition("@")[2]
    mail["Message-ID"] = f"<{delivery.message_id}.{delivery.id.hex}@{host}>"
    mail["Auto-Submitted"] = "auto-generated"
    with speaking(words_of(settings.language)):
        if delivery.event == DUTY_TEST:
            mail["Subject"] = _("fluebook: test of the duty list")
            who = one_line(data.get("who", ""))
            asked = _("{who} asked for this mail to see that it arrives.", who=who)
            then = _("Stops at hand-in will come to this address.")
            mail.set_content(f"{asked}\n{then}\n")
            return mail
        boiler = one_line(data.get("boiler") or _("a boiler not yet known"))
        place = ", ".join(filter(None, [boiler, data.get("site")]))
        mail["Subject"] = one_line(_("STOP: {place}", place=place), _SUBJECT)
        mail.set_content(_body(data, one_line(place), settings, behind))
    return mail


def _body(
    data: Mapping[str, Any], place: str, settings: Settings, behind: Mapping[str, Figures]
) -> str:
    shown = Shown(settings.units)
    found = [
        one_line(finding_shown(one_line(said), "stop", shown, behind.get(said, ())), _LONG)
        for said in (f["message"] for f in data["flags"])
    ]
    technician = one_line(data.get("technician") or _("not named"))
    link = f"{settings.address}/visits/{data['visit_id']}" if settings.address else ""
    lines = [
        caution(
            "A visit to {place} was handed in with findings that say: do not leave it running.",
            place=place,
        ),
        "",
        *(f"- {said}" for said in found),
        "",
        _("Handed in by: {who}", who=one_line(data.get("who", ""))),
        _("Technician: {who}", who=technician),
        _("Visit: {where}", where=link or data["visit_id"]),
        "",
        _("It stays on top of the review list until a person takes it by name."),
        "",
        *fill(caution(CAUTION), _WIDTH).splitlines(),
        "",
    ]
    return "\n".join(lines)


def figures_of_mail(intake: Intake, delivery: Delivery) -> dict[str, Figures]:
    """Return the figures behind the sentences of a mail about a stop."""
    data = delivery.content["data"]
    told = ((UUID(data["visit_id"]), f["message"]) for f in data.get("flags", ()))
    return {said: found for (_visit, said), found in figures_behind(intake, told).items()}


def send_mail(
    delivery: Delivery, settings: Settings, now: datetime, behind: Mapping[str, Figures]
) -> Outcome:
    """Hand one mail to the mail server; never raises for what server or network do."""
    if not settings.smtp_host:
        return Outcome("retry", "no mail server is set: FLUEBOOK_SMTP_HOST")
    try:
        mail = mail_of(delivery, settings, now, behind)
    except ValueError as error:
        return Outcome("refused", str(error)[:KEPT_ANSWER])
    try:
        timeout = float(settings.webhook_timeout_s)
        with smtplib.SMTP(settings.smtp_host, settings.smtp_port, timeout=timeout) as server:
            if settings.smtp_starttls:
                # Refused by a server without it: a stop and a password never go in the clear.
                server.starttls(context=ssl.create_default_context())
            if settings.smtp_user:
                server.login(settings.smtp_user, settings.smtp_password)
            server.send_message(mail)
    except smtplib.SMTPRecipientsRefused as error:
        code, said = next(iter(error.recipients.values()))
        return Outcome("retry", one_line(said.decode("utf-8", "replace")), code)
    except smtplib.SMTPAuthenticationError as error:
        # What the server says here may repeat what it was sent.
        return Outcome("retry", "the mail server did not take name and password", error.smtp_code)
    except smtplib.SMTPResponseException as error:
        answered: bytes | str = error.smtp_error
        text = answered if isinstance(answered, str) else answered.decode("utf-8", "replace")
        return Outcome("retry", one_line(text), error.smtp_code)
    except (smtplib.SMTPException, OSError) as error:
        return Outcome("retry", one_line(f"{type(error).__name__}: {error}"))
    return Outcome("delivered", "taken by the mail server", 250)
