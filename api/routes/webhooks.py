"""Webhooks over the API: subscriptions, what was sent, and what could not be delivered."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Annotated, Any
from uuid import UUID

from fastapi import APIRouter, Query, Response
from pydantic import BaseModel, ConfigDict, Field

from api.answers import refuses
from api.notify.destination import DestinationRefused, checked_spelling
from api.notify.events import EventName
from api.problems import ErrorItem, ProblemError
from api.routes.shared import Expected, IntakeOf, SettingsOf, Who, tagged
from api.settings import Settings
from ingest.sent import Sent
from ingest.store.deliveries import Channel, Delivery, DeliveryState, Try
from ingest.store.outbox import EVENTS
from ingest.store.webhooks import Subscription, Webhook

router = APIRouter(prefix="/v1", tags=["webhooks"])
MOST_BOTH_HOURS = 7 * 24


class _Shape(BaseModel):
    model_config = ConfigDict(extra="forbid")


class AskedWebhook(Sent):
    """What a subscription asks for."""

    url: str = Field(max_length=2000, examples=["https://office.example/hooks/fluebook"])
    name: str = Field(default="", max_length=100, description="What it is for.")
    events: list[EventName] = Field(min_length=1, max_length=len(EVENTS))
    site_id: UUID | None = Field(default=None, description="Only of this site; null means all.")
    active: bool = Field(default=True, description="Off: nothing is kept for it meanwhile.")


class WebhookAnswer(AskedWebhook):
    """A subscription as kept, without its secret."""

    events: list[str]  # type: ignore[assignment]
    id: UUID
    off_why: str | None = Field(description="Why it was switched off by what its receiver said.")
    old_secret_ends: datetime | None = Field(description="Until then the old secret signs, too.")
    made_at: datetime
    made_by: str
    version: int


class MadeWebhook(WebhookAnswer):
    """A subscription with a new secret: told this once, never again."""

    secret: str = Field(description="`whsec_` and base64, as Standard Webhooks spells it.")


class WebhookList(_Shape):
    """All subscriptions, oldest first."""

    webhooks: list[WebhookAnswer]


class Rotation(Sent):
    """How a secret is replaced."""

    both_hours: int = Field(
        default=24,
        ge=0,
        le=MOST_BOTH_HOURS,
        description="Hours for which the old secret signs beside the new one; 0: it ends now.",
    )


class Queued(_Shape):
    """A message that was put into the outbox."""

    delivery_id: UUID


class DeliveryAnswer(_Shape):
    """One message for one receiver."""

    id: UUID
    message_id: str = Field(description="The header `webhook-id`; the same over all tries.")
    event: str
    channel: Channel
    webhook_id: UUID | None
    recipient: str
    state: DeliveryState = Field(
        description="`dead`: given up, until it is replayed or discarded."
        " `discarded`: off the list by a person's word; kept."
    )
    tries: int = Field(description="Since it was made, or replayed.")
    made_at: datetime
    due_at: datetime
    ended_at: datetime | None
    why: str | None
    discarded_at: datetime | None = None
    discarded_by: str | None = None
    discarded_why: str | None = None


class TryAnswer(_Shape):
    """One try."""

    number: int
    at: datetime
    took_ms: int
    result: str
    status: int | None = Field(description="Status of HTTP or reply code of SMTP.")
    detail: str = Field(description="The beginning of the answer, at most 500 characters.")


class WholeDelivery(DeliveryAnswer):
    """One message with its content and every try."""

    content: dict[str, Any]
    attempts: list[TryAnswer]


class DeliveryList(_Shape):
    """Deliveries, newest first."""

    deliveries: list[DeliveryAnswer]
    next: UUID | None = Field(description="`before` of the next page; null on the last.")


class Replay(Sent):
    """Which dead letters go on their way again."""

    webhook_id: UUID | None = Field(default=None, description="Of one webhook; null: all.")


class Reason(Sent):
    """Why a dead letter is discarded."""

    why: str = Field(min_length=1, max_length=1000, description="In words; kept in the trail.")


class Discard(Reason):
    """Which dead letters are discarded, and why."""

    webhook_id: UUID | None = Field(default=None, description="Of one webhook; null: all.")


class Discarded(_Shape):
    """How many were taken off the list."""

    count: int


class Replayed(_Shape):
    """How many were set on their way."""

    count: int


def asked_of(body: AskedWebhook, settings: Settings) -> Subscription:
    """Return what a body asks for; an address that may never be called is refused."""
    try:
        checked_spelling(body.url, allow_private=settings.webhook_allow_private)
    except DestinationRefused as error:
        item = ErrorItem(
            message=str(error),
            pointer="/url",
            expected="an https address outside of private networks",
            next_step="Correct the address; nothing was stored.",
        )
        raise ProblemError("not-valid", f"{error}.", [item]) from error
    return Subscription(body.url, body.name, tuple(body.events), body.site_id, body.active)


def _shown(one: Webhook) -> dict[str, Any]:
    return {
        "id": one.id,
        "url": one.asked.url,
        "name": one.asked.name,
        "events": list(one.asked.events),
        "site_id": one.asked.site_id,
        "active": one.asked.active,
        "off_why": one.off_why,
        "old_secret_ends": one.old_secret_ends,
        "made_at": one.made_at,
        "made_by": one.made_by,
        "version": one.version,
    }


def _answer(one: Webhook, response: Response) -> WebhookAnswer:
    tagged(response, one.version)
    return WebhookAnswer.model_validate(_shown(one))


def _with_secret(one: Webhook, secret: str, response: Response) -> MadeWebhook:
    tagged(response, one.version)
    response.headers["Cache-Control"] = "no-store"
    return MadeWebhook.model_validate({**_shown(one), "secret": secret})


def _delivery(one: Delivery) -> dict[str, Any]:
    return {name: getattr(one, name) for name in DeliveryAnswer.model_fields}


def _try(one: Try) -> dict[str, Any]:
    return {name: getattr(one, name) for name in TryAnswer.model_fields}


@router.get("/webhooks", summary="All subscriptions")
def all_webhooks(intake: IntakeOf) -> WebhookList:
    """List the subscriptions; secrets are never shown again."""
    return WebhookList(
        webhooks=[WebhookAnswer.model_validate(_shown(w)) for w in intake.webhooks()]
    )


@router.post("/webhooks", summary="Subscribe to events", status_code=201)
@refuses(404)
def make_webhook(
    body: AskedWebhook, intake: IntakeOf, settings: SettingsOf, who: Who, response: Response
) -> MadeWebhook:
    """Make a subscription; its secret stands in this answer only."""
    made, secret = intake.add_webhook(asked_of(body, settings), who)
    response.headers["Location"] = f"/v1/webhooks/{made.id}"
    return _with_secret(made, secret, response)


@router.get("/webhooks/{webhook_id}", summary="One subscription")
@refuses(404)
def one_webhook(webhook_id: UUID, intake: IntakeOf, response: Response) -> WebhookAnswer:
    """Return a subscription."""
    return _answer(intake.webhook(webhook_id), response)


@router.put("/webhooks/{webhook_id}", summary="Change a subscription, switch it on or off")
@refuses(404, 412)
def change_webhook(
    webhook_id: UUID,
    body: AskedWebhook,
    intake: IntakeOf,
    settings: SettingsOf,
    who: Who,
    expected: Expected,
    response: Response,
) -> WebhookAnswer:
    """Write what it asks for. Switched off, what waits for it goes to the dead letters."""
    asked = asked_of(body, settings)
    changed = intake.change_webhook(webhook_id, asked, who, expected_version=expected)
    return _answer(changed, response)


@router.delete("/webhooks/{webhook_id}", summary="Remove a subscription", status_code=204)
@refuses(404)
def remove_webhook(webhook_id: UUID, intake: IntakeOf, who: Who) -> Response:
    """Take it out and forget its secrets; what was sent stays listed."""
    intake.remove_webhook(webhook_id, who)
    return Response(status_code=204)


@router.post("/webhooks/{webhook_id}/rotate", summary="Replace a secret")
@refuses(404)
def rotate(
    webhook_id: UUID, body: Rotation, intake: IntakeOf, who: Who, response: Response
) -> MadeWebhook:
    """Make a new secret, told in this answer only; for a while both sign."""
    both = timedelta(hours=body.both_hours)
    return _with_secret(*intake.rotate_webhook(webhook_id, who, both_for=both), response)


@router.post("/webhooks/{webhook_id}/test", summary="Send a test message", status_code=202)
@refuses(404, 409)
def test(webhook_id: UUID, intake: IntakeOf, who: Who) -> Queued:
    """Put a message `webhook.test` into the outbox, for this subscription only."""
    return Queued(delivery_id=intake.test_webhook(webhook_id, who))


@router.get("/deliveries", summary="Messages sent, waiting or given up")
def deliveries(
    intake: IntakeOf,
    state: DeliveryState | None = None,
    channel: Channel | None = None,
    webhook_id: UUID | None = None,
    before: Annotated[UUID | None, Query(description="`next` of the page before.")] = None,
    limit: Annotated[int, Query(ge=1, le=200)] = 40,
) -> DeliveryList:
    """List deliveries, newest first; the dead-letter list is `state=dead`."""
    found = intake.deliveries(
        state=state, webhook_id=webhook_id, channel=channel, before=before, most=limit + 1
    )
    more = len(found) > limit
    return DeliveryList(
        deliveries=[DeliveryAnswer.model_validate(_delivery(one)) for one in found[:limit]],
        next=found[limit - 1].id if more else None,
    )


@router.post("/deliveries/replay", summary="Replay all dead letters")
def replay_all(body: Replay, intake: IntakeOf, who: Who) -> Replayed:
    """Set all dead letters on their way, but for those of webhooks that are off."""
    return Replayed(count=intake.replay_deliveries(who, body.webhook_id))


@router.post("/deliveries/discard", summary="Discard all dead letters")
def discard_all(body: Discard, intake: IntakeOf, who: Who) -> Discarded:
    """Take all dead letters off the list; they stay kept, with who, when and why."""
    return Discarded(count=intake.discard_deliveries(who, body.why, body.webhook_id))


@router.post("/deliveries/{delivery_id}/discard", summary="Discard one dead letter")
@refuses(404, 409)
def discard(delivery_id: UUID, body: Reason, intake: IntakeOf, who: Who) -> WholeDelivery:
    """Take a dead letter off the list; it stays kept, and can still be replayed."""
    intake.discard_delivery(delivery_id, who, body.why)
    return one_delivery(delivery_id, intake)


@router.get("/deliveries/{delivery_id}", summary="One delivery with its tries")
@refuses(404)
def one_delivery(delivery_id: UUID, intake: IntakeOf) -> WholeDelivery:
    """Return what is sent, and what came of each try."""
    one, tries = intake.delivery(delivery_id)
    return WholeDelivery.model_validate(
        {**_delivery(one), "content": one.content, "attempts": [_try(t) for t in tries]}
    )


@router.post("/deliveries/{delivery_id}/replay", summary="Replay one dead letter", status_code=202)
@refuses(404, 409)
def replay(delivery_id: UUID, intake: IntakeOf, who: Who) -> Queued:
    """Set a dead letter on its way again, under the same message id."""
    intake.replay_delivery(delivery_id, who)
    return Queued(delivery_id=delivery_id)
