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
import uuid
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from pydantic import BaseModel
from sqlalchemy import (
    Boolean,
    Column,
    Connection,
    Float,
    Integer,
    String,
    Table,
    Text,
    insert,
    select,
)
from sqlalchemy.exc import IntegrityError

from tubewright import case
from tubewright.errors import Fault, InputError
from tubewright.records import checks, derived, shop, work
from tubewright.records.changes import Change, Values, row, to_json
from tubewright.records.store import Store
from tubewright.records.tables import (
    BY_NAME,
    DERIVED,
    EDITABLE,
    UtcTime,
    displays,
    history,
    instruments,
    jobs,
    known_good,
    observations,
    parts,
    people,
    photos,
    readings,
    treatments,
    tube_fittings,
    tubes,
    verdicts,
)

KIND: Final = "tubewright-records"
VERSION: Final = 1
CHUNK: Final = 500
MOST_FAULTS: Final = 50
"""Faults named before the rest is only counted."""

_NAMED: Final = {"people": people.c.name, "instruments": instruments.c.name}
"""Tables whose rows are one and the same when their names are."""

_BY_SORT: Final[dict[str, type[BaseModel]]] = {"symptom": case.Symptom, "test": case.TestResult, "look": case.Tube}

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
        of_job = {
            table.name: table.c.job_id == job_id
            for table in (readings, observations, treatments, verdicts, photos, parts)
        }
        seen: dict[str, set[Any]] = {"tubes": {job["tube_id"]}, "people": set(), "instruments": set()}
        for name, condition in of_job.items():
            for found in conn.execute(select(BY_NAME[name]).where(condition)).mappings():
                seen["tubes"].add(found.get("tube_id"))
                seen["people"].add(found.get("person_id"))
                seen["instruments"].add(found.get("instrument"))
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


def _target(column: Column[Any]) -> str | None:
    """The table that a column points to."""
    for key in column.foreign_keys:
        return str(key.column.table.name)
    return None


def _columns(table: Table) -> Iterator[tuple[Column[Any], str]]:
    """The columns of a document with their keys there."""
    for column in table.columns:
        hidden = DERIVED.get(table.name, frozenset()) - {"changed_at"}
        if column.name == "id" or column.name in hidden:
            continue
        yield column, column.name.removesuffix("_id") + "_uid" if _target(column) else column.name


def _out(conn: Connection, table: Table, condition: Any, uids: Mapping[str, Mapping[int, str]]) -> list[Values]:  # noqa: ANN401 - SQLAlchemy's own
    query = select(table).order_by(table.c.id)
    if condition is not None:
        query = query.where(condition)
    columns = [(column.name, key, _target(column)) for column, key in _columns(table)]
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
        for column, key in _columns(table):
            target = _target(column)
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


def parse(text: str, *, where: str = "document") -> object:
    """JSON text as plain data.

    Raises:
        InputError: it is no JSON.
    """

    def refuse(word: str) -> object:
        raise ValueError(f"{word} is no number")

    try:
        return json.loads(text, parse_constant=refuse)
    except (ValueError, RecursionError) as error:
        raise InputError(
            Fault(what=f"this is no JSON ({error})"[:200], where=where, mend="Choose a Tubewright export")
        ) from error


def import_document(store: Store, document: object, *, by: int | None = None) -> ImportReport:
    """Add what a document holds and the records don't, in one transaction.

    Raises:
        InputError: with the faults found; nothing was changed.
    """
    rows, entries = _checked(document)
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


def _fault(what: str, where: str, mend: str = "Export it again from the shop it came from") -> Fault:
    return Fault(what=what, where=where, mend=mend)


