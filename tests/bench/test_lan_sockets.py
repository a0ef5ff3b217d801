"""From outside, over real sockets: the machine's own address in its network, and a server as phones are served."""

from __future__ import annotations

import contextlib
import re
import socket
import ssl
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest

from bench.lans import OpenBench, listening
from tubewright.bench.lan import listening as served
from tubewright.bench.lan.addresses import own_addresses
from tubewright.bench.lan.gate import Network
from tubewright.bench.lan.listening import PatientProtocol, config_of
from tubewright.bench.serve import Lan, run
from tubewright.errors import InputError
from tubewright.records.store import Store

OWN = [str(one) for one in own_addresses() if one.version == 4]
networked = pytest.mark.skipif(not OWN, reason="this machine is in no network")


def ask(address: tuple[str, int], request: bytes, *, wait_s: float = 10.0) -> bytes:
    """Send bytes as they are, and take all that comes back."""
    with socket.create_connection(address, timeout=wait_s) as line:
        line.settimeout(wait_s)
        line.sendall(request)
        return all_of(line)


def all_of(line: socket.socket) -> bytes:
    """What comes until the other side closes or says no more for a while."""
    parts = []
    with contextlib.suppress(OSError):
        while part := line.recv(65_536):
            parts.append(part)
            if b"connection: close" not in part.lower() and b"\r\n\r\n" in b"".join(parts):
                line.settimeout(0.3)
    return b"".join(parts)


def status(answer: bytes) -> int:
    """The status of the first answer in what came back; 0 if the line was closed without one."""
    found = re.match(rb"HTTP/1\.[01] (\d{3})", answer)
    return int(found[1]) if found else 0


@pytest.fixture
def outside(store: Store) -> Iterator[tuple[OpenBench, tuple[str, int]]]:
    """A bench on this machine's own address, asked from that address: no loopback at either end."""
    if not OWN:
        pytest.skip("this machine is in no network")
    bench = OpenBench(store, network=Network(address=OWN[0], port=1))
    with listening(bench.app, OWN[0]) as port:
        # The port is known only now; a gate reads it of the connection, the page of the network.
        yield bench, (OWN[0], port)


def head(address: tuple[str, int], line: str, *more: str, host: str | None = None) -> bytes:
    named = host if host is not None else f"{address[0]}:{address[1]}"
    return "\r\n".join([line, f"Host: {named}", "Connection: close", *more, "", ""]).encode("latin-1")


def test_nobody_from_outside_gets_past_the_page_that_pairs(outside: tuple[OpenBench, tuple[str, int]]) -> None:
    _, there = outside
    for line in (
        "GET / HTTP/1.1", "GET /jobs/1 HTTP/1.1", "GET /static/bench.js HTTP/1.1", "GET /openapi.json HTTP/1.1",
        "GET //jobs/1 HTTP/1.1", "GET /pair/../jobs/1 HTTP/1.1", "GET /static/%2e%2e/app.py HTTP/1.1",
        "HEAD / HTTP/1.1", "OPTIONS / HTTP/1.1", "DELETE /jobs/1 HTTP/1.1", "BREW / HTTP/1.1", "GET / HTTP/1.0",
        f"GET http://{there[0]}:{there[1]}/ HTTP/1.1", "GET http://127.0.0.1/ HTTP/1.1",
    ):  # fmt: skip
        answer = ask(there, head(there, line, "X-Forwarded-For: 127.0.0.1", "X-Real-IP: 127.0.0.1"))
        assert status(answer) in {400, 401}, (line, answer[:200])
        assert b"On the bench" not in answer
    assert status(ask(there, head(there, "GET /pair HTTP/1.1"))) == 200


def test_a_forged_host_is_refused_on_the_wire(outside: tuple[OpenBench, tuple[str, int]]) -> None:
    _, there = outside
    for host in ("example.org", f"127.0.0.1:{there[1]}", f"localhost:{there[1]}", there[0], f"{there[0]}:1", ""):
        assert status(ask(there, head(there, "GET /pair HTTP/1.1", host=host))) in {400, 421}, host


