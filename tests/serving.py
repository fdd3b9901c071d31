"""A real server over an application, in a thread of its own, and bare lines to it."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any
from urllib.parse import urlsplit

from api.serve import LOOPBACK, address_of, open_socket, server_over


@contextmanager
def serving(app: Any, port: int = 0) -> Iterator[str]:
    """Yield the address of a server, without a slash at its end; port 0 takes a free one.

    At the end connections that are kept open are not waited for.
    """
    with open_socket(LOOPBACK, port) as listening:
        server = server_over(app)
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


def linked(address: str) -> socket.socket:
    """Return an open connection to a server, over which nothing was said yet."""
    parts = urlsplit(address)
    assert parts.hostname is not None and parts.port is not None
    return socket.create_connection((parts.hostname, parts.port), timeout=20)


def head(address: str, line: str, *headers: str) -> bytes:
    """Return the head of a request: its line without the version, its host, and more headers."""
    lines = [line + " HTTP/1.1", f"Host: {urlsplit(address).netloc}", *headers]
    return ("\r\n".join(lines) + "\r\n\r\n").encode()
