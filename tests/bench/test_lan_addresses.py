"""The machine's own addresses, found without sending; and buckets of tokens."""

from __future__ import annotations

import ipaddress
import socket
from typing import Any, NoReturn

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tubewright.bench.lan import addresses
from tubewright.bench.lan.addresses import chosen, in_address, in_order, own_addresses, version_6
from tubewright.bench.lan.limits import MOST_ADDRESSES, Buckets, network_of
from tubewright.errors import InputError


def test_nothing_is_sent_and_no_name_is_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    def never(*_: object, **__: object) -> NoReturn:
        raise AssertionError("this would go out")

    for name in ("getaddrinfo", "gethostbyname", "gethostbyname_ex", "getfqdn", "create_connection"):
        monkeypatch.setattr(socket, name, never)
    kinds: list[Any] = []
    plain = socket.socket

    def watched(family: int, kind: int) -> socket.socket:
        kinds.append(kind)
        return plain(family, kind)

    monkeypatch.setattr(socket, "socket", watched)
    own_addresses()
    assert set(kinds) == {socket.SOCK_DGRAM}, "connecting a datagram socket sends nothing"


def test_what_is_found_is_of_this_machine() -> None:
    for address in own_addresses():
        family = socket.AF_INET if address.version == 4 else socket.AF_INET6
        with socket.socket(family, socket.SOCK_STREAM) as one:
            one.bind((str(address), 0))


def test_the_tables_of_linux_are_read(monkeypatch: pytest.MonkeyPatch, tmp_path: Any) -> None:  # noqa: ANN401
    v4, v6 = tmp_path / "trie", tmp_path / "six"
    v4.write_text(
        "Local:\n  +-- 0.0.0.0/0 3 0 5\n     |-- 127.0.0.1\n        /32 host LOCAL\n     |-- 192.168.1.0\n"
        "        /24 link UNICAST\n     |-- 192.168.1.5\n        /32 host LOCAL\n     |-- 192.168.1.255\n"
        "        /32 link BROADCAST\n     |-- 203.0.113.9\n        /32 host LOCAL\n"
    )
    v6.write_text(
        "fd000000000000000000000000000002 04 40 00 82     eth0\n"
        "00000000000000000000000000000001 01 80 10 80       lo\n"
        "fe8000000000000000fc00fffe000001 04 40 20 80     eth0\n"
    )
    monkeypatch.setattr(addresses, "_IPV4_TABLE", v4)
    monkeypatch.setattr(addresses, "_IPV6_TABLE", v6)
    monkeypatch.setattr(addresses, "_ROUTES", ())
    assert [str(one) for one in own_addresses()] == ["192.168.1.5", "fd00::2", "203.0.113.9"]
    assert version_6("junk\n") == []
    monkeypatch.setattr(addresses, "_IPV4_TABLE", tmp_path / "missing")
    assert own_addresses() == ()


def test_the_first_private_one_is_taken_unless_one_is_named() -> None:
    found = in_order(["203.0.113.9", "10.1.2.3", "192.168.1.5"])
    assert str(chosen(None, found)) == "10.1.2.3"
    assert str(chosen("203.0.113.9", found)) == "203.0.113.9"
    assert str(chosen("[fd00::7]", found)) == "fd00::7"
    with pytest.raises(InputError, match=r"10\.1\.2\.3, 192\.168\.1\.5"):
        chosen("bench.local", found)
    with pytest.raises(InputError, match="no address in a network"):
        chosen(None, ())


def test_version_6_stands_in_brackets() -> None:
    assert in_address("fd00::2") == "[fd00::2]"
    assert in_address(ipaddress.ip_address("10.0.0.1")) == "10.0.0.1"


def test_a_bucket_empties_and_fills_again() -> None:
    now = [0.0]
    buckets = Buckets(size=3, per_s=0.5, clock_s=lambda: now[0])
    assert [buckets.take("10.0.0.1") for _ in range(3)] == [0.0, 0.0, 0.0]
    assert buckets.take("10.0.0.1") == pytest.approx(2.0)
    assert buckets.take("10.0.0.2") == 0.0
    now[0] = 1.0
    assert buckets.take("10.0.0.1") == pytest.approx(1.0)
    now[0] = 2.0
    assert buckets.take("10.0.0.1") == 0.0
    now[0] = 1000.0
    assert [buckets.take("10.0.0.1") for _ in range(4)][:3] == [0.0] * 3
    assert buckets.take("10.0.0.1") > 0


def test_as_many_addresses_as_one_likes_take_no_more_memory() -> None:
    buckets = Buckets(size=1, per_s=1.0, clock_s=lambda: 0.0)
    for n in range(MOST_ADDRESSES + 500):
        buckets.take(f"10.{n // 65536}.{n // 256 % 256}.{n % 256}")
    assert len(buckets._levels) == MOST_ADDRESSES


def test_a_whole_network_of_version_6_is_one_asker() -> None:
    assert network_of("2001:db8::1") == network_of("2001:db8::ffff:1") != network_of("2001:db8:0:1::1")
    assert network_of("::ffff:10.0.0.1") == "10.0.0.1"
    assert network_of("fe80::1%eth0") == "fe80::/64"


@given(st.text(max_size=80))
def test_whatever_an_address_is_said_to_be_it_has_a_bucket(text: str) -> None:
    assert Buckets(size=1, per_s=1.0, clock_s=lambda: 0.0).take(text) == 0.0
