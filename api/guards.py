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

from api.accounts.tries import place_of
from api.body_sizes import AT_ONCE, AT_ONCE_OF_ALL, Room, parts_of, room_at
from api.form_refusals import problem_of_packing
from api.headers import HEADERS
from api.on_a_page import say_on_a_page, wants_page
from api.problems import ProblemError, problem_of_status, respond

SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
"""Methods that change nothing here (RFC 9110, 9.2.1, memory)."""
SLOW = "The body came too slowly; nothing was stored."
_AGAIN_S = 10
MUCH = "Other bodies of yours are still on their way or worked on; nothing was stored."


def _large(most: int) -> str:
    return f"The body is larger than {most} bytes; nothing was stored."


def _many(most: int) -> str:
    return f"The body holds more than {most} values; nothing was stored."


class TooSlow(HTTPException):
    """The body stopped coming, or took too long as a whole.

    An HTTPException, as the framework answers any other one with 400 while it reads a body.
    """

    def __init__(self) -> None:
        super().__init__(408, SLOW)


class TooManyBytes(HTTPException):
    """The body grew beyond the limit while it was being received."""

    def __init__(self, detail: str) -> None:
        super().__init__(413, detail)


class TooMuchAtOnce(HTTPException):
    """Together with the others that are on their way the body would hold too much."""

    def __init__(self) -> None:
        super().__init__(429, MUCH, {"Retry-After": str(_AGAIN_S)})


class _Held:
    """Bytes of bodies that are held at this moment, by the address they came from."""

    def __init__(self, largest: int) -> None:
        self._largest = largest
        self._all = 0
        self._of: dict[str, int] = {}

    def take(self, sender: str, size: int) -> None:
        if not size:
            return
        there = self._of.get(sender, 0)
        beyond = self._all + size > AT_ONCE_OF_ALL * self._largest
        if beyond or there + size > AT_ONCE * self._largest:
            raise TooMuchAtOnce
        self._all += size
        self._of[sender] = there + size

    def give_back(self, sender: str, size: int) -> None:
        if size:
            self._all -= size
            self._of[sender] -= size
            if not self._of[sender]:
                del self._of[sender]


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
        self._held = _Held(max_body)
        self.hosts = frozenset(h.casefold() for h in hosts)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        room = room_at(scope["method"], scope["path"], self.max_body)
        longest = min(self.longest, self.pause) if room.open else self.longest
        refused = self._refused(scope, headers, room)
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
            if refused.details.status == 413 and wants_page(scope):
                say_on_a_page(scope, refused)
                await self.app(scope, receive, guarded_send)
                return
            await respond(refused)(scope, receive, guarded_send)
            return
        received = parts = held = 0
        sender = place_of((scope.get("client") or ("",))[0])
        whole = False
        begun = time.monotonic()

        async def counted_receive() -> Message:
            nonlocal received, parts, held, whole
            if whole:  # from here on it only tells that the other side has gone
                return await receive()
            left = min(self.pause, begun + longest - time.monotonic())
            try:
                async with asyncio.timeout(max(0.0, left)):
                    message = await receive()
            except TimeoutError:
                raise TooSlow from None
            piece = message.get("body", b"")
            received += len(piece)
            if received > room.bytes:
                raise TooManyBytes(_large(room.bytes))
            if room.parts is not None:
                parts += parts_of(piece)
                if parts > room.parts:
                    raise TooManyBytes(_many(room.parts))
            self._held.take(sender, len(piece))
            held += len(piece)
            whole = not message.get("more_body", False)
            return message

        try:
            await self.app(scope, counted_receive, guarded_send)
        except (TooManyBytes, TooSlow, TooMuchAtOnce) as error:
            if not started:
                problem = problem_of_status(error.status_code, error.detail)
                # What is still on its way is not waited for.
                answer = respond(problem, {**(error.headers or {}), "Connection": "close"})
                await answer(scope, receive, guarded_send)
        finally:
            self._held.give_back(sender, held)

    def _refused(self, scope: Scope, headers: Headers, room: Room) -> ProblemError | None:
        # A page elsewhere can point its own name at this machine, but not change what it is called.
        name = re.sub(r":\d+$", "", headers.get("host", "")).casefold()
        if self.hosts and name not in self.hosts:
            return ProblemError("not-this-host", f"{name or 'No name'} is not a name of this book.")
        length = headers.get("content-length", "")
        if length.isdigit() and int(length) > room.bytes:
            return ProblemError("too-large", _large(room.bytes))
        coding = headers.get("content-encoding", "").strip().casefold()
        if coding not in ("", "identity") and scope["method"] not in (*SAFE_METHODS, "DELETE"):
            return problem_of_packing(coding)
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
