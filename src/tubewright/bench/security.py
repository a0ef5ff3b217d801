"""The guard in front of every page: who may ask, from where, and how much.

The bench runs on one machine for the people in front of it. A web page open in
the same browser must not be able to read it or to post to it, so each request is
checked before any route sees it: its Host (which also stops rebinding of foreign
names to this machine), its Origin, its size, and for forms a token that is bound
to a cookie. Every answer carries headers that forbid anything from elsewhere.

With a :class:`~tubewright.bench.lan.gate.Gate` other machines of the shop's network may
ask, too: each of their requests needs the session of a paired phone, and only the
machine's own loopback goes without.

Photographs, and a board's part list, come as multipart forms, on their own addresses only
(:mod:`tubewright.bench.uploads`).
"""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import re
import secrets
import time
from collections.abc import Mapping
from typing import Final
from urllib.parse import parse_qsl

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from tubewright.bench.lan.gate import Gate, cookie, is_near
from tubewright.bench.uploads import Upload, UploadRefusedError, is_upload, read_upload

MAX_BODY_BYTES: Final = 1_048_576
MAX_FIELDS: Final = 5_000
COOKIE: Final = "tubewright_session"
TOKEN_FIELD: Final = "form_token"  # noqa: S105 - the name of a field, not a secret
TOKEN_HEADER: Final = "tubewright-token"  # noqa: S105 - likewise
"""Where a script of ours puts the token; another site's script can't send a header of this name."""
TOKEN_PATH: Final = "/token"  # noqa: S105 - an address
"""Where a script fetches a fresh token, so that what waited over a restart of the bench can still be sent."""
QUIET_S: Final = 20.0
"""How long another machine may fall silent within a request (estimate: a phone that changes its access point)."""
WHOLE_S: Final = 120.0
"""How long its words may take altogether; photographs may take longer (estimate)."""
HOST_NAMES: Final = frozenset({"127.0.0.1", "localhost", "[::1]"})
SAFE_METHODS: Final = frozenset({"GET", "HEAD", "OPTIONS"})

_HOST = re.compile(r"^(?P<name>\[[0-9a-f:]+\]|[a-z0-9.-]+)(?::(?P<port>\d{1,5}))?$")
_SESSION = re.compile(r"^[0-9a-f]{48}$")
_SCRIPTED = re.compile(r"^/uploads(?:/[0-9]{1,10}(?:/finish)?)?$")
"""Addresses that scripts of ours post to: photographs piece by piece."""
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")

POLICY: Final = (
    "default-src 'self'; script-src 'self'; style-src 'self'; img-src 'self'; object-src 'none'; "
    "base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
)
DRAWING_POLICY: Final = "default-src 'none'; img-src data:; sandbox; frame-ancestors 'none'"
"""For a drawing of ours that carries its photograph within it: it may show that and do nothing."""
HEADERS: Final[Mapping[str, str]] = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    # Not "no-referrer": browsers would then send "Origin: null" with our own forms.
    "referrer-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=(), usb=(), serial=()",
}


class Form:
    """What was typed into a form, as plain text by field; unprintable characters are dropped."""

    def __init__(self, pairs: list[tuple[str, str]]) -> None:
        self.pairs = [(name, _CONTROL.sub("", value)) for name, value in pairs]

    def text(self, name: str) -> str:
        """The first value of a field, without surrounding blanks; empty if it wasn't sent."""
        return next((value.strip() for key, value in self.pairs if key == name), "")

    def all(self, name: str) -> list[str]:
        """Every value of a field that may be sent more than once."""
        return [value.strip() for key, value in self.pairs if key == name]

    def typed(self) -> dict[str, str]:
        """All fields with their first value, to be shown again as they were typed."""
        out: dict[str, str] = {}
        for key, value in self.pairs:
            out.setdefault(key, value)
        return out


