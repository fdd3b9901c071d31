"""Where a webhook may go: a public address, resolved once and then held to.

A subscription's address is text from outside. Left unchecked it could reach the office's own
network, a cloud's metadata service or fluebook itself. Every address that the name resolves to
must be public, and the connection goes to the checked address: a name that answers differently
the second time changes nothing.
"""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import httpx

Resolver = Callable[[str, int], Sequence[str]]
"""Host and port to the addresses the name stands for, as text."""


class DestinationRefused(ValueError):
    """The address may not be called; the message says why and what to do.

    ``may_pass`` says that it may be otherwise in a while: a name that does not resolve just now.
    """

    def __init__(self, said: str, *, may_pass: bool = False) -> None:
        super().__init__(said)
        self.may_pass = may_pass


@dataclass(frozen=True, slots=True)
class Destination:
    """A checked address: what to connect to, and the name to greet it by."""

    url: httpx.URL
    addresses: tuple[str, ...]

    @property
    def pinned(self) -> tuple[httpx.URL, ...]:
        """Return the URL with each checked address in place of the name, in the given order."""
        return tuple(self.url.copy_with(host=address) for address in self.addresses)

    @property
    def host_header(self) -> str:
        """Return what the Host header must say."""
        return self.url.netloc.decode("ascii")


def system_resolver(host: str, port: int) -> list[str]:
    """Return the addresses that the machine's resolver gives for a name."""
    found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    return list(dict.fromkeys(str(entry[4][0]) for entry in found))


def _public(address: str) -> bool:
    parsed = ipaddress.ip_address(address.split("%", 1)[0])
    if isinstance(parsed, ipaddress.IPv6Address):
        # An IPv4 address in IPv6 clothes is judged as what it is.
        inner = parsed.ipv4_mapped or parsed.sixtofour
        if inner is None and parsed in ipaddress.ip_network("64:ff9b::/96"):
            inner = ipaddress.IPv4Address(int(parsed) & 0xFFFFFFFF)
        if inner is not None:
            return inner.is_global and not inner.is_multicast
    return parsed.is_global and not parsed.is_multicast


def checked_destination(
    url: str,
    *,
    allow_private: bool = False,
    resolver: Resolver = system_resolver,
) -> Destination:
    """Return the destination of a webhook, checked.

    Parameters
    ----------
    url : str
        ``https`` address; ``http`` only where private addresses are allowed.
    allow_private : bool
        The operator's setting for receivers inside the own network.
    resolver : Resolver
        How names become addresses.

    Raises
    ------
    DestinationRefused
        Another scheme, credentials in the address, a name that does not resolve, or one that
        resolves to an address that is not public.

    Examples
    --------
    >>> checked_destination("https://[::1]/hook")
    Traceback (most recent call last):
    ...
    api.notify.destination.DestinationRefused: ::1 is not a public address; ...
    """
    parsed = checked_spelling(url, allow_private=allow_private)
    host, port = parsed.host, parsed.port
    try:
        addresses = resolver(host, port or (443 if parsed.scheme == "https" else 80))
    except OSError as error:
        raise DestinationRefused(
            f"the name {host!r} does not resolve: {error}", may_pass=True
        ) from error
    if not addresses:
        raise DestinationRefused(f"the name {host!r} does not resolve", may_pass=True)
    if not allow_private:
        for address in addresses:
            _must_be_public(address)
    return Destination(parsed, tuple(addresses))


def checked_spelling(url: str, *, allow_private: bool = False) -> httpx.URL:
    """Return an address whose spelling may be kept; names are resolved only when it is called.

    Raises
    ------
    DestinationRefused
        Another scheme, credentials in it, or a number that is not a public address.
    """
    try:
        parsed = httpx.URL(url)
        host, _ = parsed.host, parsed.port
    except (httpx.InvalidURL, ValueError) as error:
        raise DestinationRefused(f"{url!r} is not an address: {error}") from error
    wanted = ("https", "http") if allow_private else ("https",)
    if parsed.scheme not in wanted or not host:
        raise DestinationRefused(f"a webhook address starts with {' or '.join(wanted)}://")
    if parsed.userinfo:
        raise DestinationRefused(
            "leave user and password out of the address; the message is signed"
        )
    if not allow_private and _is_number(host):
        _must_be_public(host)
    return parsed


def _is_number(host: str) -> bool:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True


def _must_be_public(address: str) -> None:
    if not _public(address):
        raise DestinationRefused(
            f"{address} is not a public address; an operator may allow receivers inside "
            "the own network by the setting FLUEBOOK_WEBHOOK_ALLOW_PRIVATE"
        )
