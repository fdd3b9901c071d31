"""``Idempotency-Key`` on POST: the same key and body get the same answer and no second effect.

For the API under /v1, and for the forms of the pages that a browser keeps while it has no signal.

After draft-ietf-httpapi-idempotency-key-header (quoted): another body under the key is 422, a key
whose first request is still being worked on is 409. What took effect is kept with the effect, in
one transaction; only answers to effects and other successes are kept, so that a request that was
refused can be corrected and sent again under its key.
"""

from __future__ import annotations

import hashlib
from datetime import timedelta
from typing import Any

from python_multipart.multipart import parse_options_header
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.doorkeeper import principal_of
from api.problems import ErrorItem, ProblemError, respond
from ingest.store import Book, repeats
from ingest.store.book import stamp
from ingest.store.repeats import KEPT_DAYS, KeptAnswer, Ticket, under

HEADER = "idempotency-key"
REPLAYED = "Idempotency-Replayed"
"""On an answer to what had taken effect before."""
_LONGEST = 255
_GIVEN_AGAIN = ("content-type", "location", "etag")
_FORMS = ("/visits/", "/boilers/", "/jobs/")
"""Pages whose forms may wait in a browser and come again."""
_NEVER_KEPT = ("/v1/keys", "/v1/accounts", "/v1/webhooks")
"""Their answers hold a secret that is shown once and not kept."""


class Repeats:
    """Answers a repeated POST as it was answered first."""

    def __init__(self, app: ASGIApp, *, book: Book) -> None:
        self.app = app
        self.book = book
        self._working: set[tuple[str, str]] = set()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        key = None
        if scope["type"] == "http" and scope["method"] == "POST":
            key = Headers(scope=scope).get(HEADER)
        if key is None or not scope["path"].startswith(("/v1/", *_FORMS)):
            await self.app(scope, receive, send)
            return
        answer = _unfit(key) or _secret(scope["path"])
        if answer is not None:
            await respond(answer)(scope, receive, send)
            return
        if "return=minimal" in Headers(scope=scope).get("prefer", ""):
            send = _told_where(send)
        who = principal_of(scope)
        place = (f"{who.kind}:{who.id or ''}", key.strip())
        if place in self._working:
            step = "Wait for its answer, then ask again."
            await respond(_said("in-flight", "The first request is still worked on.", step))(
                scope, receive, send
            )
            return
        self._working.add(place)
        try:
            await self._once(place, scope, receive, send)
        finally:
            self._working.discard(place)

    async def _once(
        self, place: tuple[str, str], scope: Scope, receive: Receive, send: Send
    ) -> None:
        body = bytearray()
        more = True
        while more:
            message = await receive()
            if message["type"] == "http.disconnect":
                return
            body += message.get("body", b"")
            more = message.get("more_body", False)
        told = f"{scope['method']} {scope['path']}?{scope['query_string'].decode('latin-1')}\n"
        digest = hashlib.sha256(told.encode() + _unbound(scope, bytes(body))).hexdigest()
        known = repeats.kept(self.book.reader, *place)
        if known is not None:
            await _again(known, digest)(scope, receive, send)
            return
        ticket = Ticket(*place, digest)
        taken = _Taken(send)
        given = iter([{"type": "http.request", "body": bytes(body), "more_body": False}])

        async def whole() -> Message:
            message = next(given, None)
            return await receive() if message is None else message

        with under(ticket):
            await self.app(scope, whole, taken)
        if ticket.took_effect or 200 <= taken.status < 300:
            await run_in_threadpool(self._keep, ticket, taken)
        await taken.go()

    def _keep(self, ticket: Ticket, taken: _Taken) -> None:
        with self.book.change(ticket.owner) as change:
            repeats.keep(
                change.sql,
                ticket,
                taken.status,
                {k: v for k, v in taken.headers.items() if k in _GIVEN_AGAIN},
                taken.body.decode("utf-8", "replace"),
                change.at,
                stamp(self.book.clock() - timedelta(days=KEPT_DAYS)),
            )


def _unbound(scope: Scope, body: bytes) -> bytes:
    """Return a body as it is compared: a browser draws a new boundary each time it sends a form."""
    kind, given = parse_options_header(Headers(scope=scope).get("content-type"))
    boundary = given.get(b"boundary", b"")
    return body.replace(boundary, b"") if kind == b"multipart/form-data" and boundary else body


class _Taken:
    """Holds an answer back until it is kept."""

    def __init__(self, send: Send) -> None:
        self._send = send
        self._messages: list[Message] = []

    async def __call__(self, message: Message) -> None:
        self._messages.append(message)

    @property
    def status(self) -> int:
        return int(self._messages[0]["status"]) if self._messages else 500

    @property
    def headers(self) -> Headers:
        return Headers(raw=self._messages[0]["headers"] if self._messages else [])

    @property
    def body(self) -> bytes:
        return b"".join(m.get("body", b"") for m in self._messages)

    async def go(self) -> None:
        for message in self._messages:
            await self._send(message)


def _told_where(send: Send) -> Send:
    """Say where to go on in place of sending there: a script that follows loses the fragment.

    ``Prefer: return=minimal`` asks for it (RFC 7240, memory).
    """

    async def told(message: Message) -> None:
        if message["type"] == "http.response.start" and message["status"] == 303:
            message = {**message, "status": 204}
            out = MutableHeaders(scope=message)
            del out["content-length"]
            out["Preference-Applied"] = "return=minimal"
        await send(message)

    return told


def repeatable(document: dict[str, Any]) -> None:
    """Write the header into the OpenAPI document, at every address that takes it."""
    for path, item in document["paths"].items():
        if "post" not in item or not path.startswith("/v1/") or path.startswith(_NEVER_KEPT):
            continue
        item["post"].setdefault("parameters", []).append(
            {
                "name": "Idempotency-Key",
                "in": "header",
                "required": False,
                "schema": {"type": "string", "minLength": 1, "maxLength": _LONGEST},
                "description": "The same key and body get the same answer and no second effect, "
                f"for {KEPT_DAYS} days and across restarts.",
            }
        )


def _again(known: KeptAnswer, digest: str) -> Response:
    if known.request_sha256 != digest:
        step = "Make a new key for another request; repeat the first one as it was."
        return respond(_said("key-reused", "The key belongs to another request.", step))
    if known.status == 0:
        step = "Read what you changed; do not send it again under another key."
        detail = "The request took effect; fluebook ended before it could answer."
        return respond(_said("done-before", detail, step), {REPLAYED: "true"})
    return Response(
        known.body.encode(),
        status_code=known.status,
        headers={**known.headers, REPLAYED: "true"},
    )


def _unfit(key: str) -> ProblemError | None:
    if 0 < len(key.strip()) <= _LONGEST and key.isascii() and key.isprintable():
        return None
    item = ErrorItem(
        message="not a key",
        parameter="Idempotency-Key",
        raw=key[:100],
        expected=f"1 to {_LONGEST} printable ASCII characters, such as a UUID",
        next_step="Make a key for each request and keep it for its repeats.",
    )
    return ProblemError("not-valid", "The Idempotency-Key cannot be used.", [item])


def _secret(path: str) -> ProblemError | None:
    if not path.startswith(_NEVER_KEPT):
        return None
    step = "Leave the header out here."
    return _said("not-repeatable", "An answer with a secret is never kept to be given again.", step)


def _said(slug: str, detail: str, step: str) -> ProblemError:
    item = ErrorItem(message=detail, parameter="Idempotency-Key", next_step=step)
    return ProblemError(slug, detail, [item])
