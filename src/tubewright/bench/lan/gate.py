"""Who may in when the bench is open to the shop's network: the machine's own screen, and phones that were paired."""

from __future__ import annotations

import ipaddress
import time
from collections.abc import Callable
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from typing import TYPE_CHECKING, Final, Literal

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers
from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.types import Scope

from tubewright.bench.lan.addresses import in_address
from tubewright.bench.lan.limits import Buckets
from tubewright.bench.lan.pairing import PHONE_COOKIE, Pairings, phone_of

if TYPE_CHECKING:
    from tubewright.records.model import Pairing

PAIR_PATH: Final = "/pair"
OPEN_PATHS: Final = frozenset({PAIR_PATH, "/static/bench.css", "/static/icon.svg", "/static/pair.js"})
"""What a phone that isn't paired needs to be paired; matched letter by letter, nothing below them."""

STRANGERS_AT_ONCE: Final = 60
STRANGERS_PER_S: Final = 1.0
"""Requests without a session from one address: a page with its files some times over, then one a second (estimate)."""
ATTEMPTS_AT_ONCE: Final = 6
ATTEMPTS_PER_S: Final = 0.1
"""Codes tried from one address: a few slips, then one in ten seconds (estimate)."""
ALL_ATTEMPTS_AT_ONCE: Final = 30
ALL_ATTEMPTS_PER_S: Final = 0.5
"""Codes tried from all addresses together, as one machine may take many (estimate)."""

_EVERYBODY: Final = "everybody"
UNPAIRED: Final = "This phone isn't paired with the bench. Scan the code that the bench shows under “Phones”."
_SHORT: Final = (
    "<!doctype html><html lang='en'><meta charset='utf-8'><meta name='viewport' content='width=device-width'>"
    "<title>Not paired</title><link rel='stylesheet' href='/static/bench.css'><main><h1>Not paired</h1><p>{}</p>"
    "<p><a href='/pair'>Pair this phone</a></p></main></html>"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Network:
    """Where the bench is reached from other machines.

    Attributes:
        address: This machine's own address, as text.
        port: The port it listens on there.
        scheme: ``https`` with a certificate, else ``http``.
    """

    address: str
    port: int
    scheme: Literal["http", "https"] = "http"

    @property
    def name(self) -> str:
        """The one name a request may be addressed to."""
        return in_address(self.address)

    @property
    def base(self) -> str:
        """The start of every link that a phone opens."""
        return f"{self.scheme}://{self.name}:{self.port}"


class Gate:
    """Decides for a request from another machine whether it goes on.

    Args:
        network: Where the bench is reached.
        store: The shop's records, which know the paired phones.
        clock_s: Seconds that never run backwards, for the limits.
    """

    def __init__(self, network: Network, store: Pairings, *, clock_s: Callable[[], float] = time.monotonic) -> None:
        self.network = network
        self._store = store
        self._strangers = Buckets(size=STRANGERS_AT_ONCE, per_s=STRANGERS_PER_S, clock_s=clock_s)
        self._attempts = Buckets(size=ATTEMPTS_AT_ONCE, per_s=ATTEMPTS_PER_S, clock_s=clock_s)
        self._all_attempts = Buckets(size=ALL_ATTEMPTS_AT_ONCE, per_s=ALL_ATTEMPTS_PER_S, clock_s=clock_s)

    def stranger(self, scope: Scope, refusal: Response) -> Response:
        """The refusal of somebody who isn't known, or that they ask too often; both cost them a token."""
        wait_s = self._strangers.take(_peer(scope))
        return _too_often(wait_s) if wait_s else refusal

    async def admit(self, scope: Scope, headers: Headers) -> Pairing | Response | None:
        """The phone that asks, or the answer that sends it away; ``None`` if everybody may have this.

        Nothing a request says of itself counts but its cookie: no ``Forwarded`` or
        ``X-Forwarded-For``, no ``X-Real-IP``, no other method or address in a header.
        """
        path, method = str(scope["path"]), str(scope["method"])
        if not path.startswith("/") or "\\" in path or any(part in {".", ".."} for part in path.split("/")):
            return self.stranger(scope, PlainTextResponse("That is no address of this bench.\n", status_code=400))
        phone = await run_in_threadpool(phone_of, self._store, cookie(headers, PHONE_COOKIE))
        if method == "POST" and path == PAIR_PATH:
            wait_s = self._attempts.take(_peer(scope)) or self._all_attempts.take(_EVERYBODY)
            return _too_often(wait_s) if wait_s else phone
        if phone is not None:
            return phone
        if path in OPEN_PATHS and scope.get("raw_path", path.encode()) == path.encode():
            wait_s = self._strangers.take(_peer(scope))
            return _too_often(wait_s) if wait_s else None
        return self.stranger(scope, _unpaired(path, method, headers))


def is_near(scope: Scope) -> bool:
    """Whether a request comes from this machine over its own loopback, by the two ends of its connection."""
    return _loops(scope.get("client")) and _loops(scope.get("server"))


def _loops(end: object) -> bool:
    if not (isinstance(end, list | tuple) and end):
        return False
    if end[0] == "localhost":
        return True
    try:
        return ipaddress.ip_address(str(end[0])).is_loopback
    except ValueError:
        return False


def _peer(scope: Scope) -> str:
    client = scope.get("client")
    return str(client[0]) if client else "unknown"


def cookie(headers: Headers, name: str) -> str:
    """The value of a cookie, or nothing."""
    try:
        morsel = SimpleCookie(headers.get("cookie", "")).get(name)
    except CookieError:
        return ""
    return morsel.value if morsel is not None else ""


def _unpaired(path: str, method: str, headers: Headers) -> Response:
    """A person is led to the page that pairs; a program is told."""
    if path.startswith(("/api/", "/uploads", "/token", "/outbox")) or path == "/openapi.json":
        fault = {"what": "this phone isn't paired", "where": "", "mend": "Scan the code that the bench shows."}
        return JSONResponse({"faults": [fault]}, status_code=401)
    if "text/html" not in headers.get("accept", ""):
        return PlainTextResponse(UNPAIRED + "\n", status_code=401)
    if method == "GET":
        return RedirectResponse(PAIR_PATH, status_code=303)
    return HTMLResponse(_SHORT.format(UNPAIRED), status_code=401)


def _too_often(wait_s: float) -> Response:
    seconds = max(1, int(wait_s + 0.999))
    return PlainTextResponse(
        f"Too many requests without a session. Wait {seconds} s.\n",
        status_code=429,
        headers={"retry-after": str(seconds)},
    )
