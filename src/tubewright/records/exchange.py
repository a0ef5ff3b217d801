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

import datetime as dt
import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from sqlalchemy import (
    Connection,
    Table,
    false,
    insert,
    select,
)
from sqlalchemy.exc import IntegrityError

from tubewright.errors import Fault, InputError
from tubewright.records import derived
from tubewright.records.changes import Change, Values, row, to_json
from tubewright.records.incoming import KIND, VERSION, checked, columns_of, parse, target_of
from tubewright.records.store import Store
from tubewright.records.tables import (
    BY_NAME,
    EDITABLE,
    confirmations,
    control_moves,
    displays,
    history,
    instruments,
    jobs,
    known_good,
    measurements,
    observations,
    papers,
    parts,
    people,
    photos,
    readings,
    repairs,
    reservations,
    stock_items,
    treatments,
    tube_fittings,
    tubes,
    verdicts,
)

CHUNK: Final = 500
_NAMED: Final = {"people": people.c.name, "instruments": instruments.c.name}
"""Tables whose rows are one and the same when their names are."""

_OF_A_JOB: Final = (
    readings,
    observations,
    treatments,
    repairs,
    confirmations,
    verdicts,
    photos,
    measurements,
    control_moves,
    parts,
    reservations,
    papers,
)
"""Tables whose rows belong to one job."""

Document = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportReport:
    """What an import did: rows added by table, rows already there, and those that differ from ours."""

    added: Mapping[str, int]
    present: int
    differ: tuple[str, ...]


# -- out ------------------------------------------------------------------------------


def export_shop(store: Store) -> Document:
    """Everything in the records as one document."""
    with store.database.read() as conn:
        uids = {table.name: _uids(conn, table) for table in EDITABLE}
        tables = {table.name: _out(conn, table, None, uids) for table in EDITABLE}
        return _document("shop", store.clock(), tables) | {"history": _history_out(conn, uids)}


def export_job(store: Store, job_id: int) -> Document:
    """One job with the display, tubes, people and instruments it speaks of."""
    with store.database.read() as conn:
        job = row(conn, jobs, job_id)
        of_job = {table.name: table.c.job_id == job_id for table in _OF_A_JOB}
        seen: dict[str, set[Any]] = {"tubes": {job["tube_id"]}, "people": set(), "instruments": set(), "items": set()}
        for name, condition in of_job.items():
            for found in conn.execute(select(BY_NAME[name]).where(condition)).mappings():
                seen["tubes"].add(found.get("tube_id"))
                seen["people"].add(found.get("person_id"))
                seen["instruments"].add(found.get("instrument"))
                seen["items"].add(found.get("item_id"))
        of_stock = stock_items.c.id.in_(seen["items"] - {None})
        seen["tubes"].update(conn.execute(select(stock_items.c.tube_id).where(of_stock)).scalars())
        of_instruments = select(instruments.c.id).where(instruments.c.name.in_(seen["instruments"] - {None}))
        good = known_good.c.instrument_id.in_(of_instruments)
        seen["people"].update(conn.execute(select(known_good.c.person_id).where(good)).scalars())
        conditions = of_job | {
            "jobs": jobs.c.id == job_id,
            "displays": displays.c.id == job["display_id"],
            "tubes": tubes.c.id.in_(seen["tubes"] - {None}),
            "tube_fittings": (tube_fittings.c.display_id == job["display_id"])
            & tube_fittings.c.tube_id.in_(seen["tubes"] - {None}),
            "people": people.c.id.in_(seen["people"] - {None}),
            "instruments": instruments.c.id.in_(of_instruments),
            "known_good": good,
            "stock_items": of_stock,
            # What the shop says of itself is no part of a job.
            "shop_settings": false(),
        }
        uids = {table.name: _uids(conn, table, conditions[table.name]) for table in EDITABLE}
        tables = {table.name: _out(conn, table, conditions[table.name], uids) for table in EDITABLE}
        return _document("job", store.clock(), tables)


def _document(scope: str, now: dt.datetime, tables: Document) -> Document:
    return {"kind": KIND, "version": VERSION, "scope": scope, "exported_at": now.isoformat(), "tables": tables}


def _uids(conn: Connection, table: Table, condition: Any = None) -> dict[int, str]:  # noqa: ANN401 - SQLAlchemy's own
    query = select(table.c.id, table.c.uid)
    if condition is not None:
        query = query.where(condition)
    return {found.id: found.uid for found in conn.execute(query)}


def _out(conn: Connection, table: Table, condition: Any, uids: Mapping[str, Mapping[int, str]]) -> list[Values]:  # noqa: ANN401 - SQLAlchemy's own
    query = select(table).order_by(table.c.id)
    if condition is not None:
        query = query.where(condition)
    columns = [(column.name, key, target_of(column)) for column, key in columns_of(table)]
    found = []
    for values in conn.execute(query).mappings():
        line: Values = {}
        for name, key, target in columns:
            value = values[name]
            if target is not None:
                value = None if value is None else uids[target].get(value)
            line[key] = value.isoformat() if isinstance(value, dt.datetime) else value
        found.append(line)
    return found


