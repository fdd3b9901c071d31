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
    """The address may not be called; the message says why and what to do."""


@dataclass(frozen=True, slots=True)
class Destination:
    """A checked address: what to connect to, and the name to greet it by."""

    url: httpx.URL
    address: str

    @property
    def pinned(self) -> httpx.URL:
        """Return the URL with the checked address in place of the name."""
        return self.url.copy_with(host=self.address)

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
    try:
        parsed = httpx.URL(url)
        host, port = parsed.host, parsed.port
    except httpx.InvalidURL as error:
        raise DestinationRefused(f"{url!r} is not an address: {error}") from error
    wanted = ("https", "http") if allow_private else ("https",)
    if parsed.scheme not in wanted or not host:
        raise DestinationRefused(f"a webhook address starts with {' or '.join(wanted)}://")
    if parsed.userinfo:
        raise DestinationRefused(
            "leave user and password out of the address; the message is signed"
        )
    try:
        addresses = resolver(host, port or (443 if parsed.scheme == "https" else 80))
    except OSError as error:
        raise DestinationRefused(f"the name {host!r} does not resolve: {error}") from error
    if not addresses:
        raise DestinationRefused(f"the name {host!r} does not resolve")
    if not allow_private:
        for address in addresses:
            if not _public(address):
                raise DestinationRefused(
                    f"{address} is not a public address; an operator may allow receivers inside "
                    "the own network by the setting FLUEBOOK_WEBHOOK_ALLOW_PRIVATE"
                )
    return Destination(parsed, addresses[0])
