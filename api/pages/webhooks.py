"""Webhooks on pages, for administrators: subscriptions, secrets once, undelivered messages."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from uuid import UUID

from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData

from api.notify.destination import DestinationRefused, checked_spelling
from api.pages.render import page
from api.refusals import why_not
from api.routes.shared import IntakeOf, signer
from api.routes.webhooks import MOST_BOTH_HOURS
from api.settings import Settings
from api.words import words
from ingest.intake import Intake
from ingest.intake_shapes import WordsMissing
from ingest.store import NotFound, SecretsLocked, StateConflict, VersionConflict
from ingest.store.deliveries import Delivery, Try
from ingest.store.outbox import EVENTS
from ingest.store.webhooks import Subscription

router = APIRouter(prefix="/webhooks", include_in_schema=False)
_SHOWN = 20


class Unusable(ValueError):
    """What was entered cannot be kept; the message says why."""


@dataclass(frozen=True, slots=True)
class DeliveryView:
    """One delivery in the reader's words."""

    id: UUID
    event: str
    recipient: str
    made: str
    state: str
    due: str
    why: str
    tries: Sequence[Try]


def when(text: str | None) -> str:
    """Return a time of the book as the reader writes it."""
    return "" if text is None else words().time(datetime.fromisoformat(text))


def delivery_view(intake: Intake, one: Delivery) -> DeliveryView:
    """Return a delivery with its tries, as a page shows it."""
    states = {
        "waiting": words().t("waiting"),
        "delivered": words().t("delivered"),
        "dead": words().t("given up"),
        "discarded": words().t("discarded"),
    }
    return DeliveryView(
        id=one.id,
        event=one.event,
        recipient=one.recipient,
        made=when(one.made_at),
        state=states[one.state],
        due=when(one.due_at) if one.state == "waiting" else "",
        why=one.discarded_why or one.why or "",
        tries=intake.delivery(one.id)[1],
    )


def _list(
    request: Request,
    intake: Intake,
    *,
    told: str = "",
    secret: str = "",
    status: int = 200,
    draft: Subscription | None = None,
) -> Response:
    answer = page(
        request,
        "webhooks.html",
        title=words().t("Webhooks"),
        status=status,
        webhooks=intake.webhooks(),
        counts=intake.delivery_counts(),
        trouble=intake.secrets_trouble(),
        events=EVENTS,
        sites=intake.sites(),
        draft=draft,
        told=told,
        secret=secret,
    )
    answer.headers["Cache-Control"] = "no-store"
    return answer


def _one(
    request: Request,
    intake: Intake,
    webhook_id: UUID,
    *,
    told: str = "",
    secret: str = "",
    status: int = 200,
) -> Response:
    there = intake.webhook(webhook_id)
    answer = page(
        request,
        "webhook.html",
        title=words().t("Webhook"),
        status=status,
        webhook=there,
        old_ends=when(there.old_secret_ends),
        deliveries=[
            delivery_view(intake, d) for d in intake.deliveries(webhook_id=webhook_id, most=_SHOWN)
        ],
        events=EVENTS,
        sites=intake.sites(),
        told=told,
        secret=secret,
    )
    answer.headers["Cache-Control"] = "no-store"
    return answer


def _asked(form: FormData, settings: Settings, *, active: bool) -> Subscription:
    url = str(form.get("url") or "").strip()[:2000]
    events = tuple(e for e in EVENTS if e in form.getlist("events"))
    try:
        checked_spelling(url, allow_private=settings.webhook_allow_private)
    except DestinationRefused as error:
        raise Unusable(why_not(error)) from error
    if not events:
        raise Unusable(words().t("Choose at least one event."))
    site = str(form.get("site") or "")
    try:
        site_id = UUID(site) if site else None
    except ValueError as error:
        raise Unusable(words().t("Choose a site from the list.")) from error
    return Subscription(url, str(form.get("name") or "").strip()[:100], events, site_id, active)


def _draft(form: FormData) -> Subscription:
    events = tuple(e for e in EVENTS if e in form.getlist("events"))
    return Subscription(
        str(form.get("url") or "")[:2000], str(form.get("name") or "")[:100], events
    )


@router.get("")
def all_webhooks(request: Request, intake: IntakeOf) -> Response:
    """Show who is told what."""
    return _list(request, intake)


@router.post("")
async def make(request: Request, intake: IntakeOf) -> Response:
    """Make a subscription and show its secret this once."""
    form = await request.form()

    def made() -> Response:
        try:
            asked = _asked(form, request.app.state.settings, active=True)
            _, secret = intake.add_webhook(asked, signer(request, "") or "page")
        except (Unusable, NotFound, SecretsLocked) as error:
            return _list(request, intake, told=f"{error}", status=422, draft=_draft(form))
        return _list(request, intake, secret=secret)

    return await run_in_threadpool(made)


@router.get("/undelivered")
def undelivered(request: Request, intake: IntakeOf) -> Response:
    """Show the dead letters and what still waits."""
    return _undelivered(request, intake)


