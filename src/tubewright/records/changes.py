"""One change: rows written together, each kept in the history as it was and as it became."""

from __future__ import annotations

import datetime as dt
import json
import uuid
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, Final, cast

from sqlalchemy import Connection, Table, delete, insert, select, update

from tubewright.errors import ConflictError, Fault, UnknownRecordError
from tubewright.records import derived
from tubewright.records.tables import DERIVED, NOUNS, UtcTime, history, people

Values = dict[str, Any]

_UNSPOKEN: Final = frozenset({"version", "uid", "id"})


class Change:
    """Rows written by one person at one moment, in one transaction.

    Every insert, update and delete goes through here, so that none escapes the
    history, the version count and the columns that are derived from others.

    ``mark`` is the uid of what the person has begun already and this is a part of:
    what carries one mark is taken back as one.
    """

    def __init__(
        self,
        conn: Connection,
        *,
        by: int | None,
        now: dt.datetime,
        new_uid: Callable[[], uuid.UUID],
        mark: str | None = None,
    ) -> None:
        self.conn = conn
        self.by = by
        self.now = now
        self.new_uid = new_uid
        self.uid = mark or str(new_uid())
        self.undoes: str | None = None
        self.stale = derived.Stale()
        if by is not None:
            self.row(people, by)

    def row(self, table: Table, row_id: int) -> Values:
        """The row as it is now.

        Raises:
            UnknownRecordError: there is none.
        """
        return row(self.conn, table, row_id)

    def insert(self, table: Table, values: Mapping[str, object]) -> int:
        """Write a new row and give its id; ``id``, ``uid`` and ``version`` may be given to bring one back."""
        full: Values = {"uid": str(self.new_uid()), "version": 1, **values}
        result = self.conn.execute(insert(table).values(full))
        row_id = int(cast("int", result.inserted_primary_key[0])) if result.inserted_primary_key else int(full["id"])
        self._note("insert", table, None, self.row(table, row_id))
        return row_id

    def update(self, table: Table, row_id: int, values: Mapping[str, object], *, version: int | None = None) -> None:
        """Write new values into a row, if it is still the version that the person saw.

        Nothing is written when nothing would change.

        Raises:
            ConflictError: somebody else changed or removed it.
        """
        before = self.still(table, row_id, version)
        if all(before[name] == value for name, value in values.items()):
            return
        seen = before["version"]
        done = self.conn.execute(
            update(table).where(table.c.id == row_id, table.c.version == seen).values({**values, "version": seen + 1})
        )
        if done.rowcount != 1:
            raise conflict(self.conn, table, row_id, seen)
        self._note("update", table, before, self.row(table, row_id))

    def delete(self, table: Table, row_id: int, *, version: int | None = None) -> None:
        """Remove a row, if it is still the version that the person saw."""
        before = self.still(table, row_id, version)
        self.conn.execute(delete(table).where(table.c.id == row_id))
        self._note("delete", table, before, None)

    def still(self, table: Table, row_id: int, version: int | None) -> Values:
        """The row, if it is still the version that the person saw.

        Raises:
            ConflictError: somebody else changed or removed it.
            UnknownRecordError: there never was one.
        """
        try:
            before = self.row(table, row_id)
        except UnknownRecordError:
            if version is not None and _was_there(self.conn, table, row_id):
                raise conflict(self.conn, table, row_id, version) from None
            raise
        if version is not None and before["version"] != version:
            raise conflict(self.conn, table, row_id, version)
        return before

    def note_import(
        self,
        table: Table,
        rows: Sequence[tuple[int, int]],
        *,
        job_ids: Iterable[int] = (),
        job_id: int | None = None,
    ) -> None:
        """Keep a bulk import of (id, version) as one entry of the history, of ``job_id`` if all are about one job."""
        self._keep("import", table, row_id=0, row_uid=self.uid, job_id=job_id, before=None, after={"rows": rows})
        self.stale.touched.update(job_ids)

    def _note(self, action: str, table: Table, before: Values | None, after: Values | None) -> None:
        is_now = after or before or {}
        job_id = is_now["id"] if table.name == "jobs" else is_now.get("job_id")
        hidden = DERIVED.get(table.name, frozenset())
        self._keep(
            action,
            table,
            row_id=is_now["id"],
            row_uid=is_now["uid"],
            job_id=job_id,
            before=_shown(before, hidden),
            after=_shown(after, hidden),
        )
        self.stale.note(table.name, before)
        self.stale.note(table.name, after)

    def _keep(
        self,
        action: str,
        table: Table,
        *,
        row_id: int,
        row_uid: str,
        job_id: int | None,
        before: Mapping[str, object] | None,
        after: Mapping[str, object] | None,
    ) -> None:
        self.conn.execute(
            insert(history).values(
                uid=str(self.new_uid()),
                change=self.uid,
                at=self.now,
                person_id=self.by,
                action=action,
                table_name=table.name,
                row_id=row_id,
                row_uid=row_uid,
                job_id=job_id,
                before=to_json(before),
                after=to_json(after),
                undoes=self.undoes,
                from_elsewhere=False,
            )
        )

    def finish(self) -> None:
        """Bring the derived columns and the search index up to date; before the commit, or before reading them."""
        derived.refresh(self.conn, self.stale, self.now)
        self.stale = derived.Stale()