def test_requests_that_two_programs_read_in_two_ways_are_refused(outside: tuple[OpenBench, tuple[str, int]]) -> None:
    _, there = outside
    inner = f"GET /jobs/1 HTTP/1.1\r\nHost: {there[0]}:{there[1]}\r\n\r\n"
    post = "POST /pair HTTP/1.1"
    for more in (
        ("Content-Length: 5", "Transfer-Encoding: chunked"),
        ("Content-Length: 5", "Content-Length: 6"),
        ("Content-Length: +5",),
        ("Content-Length: 5, 6",),
        ("Transfer-Encoding: xchunked",),
        ("Transfer-Encoding : chunked",),
        (f"Host: {there[0]}:{there[1]}",),
        ("X-Folded: a\r\n b: c",),
        (" leading: space",),
    ):
        answer = ask(there, head(there, post, *more) + b"0\r\n\r\n" + inner.encode())
        statuses = [int(one) for one in re.findall(rb"HTTP/1\.1 (\d{3})", answer)]
        assert not {200, 303} & set(statuses), (more, answer[:300])
    assert status(ask(there, b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + b"\x00" * 60)) in {0, 400}
    assert status(ask(there, head(there, "GET /pair HTTP/1.1", "X: " + "a" * 900_000))) in {0, 400, 431}


def test_oversized_bodies_are_cut_off_on_the_wire(outside: tuple[OpenBench, tuple[str, int]]) -> None:
    _, there = outside
    kind = "Content-Type: application/x-www-form-urlencoded"
    answer = ask(there, head(there, "POST /pair HTTP/1.1", kind, f"Content-Length: {10**10}", "Origin: http://x"))
    assert status(answer) == 403
    chunks = b"".join(b"10000\r\n" + b"x" * 65_536 + b"\r\n" for _ in range(20))
    origin = f"Origin: http://{there[0]}:{there[1]}"
    announced = head(there, "POST /pair HTTP/1.1", kind, "Content-Length: 99999999", origin)
    assert status(ask(there, announced)) == 413
    with contextlib.suppress(OSError):
        answer = ask(there, head(there, "POST /pair HTTP/1.1", kind, "Transfer-Encoding: chunked", origin) + chunks)
        assert status(answer) in {413, 0}


def test_slow_ones_hold_up_nobody_and_are_let_go(
    outside: tuple[OpenBench, tuple[str, int]], monkeypatch: pytest.MonkeyPatch
) -> None:
    _, there = outside
    monkeypatch.setattr(served, "HEAD_S", 0.6)
    monkeypatch.setattr(served, "MOST_CONNECTIONS", 12)
    monkeypatch.setattr("tubewright.bench.security.QUIET_S", 0.5)
    with contextlib.ExitStack() as lines:
        slow = [lines.enter_context(socket.create_connection(there, timeout=10)) for _ in range(6)]
        for number, line in enumerate(slow):
            line.sendall(b"" if number % 2 else b"GET /pair HTTP/1.1\r\nHo")
        body = lines.enter_context(socket.create_connection(there, timeout=10))
        kind = "Content-Type: application/x-www-form-urlencoded"
        origin = f"Origin: http://{there[0]}:{there[1]}"
        body.sendall(head(there, "POST /pair HTTP/1.1", kind, "Content-Length: 50", origin) + b"code=")
        assert status(ask(there, head(there, "GET /pair HTTP/1.1"))) == 200
        # Each is let go of by the bench, not by us.
        assert [line.recv(10) for line in slow] == [b""] * 6
        assert status(all_of(body)) == 408


def test_one_address_has_only_so_many_lines(
    outside: tuple[OpenBench, tuple[str, int]], monkeypatch: pytest.MonkeyPatch
) -> None:
    _, there = outside
    monkeypatch.setattr(served, "MOST_CONNECTIONS", 4)
    with contextlib.ExitStack() as lines:
        for _ in range(4):
            lines.enter_context(socket.create_connection(there, timeout=10))
        until = time.monotonic() + 5
        while PatientProtocol.open_by_address.total() < 4 and time.monotonic() < until:
            time.sleep(0.01)
        assert status(ask(there, head(there, "GET /pair HTTP/1.1"))) == 0
    until = time.monotonic() + 5
    while PatientProtocol.open_by_address.total() and time.monotonic() < until:
        time.sleep(0.01)
    assert status(ask(there, head(there, "GET /pair HTTP/1.1"))) == 200


def test_a_further_request_on_the_same_line_is_waited_for_only_so_long(
    outside: tuple[OpenBench, tuple[str, int]], monkeypatch: pytest.MonkeyPatch
) -> None:
    _, there = outside
    monkeypatch.setattr(served, "HEAD_S", 0.5)
    with socket.create_connection(there, timeout=10) as line:
        first = f"GET /pair HTTP/1.1\r\nHost: {there[0]}:{there[1]}\r\n\r\n".encode()
        line.sendall(first)
        assert status(line.recv(65_536)) == 200
        line.settimeout(0.3)
        with contextlib.suppress(TimeoutError):
            while line.recv(65_536):
                pass
        line.settimeout(10)
        line.sendall(b"GET /pair HTTP/1.1\r\nHo")
        assert line.recv(10) == b""


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