def _undelivered(
    request: Request, intake: Intake, *, told: str = "", status: int = 200
) -> Response:
    before = request.query_params.get("before") or None
    try:
        last = None if before is None else UUID(before)
    except ValueError:
        last = None
    dead = intake.deliveries(state="dead", before=last, most=_SHOWN + 1)
    return page(
        request,
        "undelivered.html",
        title=words().t("Undelivered messages"),
        status=status,
        dead=[delivery_view(intake, d) for d in dead[:_SHOWN]],
        next=dead[_SHOWN - 1].id if len(dead) > _SHOWN else None,
        waiting=[delivery_view(intake, d) for d in intake.deliveries(state="waiting", most=_SHOWN)],
        counts=intake.delivery_counts(),
        told=told,
    )


async def _settled(request: Request, intake: Intake, change: Callable[[], object]) -> Response:
    def done() -> Response:
        try:
            change()
        except (StateConflict, NotFound) as error:
            return _undelivered(request, intake, told=f"{why_not(error)}.", status=409)
        except WordsMissing:
            told = words().t("Say why it is discarded.")
            return _undelivered(request, intake, told=told, status=422)
        return RedirectResponse("/webhooks/undelivered", status_code=303)

    return await run_in_threadpool(done)


@router.post("/undelivered")
async def replay_all(request: Request, intake: IntakeOf) -> Response:
    """Set all dead letters on their way."""
    who = signer(request, "") or "page"
    return await _settled(request, intake, lambda: intake.replay_deliveries(who))


@router.post("/undelivered/discard")
async def discard_all(request: Request, intake: IntakeOf) -> Response:
    """Take all dead letters off the list."""
    why = str((await request.form()).get("why") or "")[:1000]
    who = signer(request, "") or "page"
    return await _settled(request, intake, lambda: intake.discard_deliveries(who, why))


@router.post("/undelivered/{delivery_id}")
async def replay(request: Request, delivery_id: UUID, intake: IntakeOf) -> Response:
    """Set one dead letter on its way."""
    who = signer(request, "") or "page"
    return await _settled(request, intake, lambda: intake.replay_delivery(delivery_id, who))


@router.post("/undelivered/{delivery_id}/discard")
async def discard(request: Request, delivery_id: UUID, intake: IntakeOf) -> Response:
    """Take one dead letter off the list."""
    why = str((await request.form()).get("why") or "")[:1000]
    who = signer(request, "") or "page"
    return await _settled(request, intake, lambda: intake.discard_delivery(delivery_id, who, why))


@router.get("/{webhook_id}")
def one_webhook(request: Request, webhook_id: UUID, intake: IntakeOf) -> Response:
    """Show one subscription and what was sent to it."""
    return _one(request, intake, webhook_id)


@router.post("/{webhook_id}")
async def change(request: Request, webhook_id: UUID, intake: IntakeOf) -> Response:
    """Change a subscription, or switch it on or off."""
    form = await request.form()

    def done() -> Response:
        try:
            active = form.get("active") == "yes"
            asked = _asked(form, request.app.state.settings, active=active)
            version = str(form.get("version") or "")
            intake.change_webhook(
                webhook_id,
                asked,
                signer(request, "") or "page",
                expected_version=int(version) if version.isascii() and version.isdigit() else None,
            )
        except (Unusable, VersionConflict) as error:
            return _one(request, intake, webhook_id, told=f"{error}", status=422)
        return RedirectResponse(f"/webhooks/{webhook_id}", status_code=303)

    return await run_in_threadpool(done)


@router.post("/{webhook_id}/rotate")
async def rotate(request: Request, webhook_id: UUID, intake: IntakeOf) -> Response:
    """Make a new secret and show it this once."""
    form = await request.form()
    asked = str(form.get("both_hours") or "24")
    hours = int(asked) if asked.isascii() and asked.isdigit() and len(asked) < 4 else 24

    def done() -> Response:
        both = timedelta(hours=min(hours, MOST_BOTH_HOURS))
        who = signer(request, "") or "page"
        try:
            _, secret = intake.rotate_webhook(webhook_id, who, both_for=both)
        except SecretsLocked as error:
            return _one(request, intake, webhook_id, told=f"{why_not(error)}.", status=409)
        return _one(request, intake, webhook_id, secret=secret)

    return await run_in_threadpool(done)


@router.post("/{webhook_id}/test")
def test(request: Request, webhook_id: UUID, intake: IntakeOf) -> Response:
    """Send a test message."""
    try:
        intake.test_webhook(webhook_id, signer(request, "") or "page")
    except StateConflict as error:
        return _one(request, intake, webhook_id, told=f"{why_not(error)}.", status=409)
    return RedirectResponse(f"/webhooks/{webhook_id}#sent", status_code=303)


@router.post("/{webhook_id}/remove")
def remove(request: Request, webhook_id: UUID, intake: IntakeOf) -> Response:
    """Take a subscription out."""
    intake.remove_webhook(webhook_id, signer(request, "") or "page")
    return RedirectResponse("/webhooks", status_code=303)
