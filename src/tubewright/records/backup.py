"""Copies of a shop's SQLite file, made while it is in use, and putting one back.

A copy is checked before it counts: SQLite's own integrity check and its foreign
keys. Putting one back keeps the file that was there, under another name.
"""

from __future__ import annotations

import datetime as dt
import os
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from tubewright.errors import Fault, InputError
from tubewright.records.store import Store

PAGES_AT_ONCE: Final = 2000  # from memory: estimate; writers get their turn between the pieces
_SIDES: Final = ("-wal", "-shm")


@dataclass(frozen=True, slots=True, kw_only=True)
class BackupReport:
    """A finished copy: where, how large, and what it holds."""

    path: Path
    bytes: int
    jobs: int
    readings: int


@dataclass(frozen=True, slots=True, kw_only=True)
class RestoreReport:
    """Records put back; ``set_aside`` is where the file that was there went."""

    path: Path
    set_aside: Path | None
    jobs: int
    readings: int


def backup(store: Store, target: Path) -> BackupReport:
    """Copy the records to a new file while they are in use.

    Raises:
        InputError: the records are not in a SQLite file, the target exists or can't
            be written, or the copy fails its check (then it is removed).
    """
    source = store.database.path
    if source is None:
        raise InputError(
            Fault(
                what="these records are in PostgreSQL",
                where="database",
                mend="Use pg_dump, or export the shop to a file",
            )
        )
    if target.exists():
        raise InputError(
            Fault(what="there is a file of that name already", where=str(target), mend="Choose another name")
        )
    jobs, readings = _copy(source, target)
    return BackupReport(path=target, bytes=target.stat().st_size, jobs=jobs, readings=readings)


def restore(copy: Path, target: Path, *, now: dt.datetime) -> RestoreReport:
    """Put a copy in the place of the records; what was there is kept beside it.

    Close the bench first: nobody may have the records open.

    Raises:
        InputError: the copy is missing, damaged or not Tubewright's, or the records are in use.
    """
    if not copy.is_file():
        raise InputError(Fault(what="there is no such file", where=str(copy), mend="Choose a backup"))
    if target.exists() and copy.samefile(target):
        raise InputError(Fault(what="this is the file in use", where=str(copy), mend="Choose a backup"))
    target.parent.mkdir(parents=True, exist_ok=True)
    fresh = target.with_name(f"{target.name}.restoring")
    _remove(fresh)
    jobs, readings = _copy(copy, fresh)
    set_aside = None
    if target.exists():
        _settle(target)
        set_aside = _free_name(target, now)
        for side in ("", *_SIDES):
            if (file := Path(f"{target}{side}")).exists():
                file.rename(f"{set_aside}{side}")
    fresh.rename(target)
    _sync_folder(target.parent)
    return RestoreReport(path=target, set_aside=set_aside, jobs=jobs, readings=readings)


def _copy(source: Path, target: Path) -> tuple[int, int]:
    """Copy a database and check the copy; gives how many jobs and readings it holds."""
    partial = target.with_name(f"{target.name}.partial")
    _remove(partial)
    try:
        with (
            closing(sqlite3.connect(f"{source.resolve().as_uri()}?mode=ro", uri=True)) as old,
            closing(sqlite3.connect(partial)) as new,
        ):
            old.backup(new, pages=PAGES_AT_ONCE)
            # One file, without a log beside it, travels best.
            new.execute("PRAGMA journal_mode = DELETE")
            counts = _check(new, source)
    except (sqlite3.Error, OSError) as error:
        _remove(partial)
        raise InputError(
            Fault(what=f"the records can't be copied ({error})", where=str(source), mend="Check the file and the disk")
        ) from error
    except InputError:
        _remove(partial)
        raise
    with partial.open("rb+") as file:
        os.fsync(file.fileno())
    partial.replace(target)
    _sync_folder(target.parent)
    return counts


def _check(conn: sqlite3.Connection, source: Path) -> tuple[int, int]:
    verdict = conn.execute("PRAGMA integrity_check").fetchone()[0]
    if verdict != "ok" or conn.execute("PRAGMA foreign_key_check").fetchone() is not None:
        raise InputError(
            Fault(what="the records are damaged", where=str(source), mend="Use an earlier backup, and keep this file")
        )
    names = {name for (name,) in conn.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    if not {"alembic_version", "jobs", "readings", "history"} <= names:
        raise InputError(Fault(what="this is not Tubewright's database", where=str(source), mend="Choose a backup"))
    jobs = conn.execute("SELECT count(*) FROM jobs").fetchone()[0]
    readings = conn.execute("SELECT count(*) FROM readings").fetchone()[0]
    return int(jobs), int(readings)


def _settle(path: Path) -> None:
    """Bring a database's log into its file, which nobody else may have open."""
    try:
        with closing(sqlite3.connect(path, timeout=1)) as conn:
            conn.execute("PRAGMA journal_mode = DELETE")
    except sqlite3.OperationalError as error:
        if "locked" in str(error) or "busy" in str(error):
            raise InputError(
                Fault(what="the records are in use", where=str(path), mend="Close the bench, then restore again")
            ) from error
    except sqlite3.DatabaseError:
        # A damaged file is why people restore; it is set aside as it is, log and all.
        return


def _free_name(path: Path, now: dt.datetime) -> Path:
    stem = f"{path.stem}-before-restore-{now:%Y%m%d-%H%M%S}"
    found = path.with_name(stem + path.suffix)
    number = 1
    while found.exists():
        number += 1
        found = path.with_name(f"{stem}-{number}{path.suffix}")
    return found


def _remove(path: Path) -> None:
    for side in ("", "-journal", *_SIDES):
        Path(f"{path}{side}").unlink(missing_ok=True)


def _sync_folder(folder: Path) -> None:
    # A new name is durable once its folder is written; Windows has no such call and needs none.
    if os.name == "posix":
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
