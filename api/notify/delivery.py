"""One webhook message on its way: signed by the open Standard Webhooks scheme, tried, tried again.

Nothing here keeps state: ``attempt`` makes one try and says what came of it, ``next_attempt`` says
when the next one is due or that the message belongs on the dead-letter list. The store keeps both.
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from typing import Literal

import httpx
from standardwebhooks import Webhook

from api.notify.destination import (
    Destination,
    DestinationRefused,
    Resolver,
    checked_destination,
    system_resolver,
)

WAITS: tuple[timedelta, ...] = tuple(
    timedelta(seconds=s) for s in (5, 30, 120, 600, 3600, 4 * 3600, 12 * 3600, 24 * 3600)
)
"""How long after each failed try the next one is due, before jitter."""

TIMEOUT_S = 15.0
KEPT_ANSWER = 500  # characters of a receiver's answer kept for the person who looks into it
USER_AGENT = "fluebook-webhook/1"
Result = Literal["delivered", "retry", "gone", "refused"]


@dataclass(frozen=True, slots=True)
class Message:
    """A message for one receiver. ``message_id`` stays the same over all tries.

    ``secrets`` are all that sign it: while a secret is being replaced, the old one beside the new.
    """

    message_id: str
    url: str
    secrets: tuple[str, ...]
    body: str


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one try came to."""

    result: Result
    detail: str
    status: int | None = None
    not_before: datetime | None = None


def new_client() -> httpx.AsyncClient:
    """Return a client that goes nowhere by itself: no redirects, no proxy of the environment."""
    return httpx.AsyncClient(follow_redirects=False, trust_env=False)


async def attempt(
    message: Message,
    client: httpx.AsyncClient,
    now: datetime,
    *,
    allow_private: bool = False,
    resolver: Resolver = system_resolver,
    timeout_s: float = TIMEOUT_S,
) -> Outcome:
    """Try to hand a message over once.

    A 2xx answer is delivery; 410 says that the receiver is gone for good; everything else,
    redirects included, is tried again. Never raises for what the receiver or the network does.

    Parameters
    ----------
    now : datetime
        Time of the try, with a zone; signed, so that a receiver can refuse old messages.
    timeout_s : float
        Of the whole try [s]: a receiver that answers one byte at a time gets no longer.
    """
    try:
        # One clock around everything: the client's own timeouts start anew with every byte.
        async with asyncio.timeout(timeout_s):
            destination = await asyncio.to_thread(
                checked_destination, message.url, allow_private=allow_private, resolver=resolver
            )
            return await _post(message, client, now.astimezone(UTC), destination, timeout_s)
    except DestinationRefused as error:
        # A name that does not resolve may do so in a minute; a forbidden one stays forbidden.
        return Outcome("retry" if error.may_pass else "refused", str(error))
    except TimeoutError:
        return Outcome("retry", f"no whole answer within {timeout_s:g} s")
    except httpx.HTTPError as error:
        return Outcome("retry", _plain(f"{type(error).__name__}: {error}"))


async def _post(
    message: Message,
    client: httpx.AsyncClient,
    moment: datetime,
    destination: Destination,
    timeout_s: float,
) -> Outcome:
    content = message.body.encode()
    headers = {
        "host": destination.host_header,
        "accept-encoding": "identity",
        "content-type": "application/json",
        "user-agent": USER_AGENT,
        "webhook-id": message.message_id,
        "webhook-timestamp": str(int(moment.timestamp())),
        "webhook-signature": signatures(message, moment),
    }
    *others, last = destination.pinned
    for url in (*others, last):
        try:
            async with client.stream(
                "POST",
                url,
                content=content,
                headers=headers,
                timeout=timeout_s,
                follow_redirects=False,  # a redirect would lead past the check of the address
                extensions={"sni_hostname": destination.url.host},
            ) as response:
                return _outcome(response, await _beginning(response), moment)
        except (httpx.ConnectError, httpx.ConnectTimeout):
            # A name stands for several addresses, and not all of them can be reached from here.
            if url is last:
                raise
    raise AssertionError("a destination has an address")


def signatures(message: Message, moment: datetime) -> str:
    """Return the signature header: one for each secret, with a blank between."""
    made = (Webhook(s).sign(message.message_id, moment, message.body) for s in message.secrets)
    return " ".join(made)


async def _beginning(response: httpx.Response) -> str:
    """Return the first of an answer that may have no end, undecoded: it may be a bomb."""
    found = b""
    async for piece in response.aiter_raw():
        found += piece[:KEPT_ANSWER]
        if len(found) >= KEPT_ANSWER:
            break
    return _plain(found.decode("utf-8", "replace"))


def _plain(text: str) -> str:
    return "".join(c if c.isprintable() else " " for c in text).strip()[:KEPT_ANSWER]


def _outcome(response: httpx.Response, detail: str, moment: datetime) -> Outcome:
    if response.is_success:
        return Outcome("delivered", detail, response.status_code)
    if response.status_code == httpx.codes.GONE:
        return Outcome("gone", detail, response.status_code)
    return Outcome("retry", detail, response.status_code, _asked_wait(response, moment))


def _asked_wait(response: httpx.Response, now: datetime) -> datetime | None:
    asked = response.headers.get("retry-after", "").strip()
    # Nine digits are 31 years; more would not fit a time span at all.
    if asked.isascii() and asked.isdigit() and len(asked) < 10:
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
    failed_tries: int,
    now: datetime,
    outcome: Outcome,
    rng: random.Random,
    waits: Sequence[timedelta] = WAITS,
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
    if outcome.result in ("gone", "refused") or failed_tries > len(waits):
        return None
    wait = waits[failed_tries - 1] * rng.uniform(0.8, 1.2)
    due = now + wait
    return max(due, outcome.not_before) if outcome.not_before is not None else due
