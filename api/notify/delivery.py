"""One webhook message on its way: signed by the open Standard Webhooks scheme, tried, tried again.

Nothing here keeps state: ``attempt`` makes one try and says what came of it, ``next_attempt`` says
when the next one is due or that the message belongs on the dead-letter list. The store keeps both.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from typing import Literal

import httpx
from standardwebhooks import Webhook

from api.notify.destination import (
    DestinationRefused,
    Resolver,
    checked_destination,
    system_resolver,
)

WAITS: tuple[timedelta, ...] = tuple(
    timedelta(seconds=s) for s in (5, 30, 120, 600, 3600, 4 * 3600, 12 * 3600, 24 * 3600)
)
"""How long after each failed try the next one is due, before jitter."""

TIMEOUT_S = 10.0
KEPT_ANSWER = 500  # characters of a receiver's answer kept for the person who looks into it
USER_AGENT = "fluebook-webhook/1"


@dataclass(frozen=True, slots=True)
class Delivery:
    """A message for one receiver. ``message_id`` stays the same over all tries."""

    message_id: str
    url: str
    secret: str
    body: str


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one try came to."""

    result: Literal["delivered", "retry", "gone", "refused"]
    detail: str
    status: int | None = None
    not_before: datetime | None = None


def attempt(
    delivery: Delivery,
    client: httpx.Client,
    now: datetime,
    *,
    allow_private: bool = False,
    resolver: Resolver = system_resolver,
) -> Outcome:
    """Try to hand a message over once.

    A 2xx answer is delivery; 410 says that the receiver is gone for good; everything else,
    redirects included, is tried again. Never raises for what the receiver or the network does.

    Parameters
    ----------
    now : datetime
        Time of the try, with a zone; signed, so that a receiver can refuse old messages.
    """
    try:
        destination = checked_destination(
            delivery.url, allow_private=allow_private, resolver=resolver
        )
    except DestinationRefused as error:
        return Outcome("refused", str(error))
    moment = now.astimezone(UTC)
    headers = {
        "host": destination.host_header,
        "content-type": "application/json",
        "user-agent": USER_AGENT,
        "webhook-id": delivery.message_id,
        "webhook-timestamp": str(int(moment.timestamp())),
        "webhook-signature": Webhook(delivery.secret).sign(
            delivery.message_id, moment, delivery.body
        ),
    }
    try:
        with client.stream(
            "POST",
            destination.pinned,
            content=delivery.body.encode(),
            headers=headers,
            timeout=TIMEOUT_S,
            follow_redirects=False,  # a redirect would lead past the check of the address
            extensions={"sni_hostname": destination.url.host},
        ) as response:
            # A receiver may answer without end; the first bytes tell enough.
            answer = next(response.iter_bytes(KEPT_ANSWER), b"")
    except httpx.HTTPError as error:
        return Outcome("retry", f"{type(error).__name__}: {error}")
    detail = answer[:KEPT_ANSWER].decode("utf-8", "replace")
    if response.is_success:
        return Outcome("delivered", detail, response.status_code)
    if response.status_code == httpx.codes.GONE:
        return Outcome("gone", detail, response.status_code)
    return Outcome("retry", detail, response.status_code, _asked_wait(response, moment))


def _asked_wait(response: httpx.Response, now: datetime) -> datetime | None:
    asked = response.headers.get("retry-after", "").strip()
    if asked.isdigit():
        wait = timedelta(seconds=min(int(asked), int(WAITS[-1].total_seconds())))
        return now + wait
    try:
        moment = parsedate_to_datetime(asked)
    except ValueError:
        return None
    if moment.tzinfo is None:
        return None
    return min(moment, now + WAITS[-1])


def next_attempt(
    failed_tries: int, now: datetime, outcome: Outcome, rng: random.Random
) -> datetime | None:
    """Return when to try again, or None where the message belongs on the dead-letter list.

    Parameters
    ----------
    failed_tries : int
        Tries made so far, the failed one included, from 1.
    rng : random.Random
        Source of the jitter of plus or minus 20 %, which keeps a crowd of messages to a receiver
        that was down from coming back all at once.
    """
    if outcome.result in ("gone", "refused") or failed_tries > len(WAITS):
        return None
    wait = WAITS[failed_tries - 1] * rng.uniform(0.8, 1.2)
    due = now + wait
    return max(due, outcome.not_before) if outcome.not_before is not None else due
