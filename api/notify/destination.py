"""Where a webhook may go: a public address, resolved once and then held to.

A subscription's address is text from outside. Left unchecked it could reach the office's own
network, a cloud's metadata service or fluebook itself. Every address that the name resolves to
must be public, and the connection goes to the checked address: a name that answers differently
the second time changes nothing.
"""

from __future__ import annotations

import ipaddress
import re
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


_NO_RECEIVER_4 = (
    ipaddress.IPv4Network("192.0.0.0/24"),  # protocols of the own network, also those of anycast
    ipaddress.IPv4Network("192.88.99.0/24"),  # relays of 6to4, given up
)
_GLOBAL_6 = ipaddress.IPv6Network("2000::/3")
"""All that is given out for single receivers; every other part is special, old or unused."""
_NO_RECEIVER_6 = (
    ipaddress.IPv6Network("2001::/23"),  # Teredo, benchmarks, hashes, anycast
    ipaddress.IPv6Network("2002::/16"),  # 6to4, given up
    ipaddress.IPv6Network("2001:db8::/32"),
    ipaddress.IPv6Network("3fff::/20"),
    ipaddress.IPv6Network("2620:4f:8000::/48"),
)
_NAT64 = ipaddress.IPv6Network("64:ff9b::/96")
_ISATAP = (0x00005EFE, 0x02005EFE)


def _public(address: str) -> bool:
    """Return whether an address is one of a single receiver that all of the network can reach.

    Special-purpose addresses: IANA registries of RFC 6890; status: memory. An IPv6 address that
    carries one of IPv4 in it is judged as that, too.
    """
    if "%" in address:
        return False  # a zone is one of this machine's own links
    parsed = ipaddress.ip_address(address)
    if isinstance(parsed, ipaddress.IPv4Address):
        named = any(parsed in network for network in _NO_RECEIVER_4)
        return parsed.is_global and not parsed.is_multicast and not named
    last = ipaddress.IPv4Address(int(parsed) & 0xFFFFFFFF)
    if parsed.ipv4_mapped is not None or parsed in _NAT64:
        return _public(str(last))
    if (int(parsed) >> 32) & 0xFFFFFFFF in _ISATAP and not _public(str(last)):
        return False
    special = any(parsed in network for network in _NO_RECEIVER_6)
    return parsed in _GLOBAL_6 and parsed.is_global and not special


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
    except ValueError as error:  # a label that is too long, or empty
        raise DestinationRefused(f"{host!r} is no name: {error}") from error
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
        host, port = parsed.host, parsed.port
    except (httpx.InvalidURL, ValueError) as error:
        raise DestinationRefused(f"{url!r} is not an address: {error}") from error
    wanted = ("https", "http") if allow_private else ("https",)
    if parsed.scheme not in wanted or not host:
        raise DestinationRefused(f"a webhook address starts with {' or '.join(wanted)}://")
    if port is not None and not 0 < port < 65536:
        raise DestinationRefused(f"{port} is not a port")
    if parsed.userinfo:
        raise DestinationRefused(
            "leave user and password out of the address; the message is signed"
        )
    if _is_number(host):
        if not allow_private:
            _must_be_public(host)
    elif _ODD_NUMBER.search(host):
        raise DestinationRefused(f"write {host!r} as four numbers or as a name")
    return parsed


_ODD_NUMBER = re.compile(r"(?:^|\.)(?:0x[0-9a-f]*|[0-9]+)\.?$", re.IGNORECASE)
"""The end of a host that a resolver takes for a number: ``127.1``, ``0x7f.1``, ``2130706433``."""


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
