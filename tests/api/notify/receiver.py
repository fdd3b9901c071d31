"""A real receiver of webhooks: an HTTP server in a thread that keeps what it was sent."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from types import TracebackType
from typing import Any

from standardwebhooks import Webhook


@dataclass
class Received:
    """One request as it came."""

    path: str
    headers: dict[str, str]
    body: bytes

    @property
    def message_id(self) -> str:
        return self.headers["webhook-id"]

    def verified(self, secret: str) -> Any:
        """Return the body as the reference library gives it after verifying; raise if forged."""
        return Webhook(secret).verify(self.body, self.headers)


@dataclass
class Receiver:
    """``with Receiver() as there``: answers with ``answers`` in turn, then with 204."""

    answers: list[int] = field(default_factory=list)
    hang_s: float = 0.0
    drip: Callable[[Any], None] | None = None
    seen: list[Received] = field(default_factory=list)
    port: int = 0

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}/hook"

    def __enter__(self) -> Receiver:
        there = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["content-length"]))
                headers = {k.lower(): v for k, v in self.headers.items()}
                there.seen.append(Received(self.path, headers, body))
                time.sleep(there.hang_s)
                try:
                    if there.drip is not None:
                        there.drip(self)
                        return
                    status = there.answers.pop(0) if there.answers else 204
                    self.send_response(status)
                    if 300 <= status < 400:
                        self.send_header("location", f"http://127.0.0.1:{there.port}/elsewhere")
                    self.send_header("content-length", "0")
                    self.end_headers()
                except OSError:
                    pass  # the sender did not wait

            def do_GET(self) -> None:
                raise AssertionError("a redirect was followed")

            def log_message(self, format: str, *args: Any) -> None:
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self.port = self._server.server_address[1]
        self._thread = threading.Thread(
            target=self._server.serve_forever, kwargs={"poll_interval": 0.05}
        )
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        at: TracebackType | None,
    ) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(10)
