"""The addresses that this machine has in the shop's own network; nothing is sent to find them out."""

from __future__ import annotations

import ipaddress
import re
import socket
from collections.abc import Iterable
from pathlib import Path
from typing import Final

from tubewright.errors import Fault, InputError

_IPV4_TABLE: Final = Path("/proc/net/fib_trie")
_IPV6_TABLE: Final = Path("/proc/net/if_inet6")
_LOCAL_V4: Final = re.compile(r"\|--\s+(\d+\.\d+\.\d+\.\d+)\s*\n\s*/32 host LOCAL")

_ROUTES: Final = (
    (socket.AF_INET, "192.168.0.1"),
    (socket.AF_INET, "10.0.0.1"),
    (socket.AF_INET, "172.16.0.1"),
    (socket.AF_INET, "192.0.2.1"),
    (socket.AF_INET6, "fd00::1"),
    (socket.AF_INET6, "2001:db8::1"),
)
"""One address of each private range (RFC 1918, RFC 4193) and one outside (kept for examples: RFC 5737, RFC 3849)."""

_PRIVATE: Final = tuple(
    ipaddress.ip_network(one) for one in ("10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "fc00::/7")
)
"""RFC 1918 and RFC 4193; Python's own ``is_private`` counts many more."""

Address = ipaddress.IPv4Address | ipaddress.IPv6Address


def own_addresses() -> tuple[Address, ...]:
    """Every address under which others in the network may reach this machine, private ones first.

    On Linux the kernel's tables name them. Elsewhere a datagram socket is connected
    towards each private range, which sends nothing but makes the system choose the
    address it would send from; a machine with several networks may then have more
    than are found, and any of them can be named by hand.
    """
    found = [*_of_tables(), *_of_routes()]
    return in_order(found)


def in_order(found: Iterable[str]) -> tuple[Address, ...]:
    """Usable addresses without repeats: private ones first, version 4 before 6, else as they came.

    Left out are loopback, link-local ones (a browser can't be given their zone) and
    whatever is no address of one machine.

    Example:
        >>> [str(a) for a in in_order(["127.0.0.1", "fe80::1", "203.0.113.9", "fd00::2", "192.168.1.5", "fd00::2"])]
        ['192.168.1.5', 'fd00::2', '203.0.113.9']
    """
    usable: dict[Address, None] = {}
    for text in found:
        try:
            address = ipaddress.ip_address(text)
        except ValueError:
            continue
        if not (address.is_loopback or address.is_link_local or address.is_multicast or address.is_unspecified):
            usable[address] = None
    return tuple(
        sorted(usable, key=lambda a: (not any(a in net for net in _PRIVATE if net.version == a.version), a.version))
    )


def _of_tables() -> list[str]:
    """From the tables of Linux; nothing on other systems."""
    found: list[str] = []
    try:
        found += dict.fromkeys(_LOCAL_V4.findall(_IPV4_TABLE.read_text("ascii")))
        found += version_6(_IPV6_TABLE.read_text("ascii"))
    except (OSError, ValueError):
        return found
    return found


def version_6(table: str) -> list[str]:
    """The addresses in the kernel's table of version 6: 32 hex digits at the head of each line."""
    words = [line.split() for line in table.splitlines()]
    return [str(ipaddress.IPv6Address(int(line[0], 16))) for line in words if line and len(line[0]) == 32]


def _of_routes() -> list[str]:
    """The addresses that the system would send from."""
    found: list[str] = []
    for family, towards in _ROUTES:
        try:
            with socket.socket(family, socket.SOCK_DGRAM) as asking:
                asking.connect((towards, 9))  # a datagram socket only remembers this; nothing goes out
                found.append(str(asking.getsockname()[0]))
        except OSError:
            continue
    return found


def chosen(named: str | None, found: tuple[Address, ...]) -> Address:
    """The address to listen on: the one that was named, else the first found.

    A named one need not be among those found; whether it is this machine's own shows when it is bound.

    Raises:
        InputError: There is none, or what was named is no address that others can reach.
    """
    if named is None:
        if found:
            return found[0]
        raise InputError(
            Fault(
                what="this machine has no address in a network",
                where="--lan",
                mend="Join it to the shop's network, or name the address with --address.",
            )
        )
    try:
        address = ipaddress.ip_address(named.strip().strip("[]"))
    except ValueError:
        address = None
    if address is None or not in_order([str(address)]):
        known = ", ".join(str(one) for one in found) or "none was found"
        wrong = "is no IP address" if address is None else "is no address that a phone can reach"
        raise InputError(
            Fault(what=f"{named!r} {wrong}", where="--address", mend=f"This machine's own addresses: {known}.")
        )
    return address


def in_address(address: Address | str) -> str:
    """An address as it stands in a link: version 6 in brackets."""
    text = str(address)
    return f"[{text}]" if ":" in text else text
