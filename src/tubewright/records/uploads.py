"""Files that come in pieces over a connection that breaks: each piece acknowledged is kept."""

from __future__ import annotations

import datetime as dt
import hashlib
from typing import Any, Final

from sqlalchemy import Connection, Row, delete, func, insert, select, update
from sqlalchemy.exc import IntegrityError

from tubewright.errors import ConflictError, Fault, InputError, UnknownRecordError
from tubewright.records import checks
from tubewright.records.changes import row
from tubewright.records.model import UploadRecord
from tubewright.records.phones import check_key
from tubewright.records.pictures import LARGEST_FILE_BYTES
from tubewright.records.tables import jobs, upload_chunks, uploads
from tubewright.records.transactions import Transactions

LARGEST_CHUNK: Final = 16 * 1024 * 1024
"""Bytes of one piece (estimate; a phone sends a tenth of it at a time)."""
MOST_OPEN: Final = 500
"""Uploads that may be open at once (estimate; a day's photographs waiting in a few pockets)."""
MOST_WAITING_BYTES: Final = 4 * 1024**3
"""Bytes of open uploads that may wait at once (estimate; a hundred photographs as phones keep them raw)."""


class WrongOffsetError(ConflictError):
    """A piece began elsewhere than where the one before ended; ``received`` is where the next must begin."""

    def __init__(self, fault: Fault, *, received: int) -> None:
        super().__init__(fault)
        self.received = received


class Uploads(Transactions):
    """The part of the store that keeps files while they arrive; outside the history, as nobody edits them."""

    def begin_upload(
        self,
        key: str,
        job_id: int,
        file_name: str,
        size: int,
        sha256: str | None = None,
        pairing_id: int | None = None,
    ) -> UploadRecord:
        """Begin to take a file in, or find how far it came: the same key gives the same upload.

        One that was dropped begins anew.

        Args:
            key: 8 to 120 signs that the sender made up for this file.
            job_id: the job that the photograph is for.
            file_name: what the sender calls it.
            size: its bytes.
            sha256: what the whole should hash to, if the sender can tell.
            pairing_id: the phone that sends it.

        Raises:
            InputError: it is empty or too large, or too many are open.
            ConflictError: the key was used for another file.
        """
        check_key(key)
        name = checks.name(file_name[-checks.LONGEST_NAME :], "file_name")
        whole = None if sha256 is None else checks.sha(sha256, "sha256")
        if type(size) is not int or not 1 <= size <= LARGEST_FILE_BYTES:
            raise InputError(
                Fault(
                    what="this size can't be taken",
                    where="size",
                    mend=f"Send a file of 1 to {LARGEST_FILE_BYTES} bytes ({LARGEST_FILE_BYTES // 2**20} MiB)",
                )
            )
        asked = {"job_id": job_id, "size": size, "sha256": whole}

        def work(conn: Connection) -> UploadRecord:
            row(conn, jobs, job_id)
            found = conn.execute(select(uploads).where(uploads.c.key == key)).first()
            now = self.clock()
            if found is None:
                _room(conn, size)
                values = {
                    **asked, "key": key, "pairing_id": pairing_id, "file_name": name, "received": 0, "state": "open",
                    "made_at": now, "changed_at": now, "photo_id": None,
                }  # fmt: skip
                return _upload(conn.execute(insert(uploads).values(values).returning(*uploads.c)).one())
            known = _upload(found)
            if (known.job_id, known.size, known.sha256) != (job_id, size, whole):
                raise ConflictError(
                    Fault(what="this key was used for another file", where="key", mend="Send it under a key of its own")
                )
            if known.state != "dropped":
                return known
            _room(conn, size)
            return _write(conn, known.id, received=0, state="open", changed_at=now, pairing_id=pairing_id)

        try:
            return self.database.write(work)
        except IntegrityError:
            # Another process on PostgreSQL was quicker to begin it.
            return self.database.write(work)

    def take_chunk(self, upload_id: int, offset: int, data: bytes) -> UploadRecord:
        """Keep a piece; when this returns, it is on the disk.

        Raises:
            WrongOffsetError: it doesn't begin where the one before ended; ``received`` says where that is.
            InputError: it is empty, too large, or goes beyond the end; or the upload isn't open.
        """

        def work(conn: Connection) -> UploadRecord:
            known = _open(conn, upload_id)
            if offset != known.received:
                raise WrongOffsetError(
                    Fault(
                        what=f"the next piece begins at byte {known.received}, not at {offset}",
                        where="offset",
                        mend=f"Go on from byte {known.received}",
                    ),
                    received=known.received,
                )
            if not data or len(data) > LARGEST_CHUNK:
                raise InputError(
                    Fault(
                        what="the piece is empty" if not data else "the piece is too large",
                        where="data",
                        mend=f"Send 1 to {LARGEST_CHUNK} bytes at a time",
                    )
                )
            if known.received + len(data) > known.size:
                raise InputError(
                    Fault(
                        what=f"the piece goes beyond the {known.size} bytes that were announced",
                        where="data",
                        mend="Send what is left of the file, or begin a new upload",
                    )
                )
            # The upload first: on PostgreSQL whoever comes second with the same piece then waits, and is told.
            taken = _write(conn, upload_id, received=offset + len(data), changed_at=self.clock())
            conn.execute(insert(upload_chunks).values(upload_id=upload_id, offset=offset, data=data))
            return taken

        return self.database.write(work)

    def finish_upload(self, upload_id: int) -> bytes:
        """The whole file, once all of it is here; it stays until :meth:`close_upload`.

        Raises:
            InputError: pieces are missing, or it isn't what was announced; then it begins anew from byte 0.
        """

        def work(conn: Connection) -> bytes | None:
            known = _open(conn, upload_id)
            if known.received < known.size:
                raise WrongOffsetError(
                    Fault(
                        what=f"only {known.received} of {known.size} bytes are here",
                        where="upload",
                        mend=f"Go on from byte {known.received}",
                    ),
                    received=known.received,
                )
            mine = select(upload_chunks.c.data).where(upload_chunks.c.upload_id == upload_id)
            data = b"".join(conn.execute(mine.order_by(upload_chunks.c.offset)).scalars())
            if known.sha256 in {None, hashlib.sha256(data).hexdigest()}:
                return data
            _empty(conn, [upload_id])
            _write(conn, upload_id, received=0, changed_at=self.clock())
            return None

        data = self.database.write(work)
        if data is None:
            raise WrongOffsetError(
                Fault(what="the file was damaged on its way", where="upload", mend="Send it again from byte 0"),
                received=0,
            )
        return data

    def close_upload(self, upload_id: int, photo_id: int | None) -> UploadRecord:
        """Say which photograph a file became; its pieces are let go of. Said again, it stays as it is."""

        def work(conn: Connection) -> UploadRecord:
            known = _found(conn, upload_id)
            if known.state == "done":
                return known
            _open(conn, upload_id)
            _empty(conn, [upload_id])
            return _write(conn, upload_id, state="done", photo_id=photo_id, changed_at=self.clock())

        return self.database.write(work)

    def upload(self, upload_id: int) -> UploadRecord:
        """One upload.

        Raises:
            UnknownRecordError: there is none of that id.
        """
        with self.database.read() as conn:
            return _found(conn, upload_id)

    def upload_by_key(self, key: str) -> UploadRecord | None:
        """The upload that was begun under a key; None if none was."""
        with self.database.read() as conn:
            found = conn.execute(select(uploads).where(uploads.c.key == key)).first()
        return None if found is None else _upload(found)

    def drop_stale_uploads(self, before: dt.datetime) -> int:
        """Give open uploads up to which nothing came since a moment, and let go of their pieces; gives how many."""

        def work(conn: Connection) -> int:
            stale = select(uploads.c.id).where(uploads.c.state == "open", uploads.c.changed_at < before)
            ids = list(conn.execute(stale).scalars())
            _empty(conn, ids)
            for upload_id in ids:
                _write(conn, upload_id, state="dropped", received=0, changed_at=self.clock())
            return len(ids)

        return self.database.write(work)


