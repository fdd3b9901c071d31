"""What others are told: subscriptions, the duty list, stops that wait for a person, the outbox."""

from __future__ import annotations

import base64
import secrets
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from uuid import UUID

from ingest.intake_shapes import must_say
from ingest.store import deliveries, duty, outbox, visits, webhooks
from ingest.store.book import Book, stamp
from ingest.store.deliveries import Channel, Delivery, DeliveryState, Try
from ingest.store.duty import DutyPerson, StandingStop
from ingest.store.errors import SecretsLocked, StateConflict
from ingest.store.webhooks import Subscription, Webhook

SECRET_BYTES = 32
"""Of a signing secret; Standard Webhooks asks for 24 to 64."""


def new_secret() -> str:
    """Return a signing secret in the spelling of Standard Webhooks."""
    return "whsec_" + base64.b64encode(secrets.token_bytes(SECRET_BYTES)).decode("ascii")


@dataclass(frozen=True, slots=True)
class Settled:
    """What a try came to.

    Attributes
    ----------
    result : str
        ``delivered``, ``retry``, ``gone`` or ``refused``.
    due_at : datetime or None
        When the next try is due; None where there is none.
    """

    result: str
    took_ms: int
    status: int | None
    detail: str
    due_at: datetime | None


class Notices:
    """The part of the intake that tells others."""

    book: Book

    # Subscriptions

    def add_webhook(self, asked: Subscription, who: str) -> tuple[Webhook, str]:
        """Make a subscription; return it with its secret, which is told this once."""
        secret = new_secret()
        with self.book.change(who) as change:
            identity = webhooks.add(change, asked, secret, self.book.seal)
            return webhooks.webhook(change.sql, identity), secret

    def webhooks(self) -> list[Webhook]:
        """Return all subscriptions, oldest first."""
        return webhooks.webhooks(self.book.reader)

    def webhook(self, webhook_id: UUID) -> Webhook:
        """Return one subscription."""
        return webhooks.webhook(self.book.reader, webhook_id)

    def change_webhook(
        self,
        webhook_id: UUID,
        asked: Subscription,
        who: str,
        *,
        expected_version: int | None = None,
    ) -> Webhook:
        """Write what a subscription asks for; the same again changes nothing."""
        with self.book.change(who) as change:
            webhooks.alter(change, webhook_id, asked, expected_version)
            return webhooks.webhook(change.sql, webhook_id)

    def rotate_webhook(
        self, webhook_id: UUID, who: str, *, both_for: timedelta
    ) -> tuple[Webhook, str]:
        """Give a subscription a new secret; both sign for a while. Told this once."""
        secret = new_secret()
        ends = stamp(self.book.clock() + both_for) if both_for else None
        with self.book.change(who) as change:
            webhooks.rotate(change, webhook_id, secret, ends, self.book.seal)
            return webhooks.webhook(change.sql, webhook_id), secret

    def remove_webhook(self, webhook_id: UUID, who: str) -> None:
        """Take a subscription out; its secrets are forgotten."""
        with self.book.change(who) as change:
            webhooks.remove(change, webhook_id)

    def test_webhook(self, webhook_id: UUID, who: str) -> UUID:
        """Send a message to one subscription to see that it arrives; return the delivery's id."""
        with self.book.change(who) as change:
            there = webhooks.webhook(change.sql, webhook_id)
            if not there.asked.active:
                raise StateConflict("the webhook is off; switch it on first")
            made = outbox.write_message(
                change.sql,
                outbox.TEST_EVENT,
                change.at,
                {"who": who},
                webhook=(str(webhook_id), there.asked.url),
            )
        return UUID(made)

    # The duty list, and stops that wait for a person

    def duty_list(self) -> list[DutyPerson]:
        """Return who is told of a stop by mail."""
        return duty.people(self.book.reader)

    def duty_person(self, person_id: UUID) -> DutyPerson:
        """Return one person of the duty list."""
        return duty.person(self.book.reader, person_id)

    def put_duty_person(
        self,
        name: str,
        email: str,
        who: str,
        *,
        person_id: UUID | None = None,
        expected_version: int | None = None,
    ) -> DutyPerson:
        """Write a person of the duty list; the same again changes nothing."""
        with self.book.change(who) as change:
            identity = duty.put_person(change, name, email, person_id, expected_version)
            return duty.person(change.sql, identity)

    def remove_duty_person(self, person_id: UUID, who: str) -> None:
        """Take a person off the duty list."""
        with self.book.change(who) as change:
            duty.remove_person(change, person_id)

    def test_duty_person(self, person_id: UUID, who: str) -> UUID:
        """Send a mail to one person to see that it arrives; return the delivery's id."""
        with self.book.change(who) as change:
            there = duty.person(change.sql, person_id)
            made = outbox.write_message(
                change.sql,
                outbox.DUTY_TEST,
                change.at,
                {"who": who},
                duty=f"{there.name} <{there.email}>",
            )
        return UUID(made)

    def standing_stops(self) -> Sequence[StandingStop]:
        """Return the visits handed in with a stop that nobody has taken, oldest first."""
        return duty.standing_stops(self.book.reader)

    def take_stop(self, visit_id: UUID, who: str, words: str = "") -> None:
        """Take a standing stop by name: it leaves the top of the list.

        Raises
        ------
        WordsMissing
            If no name is given.
        StateConflict
            If somebody else took it, or there was none.
        """
        with self.book.change(must_say(who, "who takes it")) as change:
            visits.visit_row(change.sql, visit_id)
            duty.take_stop(change, visit_id, words)

    # The outbox

    def due_deliveries(self, channel: Channel, most: int = 50) -> list[Delivery]:
        """Return what may be tried now."""
        return deliveries.due(self.book.reader, channel, stamp(self.book.clock()), most)

    def claim_delivery(self, delivery_id: UUID, hold: timedelta) -> bool:
        """Take a delivery for one try; False where another program has it."""
        until = stamp(self.book.clock() + hold)
        with self.book.change("fluebook") as change:
            return deliveries.claim(change, delivery_id, until)

    def signing_secrets(self, webhook_id: UUID) -> tuple[str, ...]:
        """Return what signs a message now. For the courier only.

        Raises
        ------
        SecretsLocked
            If no key at hand opens the secret; the message waits.
        """
        now = stamp(self.book.clock())
        return webhooks.secrets_of(self.book.reader, webhook_id, now, self.book.seal)

    def secrets_trouble(self) -> str:
        """Return why some webhook's messages cannot be signed now, empty where all can."""
        for one in webhooks.webhooks(self.book.reader):
            try:
                self.signing_secrets(one.id)
            except SecretsLocked as error:
                return str(error)
        return ""

    def settle_delivery(self, one: Delivery, came_to: Settled) -> None:
        """Write what a try came to; a receiver that is gone has its subscription switched off."""
        with self.book.change("fluebook") as change:
            deliveries.settle(
                change,
                one.id,
                result=came_to.result,
                took_ms=came_to.took_ms,
                status=came_to.status,
                detail=came_to.detail,
                due_at=None if came_to.due_at is None else stamp(came_to.due_at),
            )
            if came_to.result == "gone" and one.webhook_id is not None:
                webhooks.switch_off(change, one.webhook_id, deliveries.GIVEN_UP["gone"])

    def delivery(self, delivery_id: UUID) -> tuple[Delivery, list[Try]]:
        """Return a delivery and its tries."""
        return deliveries.delivery(self.book.reader, delivery_id)

    def deliveries(
        self,
        *,
        state: DeliveryState | None = None,
        webhook_id: UUID | None = None,
        channel: Channel | None = None,
        before: UUID | None = None,
        most: int = 40,
    ) -> list[Delivery]:
        """Return deliveries, newest first."""
        return deliveries.listed(
            self.book.reader,
            state=state,
            webhook_id=webhook_id,
            channel=channel,
            before=before,
            most=most,
        )

    def delivery_counts(self) -> Mapping[DeliveryState, int]:
        """Return how many deliveries there are in each state."""
        return deliveries.counts(self.book.reader)

    def replay_delivery(self, delivery_id: UUID, who: str) -> None:
        """Set a dead delivery on its way again, under the same message id."""
        with self.book.change(who) as change:
            deliveries.replay(change, delivery_id)

    def replay_deliveries(self, who: str, webhook_id: UUID | None = None) -> int:
        """Set all dead deliveries on their way, of one webhook where given; return how many."""
        with self.book.change(who) as change:
            return deliveries.replay_all(change, webhook_id)

    def discard_delivery(self, delivery_id: UUID, who: str, why: str) -> None:
        """Take one dead letter off the list, with words that say why; it stays kept."""
        with self.book.change(who) as change:
            deliveries.discard(change, delivery_id, must_say(why, "why it is discarded"))

    def discard_deliveries(self, who: str, why: str, webhook_id: UUID | None = None) -> int:
        """Take all dead letters off the list, of one webhook where given; return how many."""
        with self.book.change(who) as change:
            return deliveries.discard_all(change, webhook_id, must_say(why, "why it is discarded"))

    def forget_delivered(self, older_than: timedelta) -> int:
        """Drop what was delivered longer ago; dead letters stay. Returns how many."""
        with self.book.change("fluebook") as change:
            return deliveries.forget_delivered(change, stamp(self.book.clock() - older_than))