class Guard:
    """ASGI middleware with all the checks of this module.

    Args:
        app: The application behind it.
        secret: Key of the form tokens; a new one at each start makes forms that
            were open before the start ask to be sent once more.
        max_body_bytes: Larger bodies are refused before they are read to the end.
        gate: Who may in from other machines; without one every request is taken for this machine's own, as
            the bench listens nowhere else then.
    """

    def __init__(
        self,
        app: ASGIApp,
        *,
        secret: bytes | None = None,
        max_body_bytes: int = MAX_BODY_BYTES,
        gate: Gate | None = None,
    ) -> None:
        self.app = app
        self._gate = gate
        self._secret = secret or secrets.token_bytes(32)
        self._max_body_bytes = max_body_bytes

    def token_for(self, session: str) -> str:
        """The token that a form must carry when it comes with this session cookie."""
        return hmac.new(self._secret, session.encode(), hashlib.sha256).hexdigest()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Check the request, then hand it on with its body read."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self.app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        session = _session_of(headers)
        fresh = session is None
        session = session or secrets.token_hex(24)
        send = _with_headers(send, scope, session if fresh else None)
        far = self._gate if self._gate is not None and not is_near(scope) else None
        refusal = _misshapen(headers) or _foreign(headers, scope, far)
        if refusal is not None:
            await (refusal if far is None else far.stranger(scope, refusal))(scope, receive, send)
            return
        state = scope.setdefault("state", {})
        state["near"], state["phone"] = far is None, None
        if far is not None:
            admitted = await far.admit(scope, headers)
            if isinstance(admitted, Response):
                await admitted(scope, receive, send)
                return
            state["phone"] = admitted
            receive = _patient(receive, whole_s=None if is_upload(scope["path"], headers) else WHOLE_S)
        state["form_token"] = self.token_for(session)
        state["form"] = Form([])
        state["stale_form"] = False
        state["uploads"] = ()
        if scope["method"] in SAFE_METHODS:
            await self.app(scope, receive, send)
            return
        try:
            await self._with_body(scope, headers, receive, send, fresh=fresh)
        except _TooSlowError:
            await _plain(408, "That came too slowly, so it was given up. Send it again.")(scope, receive, send)

    async def _with_body(self, scope: Scope, headers: Headers, receive: Receive, send: Send, *, fresh: bool) -> None:
        """Read what was sent along, check it by what it is, and hand the request on."""
        if is_upload(scope["path"], headers):
            await self._take_photographs(scope, receive, send, fresh=fresh)
            return
        body = await self._read(headers, receive)
        if body is None:
            limit = self._max_body_bytes // 1024
            await _plain(413, f"That is too much at once; at most {limit} KiB can be sent.")(scope, receive, send)
            return
        refusal = self._take_form(scope["path"], headers, body, scope["state"], fresh=fresh)
        if refusal is not None:
            await refusal(scope, receive, send)
            return
        await self.app(scope, _replay(body), send)

    def _take_form(
        self, path: str, headers: Headers, body: bytes, state: dict[str, object], *, fresh: bool
    ) -> Response | None:
        """Put the posted form beside the request, and say whether its token counts."""
        kind = headers.get("content-type", "").split(";")[0].strip().lower()
        if path.startswith("/api/"):
            if kind != "application/json":
                return _plain(415, "Send JSON, with the header Content-Type: application/json.")
            return None
        if _SCRIPTED.match(path):
            return self._take_scripted(headers, kind, state, fresh=fresh)
        if kind != "application/x-www-form-urlencoded":
            return _plain(415, "Pages take forms only.")
        try:
            form = Form(parse_qsl(body.decode("latin-1"), keep_blank_values=True, max_num_fields=MAX_FIELDS))
        except ValueError:
            return _plain(400, f"That form has more than {MAX_FIELDS} fields.")
        self._put_form(state, form, fresh=fresh)
        return None

    @staticmethod
    def _take_scripted(headers: Headers, kind: str, state: dict[str, object], *, fresh: bool) -> Response | None:
        """What a script of ours sends: never as a form, and with the token in a header."""
        if kind not in {"application/json", "application/octet-stream"}:
            return _plain(415, "Send JSON or bytes.")
        sent, due = headers.get(TOKEN_HEADER, "").encode(), str(state["form_token"]).encode()
        if fresh or not hmac.compare_digest(sent, due):
            return JSONResponse({"stale": True}, status_code=403)
        return None

    @staticmethod
    def _put_form(state: dict[str, object], form: Form, *, fresh: bool) -> None:
        """The form beside the request, with whether its token is that of the session."""
        state["form"] = form
        sent, due = form.text(TOKEN_FIELD).encode(), str(state["form_token"]).encode()
        state["stale_form"] = fresh or not hmac.compare_digest(sent, due)

    async def _take_photographs(self, scope: Scope, receive: Receive, send: Send, *, fresh: bool) -> None:
        """A form with photographs: its words are checked as those of other forms, its files lie beside it."""
        state = scope["state"]
        uploads: tuple[Upload, ...] = ()
        try:
            pairs, uploads = await read_upload(Headers(scope=scope), receive, scope["path"])
            self._put_form(state, Form(pairs), fresh=fresh)
            state["uploads"] = uploads
            await self.app(scope, _replay(b""), send)
        except UploadRefusedError as error:
            await _plain(error.status, error.words)(scope, receive, send)
        finally:
            for upload in uploads:
                upload.file.close()

    async def _read(self, headers: Headers, receive: Receive) -> bytes | None:
        """The whole body, or ``None`` as soon as it is known to be too large."""
        announced = headers.get("content-length", "0")
        if not announced.isdigit() or int(announced) > self._max_body_bytes:
            return None
        parts: list[bytes] = []
        size = 0
        while True:
            message = await receive()
            if message["type"] == "http.disconnect":
                return b""
            part = message.get("body", b"")
            size += len(part)
            if size > self._max_body_bytes:
                return None
            parts.append(part)
            if not message.get("more_body", False):
                return b"".join(parts)


