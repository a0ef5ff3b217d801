"""Photographs of a job's display, what they hold, and what was measured from them."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from typing import Final

from sqlalchemy import Connection, insert, select

from tubewright.errors import Fault, InputError, UnknownRecordError
from tubewright.records import checks
from tubewright.records.changes import Change, Values
from tubewright.records.model import MeasurementRecord, PhotoRecord, StoredFile
from tubewright.records.moves import rehang
from tubewright.records.rows import measurement_record, photo_record, records_of
from tubewright.records.setup_choices import let_go
from tubewright.records.tables import jobs, measurements, photo_files, photos
from tubewright.records.transactions import Transactions

LARGEST_FILE_BYTES: Final = 160 * 1024 * 1024
"""One photograph as a phone keeps it raw, with room (estimate)."""
MEDIA_TYPES: Final = frozenset(
    {"image/jpeg", "image/heic", "image/x-adobe-dng", "image/png", "image/tiff", "image/svg+xml"}
)
STAGES: Final = ("before", "after")
"""Of the work: what the picture was like when it came, and when it left."""


class Pictures(Transactions):
    """The part of the store that keeps photographs and measurements."""

    def add_photo(
        self,
        job_id: int,
        data: bytes,
        *,
        media_type: str,
        file_name: str,
        preview: bytes | None = None,
        stage: str | None = None,
        note: str = "",
        by: int | None = None,
    ) -> PhotoRecord:
        """Keep a photograph with its job; the same photograph again gives the record that is there.

        ``preview`` is a small JPEG of it for pages.

        Raises:
            InputError: It is empty, too large, or of no kind that is kept.
        """
        return self.change(
            by, lambda change: _add_photo(change, job_id, data, media_type, file_name, preview, stage, note)
        )

    def remove_photo(self, photo_id: int, *, version: int, by: int | None = None) -> None:
        """Strike a photograph out; what it holds stays, so that this can be taken back."""
        self.change(by, lambda change: change.delete(photos, photo_id, version=version))

    def save_measurement(
        self,
        job_id: int,
        *,
        photo_shas: Sequence[str],
        settings_json: str,
        answer_json: str,
        accepted: bool,
        model_version: str,
        headline: str,
        stage: str | None = None,
        overlay: tuple[str, bytes] | None = None,
        by: int | None = None,
    ) -> MeasurementRecord:
        """Keep what was measured; ``overlay`` is the media type and bytes of the drawing over the photograph."""

        def work(change: Change) -> MeasurementRecord:
            change.row(jobs, job_id)
            for where, document in (("settings_json", settings_json), ("answer_json", answer_json)):
                _json(document, where)
            values: Values = {
                "job_id": job_id,
                "person_id": change.by,
                "at": change.now,
                "stage": _stage(stage),
                "accepted": bool(accepted),
                "photos_json": json.dumps([_sha(one) for one in photo_shas]),
                "settings_json": settings_json,
                "answer_json": answer_json,
                "model_version": checks.name(model_version, "model_version"),
                "overlay_sha256": keep_file(change.conn, overlay[1], overlay[0]) if overlay else None,
                "headline": checks.words(headline, "headline"),
            }
            fresh = change.insert(measurements, values)
            return records_of(change.conn, measurements, measurements.c.id == fresh, measurement_record)[0]

        return self.change(by, work)

    def measurement(self, measurement_id: int) -> MeasurementRecord:
        """One measurement, of whatever job.

        Raises:
            UnknownRecordError: There is none of that number.
        """
        with self.database.read() as conn:
            found = records_of(conn, measurements, measurements.c.id == measurement_id, measurement_record)
        if not found:
            raise UnknownRecordError(
                Fault(what="there is no such measurement", where="measurement", mend="Look at the job's list.")
            )
        return found[0]

    def remove_measurement(self, measurement_id: int, *, version: int, by: int | None = None) -> None:
        """Strike a measurement out; history keeps it. Moves made after it then follow the measurement before it."""

        def work(change: Change) -> None:
            change.still(measurements, measurement_id, version)
            rehang(change, measurement_id)
            let_go(change, measurement_id)
            change.delete(measurements, measurement_id, version=version)

        self.change(by, work)

    def file(self, sha256: str) -> StoredFile:
        """What a photograph or a drawing holds.

        Raises:
            UnknownRecordError: It isn't here: it was imported without its photographs, for instance.
        """
        with self.database.read() as conn:
            found = conn.execute(select(photo_files).where(photo_files.c.sha256 == sha256)).mappings().first()
        if found is None:
            raise UnknownRecordError(
                Fault(
                    what="this photograph isn't kept here",
                    where=sha256[:12],
                    mend="Look for it in the shop where it was taken: an export carries records, not photographs.",
                )
            )
        return StoredFile(sha256=found["sha256"], media_type=found["media_type"], data=bytes(found["data"]))


def _add_photo(
    change: Change,
    job_id: int,
    data: bytes,
    media_type: str,
    file_name: str,
    preview: bytes | None,
    stage: str | None,
    note: str,
) -> PhotoRecord:
    change.row(jobs, job_id)
    sha256 = keep_file(change.conn, data, media_type)
    there = records_of(change.conn, photos, (photos.c.job_id == job_id) & (photos.c.sha256 == sha256), photo_record)
    if there:
        return there[-1]
    values: Values = {
        "job_id": job_id,
        "person_id": change.by,
        "taken_at": change.now,
        "file_name": checks.name(file_name[-checks.LONGEST_NAME :], "file_name"),
        "sha256": sha256,
        "preview_sha256": keep_file(change.conn, preview, "image/jpeg") if preview else None,
        "stage": _stage(stage),
        "note": checks.words(note, "note"),
    }
    fresh = change.insert(photos, values)
    return records_of(change.conn, photos, photos.c.id == fresh, photo_record)[0]


def keep_file(conn: Connection, data: bytes, media_type: str) -> str:
    """Store bytes under their hash, once; gives the hash.

    Raises:
        InputError: they are empty, too large, or of no kind that is kept.
    """
    if media_type not in MEDIA_TYPES:
        raise InputError(
            Fault(
                what="this is no kind of photograph that is kept here", where=media_type, mend="Send JPEG, HEIC or DNG"
            )
        )
    if not data:
        raise InputError(Fault(what="the file is empty", where="photo", mend="Send it again"))
    if len(data) > LARGEST_FILE_BYTES:
        most = LARGEST_FILE_BYTES // 2**20
        raise InputError(
            Fault(what=f"the file has more than {most} MiB", where="photo", mend="Send a smaller photograph")
        )
    sha256 = hashlib.sha256(data).hexdigest()
    if conn.execute(select(photo_files.c.sha256).where(photo_files.c.sha256 == sha256)).first() is None:
        conn.execute(insert(photo_files).values(sha256=sha256, media_type=media_type, size=len(data), data=data))
    return sha256


def _sha(value: str) -> str:
    if len(value) == 64 and set(value) <= set("0123456789abcdef"):
        return value
    raise InputError(Fault(what="this names no photograph", where="photos", mend="Give its SHA-256"))


def _stage(value: str | None) -> str | None:
    if value is None or value in STAGES:
        return value
    raise InputError(Fault(what="there is no such stage", where="stage", mend=f"Known are {', '.join(STAGES)}"))


def _json(document: str, where: str) -> None:
    try:
        json.loads(document)
    except ValueError as error:
        raise InputError(Fault(what="this is no JSON document", where=where, mend="Send it as JSON")) from error
