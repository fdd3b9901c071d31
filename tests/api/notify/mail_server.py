"""A real SMTP server on asyncio in a thread: enough of RFC 5321 and 3207 for a client to try."""

from __future__ import annotations

import asyncio
import base64
import ssl
import threading
from dataclasses import dataclass, field
from types import TracebackType


@dataclass
class Taken:
    """One mail as it came over the line."""

    sender: str
    recipients: list[str]
    data: bytes
    secure: bool
    user: str | None


@dataclass
class MailServer:
    """``with MailServer() as server``: listens on ``server.port`` of 127.0.0.1.

    ``refuse`` answers the n-th MAIL command with its text; ``tls`` offers STARTTLS.
    """

    refuse: list[str] = field(default_factory=list)
    tls: ssl.SSLContext | None = None
    password: tuple[str, str] | None = None
    mails: list[Taken] = field(default_factory=list)
    commands: list[str] = field(default_factory=list)
    port: int = 0

    def __enter__(self) -> MailServer:
        self._ready = threading.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._serve()))
        self._thread.start()
        assert self._ready.wait(10)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        at: TracebackType | None,
    ) -> None:
        self._loop.call_soon_threadsafe(self._end.set)
        self._thread.join(10)

    async def _serve(self) -> None:
        self._loop, self._end = asyncio.get_running_loop(), asyncio.Event()
        server = await asyncio.start_server(self._client, "127.0.0.1", 0)
        self.port = server.sockets[0].getsockname()[1]
        self._ready.set()
        await self._end.wait()
        server.close()

    async def _client(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            await self._talk(reader, writer)
        except (ConnectionError, asyncio.IncompleteReadError):
            pass
        finally:
            writer.close()

    async def _talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        sender, recipients, secure, user = "", list[str](), False, None

        async def say(text: str) -> None:
            writer.write(text.encode() + b"\r\n")
            await writer.drain()

        await say("220 mail.example ESMTP")
        while line := (await reader.readline()).decode().rstrip("\r\n"):
            self.commands.append(line)
            verb = line.split(" ")[0].upper()
            if verb == "EHLO":
                offers = ["mail.example", *(["STARTTLS"] if self.tls and not secure else [])]
                offers += ["AUTH PLAIN"] if self.password and secure else []
                for offer in offers[:-1]:
                    await say(f"250-{offer}")
                await say(f"250 {offers[-1]}")
            elif verb == "STARTTLS" and self.tls:
                await say("220 go on")
                await writer.start_tls(self.tls)
                secure = True
            elif verb == "AUTH":
                _, name, word = base64.b64decode(line.split(" ")[2]).decode().split("\0")
                if (name, word) == self.password:
                    user = name
                    await say("235 welcome")
                else:
                    await say("535 wrong: " + word)
            elif verb == "MAIL":
                if self.refuse:
                    await say(self.refuse.pop(0))
                else:
                    sender, recipients = line.partition(":")[2].split(" ")[0], []
                    await say("250 ok")
            elif verb == "RCPT":
                recipients.append(line.partition(":")[2])
                await say("250 ok")
            elif verb == "DATA":
                await say("354 go on")
                data = b""
                while (piece := await reader.readline()) != b".\r\n":
                    data += piece[1:] if piece.startswith(b"..") else piece
                self.mails.append(Taken(sender, recipients, data, secure, user))
                await say("250 taken")
            elif verb == "QUIT":
                await say("221 bye")
                return
            else:
                await say("250 ok")