class _TooSlowError(Exception):
    """Somebody stopped sending, or sends too slowly to be waited for."""


def _patient(receive: Receive, *, whole_s: float | None) -> Receive:
    """Takes what comes, but waits for it only so long."""
    began = time.monotonic()

    async def received() -> Message:
        left = QUIET_S if whole_s is None else min(QUIET_S, whole_s - (time.monotonic() - began))
        try:
            return await asyncio.wait_for(receive(), max(left, 0.001))
        except TimeoutError:
            raise _TooSlowError from None

    return received


def _session_of(headers: Headers) -> str | None:
    value = cookie(headers, COOKIE)
    return value if _SESSION.match(value) else None


def _misshapen(headers: Headers) -> Response | None:
    """The refusal of a request that two programs might read in two ways."""
    if len(headers.getlist("host")) > 1:
        return _plain(400, "A request names one host.")
    if len(headers.getlist("content-length")) > 1 or ("content-length" in headers and "transfer-encoding" in headers):
        return _plain(400, "A request says its length once.")
    return None


def _ours(authority: str, port: int, names: frozenset[str], scheme: str) -> bool:
    match = _HOST.match(authority.lower())
    usual = 443 if scheme == "https" else 80
    return match is not None and match["name"] in names and int(match["port"] or usual) == port


def _foreign(headers: Headers, scope: Scope, far: Gate | None) -> Response | None:
    """The refusal of a request that doesn't come from our own pages, or ``None``."""
    scheme = str(scope.get("scheme") or "http")
    port = (scope.get("server") or ("", 80))[1]
    names = HOST_NAMES if far is None else frozenset({far.network.name})
    if not _ours(headers.get("host", ""), port, names, scheme):
        where = f"http://127.0.0.1:{port}" if far is None else "its own address"
        return _plain(421, f"This bench answers on {where} only.")
    if scope["method"] in SAFE_METHODS:
        return None
    origin = headers.get("origin")
    if origin is not None:
        sent_scheme, _, authority = origin.partition("://")
        # Same machine is not enough: the page must come from the address it posts to.
        same = authority.lower() == headers["host"].lower()
        if sent_scheme != scheme or not _ours(authority, port, names, scheme) or not same:
            return _plain(403, "That was sent from another site's page, so nothing was done.")
    elif headers.get("sec-fetch-site", "none") not in {"same-origin", "none"}:
        return _plain(403, "That was sent from another site's page, so nothing was done.")
    return None


def _plain(status: int, words: str) -> Response:
    return PlainTextResponse(words + "\n", status_code=status)


def _replay(body: bytes) -> Receive:
    sent = False

    async def receive() -> Message:
        nonlocal sent
        if sent:
            return {"type": "http.disconnect"}
        sent = True
        return {"type": "http.request", "body": body, "more_body": False}

    return receive


def _with_headers(send: Send, scope: Scope, new_session: str | None) -> Send:
    secure = "; Secure" if scope.get("scheme") == "https" else ""

    async def sender(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                if headers.get(name) != DRAWING_POLICY:
                    headers[name] = value
            if "cache-control" not in headers:
                headers["cache-control"] = "no-store"
            tells = "text/html" in headers.get("content-type", "") or scope["path"] == TOKEN_PATH
            if new_session is not None and tells:
                headers.append("set-cookie", f"{COOKIE}={new_session}; Path=/; HttpOnly; SameSite=Lax{secure}")
        await send(message)

    return sender