def row(conn: Connection, table: Table, row_id: int) -> Values:
    """One row as a mapping.

    Raises:
        UnknownRecordError: there is none.
    """
    found = conn.execute(select(table).where(table.c.id == row_id)).mappings().first()
    if found is None:
        raise unknown(table, row_id)
    return dict(found)


def unknown(table: Table, row_id: int) -> UnknownRecordError:
    """The error that says a row isn't there."""
    noun = NOUNS[table.name]
    return UnknownRecordError(
        Fault(what=f"there is no {noun} {row_id}", where=noun, mend="Look it up on the board; it may be gone")
    )


def to_json(values: Mapping[str, object] | None) -> str | None:
    """A row as JSON text, moments as ISO 8601."""
    if values is None:
        return None
    plain = {key: value.isoformat() if isinstance(value, dt.datetime) else value for key, value in values.items()}
    return json.dumps(plain, ensure_ascii=False, allow_nan=False)


def from_json(table: Table, values: Mapping[str, Any]) -> Values:
    """A row out of the history, fit to be written again."""
    return {
        key: dt.datetime.fromisoformat(value) if value is not None and isinstance(table.c[key].type, UtcTime) else value
        for key, value in values.items()
    }


def _shown(values: Values | None, hidden: frozenset[str]) -> Values | None:
    return None if values is None else {key: value for key, value in values.items() if key not in hidden}


def _was_there(conn: Connection, table: Table, row_id: int) -> bool:
    mine = select(history.c.id).where(history.c.table_name == table.name, history.c.row_id == row_id)
    return conn.execute(mine.limit(1)).first() is not None


def conflict(conn: Connection, table: Table, row_id: int, seen: int) -> ConflictError:
    """The error that says who changed what in a row since it was at version ``seen``."""
    entries = conn.execute(
        select(history.c.action, history.c.before, history.c.after, history.c.at, people.c.name)
        .select_from(history.outerjoin(people, people.c.id == history.c.person_id))
        .where(history.c.table_name == table.name, history.c.row_id == row_id)
        .order_by(history.c.id)
    ).all()
    noun = NOUNS[table.name]
    found = []
    for entry in entries:
        before: Values = json.loads(entry.before) if entry.before else {}
        after: Values = json.loads(entry.after) if entry.after else {}
        if max(before.get("version", 0), after.get("version", 0)) <= seen and entry.action != "delete":
            continue
        who = entry.name or "somebody"
        when = f"{entry.at:%Y-%m-%d %H:%M} UTC"
        if entry.action == "delete":
            if before.get("version", 0) >= seen:
                found.append(
                    Fault(
                        what=f"{who} removed it ({when})",
                        where=f"{noun} {row_id}",
                        mend="Undo that, or write yours down anew",
                    )
                )
            continue
        found.extend(
            Fault(
                what=f"{who} changed it from {before.get(field)!r} to {value!r} ({when})",
                where=f"{noun} {row_id}: {field}",
                mend="Look at the new value, then edit again if yours is still right",
            )
            for field, value in after.items()
            if before and field not in _UNSPOKEN and before.get(field) != value
        )
    return ConflictError(
        found
        or Fault(
            what="it was changed since you opened it",
            where=f"{noun} {row_id}",
            mend="Open it again, then edit again if yours is still right",
        )
    )
