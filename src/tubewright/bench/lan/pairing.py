"""How a phone is let in: a secret shown as a QR code, used once, soon worthless; then a session of its own."""

from __future__ import annotations

import base64
import datetime as dt
import hashlib
import hmac
import io
import re
import secrets
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Protocol

if TYPE_CHECKING:
    from tubewright.records.model import Pairing


CODE_MINUTES: Final = 5.0
"""How long a code can be used (estimate: time to fetch the phone from the other bench)."""
SESSION_DAYS: Final = 90.0
"""How long a phone stays paired unless it is unpaired before (estimate: a season, then it is asked for once more)."""
KEPT_DAYS: Final = 1.0
"""How long a code that nobody used is still known by its hash (estimate)."""
SECRET_BYTES: Final = 15
"""120 bits, 24 letters of RFC 4648's base 32, so that a code can be typed where no camera reads it. NIST SP 800-63B
asks for 64 bits of what is looked up by its hash and guessed at a limited rate."""
SESSION_BYTES: Final = 32
"""256 bits for the session's cookie."""
PHONE_COOKIE: Final = "tubewright_phone"
LONGEST_NAME: Final = 60

_SESSION: Final = re.compile(r"^[0-9a-f]{64}$")
_TYPED: Final = re.compile(r"[\s\-]+")
_MISREAD: Final = str.maketrans("018", "OIB")
"""Figures that the alphabet of base 32 lacks, as the letters they are taken for."""


def new_secret() -> str:
    """A fresh code: 24 letters and figures."""
    return base64.b32encode(secrets.token_bytes(SECRET_BYTES)).decode()


def in_groups(secret: str) -> str:
    """A code as people read it off.

    Example:
        >>> in_groups("ABCDEFGHIJKLMNOPQRSTUVWX")
        'ABCD EFGH IJKL MNOP QRST UVWX'
    """
    return " ".join(secret[start : start + 4] for start in range(0, len(secret), 4))


def as_secret(typed: str) -> str:
    """A code as it was scanned or typed: without blanks, in capitals, with misread figures put right.

    Example:
        >>> as_secret("abcd-efgh ijk1")
        'ABCDEFGHIJKI'
    """
    return _TYPED.sub("", typed[:100]).upper().translate(_MISREAD)


def new_session() -> str:
    """A fresh value of the session's cookie."""
    return secrets.token_hex(SESSION_BYTES)


def is_session(value: str) -> bool:
    """Whether a cookie has the form of a session; anything else isn't worth looking up."""
    return _SESSION.match(value) is not None


def digest(secret: str) -> str:
    """What is kept of a secret: SHA-256, in hexadecimal. Enough for random secrets that nobody can guess."""
    return hashlib.sha256(secret.encode()).hexdigest()


class Pairings(Protocol):
    """What is asked of the shop's records."""

    clock: Callable[[], dt.datetime]

    def add_pairing(self, name: str, secret_sha256: str, expires_at: dt.datetime) -> Pairing:
        """A code that can be used once until it expires."""

    def pairings(self) -> tuple[Pairing, ...]:
        """All of them."""

    def revoke_pairing(self, pairing_id: int) -> Pairing:
        """Shut one out."""

    def drop_old_pairings(self, before: dt.datetime) -> int:
        """Forget codes that ran out unused."""

    def pairing_of_session(self, session_sha256: str) -> Pairing | None:
        """The phone with this session, unless it was shut out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Offer:
    """A code that is on show: the pairing it leads to, its secret, until when."""

    pairing_id: int
    secret: str
    expires_at: dt.datetime


class Offers:
    """The one code that is on show. Its secret is kept in memory only; the records hold its hash."""

    def __init__(self) -> None:
        self._offer: Offer | None = None
        self._lock = threading.Lock()

    def make(self, store: Pairings) -> Offer:
        """Show a new code; the one before, if nobody used it, is worth nothing from now on."""
        with self._lock:
            self._drop(store)
            store.drop_old_pairings(store.clock() - dt.timedelta(days=KEPT_DAYS))
            secret = new_secret()
            until = store.clock() + dt.timedelta(minutes=CODE_MINUTES)
            found = store.add_pairing("", digest(secret), until)
            self._offer = Offer(pairing_id=found.id, secret=secret, expires_at=until)
            return self._offer

    def drop(self, store: Pairings) -> None:
        """Show no code any more."""
        with self._lock:
            self._drop(store)

    def _drop(self, store: Pairings) -> None:
        if self._offer is not None:
            old = next((p for p in store.pairings() if p.id == self._offer.pairing_id), None)
            if old is not None and old.used_at is None and old.revoked_at is None:
                store.revoke_pairing(old.id)
            self._offer = None

    def current(self) -> Offer | None:
        """The code that was last shown, whether it still counts or not."""
        with self._lock:
            return self._offer


def phone_of(store: Pairings, session: str) -> Pairing | None:
    """The paired phone that a cookie belongs to, or ``None``: unknown, shut out, or paired too long ago."""
    if not is_session(session):
        return None
    asked = digest(session)
    found = store.pairing_of_session(asked)
    # Found by its hash already; compared once more so that no index decides by the letters it happened to read.
    if found is None or not hmac.compare_digest(found.session_sha256 or "", asked):
        return None
    if found.used_at is None or store.clock() - found.used_at > dt.timedelta(days=SESSION_DAYS):
        return None
    return found


def qr_svg(text: str) -> bytes:
    """A QR code (ISO/IEC 18004, level M) as a drawing, black on white with its quiet zone, whatever the theme."""
    import segno

    out = io.BytesIO()
    segno.make(text, error="m", micro=False).save(out, kind="svg", border=4, dark="#000", light="#fff", scale=8)
    return out.getvalue()
