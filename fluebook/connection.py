"""The line to one server: every call is tried again until an answer comes.

Errors:

    Refused       the server understood and said no; carries its problem details
    Unreachable   no answer after all tries; what became of the last is unknown, a repeat is safe
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from datetime import datetime
from email.utils import parsedate_to_datetime
from ipaddress import ip_address
from types import TracebackType
from typing import Any, Self

import httpx

JsonObject = dict[str, Any]

_PARTIAL = 206
_ERRORS = 400
_AGAIN = frozenset({429, 502, 503, 504})
_PORTS = 65535
_FIRST_WAIT_S = 0.5
_LONGEST_WAIT_S = 30.0
_LONGEST_ASKED_S = 60.0
"""Of ``Retry-After``: a server that asks for more is tried all the same."""


class Unreachable(Exception):
    """No answer came; making the same call again is safe."""


class Refused(Exception):
    """The server refused; nothing was changed.

    Attributes
    ----------
    status : int
        HTTP status: 404 unknown, 409 not in this state, 412 changed meanwhile, 422 not usable.
    problem : dict
        The problem details (RFC 9457); ``errors`` names each place, what was expected there and
        what to do.
    """

    def __init__(self, status: int, problem: JsonObject) -> None:
        self.status = status
        self.problem = problem
        super().__init__(f"{status} {problem.get('title', '')}: {problem.get('detail', '')}")


class Connection:
    """A connection to one fluebook server.

    Parameters
    ----------
    address : str
        Such as ``https://fluebook.example``.
    who : str
        The person or program named in the audit trail.
    key : str or None
        The program's key, as an administrator was shown it; none where nobody signs in. Blanks
        and line ends around it, as out of a file, are left out.
    tries : int
        How often a call is made before it counts as unreachable.
    timeout : float [s]
        Of one try.
    http : httpx.Client, optional
        With its own settings; closed by whoever made it.
    wait : callable
        Sleeps; replaced in tests.

    Raises
    ------
    ValueError
        If the address or the key can be none; the key is not told.
    """

    def __init__(
        self,
        address: str,
        who: str,
        *,
        key: str | None = None,
        tries: int = 6,
        timeout: float = 20.0,
        http: httpx.Client | None = None,
        wait: Callable[[float], None] = time.sleep,
    ) -> None:
        self._address = _checked_address(address)
        self._who = who
        self._key = _checked_key(key)
        self._tries = tries
        self._own = http is None
        self._http = http or httpx.Client(timeout=timeout)
        self._wait = wait
        self._random = random.Random()
        self._said_now: str | None = None

    def _call(self, method: str, path: str, **given: Any) -> JsonObject:
        return self._answered(method, path, **given)[0]

    def _answered(self, method: str, path: str, **given: Any) -> tuple[JsonObject, httpx.Response]:
        headers = {**self._headers(), **given.pop("headers", {})}
        last, asked = "no try was made", None
        for number in range(self._tries):
            if number:
                self._pause(number, asked)
            try:
                response = self._http.request(method, self._at(path), headers=headers, **given)
            except httpx.TransportError as error:
                last, asked = f"{type(error).__name__}: {error}", None
                continue
            if response.status_code in _AGAIN:
                last = f"the server answered {response.status_code}"
                asked = response.headers.get("retry-after")
                continue
            self._said_now = response.headers.get("date")
            return _answer(response), response
        raise Unreachable(f"{method} {path}: {last}, after {self._tries} tries")

    def _bytes(self, path: str, most: int) -> bytes:
        """Return the bytes of an answer, going on where the line broke off.

        Raises
        ------
        Unreachable
            If so many tries one after the other brought nothing.
        Refused
            If the server said no, or there are more bytes than ``most``.
        """
        found = bytearray()
        last, left = "no try was made", self._tries
        while left:
            before, asked = len(found), None
            headers = self._headers() | ({"range": f"bytes={before}-"} if before else {})
            try:
                with self._http.stream("GET", self._at(path), headers=headers) as response:
                    if response.status_code not in _AGAIN:
                        _take_bytes(response, found, most)
                        return bytes(found)
                    last = f"the server answered {response.status_code}"
                    asked = response.headers.get("retry-after")
            except httpx.TransportError as error:
                last = f"{type(error).__name__}: {error}"
            left = self._tries if len(found) > before else left - 1
            if left:
                self._pause(self._tries - left + 1, asked)
        raise Unreachable(f"GET {path}: {last}, after {self._tries} tries")

    def _pause(self, number: int, asked: str | None = None) -> None:
        """Wait before the try of that number, as long as the server asked where it did."""
        longest = min(_LONGEST_WAIT_S, _FIRST_WAIT_S * 2 ** (number - 1))
        # Full jitter: a crowd of tablets that lost one access point comes back spread out.
        wait = self._random.uniform(0.0, longest)
        if asked is not None and asked.isdecimal():
            wait += min(_LONGEST_ASKED_S, float(asked))
        self._wait(wait)

    def _headers(self) -> dict[str, Any]:
        headers: dict[str, Any] = {"fluebook-who": as_header(self._who)}
        if self._key is not None:
            headers["authorization"] = f"Bearer {self._key}"
        return headers

    def _at(self, path: str) -> str:
        return f"{self._address}/v1/{path}"

    def server_time(self) -> datetime | None:
        """Return the moment that the server's last answer named, None where it named none."""
        try:
            found = parsedate_to_datetime(self._said_now or "")
        except ValueError:
            return None
        return found if found.tzinfo is not None else None

    def close(self) -> None:
        """Close the connection, where it was made here."""
        if self._own:
            self._http.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def _answer(response: httpx.Response) -> JsonObject:
    try:
        found: Any = response.json()
    except ValueError:
        found = None
    if response.is_success and isinstance(found, dict):
        return found
    if not isinstance(found, dict):
        told = response.text[:200] or "nothing"
        if response.status_code < _ERRORS:
            told += "; does this network want a sign-in first?"
        found = {"title": "not an answer of fluebook", "detail": told}
    raise Refused(response.status_code, found)


