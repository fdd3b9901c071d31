"""The courier: takes what is due out of the outbox, tries it, writes down what came of it.

It runs as a thread of the server with an event loop of its own, so that a slow receiver holds up
neither a request nor another receiver, and mail has a lane of its own. Several may run over one
book: each claims a delivery before it tries.
"""

from __future__ import annotations

import asyncio
import logging
import random
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import timedelta
from itertools import groupby

import httpx

from api.notify.delivery import WAITS, Message, Outcome, attempt, new_client, next_attempt
from api.notify.destination import Resolver, system_resolver
from api.notify.mail import figures_of_mail, send_mail
from api.settings import Settings
from ingest.intake import Intake
from ingest.intake_notices import Settled
from ingest.store import SecretsLocked
from ingest.store.deliveries import Channel, Delivery

logger = logging.getLogger(__name__)
LOOK_EVERY_S = 1.0
_TIDY_EVERY_S = 3600.0
_SAY_EVERY_S = 60.0
CHANNELS: tuple[Channel, ...] = ("webhook", "email")


class Courier:
    """Delivers the messages of one book.

    Parameters
    ----------
    waits : sequence of timedelta
        Between the tries; after the last the message is a dead letter.
    """

    def __init__(
        self,
        intake: Intake,
        settings: Settings,
        *,
        waits: Sequence[timedelta] = WAITS,
        resolver: Resolver = system_resolver,
    ) -> None:
        self.intake = intake
        self.settings = settings
        self.waits = waits
        self.resolver = resolver
        self._rng = random.Random()
        self._said_locked = -_SAY_EVERY_S
        # Longer than a try can take, so that nobody else begins one meanwhile.
        self._hold = timedelta(seconds=settings.webhook_timeout_s * 1.5 + 1)
        self._loop: asyncio.AbstractEventLoop | None = None
        self._stop: asyncio.Event | None = None
        self._thread: threading.Thread | None = None
        self._running = threading.Event()

    async def deliver_due(self, channel: Channel, client: httpx.AsyncClient) -> int:
        """Try everything of a channel that is due now; return how many tries were made.

        Receivers are served beside each other, the messages of one receiver one after the other:
        one that fails is left alone until its next time.
        """
        due = self.intake.due_deliveries(channel)

        def receiver(one: Delivery) -> str:
            return str(one.webhook_id or one.recipient)

        lanes = groupby(sorted(due, key=receiver), key=receiver)
        made = await asyncio.gather(*(self._lane(list(lane), client) for _, lane in lanes))
        return sum(made)

    async def _lane(self, lane: Sequence[Delivery], client: httpx.AsyncClient) -> int:
        tries = 0
        for one in lane:
            try:
                signing = self._signing(one)
            except SecretsLocked as error:
                self._say_locked(str(error))
                break  # not tried at all: it goes out as soon as the key is there
            if not self.intake.claim_delivery(one.id, self._hold):
                continue
            tries += 1
            if (await self._try(one, client, signing)).result != "delivered":
                break
        return tries

    def _signing(self, one: Delivery) -> tuple[str, ...]:
        return () if one.webhook_id is None else self.intake.signing_secrets(one.webhook_id)

    def _say_locked(self, why: str) -> None:
        """Write a line once in a while: the lane comes back to this every second."""
        if time.monotonic() - self._said_locked > _SAY_EVERY_S:
            self._said_locked = time.monotonic()
            logger.error("webhooks wait: %s", why)

    async def _try(
        self, one: Delivery, client: httpx.AsyncClient, signing: tuple[str, ...]
    ) -> Outcome:
        begun, now = time.perf_counter(), self.intake.book.clock()
        if one.webhook_id is None:
            behind = figures_of_mail(self.intake, one)
            outcome = await asyncio.to_thread(send_mail, one, self.settings, now, behind)
        else:
            message = Message(one.message_id, one.recipient, signing, one.body)
            outcome = await attempt(
                message,
                client,
                now,
                allow_private=self.settings.webhook_allow_private,
                resolver=self.resolver,
                timeout_s=self.settings.webhook_timeout_s,
            )
        due_at = None
        if outcome.result != "delivered":
            due_at = next_attempt(
                one.tries + 1, self.intake.book.clock(), outcome, self._rng, self.waits
            )
        took_ms = round((time.perf_counter() - begun) * 1000)
        self.intake.settle_delivery(
            one, Settled(outcome.result, took_ms, outcome.status, outcome.detail, due_at)
        )
        # Neither address nor text: both may hold what a log must not.
        said = (one.event, one.message_id, outcome.result, outcome.status, one.tries + 1)
        logger.info("%s %s: %s, status %s, try %s", *said)
        return outcome

    async def once(self) -> int:
        """Try everything that is due, until nothing is; return how many tries were made."""
        total = 0
        async with new_client() as client:
            while True:
                made = [await self.deliver_due(channel, client) for channel in CHANNELS]
                total += sum(made)
                if not any(made):
                    return total

    # As a thread of the server

    def start(self) -> None:
        """Begin to deliver in the background."""
        self._thread = threading.Thread(target=self._main, name="courier", daemon=True)
        self._thread.start()
        self._running.wait(5)

    def stop(self) -> None:
        """End after the tries under way, at most as long as a try may take."""
        loop, stop = self._loop, self._stop
        if loop is not None and stop is not None and not loop.is_closed():
            loop.call_soon_threadsafe(stop.set)
        if self._thread is not None:
            self._thread.join(self._hold.total_seconds())

    def _main(self) -> None:
        asyncio.run(self._until_stopped())

    async def _until_stopped(self) -> None:
        self._loop, self._stop = asyncio.get_running_loop(), asyncio.Event()
        self._running.set()
        async with new_client() as client:
            await asyncio.gather(*(self._keep_on(channel, client) for channel in CHANNELS))

    async def _keep_on(self, channel: Channel, client: httpx.AsyncClient) -> None:
        assert self._stop is not None
        tidied = -_TIDY_EVERY_S
        while not self._stop.is_set():
            made = 0
            try:
                if channel == "webhook" and time.monotonic() - tidied > _TIDY_EVERY_S:
                    tidied = time.monotonic()
                    self.intake.forget_delivered(timedelta(days=self.settings.delivered_days))
                made = await self.deliver_due(channel, client)
            except Exception:
                # A book that is busy or full must not end the courier: a stop still has to go out.
                logger.exception("the courier's %s lane failed and goes on", channel)
            if not made:
                try:
                    async with asyncio.timeout(LOOK_EVERY_S):
                        await self._stop.wait()
                except TimeoutError:
                    continue


@contextmanager
def courier_of(intake: Intake, settings: Settings) -> Iterator[None]:
    """Deliver in the background within this block, where the settings say so."""
    if not settings.deliver:
        yield
        return
    courier = Courier(intake, settings)
    courier.start()
    try:
        yield
    finally:
        courier.stop()