def _history_out(conn: Connection, uids: Mapping[str, Mapping[int, str]]) -> list[Values]:
    known = {name: dict(some) for name, some in uids.items()}
    entries = [dict(one) for one in conn.execute(select(history).order_by(history.c.id)).mappings()]
    for entry in entries:
        if entry["row_id"] and entry["table_name"] in known:
            known[entry["table_name"]].setdefault(entry["row_id"], entry["row_uid"])

    def plain(name: str, text: str | None, elsewhere: bool) -> Values | None:
        if text is None:
            return None
        values: Values = json.loads(text)
        if elsewhere or "uid" not in values:
            return {} if "rows" in values else values
        table = BY_NAME[name]
        line = {}
        for column, key in columns_of(table):
            target = target_of(column)
            value = values.get(column.name)
            line[key] = known[target].get(value) if target and value is not None else value
        return line

    found = []
    for entry in entries:
        name, elsewhere = entry["table_name"], entry["from_elsewhere"]
        found.append(
            {
                "uid": entry["uid"],
                "change": entry["change"],
                "at": entry["at"].isoformat(),
                "person_uid": known["people"].get(entry["person_id"]),
                "action": entry["action"],
                "table": name,
                "row_uid": entry["row_uid"],
                "job_uid": known["jobs"].get(entry["job_id"]),
                "before": plain(name, entry["before"], elsewhere),
                "after": plain(name, entry["after"], elsewhere),
                "undoes": entry["undoes"],
            }
        )
    return found


def write_export(document: Document, path: Path) -> None:
    """Write a document; the file is there whole or not at all."""
    partial = path.with_name(path.name + ".partial")
    with partial.open("w", encoding="utf-8") as file:
        json.dump(document, file, ensure_ascii=False, allow_nan=False, indent=1)
        file.flush()
        os.fsync(file.fileno())
    partial.replace(path)


# -- in -------------------------------------------------------------------------------


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
    try:
        return store.change(by, lambda change: _add(change, rows, entries))
    except IntegrityError as error:
        raise InputError(
            Fault(
                what=f"its rows contradict each other or ours ({error.orig})"[:300],
                where="tables",
                mend="A tube can be in one display only: take it out here, then import again",
            )
        ) from error


def _add(change: Change, rows: Mapping[str, Sequence[Values]], entries: Sequence[Values]) -> ImportReport:
    """Write the rows that aren't there yet."""
    local: dict[str, dict[str, int]] = {}
    added: dict[str, int] = {}
    present = 0
    differ: list[str] = []
    stale = derived.Stale()
    for table in EDITABLE:
        lines = rows.get(table.name, ())
        ours = _ours(change.conn, table, lines)
        local[table.name] = {uid: found["id"] for uid, found in ours.items()}
        fresh = []
        for line in lines:
            values = _localised(table, line, local)
            found = ours.get(line["uid"])
            if found is None:
                fresh.append(values | ({"active": values["state"] != "closed"} if table is jobs else {}))
                continue
            present += 1
            if any(found[name] != value for name, value in values.items() if name not in {"uid", "changed_at"}):
                differ.append(f"{table.name} {line['uid']}")
        written = _insert(change.conn, table, fresh)
        local[table.name].update({uid: row_id for row_id, uid, _ in written})
        if written:
            added[table.name] = len(written)
            change.note_import(table, [(row_id, version) for row_id, _, version in written])
        by_uid = {line["uid"]: line for line in fresh}
        for row_id, uid, _ in written:
            stale.note(table.name, {**by_uid[uid], "id": row_id})
    _add_history(change, entries, local)
    derived.refresh(change.conn, stale, None)
    return ImportReport(added=added, present=present, differ=tuple(differ))


def _localised(table: Table, line: Values, local: Mapping[str, Mapping[str, int]]) -> Values:
    values = {}
    for column, key in columns_of(table):
        target = target_of(column)
        value = line[key]
        values[column.name] = local[target][value] if target is not None and value is not None else value
    return values


def _ours(conn: Connection, table: Table, lines: Sequence[Values]) -> dict[str, Values]:
    """The rows of ours that are the same as theirs, by their uid."""
    found: dict[str, Values] = {}
    for start in range(0, len(lines), CHUNK):
        chunk = lines[start : start + CHUNK]
        query = select(table).where(table.c.uid.in_([line["uid"] for line in chunk]))
        found |= {one["uid"]: dict(one) for one in conn.execute(query).mappings()}
        if (name := _NAMED.get(table.name)) is not None:
            query = select(table).where(name.in_([line["name"] for line in chunk]))
            named = {one["name"]: dict(one) for one in conn.execute(query).mappings()}
            for line in chunk:
                if line["uid"] not in found and line["name"] in named:
                    found[line["uid"]] = named[line["name"]]
    return found


def _insert(conn: Connection, table: Table, rows: Sequence[Values]) -> list[tuple[int, str, int]]:
    written: list[tuple[int, str, int]] = []
    for start in range(0, len(rows), CHUNK):
        statement = insert(table).returning(table.c.id, table.c.uid, table.c.version)
        found = conn.execute(statement, list(rows[start : start + CHUNK]))
        written.extend((one.id, one.uid, one.version) for one in found)
    return written


def _add_history(change: Change, entries: Sequence[Values], local: Mapping[str, Mapping[str, int]]) -> None:
    """Keep the other shop's history beside ours."""
    for start in range(0, len(entries), CHUNK):
        chunk = entries[start : start + CHUNK]
        query = select(history.c.uid).where(history.c.uid.in_([one["uid"] for one in chunk]))
        known = set(change.conn.execute(query).scalars())
        fresh = [
            {
                "uid": one["uid"],
                "change": one["change"],
                "at": one["at"],
                "person_id": local["people"].get(one["person_uid"]),
                "action": one["action"],
                "table_name": one["table"],
                "row_id": local[one["table"]].get(one["row_uid"], 0),
                "row_uid": one["row_uid"],
                "job_id": local["jobs"].get(one["job_uid"]),
                "before": to_json(one["before"]),
                "after": to_json(one["after"]),
                "undoes": one["undoes"],
                "from_elsewhere": True,
            }
            for one in chunk
            if one["uid"] not in known
        ]
        if fresh:
            change.conn.execute(insert(history), fresh)
