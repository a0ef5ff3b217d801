"""Starting the bench: open the shop, listen on this machine, and on the shop's network if asked; print the address."""

from __future__ import annotations

import contextlib
import datetime as dt
import errno
import logging
import socket
import sys
import threading
import webbrowser
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from tubewright.errors import Fault, InputError

if TYPE_CHECKING:
    from fastapi import FastAPI

    from tubewright.bench.lan.gate import Network
    from tubewright.knowledge.model import Knowledge

LOOPBACK: Final = frozenset({"127.0.0.1", "localhost", "::1"})
DEMO_FILE: Final = "demo-shop.sqlite3"


@dataclass(frozen=True, slots=True, kw_only=True)
class Lan:
    """How the bench is opened to the shop's network.

    Attributes:
        address: The address to listen on; ``None`` takes the first that is found.
        certificate: A certificate as a PEM file, for encrypted connections; its chain may stand in it.
        key: The certificate's key, as a PEM file.
    """

    address: str | None = None
    certificate: Path | None = None
    key: Path | None = None


def run(
    where: Path | str,
    *,
    host: str = "127.0.0.1",
    port: int = 8765,
    open_browser: bool = True,
    demo: bool = False,
    own: Path | None = None,
    own_place: Path | None = None,
    lan: Lan | None = None,
) -> None:
    """Serve the bench until it is stopped with Ctrl+C.

    Args:
        where: The shop's records: a SQLite file, made if need be, or a database address.
        host: An address of this machine's own loopback.
        port: Where to listen; 0 takes a free one.
        open_browser: Whether to open the browser on it.
        demo: Work on an invented shop beside the real one, filled on first use.
        own: The shop's own file of faults and chassis profiles; one with mistakes is left out and named.
        own_place: Where it is looked for while the bench is open if there is none yet.
        lan: Listen to the shop's network besides, for paired phones.

    Raises:
        InputError: The port is in use, ``host`` is not of this machine alone, or the network can't be listened to.
    """
    import uvicorn

    from tubewright.bench.app import create_app
    from tubewright.bench.judging import judge_unjudged
    from tubewright.bench.lan.once import REMEMBERED_DAYS
    from tubewright.bench.own_file import watch
    from tubewright.demo.load import demo_own, load_demo
    from tubewright.records.store import open_store

    with contextlib.ExitStack() as opened:
        listening = opened.enter_context(contextlib.closing(_listen(host, port)))
        port = listening.getsockname()[1]
        network, outside = _network(lan, port) if lan is not None else (None, None)
        if outside is not None:
            opened.enter_context(contextlib.closing(outside))
        address = f"http://{_shown(host)}:{port}/"
        records = _demo_file(where) if demo else where
        store = opened.enter_context(open_store(records))
        if demo and not store.displays(size=1).rows:
            load_demo(store, store.clock())
        knowledge, mistakes = _knowledge(demo_own() if demo else own)
        app = create_app(store, knowledge, own_mistakes=mistakes, network=network)
        if not demo:
            watch(app, own, own_place)
        if demo:
            judge_unjudged(app.state.bench)
        logging.getLogger("tubewright.bench").addHandler(logging.StreamHandler(sys.stderr))
        if network is not None and outside is not None and lan is not None:
            store.forget_sent(store.clock() - dt.timedelta(days=REMEMBERED_DAYS))
            opened.enter_context(_phones(app, outside, lan))
        shop = "the demo shop" if demo else "your shop"
        # An address of a database may hold a password, so only a file is named.
        kept = f"Its records: {records}\n" if isinstance(records, Path) else ""
        said = f"The bench is open with {shop}: {address}\n{kept}{_open_to(network)}Stop it with Ctrl+C.\n"
        sys.stdout.write(said)
        sys.stdout.flush()
        server = uvicorn.Server(
            uvicorn.Config(
                app,
                log_level="warning",
                access_log=False,
                server_header=False,
                lifespan="off",
                ws="none",
                # Whoever reaches this socket is on this machine, whatever a header says.
                proxy_headers=False,
            )
        )
        first = f"{address}phones" if network is not None else address
        with _browser(first) if open_browser else contextlib.nullcontext():
            server.run(sockets=[listening])
        unfinished = app.state.measuring.close()
        if unfinished:
            what = "1 measurement was" if unfinished == 1 else f"{unfinished} measurements were"
            sys.stdout.write(f"{what} not finished; the photographs are kept with their jobs.\n")


