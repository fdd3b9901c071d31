"""What stands before every route: security headers, the origin of forms, the size of bodies.

Written as plain ASGI: a middleware class of the framework would copy every streamed body.
"""

from __future__ import annotations

import asyncio
import re
import time

from fastapi import HTTPException
from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.headers import HEADERS
from api.permissions import permissions_at
from api.problems import ProblemError, respond

SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
"""Methods that change nothing here (RFC 9110, 9.2.1, memory)."""
OPEN_BODY = 16 * 1024
"""Bytes of a body where nobody has to be known: a name, a password and where to go on."""


_SLOW = "The body came too slowly; nothing was stored."


def _large(most: int) -> str:
    return f"The body is larger than {most} bytes; nothing was stored."


class TooSlow(HTTPException):
    """The body stopped coming, or took too long as a whole.

    An HTTPException, as the framework answers any other one with 400 while it reads a body.
    """

    def __init__(self) -> None:
        super().__init__(408, _SLOW)


class TooManyBytes(HTTPException):
    """The body grew beyond the limit while it was being received."""

    def __init__(self, most: int) -> None:
        super().__init__(413, _large(most))


class Guards:
    """Refuses bodies that are too large and forms from elsewhere; adds the security headers."""

    def __init__(
        self,
        app: ASGIApp,
        *,
        max_body: int,
        hosts: tuple[str, ...] = (),
        pause: float = 30.0,
        longest: float = 900.0,
    ) -> None:
        self.app = app
        self.pause = pause
        self.longest = longest
        self.max_body = max_body
        self.hosts = frozenset(h.casefold() for h in hosts)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        most, longest = self.max_body, self.longest
        if _open_to_anyone(scope):
            most, longest = min(most, OPEN_BODY), min(longest, self.pause)
        refused = self._refused(scope, headers, most)
        started = False

        async def guarded_send(message: Message) -> None:
            nonlocal started
            if message["type"] == "http.response.start":
                started = True
                out = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    out.setdefault(name, value)
            await send(message)

        if refused is not None:
            await respond(refused)(scope, receive, guarded_send)
            return
        received = 0

        whole = False
        begun = time.monotonic()

        async def counted_receive() -> Message:
            nonlocal received, whole
            if whole:  # from here on it only tells that the other side has gone
                return await receive()
            left = min(self.pause, begun + longest - time.monotonic())
            try:
                async with asyncio.timeout(max(0.0, left)):
                    message = await receive()
            except TimeoutError:
                raise TooSlow from None
            received += len(message.get("body", b""))
            if received > most:
                raise TooManyBytes(most)
            whole = not message.get("more_body", False)
            return message

        try:
            await self.app(scope, counted_receive, guarded_send)
        except (TooManyBytes, TooSlow) as error:
            if not started:
                slow = isinstance(error, TooSlow)
                problem = ProblemError("too-slow", _SLOW) if slow else _too_large(most)
                # What is still on its way is not waited for.
                answer = respond(problem, {"Connection": "close"})
                await answer(scope, receive, guarded_send)

    def _refused(self, scope: Scope, headers: Headers, most: int) -> ProblemError | None:
        # A page elsewhere can point its own name at this machine, but not change what it is called.
        name = re.sub(r":\d+$", "", headers.get("host", "")).casefold()
        if self.hosts and name not in self.hosts:
            return ProblemError("not-this-host", f"{name or 'No name'} is not a name of this book.")
        length = headers.get("content-length", "")
        if length.isdigit() and int(length) > most:
            return _too_large(most)
        # Pages carry forms without a token: the browser itself says where a form was sent from.
        if scope["method"] not in SAFE_METHODS:
            site = headers.get("sec-fetch-site", "same-origin")
            origin, host = headers.get("origin"), headers.get("host", "")
            elsewhere = origin is not None and origin.partition("://")[2] != host
            if site not in ("same-origin", "none") or elsewhere:
                return ProblemError(
                    "not-from-here", "The request was made by a page of another site."
                )
        return None


def _too_large(most: int) -> ProblemError:
    return ProblemError("too-large", _large(most))


def _open_to_anyone(scope: Scope) -> bool:
    """Return whether a body comes to an address where nobody has to be known."""
    if scope["method"] in SAFE_METHODS:
        return False
    permission = permissions_at(scope["path"]).get(scope["method"])
    return permission is not None and permission.anyone
