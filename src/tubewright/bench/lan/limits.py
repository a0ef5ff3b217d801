"""How often somebody may ask who hasn't been let in: buckets of tokens, in memory, by address."""

from __future__ import annotations

import ipaddress
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

MOST_ADDRESSES: Final = 2_000
"""Buckets kept at once (estimate: more than a shop's network has machines); the one longest unused goes first."""


@dataclass(slots=True)
class _Level:
    tokens: float
    at_s: float


class Buckets:
    """One bucket of tokens for each address: each request takes one, and they come back with time.

    Args:
        size: Requests that may come at once.
        per_s: Tokens that come back in a second.
        clock_s: Seconds that never run backwards.
    """

    def __init__(self, *, size: int, per_s: float, clock_s: Callable[[], float]) -> None:
        self.size, self.per_s = size, per_s
        self._clock_s = clock_s
        self._levels: OrderedDict[str, _Level] = OrderedDict()
        self._lock = threading.Lock()

    def take(self, address: str) -> float:
        """Take a token; gives 0 if there was one, else the seconds until there will be."""
        key = network_of(address)
        with self._lock:
            now = self._clock_s()
            level = self._levels.pop(key, None) or _Level(float(self.size), now)
            level.tokens = min(float(self.size), level.tokens + (now - level.at_s) * self.per_s)
            level.at_s = now
            self._levels[key] = level
            while len(self._levels) > MOST_ADDRESSES:
                self._levels.popitem(last=False)
            if level.tokens >= 1:
                level.tokens -= 1
                return 0.0
            return (1 - level.tokens) / self.per_s


def network_of(address: str) -> str:
    """What counts as one asker: an address of version 4, or the /64 that one machine of version 6 may fill by itself.

    Example:
        >>> network_of("192.168.1.20"), network_of("2001:db8:1:2:aaaa::1"), network_of("::ffff:192.168.1.20")
        ('192.168.1.20', '2001:db8:1:2::/64', '192.168.1.20')
    """
    try:
        found = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address[:64]
    if isinstance(found, ipaddress.IPv4Address):
        return str(found)
    if found.ipv4_mapped is not None:
        return str(found.ipv4_mapped)
    return str(ipaddress.IPv6Network((found, 64), strict=False))
