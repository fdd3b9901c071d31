"""A real server over an application, in a thread of its own."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import uvicorn

from api.connection import Connection
from api.serve import LOOPBACK, address_of, open_socket


@contextmanager
def serving(app: Any, port: int = 0) -> Iterator[str]:
    """Yield the address of a server, without a slash at its end; port 0 takes a free one.

    At the end connections that are kept open are not waited for.
    """
    with open_socket(LOOPBACK, port) as listening:
        config = uvicorn.Config(app, http=Connection, ws="none", log_level="critical")
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
        thread.start()
        try:
            while not server.started:
                assert thread.is_alive(), "the server did not start"
                thread.join(0.01)
            yield address_of(listening).rstrip("/")
        finally:
            server.should_exit = server.force_exit = True
            thread.join(20)
