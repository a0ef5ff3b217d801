"""A shop, or one job, as one JSON document, and back.

The document (version 1)::

    {"kind": "tubewright-records", "version": 1, "scope": "shop" or "job",
     "exported_at": "2026-03-01T10:00:00+00:00",
     "tables": {"people": [{"uid": "…", "version": 1, "name": "…", …}, …], …},
     "history": [ … ]}

Rows carry every column but the local ``id``; where a row points to another, the
key ends in ``_uid`` and names that row's uid. Moments are ISO 8601 with their
zone. Columns that can be worked out from others are left out, but for a job's
``changed_at``. The history comes along with a whole shop, for reading: changes
made elsewhere can't be undone here.

Importing adds rows whose uid is not yet known and leaves the others as they are,
so that doing it twice is doing it once. All happens in one transaction: a
document with a fault in it changes nothing.
"""

from __future__ import annotations

import json
import os
from pathlib import Path

from sqlalchemy.exc import IntegrityError

from tubewright.errors import Fault, InputError
from tubewright.records.arriving import ImportReport, add, contradiction
from tubewright.records.incoming import checked, one_job, parse
from tubewright.records.outgoing import Document, job_document, shop_document
from tubewright.records.store import Store

__all__ = ["ImportReport"]
"""What is defined beside this module and found here as well."""


def export_shop(store: Store) -> Document:
    """Everything in the records as one document."""
    with store.database.read() as conn:
        return shop_document(conn, store.clock())


def export_job(store: Store, job_id: int) -> Document:
    """One job with the display, tubes, people, instruments and items that it speaks of."""
    with store.database.read() as conn:
        return job_document(conn, job_id, store.clock())


def write_export(document: Document, path: Path) -> None:
    """Write a document; the file is there whole or not at all."""
    partial = path.with_name(path.name + ".partial")
    with partial.open("w", encoding="utf-8") as file:
        json.dump(document, file, ensure_ascii=False, allow_nan=False, indent=1)
        file.flush()
        os.fsync(file.fileno())
    partial.replace(path)


def import_file(store: Store, path: Path, *, by: int | None = None) -> ImportReport:
    """Read a document from a file and import it.

    Raises:
        InputError: the file can't be read, is no such document, or has faults; nothing was changed.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(
            Fault(what=f"the file can't be read ({error})", where=str(path), mend="Choose a Tubewright export")
        ) from error
    return import_document(store, parse(text, where=str(path)), by=by)


def import_document(store: Store, document: object, *, by: int | None = None) -> ImportReport:
    """Add what a document holds and the records don't, in one transaction.

    Raises:
        InputError: with the faults found; nothing was changed.
    """
    rows, entries = checked(document)
    of_job = one_job(document, rows)
    try:
        return store.change(by, lambda change: add(change, rows, entries, of_job=of_job))
    except IntegrityError as error:
        raise contradiction(error) from error
