"""A small HTTP client for measuring: many kept-alive connections, one process, little of its own.

It waits with epoll over plain sockets, so that what it takes from the machine is small beside what
the servers take.
"""

from __future__ import annotations

import selectors
import socket
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from time import perf_counter


@dataclass(slots=True)
class Load:
    """What came of a load: seconds of each request, sorted, and of all together."""

    elapsed: float
    each: list[float]
    first: bytes

    @property
    def rate(self) -> float:
        """Return requests per second."""
        return len(self.each) / self.elapsed

    def share(self, part: float) -> float:
        """Return the seconds within which this part of the requests was answered."""
        return self.each[min(len(self.each) - 1, int(part * len(self.each)))]


@dataclass(slots=True)
class _Line:
    sock: socket.socket
    sent_at: float = 0.0
    wanted: int = -1
    got: bytearray = field(default_factory=bytearray)


def request(method: str, path: str, body: bytes = b"") -> bytes:
    """Return a request as it goes over the wire."""
    head = f"{method} {path} HTTP/1.1\r\nHost: 127.0.0.1\r\nAccept: application/json\r\n"
    if body:
        head += f"Content-Type: application/json\r\nContent-Length: {len(body)}\r\n"
    return head.encode() + b"\r\n" + body


def _whole(line: _Line) -> bytes | None:
    """Return the answer once all of it is there."""
    if line.wanted < 0:
        end = line.got.find(b"\r\n\r\n")
        if end < 0:
            return None
        head = bytes(line.got[:end]).lower()
        at = head.find(b"content-length:")
        if at < 0:
            raise RuntimeError(f"an answer without its length: {head!r}")
        length = int(head[at + 15 :].split(b"\r\n", 1)[0])
        line.wanted = end + 4 + length
    return bytes(line.got) if len(line.got) >= line.wanted else None


def _some(line: _Line) -> bytes:
    chunk = line.sock.recv(1 << 18)
    if not chunk:
        raise RuntimeError("the server closed a connection")
    return chunk


def _expect(answer: bytes, status: bytes) -> None:
    if not answer.startswith(status):
        raise RuntimeError(answer[:2000].decode(errors="replace"))


def load(ports: Sequence[int], requests: Sequence[bytes], connections: int, expected: int) -> Load:
    """Send all requests over so many connections, dealt out to the ports, and wait for answers.

    The first request on each connection counts for nothing: an event loop may accept one new
    connection at a time and serve all others in between, so that the last of many connections waits
    long for its first answer, with any application. Clients keep their connections.

    Raises
    ------
    RuntimeError
        If an answer has another status than expected.
    """
    waiting: Iterator[bytes] = iter(requests)
    status = f"HTTP/1.1 {expected} ".encode()
    each: list[float] = []
    first = b""
    with selectors.DefaultSelector() as selector:
        lines = []
        for n in range(connections):
            sock = socket.create_connection(("127.0.0.1", ports[n % len(ports)]))
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            lines.append(_Line(sock))
            selector.register(sock, selectors.EVENT_READ, lines[-1])
        for line in lines:
            if _next(line, waiting):
                while (answer := _whole(line)) is None:
                    line.got += _some(line)
                _expect(answer, status)
        started = perf_counter()
        open_lines = 0
        for line in lines:
            open_lines += _next(line, waiting)
        while open_lines:
            for key, _ in selector.select():
                line = key.data
                line.got += _some(line)
                answer = _whole(line)
                if answer is None:
                    continue
                each.append(perf_counter() - line.sent_at)
                _expect(answer, status)
                first = first or answer
                open_lines -= 1
                open_lines += _next(line, waiting)
        elapsed = perf_counter() - started
        for line in lines:
            line.sock.close()
    return Load(elapsed, sorted(each), first)


def _next(line: _Line, waiting: Iterator[bytes]) -> int:
    message = next(waiting, None)
    if message is None:
        return 0
    line.got.clear()
    line.wanted = -1
    line.sent_at = perf_counter()
    line.sock.sendall(message)
    return 1
