"""Records of the phones that were let in, and of files on their way from one."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Literal

UploadState = Literal["open", "done", "dropped"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pairing:
    """An invitation to a phone, and since ``used_at`` the phone itself; of its secrets only hashes are kept."""

    id: int
    name: str
    secret_sha256: str
    session_sha256: str | None
    made_at: dt.datetime
    expires_at: dt.datetime
    used_at: dt.datetime | None = None
    last_seen_at: dt.datetime | None = None
    revoked_at: dt.datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class UploadRecord:
    """A file that comes in pieces: of ``size`` bytes the first ``received`` are kept."""

    id: int
    key: str
    pairing_id: int | None
    job_id: int
    file_name: str
    size: int
    sha256: str | None
    received: int
    state: UploadState
    made_at: dt.datetime
    changed_at: dt.datetime
    photo_id: int | None = None
