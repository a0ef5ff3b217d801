"""One job whole, to be kept or sent: its records with their history, and the photographs they speak of."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, select
from sqlalchemy.exc import IntegrityError

from tubewright.errors import ConflictError, Fault, InputError
from tubewright.records.arriving import add, contradiction
from tubewright.records.changes import Change
from tubewright.records.incoming import checked, one_job
from tubewright.records.outgoing import Document, job_document
from tubewright.records.pictures import LARGEST_FILE_BYTES, MEDIA_TYPES, Pictures, keep_file
from tubewright.records.tables import jobs, photo_files


class OneJob(Pictures):
    """The part of the store that gives a job away whole, and takes one in."""

    def job_archive(self, job_id: int) -> Document:
        """All of one job as plain JSON: what :func:`~tubewright.records.exchange.export_job` gives, and more.

        ``history`` holds the job's own history, and ``files`` says by SHA-256 the media type
        and size of every photograph and drawing that its rows speak of and that is kept
        here; :meth:`photo_bytes` gives the bytes.

        Raises:
            UnknownRecordError: there is no such job.
        """
        with self.database.read() as conn:
            made = job_document(conn, job_id, self.clock(), with_history=True)
            return made | {"files": _files(conn, _named(made["tables"]))}

    def photo_bytes(self, sha256: str) -> bytes:
        """The bytes of a photograph or drawing.

        Raises:
            UnknownRecordError: it isn't kept here.
        """
        return self.file(sha256).data

    def take_in_job(self, archive: Mapping[str, object], files: Mapping[str, bytes], *, by: int | None = None) -> int:
        """Take in a job that :meth:`job_archive` gave, here or in another shop; gives its number here.

        Display, tubes, people and items that are known here already stay as they are.
        The job's own history comes along, marked as from elsewhere; the taking in is one
        change, which can be taken back.

        Args:
            archive: what :meth:`job_archive` gave.
            files: by SHA-256, the bytes of what it names under ``files``.
            by: who took it in.

        Raises:
            ConflictError: the job is here already; its number is named.
            InputError: the archive or a file has a fault. Nothing was changed in either case.
        """
        document = dict(archive)
        rows, entries = checked(document)
        uid = one_job(document, rows)
        if uid is None:
            raise InputError(
                Fault(what="this is not one job", where="scope", mend="Choose the archive of a job, not of a shop")
            )
        kinds = _checked_files(document.get("files", {}), files, _named(rows))

        def work(change: Change) -> int:
            there = change.conn.execute(select(jobs.c.id).where(jobs.c.uid == uid)).scalar()
            if there is not None:
                raise ConflictError(
                    Fault(
                        what=f"this job is here already: it is job {there}",
                        where=f"job {there}",
                        mend="Look at that one; nothing was changed",
                    )
                )
            add(change, rows, entries, of_job=uid)
            for sha256, media_type in kinds.items():
                keep_file(change.conn, files[sha256], media_type)
            return int(change.conn.execute(select(jobs.c.id).where(jobs.c.uid == uid)).scalar_one())

        try:
            return self.change(by, work)
        except IntegrityError as error:
            raise contradiction(error) from error


def _named(tables: Mapping[str, Any]) -> set[str]:
    """The SHA-256 of every photograph and drawing that rows speak of."""
    found: set[str | None] = set()
    for photo in tables["photos"]:
        found |= {photo["sha256"], photo["preview_sha256"]}
    for measurement in tables["measurements"]:
        found |= {measurement["overlay_sha256"]}
        try:
            of_it = json.loads(measurement["photos_json"])
        except ValueError:
            continue
        found |= {one for one in of_it if isinstance(one, str)} if isinstance(of_it, list) else set()
    return {one for one in found if one is not None}


def _files(conn: Connection, named: set[str]) -> Document:
    columns = (photo_files.c.sha256, photo_files.c.media_type, photo_files.c.size)
    rows = conn.execute(select(*columns).where(photo_files.c.sha256.in_(named)).order_by(photo_files.c.sha256))
    return {one.sha256: {"media_type": one.media_type, "size": one.size} for one in rows}


def _checked_files(listed: object, files: Mapping[str, bytes], named: set[str]) -> dict[str, str]:
    """The media type of every file that comes along.

    Raises:
        InputError: one is missing, is not what it is called, or belongs to nothing; every fault is named.
    """
    if not isinstance(listed, dict):
        raise InputError(_fault("this is no list of files", "files"))
    faults: list[Fault] = []
    kinds: dict[str, str] = {}
    for sha256, said in listed.items():
        where = f"files.{str(sha256)[:12]}"
        data = files.get(sha256)
        media_type = said.get("media_type") if isinstance(said, dict) else None
        if sha256 not in named:
            faults.append(_fault("nothing in the job speaks of this file", where))
        elif not isinstance(media_type, str) or media_type not in MEDIA_TYPES:
            faults.append(_fault("this is no kind of photograph that is kept here", where))
        elif data is None:
            faults.append(_fault("this photograph is named and doesn't come along", where))
        elif not data or len(data) > LARGEST_FILE_BYTES or hashlib.sha256(data).hexdigest() != sha256:
            faults.append(_fault("this photograph is not the one that was packed", where))
        else:
            kinds[sha256] = media_type
    if faults:
        raise InputError(faults)
    return kinds


def _fault(what: str, where: str) -> Fault:
    return Fault(what=what, where=where, mend="Pack the job again in the shop it came from")