def _checked_address(address: str) -> str:
    wanted = "an address begins with https:// and names a host, as https://book.example"
    try:
        parsed = httpx.URL(address.strip())
    except httpx.InvalidURL as error:
        raise ValueError(f"{wanted}: {error}") from error
    if parsed.scheme not in ("https", "http") or not parsed.host or (parsed.port or 1) > _PORTS:
        raise ValueError(wanted)
    return address.strip().rstrip("/")


def goes_in_clear(address: str) -> bool:
    """Return whether what is sent to an address can be read and changed on its way.

    >>> goes_in_clear("http://book.example"), goes_in_clear("https://book.example")
    (True, False)
    >>> goes_in_clear("http://localhost:8753"), goes_in_clear("http://[::1]:8753")
    (False, False)
    """
    parsed = httpx.URL(_checked_address(address))
    if parsed.scheme == "https" or parsed.host == "localhost":
        return False
    try:
        return not ip_address(parsed.host).is_loopback
    except ValueError:
        return True


def _checked_key(key: str | None) -> str | None:
    plain = (key or "").strip()
    if not (plain.isascii() and plain.isprintable()) or " " in plain:
        raise ValueError("the key has signs that no key has: copy it anew")
    return plain or None


def _take_bytes(response: httpx.Response, found: bytearray, most: int) -> None:
    """Add an answer's bytes to those of earlier tries as they come."""
    if not response.is_success:
        response.read()
        _answer(response)
    if response.status_code != _PARTIAL:
        found.clear()  # it does not go on where the last try ended
    for some in response.iter_bytes():
        found += some
        if len(found) > most:
            raise Refused(413, {"title": "too long", "detail": f"more than {most} bytes"})


def as_header(name: str) -> bytes:
    """Return a person's name for a header: in UTF-8, as the server reads it."""
    return name.encode()
