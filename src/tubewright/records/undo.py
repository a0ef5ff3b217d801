"""The history, and taking a change back by writing a new one."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, Row, select
from sqlalchemy.exc import IntegrityError

from tubewright.errors import ConflictError, Fault, UnknownRecordError
from tubewright.records.changes import Change, conflict, from_json
from tubewright.records.model import HistoryRecord
from tubewright.records.tables import BY_NAME, NOUNS, people
from tubewright.records.tables import history as entries


def history(
    conn: Connection, *, job_id: int | None, person_id: int | None, size: int, change: str | None = None
) -> tuple[HistoryRecord, ...]:
    """The last changes, newest first."""
    query = (
        select(entries, people.c.name.label("person"))
        .select_from(entries.outerjoin(people, people.c.id == entries.c.person_id))
        .order_by(entries.c.id.desc())
        .limit(max(0, size))
    )
    if job_id is not None:
        query = query.where(entries.c.job_id == job_id)
    if person_id is not None:
        query = query.where(entries.c.person_id == person_id)
    if change is not None:
        query = query.where(entries.c.change == change)
    return tuple(_record(entry) for entry in conn.execute(query))


def _record(entry: Row[Any]) -> HistoryRecord:
    return HistoryRecord(
        id=entry.id,
        change=entry.change,
        at=entry.at,
        person=entry.person or "",
        action=entry.action,
        table=entry.table_name,
        row_id=entry.row_id,
        job_id=entry.job_id,
        before=json.loads(entry.before) if entry.before else None,
        after=json.loads(entry.after) if entry.after else None,
        undoes=entry.undoes,
        from_elsewhere=entry.from_elsewhere,
    )


def undo(change: Change, history_id: int | None) -> tuple[HistoryRecord, ...]:
    """Take back all rows that were changed together, last first."""
    target = _last_of(change) if history_id is None else _named(change.conn, history_id)
    change.undoes = target
    taken = change.conn.execute(select(entries).where(entries.c.change == target).order_by(entries.c.id.desc())).all()
    for entry in taken:
        try:
            if entry.table_name == "tubes":
                # Jobs name the tube in their display; the fitting may have gone back a moment ago.
                change.finish()
            _reverse(change, entry)
        except IntegrityError as error:
            raise _hangs(entry) from error
    everything = history(change.conn, job_id=None, person_id=None, size=len(taken), change=target)
    return tuple(reversed(everything))


def _hangs(entry: Row[Any]) -> ConflictError:
    noun = NOUNS[entry.table_name]
    return ConflictError(
        Fault(
            what=f"other records hang on this {noun}, or its place has been taken",
            where=f"{noun} {entry.row_id}",
            mend="Take those back first",
        )
    )


def _last_of(change: Change) -> str:
    mine = entries.c.person_id.is_(None) if change.by is None else entries.c.person_id == change.by
    taken_back = select(entries.c.undoes).where(entries.c.undoes.is_not(None))
    found = change.conn.execute(
        select(entries.c.change)
        .where(
            mine,
            entries.c.undoes.is_(None),
            entries.c.from_elsewhere.is_(False),
            entries.c.change.not_in(taken_back),
        )
        .order_by(entries.c.id.desc())
        .limit(1)
    ).scalar()
    if found is None:
        raise UnknownRecordError(
            Fault(what="there is nothing to take back", where="history", mend="Choose a change from the history")
        )
    return str(found)


def _named(conn: Connection, history_id: int) -> str:
    found = conn.execute(select(entries.c.change, entries.c.from_elsewhere).where(entries.c.id == history_id)).first()
    if found is None or found.from_elsewhere:
        why = "happened in another shop's records" if found else "is not in the history"
        raise UnknownRecordError(
            Fault(what=f"change {history_id} {why}", where="history", mend="Choose another from the history")
        )
    return str(found.change)


def _unchanged_since(change: Change, entry: Row[Any], after: Mapping[str, object]) -> int:
    """The version of a row that still, or again, holds what this entry left in it.

    Its contents are compared, not its version: a later change that was taken back
    is no obstacle.
    """
    table = BY_NAME[entry.table_name]
    now = change.conn.execute(select(table).where(table.c.id == entry.row_id)).mappings().first()
    if now is not None:
        left = from_json(table, {name: value for name, value in after.items() if name != "version"})
        if all(now[name] == value for name, value in left.items()):
            return int(now["version"])
    raise conflict(change.conn, table, entry.row_id, int(str(after["version"])))


def _reverse(change: Change, entry: Row[Any]) -> None:
    table = BY_NAME[entry.table_name]
    if entry.action == "import":
        if table.name == "people":
            # They are named in the history that came with them, which stays.
            return
        for row_id, version in reversed(json.loads(entry.after)["rows"]):
            change.delete(table, row_id, version=version)
        return
    before = from_json(table, json.loads(entry.before)) if entry.before else None
    after = json.loads(entry.after) if entry.after else None
    if before is None and after is not None:
        change.delete(table, entry.row_id, version=_unchanged_since(change, entry, after))
    elif before is not None and after is not None:
        old = {name: value for name, value in before.items() if name not in {"id", "uid", "version"}}
        change.update(table, entry.row_id, old, version=_unchanged_since(change, entry, after))
    elif before is not None:
        taken = change.conn.execute(select(table.c.id).where(table.c.id == entry.row_id)).first()
        if taken is not None:
            raise conflict(change.conn, table, entry.row_id, before["version"])
        extra: dict[str, Any] = {}
        if table.name == "jobs":
            extra = {"changed_at": change.now, "active": before["state"] != "closed"}
        change.insert(table, {**before, **extra, "version": before["version"] + 1})