def _checked(document: object) -> tuple[dict[str, list[Values]], list[Values]]:
    """The rows of a document by table, every one checked."""
    if not isinstance(document, dict) or document.get("kind") != KIND:
        raise InputError(_fault("this is no Tubewright export", "kind", "Choose a Tubewright export"))
    if document.get("version") != VERSION:
        found = document.get("version")
        raise InputError(_fault(f"version {found!r} is not known here", "version", "Update Tubewright"))
    tables, entries = document.get("tables"), document.get("history", [])
    if not isinstance(tables, dict) or not isinstance(entries, list):
        raise InputError(_fault("its tables or its history are missing", "tables"))
    faults = [_fault("there is no such table", f"tables.{name}"[:120]) for name in tables if name not in BY_NAME]
    uids: dict[str, set[str]] = {}
    rows: dict[str, list[Values]] = {}
    for table in EDITABLE:
        lines = tables.get(table.name, [])
        if not isinstance(lines, list):
            faults.append(_fault("this is no list", f"tables.{table.name}"))
            continue
        uids[table.name] = set()
        rows[table.name] = []
        for number, line in enumerate(lines):
            where = f"tables.{table.name}[{number}]"
            found = _row(table, line, where, uids, faults)
            if found is not None:
                rows[table.name].append(found)
    checked = [_entry(line, f"history[{number}]", faults) for number, line in enumerate(entries)]
    if faults:
        more = len(faults) - MOST_FAULTS
        shown = faults[:MOST_FAULTS]
        if more > 0:
            shown.append(_fault(f"and {more} more faults", "document"))
        raise InputError(shown)
    return rows, checked


def _row(table: Table, line: object, where: str, uids: Mapping[str, set[str]], faults: list[Fault]) -> Values | None:
    """One row, its moments parsed and its values checked; None if it has faults."""
    before = len(faults)
    if not isinstance(line, dict):
        faults.append(_fault("this is no row", where))
        return None
    columns = {key: column for column, key in _columns(table)}
    faults.extend(_fault("there is no such field", f"{where}.{key}"[:200]) for key in line if key not in columns)
    values: Values = {}
    for key, column in columns.items():
        try:
            value = _value(column, line.get(key))
            target = _target(column)
            if target is not None and value is not None and value not in uids.get(target, ()):
                raise ValueError(f"it points to a row of {target} that is not in the document")
            values[key] = value
        except ValueError as error:
            faults.append(_fault(str(error), f"{where}.{key}"))
    if len(faults) > before:
        return None
    if values["uid"] in uids[table.name]:
        faults.append(_fault("this uid occurs twice", f"{where}.uid"))
        return None
    try:
        _sense(table, values, where)
    except InputError as error:
        faults.extend(error.faults)
        return None
    uids[table.name].add(values["uid"])
    return values


def _value(column: Column[Any], value: object) -> object:  # noqa: PLR0911 - one return for each type
    """A value as its column holds it; ValueError says what is wrong."""
    if value is None:
        if not column.nullable and column.server_default is None:
            raise ValueError("this field is needed")
        return "" if not column.nullable else None
    if _target(column) is not None or column.name == "uid":
        return _uid(value)
    kind = column.type
    if isinstance(kind, UtcTime):
        return _moment(value)
    if isinstance(kind, Boolean):
        if isinstance(value, bool):
            return value
        raise ValueError("this is neither true nor false")
    if isinstance(value, bool):
        raise ValueError("true and false don't belong here")
    if isinstance(kind, Integer):
        if isinstance(value, int) and 0 <= value < 2**31 and not (column.name == "version" and value == 0):
            return value
        raise ValueError("this is no whole number that fits")
    if isinstance(kind, Float):
        if isinstance(value, int | float) and abs(value) <= 1e15:
            return float(value)
        raise ValueError("this is no number that fits")
    if isinstance(kind, String | Text):
        if not isinstance(value, str):
            raise ValueError("this is no text")
        longest = getattr(kind, "length", None)
        if longest is not None and len(value) > longest:
            raise ValueError(f"this is longer than {longest} characters")
        if "\x00" in value or any("\ud800" <= letter <= "\udfff" for letter in value):
            raise ValueError("this holds characters that are no text")
        return value
    raise AssertionError(f"no rule for the type of {column}")


def _uid(value: object) -> str:
    if isinstance(value, str):
        try:
            return str(uuid.UUID(value))
        except ValueError:
            pass
    raise ValueError("this is no uid")


def _moment(value: object) -> dt.datetime:
    if isinstance(value, str):
        try:
            moment = dt.datetime.fromisoformat(value)
            if moment.tzinfo is not None:
                return moment.astimezone(dt.UTC)
        except (ValueError, OverflowError):
            pass
    raise ValueError("this is no moment with its zone, as 2026-03-01T10:00:00+00:00")