def _network(lan: Lan, port: int) -> tuple[Network, socket.socket]:
    """Where phones reach the bench, and the socket that listens there."""
    from tubewright.bench.lan.addresses import chosen, own_addresses
    from tubewright.bench.lan.gate import Network

    if (lan.certificate is None) != (lan.key is None):
        missing = "--key" if lan.key is None else "--certificate"
        raise InputError(
            Fault(what="a certificate needs its key", where=missing, mend="Give --certificate and --key together.")
        )
    found = own_addresses()
    address = str(chosen(lan.address, found))
    others = [str(one) for one in found if str(one) != address]
    if others and lan.address is None:
        told = f"This machine has further addresses: {', '.join(others)}; take one with --address.\n"
        sys.stdout.write(told)
    network = Network(address=address, port=port, scheme="http" if lan.certificate is None else "https")
    return network, bound(address, port, found=[str(one) for one in found])


def bound(address: str, port: int, *, found: list[str]) -> socket.socket:
    """A socket that listens on an address of this machine in the network.

    Raises:
        InputError: The address is another machine's, or the port is taken there.
    """
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    listening = socket.socket(family, socket.SOCK_STREAM)
    if sys.platform != "win32":
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    if family == socket.AF_INET6:
        listening.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
    try:
        listening.bind((address, port))
        listening.listen(128)
    except OSError as error:
        listening.close()
        if error.errno in {errno.EADDRINUSE, errno.EACCES, getattr(errno, "WSAEACCES", errno.EACCES)}:
            raise _taken(error, address, port) from error
        known = ", ".join(found) or "none was found"
        raise InputError(
            Fault(
                what=f"{address} is no address of this machine",
                where="--address",
                mend=f"This machine's own addresses: {known}.",
            )
        ) from error
    return listening


def _phones(app: FastAPI, outside: socket.socket, lan: Lan) -> contextlib.AbstractContextManager[None]:
    from tubewright.bench.lan.listening import config_of, loaded, served_beside

    config = config_of(app, certificate=lan.certificate, key=lan.key)
    return served_beside(loaded(config, certificate=lan.certificate, key=lan.key), outside)


def _open_to(network: Network | None) -> str:
    """What is said of the network, in words that leave nothing out."""
    if network is None:
        return ""
    told = (
        f"It is also open to the shop's network, for paired phones: {network.base}/\n"
        "Pair one under Phones, on this machine's own screen. Without a code nobody there gets past the page\n"
        "that pairs; whoever pairs may use the whole bench until the phone is shut out.\n"
    )
    if network.scheme == "http":
        told += (
            "This is plain HTTP: who can listen in the network can read along and could take over a phone's session.\n"
            "Keep to the shop's own network; --certificate and --key settle it.\n"
        )
    return told


def _knowledge(own: Path | None) -> tuple[Knowledge, tuple[Fault, ...]]:
    """What is known, and the mistakes of the shop's own file if that had to be left out."""
    from tubewright.knowledge.load import load_knowledge

    if own is None:
        return load_knowledge(), ()
    try:
        return load_knowledge(own), ()
    except InputError as error:
        told = "".join(f"  {fault}\n" for fault in error.faults)
        sys.stderr.write(f"Your own file is left out, for it has mistakes; the records are as they were:\n{told}")
        return load_knowledge(), error.faults


def _demo_file(where: Path | str) -> Path:
    if isinstance(where, Path):
        return where.with_name(DEMO_FILE)
    import platformdirs

    return Path(platformdirs.user_data_dir("tubewright", appauthor=False)) / DEMO_FILE


def _listen(host: str, port: int) -> socket.socket:
    """A socket that listens on this machine only."""
    if host not in LOOPBACK:
        raise InputError(
            Fault(
                what=f"{host!r} can be reached from other machines",
                where="host",
                mend="The bench listens on this machine only: leave it at 127.0.0.1.",
            )
        )
    family = socket.AF_INET6 if host == "::1" else socket.AF_INET
    listening = socket.socket(family, socket.SOCK_STREAM)
    if sys.platform != "win32":
        # On Windows this option would let two programs share the port.
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((host, port))
        listening.listen(128)
    except OSError as error:
        listening.close()
        if error.errno in {errno.EADDRINUSE, errno.EACCES, getattr(errno, "WSAEACCES", errno.EACCES)}:
            raise _taken(error, host, port) from error
        raise
    return listening


def _taken(error: OSError, host: str, port: int) -> InputError:
    taken = "is in use" if error.errno == errno.EADDRINUSE else "is reserved by the system"
    return InputError(
        Fault(
            what=f"port {port} {taken}",
            where="port",
            mend=f"The bench may already be open at http://{_shown(host)}:{port}/; "
            f"else choose another: tubewright bench --port {port + 1 if port < 65535 else 8765}.",
        )
    )


def _shown(host: str) -> str:
    return f"[{host}]" if ":" in host else host


@contextlib.contextmanager
def _browser(address: str) -> Iterator[None]:
    """Open the browser a moment after the server has begun."""
    timer = threading.Timer(0.6, webbrowser.open, args=(address,))
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()
