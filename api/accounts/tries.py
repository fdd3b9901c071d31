"""How often somebody may try to sign in: guessing is slow, and locks nobody else out.

An address has its tries and a name has its own, so that neither one sender over many names nor
many senders over one name guess quickly. One address alone cannot use up the tries of a name, and
from where a person has signed in before, the tries of strangers are not counted against them.
"""

from __future__ import annotations

import ipaddress
from collections import OrderedDict

from limits import RateLimitItemPerMinute
from limits.storage import MemoryStorage
from limits.strategies import MovingWindowRateLimiter

_OF_ADDRESS = RateLimitItemPerMinute(10)
_OF_NAME = RateLimitItemPerMinute(50)
_KNOWN_MOST = 10_000


class Tries:
    """Tries of the last minute, and from where people signed in since the program started."""

    def __init__(self) -> None:
        self._limiter = MovingWindowRateLimiter(MemoryStorage())
        self._known: OrderedDict[tuple[str, str], None] = OrderedDict()

    def sign_in(self, address: str, name: str) -> bool:
        """Count a try to sign in; return whether it is still one of those that are free."""
        place, name = place_of(address), _name(name)
        # Where the address has used up its own, the name's are not touched.
        if not self._limiter.hit(_OF_ADDRESS, "at", place):
            return False
        return (place, name) in self._known or self._limiter.hit(_OF_NAME, "as", name)

    def link(self, address: str) -> bool:
        """Count a try of a one-time link; return whether it is still one of those free."""
        return self._limiter.hit(_OF_ADDRESS, "first", place_of(address))

    def let_in(self, address: str, name: str) -> None:
        """Remember that somebody signed in from an address."""
        known = (place_of(address), _name(name))
        self._known[known] = None
        self._known.move_to_end(known)
        if len(self._known) > _KNOWN_MOST:
            self._known.popitem(last=False)


def _name(text: str) -> str:
    return text.strip().casefold()


def place_of(address: str) -> str:
    """Return what is counted as one place: of IPv6 a whole network, as one sender has all of it.

    >>> place_of("192.0.2.7"), place_of("2001:db8:1:2:3:4:5:6"), place_of("::ffff:192.0.2.7")
    ('192.0.2.7', '2001:db8:1:2::/64', '192.0.2.7')
    """
    try:
        parsed = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if isinstance(parsed, ipaddress.IPv6Address):
        if parsed.ipv4_mapped is not None:
            return str(parsed.ipv4_mapped)
        return str(ipaddress.ip_network((parsed, 64), strict=False))
    return str(parsed)