def _sense(table: Table, values: Values, where: str) -> None:
    """Check a row with the types of the case, as if it had been typed."""
    checks_of: list[tuple[type[BaseModel], Mapping[str, object]]] = []
    match table.name:
        case "displays":
            checks_of.append((case.Display, {name: values[name] for name in shop.DISPLAY_FIELDS}))
        case "tubes":
            checks_of.append((case.Tube, {name: values[name] for name in shop.TUBE_FIELDS}))
        case "jobs":
            if values["state"] not in {"open", "waiting", "closed"}:
                raise InputError(_fault("there is no such state", f"{where}.state"))
            if (values["state"] == "closed") != (values["closed_at"] is not None):
                raise InputError(_fault("a job is closed when it has a time of closing", f"{where}.closed_at"))
            checks_of.append((case.Use, {name: values[name] for name in work.USE_FIELDS}))
            checks_of.append((case.Costs, {name: values[name] for name in work.COST_FIELDS}))
            checks_of.append((case.Tube, {"idle_years": values["idle_years"]}))
        case "readings":
            checks_of.append((case.Reading, {name: values[name] for name in work.READING_FIELDS}))
        case "treatments":
            checks_of.append((case.Treatment, {name: values[name] for name in ("gun", "kind", "outcome")}))
        case "observations":
            checks_of.append(_seen(values, where))
        case "known_good":
            checks_of.append(
                (case.Reading, {"kind": "emission", "gun": "green", "value": values["value"], "unit": values["unit"]})
            )
        case "tube_fittings":
            if values["until"] is not None and values["until"] < values["since"]:
                raise InputError(_fault("the tube left before it came", f"{where}.until"))
        case "verdicts":
            if not values["seed"].lstrip("-").isdecimal():
                raise InputError(_fault("this is no whole number", f"{where}.seed"))
            parse(values["case_json"], where=f"{where}.case_json")
            parse(values["answer_json"], where=f"{where}.answer_json")
        case "people" | "instruments":
            checks.name(values["name"], f"{where}.name")
    for kind, given in checks_of:
        checks.part(kind, given, where)


def _seen(values: Values, where: str) -> tuple[type[BaseModel], Mapping[str, object]]:
    kind = _BY_SORT.get(values["sort"])
    if kind is None:
        raise InputError(_fault("there is no such sort of observation", f"{where}.sort"))
    if kind is case.Symptom:
        return kind, {"id": values["name"], "present": values["present"]}
    if kind is case.TestResult:
        return kind, {"id": values["name"]} | {
            name: values[name] for name in ("result", "gun", "value", "unit", "nominal")
        }
    seen = values["value"] if values["name"] == "burn" else values["result"]
    if values["name"] not in {"getter", "neck", "burn"} or seen is None:
        raise InputError(_fault("this is nothing to see on a tube", f"{where}.name"))
    return kind, {values["name"]: seen}


def _entry(line: object, where: str, faults: list[Fault]) -> Values:
    """One entry of the history, checked."""
    if not isinstance(line, dict):
        faults.append(_fault("this is no entry", where))
        return {}
    values: Values = {}
    for key in ("uid", "change", "at", "person_uid", "action", "table", "row_uid", "job_uid", "undoes"):
        value = line.get(key)
        try:
            if key == "at":
                values[key] = _moment(value)
            elif key == "action":
                values[key] = _one_of(value, ("insert", "update", "delete", "import"))
            elif key == "table":
                values[key] = _one_of(value, tuple(BY_NAME))
            elif value is None and key in {"person_uid", "job_uid", "undoes"}:
                values[key] = None
            else:
                values[key] = _uid(value)
        except ValueError as error:
            faults.append(_fault(str(error), f"{where}.{key}"))
    for key in ("before", "after"):
        values[key] = line.get(key)
        if values[key] is not None and not isinstance(values[key], dict):
            faults.append(_fault("this is no row", f"{where}.{key}"))
    return values


def _one_of(value: object, known: Sequence[str]) -> str:
    if isinstance(value, str) and value in known:
        return value
    raise ValueError(f"this is none of {', '.join(known)}")


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
    for column, key in _columns(table):
        target = _target(column)
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
