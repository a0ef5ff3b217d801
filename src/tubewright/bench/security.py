"""The guard in front of every page: who may ask, from where, and how much.

The bench runs on one machine for the people in front of it. A web page open in
the same browser must not be able to read it or to post to it, so each request is
checked before any route sees it: its Host (which also stops rebinding of foreign
names to this machine), its Origin, its size, and for forms a token that is bound
to a cookie. Every answer carries headers that forbid anything from elsewhere.

Photographs, and a board's part list, come as multipart forms, on their own addresses only
(:mod:`tubewright.bench.uploads`).
"""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
from collections.abc import Mapping
from http.cookies import CookieError, SimpleCookie
from typing import Final
from urllib.parse import parse_qsl

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from tubewright.bench.uploads import Upload, UploadRefusedError, is_upload, read_upload

MAX_BODY_BYTES: Final = 1_048_576
MAX_FIELDS: Final = 5_000
COOKIE: Final = "tubewright_session"
TOKEN_FIELD: Final = "form_token"  # noqa: S105 - the name of a field, not a secret
HOST_NAMES: Final = frozenset({"127.0.0.1", "localhost", "[::1]"})
SAFE_METHODS: Final = frozenset({"GET", "HEAD", "OPTIONS"})

_HOST = re.compile(r"^(?P<name>\[[0-9a-f:]+\]|[a-z0-9.-]+)(?::(?P<port>\d{1,5}))?$")
_SESSION = re.compile(r"^[0-9a-f]{48}$")
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
    """

    def __init__(self, app: ASGIApp, *, secret: bytes | None = None, max_body_bytes: int = MAX_BODY_BYTES) -> None:
        self.app = app
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
        send = _with_headers(send, session if fresh else None)
        port = (scope.get("server") or ("", 80))[1]
        refusal = _foreign(headers, scope["method"], port)
        if refusal is not None:
            await refusal(scope, receive, send)
            return
        state = scope.setdefault("state", {})
        state["form_token"] = self.token_for(session)
        state["form"] = Form([])
        state["stale_form"] = False
        state["uploads"] = ()
        if scope["method"] in SAFE_METHODS:
            await self.app(scope, receive, send)
            return
        if is_upload(scope["path"], headers):
            await self._take_photographs(scope, receive, send, fresh=fresh)
            return
        body = await self._read(headers, receive)
        if body is None:
            limit = self._max_body_bytes // 1024
            await _plain(413, f"That is too much at once; at most {limit} KiB can be sent.")(scope, receive, send)
            return
        refusal = self._take_form(scope["path"], headers, body, state, fresh=fresh)
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
        if kind != "application/x-www-form-urlencoded":
            return _plain(415, "Pages take forms only.")
        try:
            form = Form(parse_qsl(body.decode("latin-1"), keep_blank_values=True, max_num_fields=MAX_FIELDS))
        except ValueError:
            return _plain(400, f"That form has more than {MAX_FIELDS} fields.")
        self._put_form(state, form, fresh=fresh)
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


def _session_of(headers: Headers) -> str | None:
    try:
        morsel = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
    except CookieError:
        return None
    return morsel.value if morsel is not None and _SESSION.match(morsel.value) else None


def _ours(authority: str, port: int) -> bool:
    match = _HOST.match(authority.lower())
    return match is not None and match["name"] in HOST_NAMES and int(match["port"] or 80) == port


def _foreign(headers: Headers, method: str, port: int) -> Response | None:
    """The refusal of a request that doesn't come from our own pages, or ``None``."""
    if not _ours(headers.get("host", ""), port):
        return _plain(421, f"This bench answers on http://127.0.0.1:{port} only.")
    if method in SAFE_METHODS:
        return None
    origin = headers.get("origin")
    if origin is not None:
        scheme, _, authority = origin.partition("://")
        # Same machine is not enough: the page must come from the address it posts to.
        if scheme != "http" or not _ours(authority, port) or authority.lower() != headers["host"].lower():
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


def _with_headers(send: Send, new_session: str | None) -> Send:
    async def sender(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                if headers.get(name) != DRAWING_POLICY:
                    headers[name] = value
            if "cache-control" not in headers:
                headers["cache-control"] = "no-store"
            if new_session is not None and "text/html" in headers.get("content-type", ""):
                headers.append("set-cookie", f"{COOKIE}={new_session}; Path=/; HttpOnly; SameSite=Lax")
        await send(message)

    return sender
