"""Tables of what phones are let in with and send; outside the history, as nobody edits them.

Of a secret only its hash is kept. None of these travels to another shop.
"""

from __future__ import annotations

from typing import Final

from sqlalchemy import CheckConstraint, Column, Index, Integer, LargeBinary, String, Table, Text

from tubewright.records.columns import METADATA, UtcTime, link

pairings: Final = Table(
    "pairings",
    METADATA,
    Column("id", Integer, primary_key=True),
    Column("name", Text, nullable=False),
    Column("secret_sha256", String(64), nullable=False, unique=True),
    Column("session_sha256", String(64), unique=True),
    Column("made_at", UtcTime, nullable=False),
    Column("expires_at", UtcTime, nullable=False),
    Column("used_at", UtcTime),
    Column("last_seen_at", UtcTime),
    Column("revoked_at", UtcTime),
    sqlite_autoincrement=True,
)

sent_once: Final = Table(
    "sent_once",
    METADATA,
    Column("key", String(120), primary_key=True),
    link("pairing_id", "pairings", needed=False),
    Column("at", UtcTime, nullable=False),
    Column("what", String(120), nullable=False),
    Column("answer_json", Text, nullable=False),
)
"""What was sent under a key of its own, and the answer it got: sent again, it gets the same and does nothing."""

uploads: Final = Table(
    "uploads",
    METADATA,
    Column("id", Integer, primary_key=True),
    Column("key", String(120), nullable=False, unique=True),
    link("pairing_id", "pairings", needed=False),
    # No foreign keys to job and photograph: taking those back must not wait for this.
    Column("job_id", Integer, nullable=False),
    Column("file_name", Text, nullable=False),
    Column("size", Integer, nullable=False),
    Column("sha256", String(64)),
    Column("received", Integer, nullable=False),
    Column("state", String(10), nullable=False),
    CheckConstraint("state IN ('open', 'done', 'dropped')", name="state"),
    Column("made_at", UtcTime, nullable=False),
    Column("changed_at", UtcTime, nullable=False),
    Column("photo_id", Integer),
    sqlite_autoincrement=True,
)

upload_chunks: Final = Table(
    "upload_chunks",
    METADATA,
    Column("upload_id", Integer, primary_key=True, autoincrement=False),
    Column("offset", Integer, primary_key=True, autoincrement=False),
    Column("data", LargeBinary, nullable=False),
)
"""The bytes of an open upload, piece by piece as they were acknowledged."""

Index(None, sent_once.c.at)
Index(None, uploads.c.state, uploads.c.changed_at)
