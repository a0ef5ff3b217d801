"""Records as a document: a whole shop, or one job with all that it speaks of."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping
from typing import Any, Final

from sqlalchemy import Connection, Table, false, select

from tubewright.records.changes import Values, row
from tubewright.records.incoming import KIND, VERSION, columns_of, target_of
from tubewright.records.tables import (
    BY_NAME,
    EDITABLE,
    confirmations,
    control_moves,
    displays,
    grey_rounds,
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
    setup_choices,
    stock_items,
    treatments,
    tube_fittings,
    tubes,
    verdicts,
)

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
    grey_rounds,
    setup_choices,
    parts,
    reservations,
    papers,
)
"""Tables whose rows belong to one job."""

_ON_OUR_SHELVES: Final[Values] = {"quantity": 0, "minimum": 0, "place": ""}
"""What an item says of our own shelves, which is no part of a job: elsewhere there is none of it yet."""

Document = dict[str, Any]


def shop_document(conn: Connection, now: dt.datetime) -> Document:
    """Everything in the records as one document."""
    uids = {table.name: _uids(conn, table) for table in EDITABLE}
    tables = {table.name: _out(conn, table, None, uids) for table in EDITABLE}
    return _document("shop", now, tables) | {"history": _history_out(conn, uids)}


def job_document(conn: Connection, job_id: int, now: dt.datetime, *, with_history: bool = False) -> Document:
    """One job with the display, tubes, people, instruments and items that it speaks of.

    Raises:
        UnknownRecordError: there is no such job.
    """
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
    if with_history:
        wrote = select(history.c.person_id).where(history.c.job_id == job_id).distinct()
        seen["people"].update(conn.execute(wrote).scalars())
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
    tables["stock_items"] = [line | _ON_OUR_SHELVES for line in tables["stock_items"]]
    made = _document("job", now, tables)
    return made | {"history": _history_out(conn, uids, job_id)} if with_history else made


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


def _history_out(conn: Connection, uids: Mapping[str, Mapping[int, str]], job_id: int | None = None) -> list[Values]:
    """The history of the shop, or of one job."""
    known = {name: dict(some) for name, some in uids.items()}
    query = select(history).order_by(history.c.id)
    if job_id is not None:
        query = query.where(history.c.job_id == job_id)
    entries = [dict(one) for one in conn.execute(query).mappings()]
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
