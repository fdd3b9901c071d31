"""Pages that are given again as long as the book answers what it answered when they were made.

A page of ``KEPT`` is made of four things: the address, who reads it and how (person with role and
reach, language, units), the day, and the rows that it read from the book. The first three are its
key. Of the rows it is known which statements asked for them: where nothing at all was changed
since (one number tells), or all statements still give the same rows, the page is the same and is
sent as it was, compressed. A page whose making changed the book, or asked for the moment, is never
kept, nor is one that sets a cookie.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers
from starlette.requests import cookie_parser
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.doorkeeper import PRINCIPAL
from api.pages.render import UNITS_COOKIE
from api.permissions import permissions_at
from api.words import words
from ingest.store import Book
from ingest.store.held import Held
from ingest.store.seen import Seen, watching

KEPT = frozenset(
    {
        "/",
        "/visits/{visit_id}",
        "/boilers",
        "/boilers/{boiler_id}",
        "/boilers/{boiler_id}/limits",
        "/limits",
        "/fleet",
        "/accept-together",
        "/duty",
        "/audit",
        "/plans",
        "/maps",
        "/help",
        "/help/quantities/{key}",
        "/help/rules/{key}",
    }
)
"""Addresses of pages that are made of nothing but key and rows; whoever adds one, see to that."""
_MOST = 512
_LARGEST = 128 * 1024
_QUERY_MOST = 500


@dataclass(slots=True)
class _Page:
    """A page as it was sent, the statements behind it, and when they last held."""

    mark: int
    seen: Seen
    messages: list[Message] = field(default_factory=list)
    size: int = 0


class KeptPages:
    """Stands before the pages and after whoever says who reads, and in which language."""

    def __init__(self, app: ASGIApp, *, book: Book) -> None:
        self.app = app
        self._book = book
        self._pages: Held[_Page] = Held(_MOST)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request."""
        key = self._key(scope)
        if key is None:
            await self.app(scope, receive, send)
            return
        # Before the rows are read: what changes after it is looked at with the next request.
        mark = self._book.mark()
        kept = self._pages.get(key)
        if kept is not None and (
            kept.mark == mark or await run_in_threadpool(self._holds, kept.seen)
        ):
            kept.mark = mark
            for message in kept.messages:
                await send(_copied(message))
            return
        with watching() as seen:
            made = _Page(mark, seen)

            async def listened(message: Message) -> None:
                if made.size <= _LARGEST:
                    made.messages.append(_copied(message))
                    made.size += len(message.get("body", b""))
                await send(message)

            await self.app(scope, receive, listened)
        if not seen.spoilt and made.size <= _LARGEST and _whole(made.messages):
            self._pages.put(key, made)

    def _holds(self, seen: Seen) -> bool:
        return seen.still(self._book.reader)

    def _key(self, scope: Scope) -> tuple[Any, ...] | None:
        if scope["type"] != "http" or scope["method"] != "GET":
            return None
        permission = permissions_at(scope["path"]).get("GET")
        query = scope.get("query_string", b"")
        if permission is None or permission.path not in KEPT or len(query) > _QUERY_MOST:
            return None
        headers = Headers(scope=scope)
        spoken = words()
        return (
            scope["path"],
            query,
            scope.get(PRINCIPAL),
            spoken.language,
            str(spoken.locale),
            cookie_parser(headers.get("cookie", "")).get(UNITS_COOKIE),
            "gzip" in headers.get("accept-encoding", ""),
            self._book.today(),
        )


def _copied(message: Message) -> Message:
    """Return a message with headers of its own: whoever stands outside adds some to each answer."""
    return {**message, "headers": [*message["headers"]]} if "headers" in message else {**message}


def _whole(messages: list[Message]) -> bool:
    """Return whether a page was sent to its end, and is one that anybody with its key may get."""
    if not messages:
        return False
    start, last = messages[0], messages[-1]
    names = {name.lower() for name, _ in start.get("headers", ())}
    return (
        start.get("status") == 200
        and b"set-cookie" not in names
        and last["type"] == "http.response.body"
        and not last.get("more_body", False)
    )