def _room(conn: Connection, size: int) -> None:
    """Refuse when what waits already fills its room."""
    asked = select(func.count(), func.coalesce(func.sum(uploads.c.size), 0)).where(uploads.c.state == "open")
    count, waiting = conn.execute(asked).one()
    if count >= MOST_OPEN or int(waiting) + size > MOST_WAITING_BYTES:
        raise InputError(
            Fault(
                what="too many files are half here already",
                where="upload",
                mend="Let those finish first; what nobody goes on with is dropped after a while",
            )
        )


def _found(conn: Connection, upload_id: int) -> UploadRecord:
    found = conn.execute(select(uploads).where(uploads.c.id == upload_id)).first()
    if found is None:
        raise UnknownRecordError(
            Fault(what=f"there is no upload {upload_id}", where="upload", mend="Begin it again with its key")
        )
    return _upload(found)


def _open(conn: Connection, upload_id: int) -> UploadRecord:
    known = _found(conn, upload_id)
    if known.state != "open":
        why = "is here already" if known.state == "done" else "was given up"
        raise InputError(Fault(what=f"this file {why}", where="upload", mend="Begin it again with its key"))
    return known


def _write(conn: Connection, upload_id: int, **values: object) -> UploadRecord:
    done = update(uploads).where(uploads.c.id == upload_id).values(values).returning(*uploads.c)
    return _upload(conn.execute(done).one())


def _empty(conn: Connection, ids: list[int]) -> None:
    for upload_id in ids:
        conn.execute(delete(upload_chunks).where(upload_chunks.c.upload_id == upload_id))


def _upload(found: Row[Any]) -> UploadRecord:
    return UploadRecord(**found._mapping)  # noqa: SLF001 - SQLAlchemy's documented way to a row's names