@contextlib.contextmanager
def started(folder: Path, port: int, lan: str) -> Iterator[list[str]]:
    """The bench as it is started from the command line; gives what it says until it is open."""
    code = f"""
from pathlib import Path
from tubewright.bench.serve import Lan, run
run(Path({str(folder / "shop.sqlite3")!r}), port={port}, open_browser=False, lan={lan})
"""
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True) as bench:
        try:
            assert bench.stdout is not None
            said: list[str] = []
            for line in bench.stdout:
                said.append(line)
                if "Stop it" in line:
                    break
            yield said
        finally:
            bench.terminate()
            bench.wait(10)


@networked
def test_it_says_what_it_opens_and_serves_both_sides(tmp_path: Path) -> None:
    port = free_port()
    with started(tmp_path, port, f"Lan(address={OWN[0]!r})") as said:
        told = "".join(said)
        assert f"http://{OWN[0]}:{port}/" in told
        assert "plain HTTP" in told
        assert "--certificate" in told
        for _ in range(50):
            with (
                contextlib.suppress(OSError),
                urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=20) as answer,
            ):
                assert "Nothing here yet" in answer.read().decode()
                break
            time.sleep(0.1)
        there = (OWN[0], port)
        assert status(ask(there, head(there, "GET / HTTP/1.1"))) == 401
        assert status(ask(there, head(there, "GET / HTTP/1.1", "Accept: text/html"))) == 303
        page = ask(there, head(there, "GET /pair HTTP/1.1"))
        assert b"Pair this phone" in page


@networked
def test_with_a_certificate_it_is_encrypted(tmp_path: Path, certificate: tuple[Path, Path]) -> None:
    port = free_port()
    crt, key = certificate
    with started(
        tmp_path, port, f"Lan(address={OWN[0]!r}, certificate=Path({str(crt)!r}), key=Path({str(key)!r}))"
    ) as said:
        told = "".join(said)
        assert f"https://{OWN[0]}:{port}/" in told
        assert "plain HTTP" not in told
        trusting = ssl.create_default_context(cafile=str(crt))
        trusting.check_hostname = False
        there = (OWN[0], port)
        with socket.create_connection(there, timeout=10) as line, trusting.wrap_socket(line) as safe:
            safe.sendall(head(there, "GET /pair HTTP/1.1"))
            answer = all_of(safe)
        assert status(answer) == 200
        assert b"; Secure" in answer
        # The screen at the machine stays as it was.
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=20) as plain:
            assert plain.status == 200


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A certificate that signs itself, made by openssl."""
    import shutil

    openssl = shutil.which("openssl")
    if openssl is None:
        pytest.skip("no openssl here")
    folder = tmp_path_factory.mktemp("certificate")
    crt, key = folder / "bench.crt", folder / "bench.key"
    made = [openssl, "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-days", "2"]
    subprocess.run([*made, "-subj", "/CN=bench", "-keyout", key, "-out", crt], check=True, capture_output=True)
    return crt, key


@networked
@pytest.mark.parametrize(
    ("lan", "words"),
    [
        (Lan(address="192.168.250.250"), "is no address of this machine"),
        (Lan(address="not one"), "is no IP address"),
        (Lan(address="127.0.0.1"), "is no address that a phone can reach"),
        (Lan(address="0.0.0.0"), "is no address that a phone can reach"),  # noqa: S104 - must be refused
        (Lan(address="fe80::1"), "is no address that a phone can reach"),
        (Lan(certificate=Path("x.crt")), "a certificate needs its key"),
        (Lan(key=Path("x.key")), "a certificate needs its key"),
        (Lan(certificate=Path("missing.crt"), key=Path("missing.key")), "no encrypted connection can be made"),
    ],
)
def test_what_can_not_be_opened_is_said(tmp_path: Path, lan: Lan, words: str) -> None:
    with pytest.raises(InputError) as caught:
        run(tmp_path / "shop.sqlite3", port=0, open_browser=False, lan=lan)
    assert words in str(caught.value)


@networked
def test_a_port_that_is_taken_in_the_network_is_said(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind((OWN[0], 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(InputError) as caught:
            run(tmp_path / "shop.sqlite3", port=port, open_browser=False, lan=Lan(address=OWN[0]))
    assert f"port {port} is in use" in str(caught.value)


def test_no_header_is_believed_of_where_a_request_comes_from() -> None:
    config = config_of(object())
    assert config.proxy_headers is False
    assert config.http is PatientProtocol
    assert config.ws == "none"
