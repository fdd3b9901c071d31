"""What a webhook's body holds, for the OpenAPI document and for whoever generates a receiver."""

from __future__ import annotations

from datetime import datetime
from typing import Any, Literal
from uuid import UUID

from fastapi import FastAPI
from pydantic import BaseModel, Field

from ingest.models import Severity, VisitState
from ingest.store.outbox import EVENTS

EventName = Literal[
    "visit.handed_in",
    "visit.accepted",
    "visit.sent_back",
    "visit.judged_again",
    "reading.superseded",
    "flag.stop",
    "flag.stop_taken",
]
"""The keys of ``EVENTS``, spelt out for the type checker; a test holds the two together."""


class StopFlag(BaseModel):
    """A finding `stop`."""

    rule: str
    message: str = Field(description="One sentence, with numbers in canonical units.")


class EventData(BaseModel):
    """The visit that an event is about, as it stood right after the change."""

    visit_id: UUID
    visit_external_id: str | None = None
    state: VisitState
    version: int = Field(description="Version of the visit.")
    started: datetime | None = None
    technician: str | None = None
    boiler_id: UUID | None = None
    boiler_external_id: str | None = None
    boiler: str | None = None
    site_id: UUID | None = None
    site: str | None = None
    flags_by_severity: dict[Severity, int]
    line: int = Field(
        description="Line of the audit trail: orders events, which may arrive in any order."
    )
    who: str = Field(description="Who made the change.")
    why: str | None = None
    note: str | None = None
    words: str | None = None
    old: UUID | None = Field(default=None, description="The reading that was corrected.")
    new: UUID | None = Field(default=None, description="The reading in its place.")
    flags: list[StopFlag] | None = Field(default=None, description="Only in `flag.stop`.")


class Event(BaseModel):
    """A message of Standard Webhooks."""

    type: EventName
    timestamp: datetime = Field(description="Time of the change, in UTC.")
    data: EventData


def describe_events(app: FastAPI) -> None:
    """Put every event into the OpenAPI document's `webhooks`."""
    for name, said in EVENTS.items():

        def received(body: Event) -> None: ...

        app.webhooks.post(
            name,
            summary=said,
            description="Answer with any 2xx within the timeout; 410 ends the subscription. "
            "Signed by Standard Webhooks in `webhook-id`, `webhook-timestamp` and "
            "`webhook-signature`.",
            operation_id=name.replace(".", "_"),
            tags=["webhooks"],
        )(received)


def known(content: dict[str, Any]) -> Event:
    """Return a body as its model."""
    return Event.model_validate(content)
