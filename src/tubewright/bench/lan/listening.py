"""A second server beside the one of this machine's own screen: for phones, and patient with nobody.

It runs in a thread of its own, so that nothing a phone does, or somebody who only
pretends to be one, can hold up the screen at the bench.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
import threading
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any, ClassVar, Final

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from tubewright.bench.lan.limits import network_of
from tubewright.errors import Fault, InputError

HEAD_S: Final = 15.0
"""How long a connection may take to say what it wants (estimate: a phone far from its access point)."""
MOST_CONNECTIONS: Final = 24
"""Connections from one address; a browser opens six to one host, some go on as it leaves (estimate)."""
MOST_TOGETHER: Final = 200
"""Connections from all addresses together (estimate: a dozen phones)."""
_MOST_HEAD_BYTES: Final = 32_768
"""The largest head of a request: its lines come to some kilobytes in browsers (estimate)."""

_QUIET: Final = logging.getLogger("tubewright.bench.phones")
_QUIET.setLevel(logging.CRITICAL)


class PatientProtocol(H11Protocol):
    """One connection: closed if it does not say what it wants in time, or if its address has too many."""

    open_by_address: ClassVar[Counter[str]] = Counter()

    _waiting: asyncio.TimerHandle | None = None
    _counted: str | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override] # as uvicorn has it
        """Count the connection, and begin to wait for the head of its request."""
        # What strangers send that is no request would fill the terminal.
        self.logger = _QUIET
        super().connection_made(transport)
        address = network_of(self.client[0] if self.client else "")
        if self.open_by_address[address] >= MOST_CONNECTIONS or self.open_by_address.total() >= MOST_TOGETHER:
            transport.abort()
            return
        self._counted = address
        self.open_by_address[address] += 1
        self._await_head()

    def connection_lost(self, exc: Exception | None) -> None:
        """Count it off."""
        self._had_head()
        if self._counted is not None:
            self.open_by_address[self._counted] -= 1
            if self.open_by_address[self._counted] <= 0:
                del self.open_by_address[self._counted]
            self._counted = None
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Go on as usual, and stop waiting once the head has come whole."""
        before = self.cycle
        super().data_received(data)
        if self.cycle is not before:
            self._had_head()
        elif getattr(before, "response_complete", False) and self._waiting is None:  # none before the first request
            # The head of a further request on the same connection has begun.
            self._await_head()

    def _await_head(self) -> None:
        self._waiting = self.loop.call_later(HEAD_S, self._give_up)

    def _had_head(self) -> None:
        if self._waiting is not None:
            self._waiting.cancel()
            self._waiting = None

    def _give_up(self) -> None:
        if not self.transport.is_closing():
            self.transport.abort()


def config_of(
    app: Any,  # noqa: ANN401 - any ASGI application
    *,
    certificate: Path | None = None,
    key: Path | None = None,
) -> uvicorn.Config:
    """How phones are served: nothing that a request says of its origin is believed, and it is read strictly."""
    return uvicorn.Config(
        app,
        http=PatientProtocol,
        ws="none",
        lifespan="off",
        log_config=None,
        access_log=False,
        server_header=False,
        proxy_headers=False,
        timeout_keep_alive=10,
        timeout_graceful_shutdown=2,
        h11_max_incomplete_event_size=_MOST_HEAD_BYTES,
        ssl_certfile=str(certificate) if certificate is not None else None,
        ssl_keyfile=str(key) if key is not None else None,
    )


def loaded(config: uvicorn.Config, *, certificate: Path | None, key: Path | None) -> uvicorn.Config:
    """The same, with the certificate read.

    Raises:
        InputError: Certificate and key can't be read, or don't belong together.
    """
    try:
        config.load()
    except (OSError, ValueError) as error:
        named = " and ".join(str(one) for one in (certificate, key) if one is not None)
        raise InputError(
            Fault(
                what=f"no encrypted connection can be made with {named}: {error}",
                where="--certificate",
                mend="Give a certificate and its key as PEM files, the key without a password.",
            )
        ) from error
    return config


@contextlib.contextmanager
def served_beside(config: uvicorn.Config, listening: socket.socket) -> Iterator[None]:
    """Serve on a socket from a thread until the block is left."""
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, name="phones", daemon=True)
    thread.start()
    until = time.monotonic() + 10
    while not server.started and thread.is_alive() and time.monotonic() < until:
        time.sleep(0.01)
    try:
        yield
    finally:
        server.should_exit = True
        thread.join(5)
