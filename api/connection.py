"""What a connection may cost before there is a request, and after it was answered.

The server's own protocol bounds neither the head of a request nor the time it takes, nor how long
an answer waits for somebody who does not read it. Whoever opens connections and says nothing, or
one letter at a time, would otherwise hold them for good.
"""

from __future__ import annotations

import asyncio
from typing import Any

from uvicorn.protocols.http.httptools_impl import STATUS_LINE, HttpToolsProtocol

from api.headers import HEADERS
from api.problems import MEDIA_TYPE, ProblemError

HEAD_MOST = 64 * 1024
"""Bytes of a request's line and headers, and of what a body carries beside its bytes."""
_HEADERS_MOST = 500
HEAD_S = 30.0
"""Seconds for a head, from the first byte or the opening of the connection on."""
UNREAD_S = 60.0
"""Seconds for an answer's next part to be read."""
LEFT_MOST = 4 * 1024 * 1024
"""Bytes of a body that are still taken, and thrown away, after its request was answered."""
WAITING_MOST = 2000
"""Connections that wait for a head; beyond, the one that waited longest is closed."""


class HeadTooLarge(Exception):
    """The head grew beyond the limit while it was being read."""


class TwoHosts(Exception):
    """A request for two hosts at once is none (RFC 9112, 3.2, memory)."""


class Connection(HttpToolsProtocol):
    """One connection, with a limit on everything that is not a body."""

    def __init__(self, *given: Any, **named: Any) -> None:
        super().__init__(*given, **named)
        waiting = getattr(self.server_state, "fluebook_waiting", None)
        if waiting is None:
            waiting = self.server_state.fluebook_waiting = {}  # type: ignore[attr-defined]
        # Kept in the order in which they came: a set has none.
        self._waiting: dict[Connection, None] = waiting
        self._overdue: asyncio.TimerHandle | None = None
        self._unread: asyncio.TimerHandle | None = None
        self._beside = self._left = 0

    # What waits for a head

    def _wait(self) -> None:
        if self._overdue is not None:
            return
        self._overdue = self.loop.call_later(HEAD_S, self._too_late)
        self._waiting[self] = None
        if len(self._waiting) > WAITING_MOST:
            next(iter(self._waiting))._too_late()

    def _wait_no_longer(self) -> None:
        if self._overdue is not None:
            self._overdue.cancel()
            self._overdue = None
            self._waiting.pop(self, None)

    def _too_late(self) -> None:
        self._wait_no_longer()
        self.transport.close()

    # Events of the transport

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to wait for a head."""
        super().connection_made(transport)
        self._wait()

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget what was waited for."""
        self._wait_no_longer()
        self.resume_writing()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Take bytes; those that are no body are counted."""
        self._beside += len(data)
        super().data_received(data)
        if self.transport.is_closing():
            return
        if self._beside > HEAD_MOST:
            self._refuse_head()
        elif self.cycle is None or self.cycle.response_complete:
            self._wait()

    def pause_writing(self) -> None:
        """Wait for the other side to read, but not for ever."""
        if self._unread is None:
            self._unread = self.loop.call_later(UNREAD_S, self.transport.abort)
        super().pause_writing()

    def resume_writing(self) -> None:
        """Go on: the other side reads."""
        if self._unread is not None:
            self._unread.cancel()
            self._unread = None
        super().resume_writing()

    # Events of the parser

    def on_header(self, name: bytes, value: bytes) -> None:
        """Take a header, or a trailer of a body in chunks."""
        super().on_header(name, value)
        if len(self.headers) > _HEADERS_MOST:
            raise HeadTooLarge

    def on_headers_complete(self) -> None:
        """Hand the request on."""
        size, hosts = len(self.url), 0
        for name, value in self.headers:
            size += len(name) + len(value) + 4
            hosts += name == b"host"
        if size > HEAD_MOST:
            self._beside = max(self._beside, size)
            raise HeadTooLarge
        if hosts > 1:
            raise TwoHosts
        self._wait_no_longer()
        self._beside = self._left = 0
        super().on_headers_complete()

    def on_body(self, body: bytes) -> None:
        """Take a part of a body; what comes after the answer is read by nobody."""
        self._beside = 0
        super().on_body(body)
        if self.cycle is not None and self.cycle.response_complete:
            self._left += len(body)
            if self._left > LEFT_MOST:
                self.transport.close()

    def on_message_complete(self) -> None:
        """Take note that the request is whole."""
        self._beside = 0
        super().on_message_complete()

    # Refusals

    def send_400_response(self, msg: str) -> None:
        """Refuse what is no request, or has too large a head."""
        if self._beside > HEAD_MOST or len(self.headers or ()) > _HEADERS_MOST:
            self._refuse_head()
        else:
            self._refuse("bad-request", msg)

    def _refuse_head(self) -> None:
        self._refuse("head-too-large", f"The head is larger than {HEAD_MOST} bytes.")

    def _refuse(self, slug: str, detail: str) -> None:
        """Answer, where no answer has begun, and close."""
        cycle = self.cycle
        if cycle is not None and cycle.response_started and not cycle.response_complete:
            self.transport.abort()
            return
        problem = ProblemError(slug, detail).details
        body = problem.model_dump_json(exclude_none=True).encode()
        headers = {
            **HEADERS,
            "Content-Type": MEDIA_TYPE,
            "Content-Length": str(len(body)),
            "Connection": "close",
        }
        lines = "".join(f"{name}: {value}\r\n" for name, value in headers.items())
        self.transport.write(STATUS_LINE[problem.status] + lines.encode() + b"\r\n" + body)
        self.transport.close()
