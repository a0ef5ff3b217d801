"""Starting the bench: open the shop, listen on this machine, print the address."""

from __future__ import annotations

import contextlib
import errno
import logging
import socket
import sys
import threading
import webbrowser
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Final

from tubewright.errors import Fault, InputError

if TYPE_CHECKING:
    from tubewright.knowledge.model import Knowledge

LOOPBACK: Final = frozenset({"127.0.0.1", "localhost", "::1"})
DEMO_FILE: Final = "demo-shop.sqlite3"


def run(
    where: Path | str,
    *,
    host: str = "127.0.0.1",
    port: int = 8765,
    open_browser: bool = True,
    demo: bool = False,
    own: Path | None = None,
) -> None:
    """Serve the bench until it is stopped with Ctrl+C.

    Args:
        where: The shop's records: a SQLite file, made if need be, or a database address.
        host: An address of this machine's own loopback.
        port: Where to listen; 0 takes a free one.
        open_browser: Whether to open the browser on it.
        demo: Work on an invented shop beside the real one, filled on first use.
        own: The shop's own file of faults and chassis profiles; one with mistakes is left out and named.

    Raises:
        InputError: The port is in use, or ``host`` is not of this machine alone.
    """
    import uvicorn

    from tubewright.bench.app import create_app
    from tubewright.bench.judging import judge_unjudged
    from tubewright.demo.load import demo_own, load_demo
    from tubewright.records.store import open_store

    listening = _listen(host, port)
    address = f"http://{_shown(host)}:{listening.getsockname()[1]}/"
    records = _demo_file(where) if demo else where
    with contextlib.closing(listening), open_store(records) as store:
        if demo and not store.displays(size=1).rows:
            load_demo(store, store.clock())
        knowledge, mistakes = _knowledge(demo_own() if demo else own)
        app = create_app(store, knowledge, own_mistakes=mistakes)
        if demo:
            judge_unjudged(app.state.bench)
        logging.getLogger("tubewright.bench").addHandler(logging.StreamHandler(sys.stderr))
        shop = "the demo shop" if demo else "your shop"
        # An address of a database may hold a password, so only a file is named.
        kept = f"Its records: {records}\n" if isinstance(records, Path) else ""
        sys.stdout.write(f"The bench is open with {shop}: {address}\n{kept}Stop it with Ctrl+C.\n")
        sys.stdout.flush()
        server = uvicorn.Server(
            uvicorn.Config(app, log_level="warning", access_log=False, server_header=False, lifespan="off", ws="none")
        )
        with _browser(address) if open_browser else contextlib.nullcontext():
            server.run(sockets=[listening])
        unfinished = app.state.measuring.close()
        if unfinished:
            what = "1 measurement was" if unfinished == 1 else f"{unfinished} measurements were"
            sys.stdout.write(f"{what} not finished; the photographs are kept with their jobs.\n")


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
            taken = "is in use" if error.errno == errno.EADDRINUSE else "is reserved by the system"
            raise InputError(
                Fault(
                    what=f"port {port} {taken}",
                    where="port",
                    mend=f"The bench may already be open at http://{_shown(host)}:{port}/; "
                    f"else choose another: tubewright bench --port {port + 1 if port < 65535 else 8765}.",
                )
            ) from error
        raise
    return listening


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
