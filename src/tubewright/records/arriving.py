"""Rows of a checked document written beside ours: what isn't here is added, what is stays as it stands."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from sqlalchemy import ColumnElement, Connection, Table, exists, insert, literal, select
from sqlalchemy.exc import IntegrityError

from tubewright.errors import Fault, InputError
from tubewright.records import derived
from tubewright.records.changes import Change, Values, to_json
from tubewright.records.incoming import columns_of, target_of
from tubewright.records.stock import fresh_code
from tubewright.records.tables import (
    EDITABLE,
    history,
    instruments,
    jobs,
    papers,
    people,
    setup_choices,
    shop_settings,
    stock_items,
)

CHUNK: Final = 500
_OUR_OWN: Final = frozenset({"uid", "changed_at", "code", "counter"})
"""Columns that may differ for the same row: each shop has its own."""
_NAMED: Final = {"people": people.c.name, "instruments": instruments.c.name, "shop_settings": shop_settings.c.key}
"""Tables whose rows are one and the same when these columns are."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportReport:
    """What an import did: rows added by table, rows already there, and those that differ from ours."""

    added: Mapping[str, int]
    present: int
    differ: tuple[str, ...]


def add(
    change: Change, rows: Mapping[str, Sequence[Values]], entries: Sequence[Values], *, of_job: str | None = None
) -> ImportReport:
    """Write the rows that aren't there yet.

    Args:
        change: the change that they are part of.
        rows: by table, as :func:`~tubewright.records.incoming.checked` gave them.
        entries: of the other shop's history.
        of_job: the uid of the one job that they are about; None for a whole shop.
    """
    moves_in = of_job is None and _is_bare(change.conn)
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
                if (table is shop_settings and not moves_in) or _chosen_here(change.conn, table, values):
                    # Another shop's name and prices are none of ours; they come along when a shop moves house.
                    # What was chosen here for a job's set-up holds, as there is one choice for a job.
                    differ.append(f"{table.name} {line['uid']}")
                else:
                    fresh.append(_fitted(change, table, values, moves_in=moves_in))
                continue
            present += 1
            told = values.items() if table is not stock_items or of_job is None else ()
            if any(found[name] != value for name, value in told if name not in _OUR_OWN):
                differ.append(f"{table.name} {line['uid']}")
        written = _insert(change.conn, table, fresh)
        local[table.name].update({uid: row_id for row_id, uid, _ in written})
        if written:
            added[table.name] = len(written)
            job_id = local.get("jobs", {}).get(of_job) if of_job is not None else None
            change.note_import(table, [(row_id, version) for row_id, _, version in written], job_id=job_id)
        by_uid = {line["uid"]: line for line in fresh}
        for row_id, uid, _ in written:
            stale.note(table.name, {**by_uid[uid], "id": row_id})
    _add_history(change, entries, local)
    derived.refresh(change.conn, stale, None)
    return ImportReport(added=added, present=present, differ=tuple(differ))


def _is_bare(conn: Connection) -> bool:
    """Whether nothing was done here yet, so that a whole shop may move in."""
    return all(conn.execute(select(table.c.id).limit(1)).first() is None for table in (jobs, shop_settings))


def _fitted(change: Change, table: Table, values: Values, *, moves_in: bool) -> Values:
    """A row of theirs, made to stand beside ours."""
    if table is jobs:
        return values | {"active": values["state"] != "closed"}
    if table is stock_items and _taken(change.conn, stock_items.c.code == values["code"]):
        return values | {"code": fresh_code(change)}
    if table is papers and not moves_in:
        # It keeps the number that was printed on it, and has no part in the count of ours.
        return values | {"counter": None}
    return values


def _chosen_here(conn: Connection, table: Table, values: Values) -> bool:
    return table is setup_choices and _taken(conn, setup_choices.c.job_id == values["job_id"])


def _taken(conn: Connection, condition: ColumnElement[bool]) -> bool:
    return conn.execute(select(literal(1)).where(exists().where(condition))).first() is not None


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
            query = select(table).where(name.in_([line[name.name] for line in chunk]))
            named = {one[name.name]: dict(one) for one in conn.execute(query).mappings()}
            for line in chunk:
                if line["uid"] not in found and line[name.name] in named:
                    found[line["uid"]] = named[line[name.name]]
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


def contradiction(error: IntegrityError) -> InputError:
    """The error that says a document can't stand beside ours."""
    return InputError(
        Fault(
            what=f"its rows contradict each other or ours ({error.orig})"[:300],
            where="tables",
            mend="A tube can be in one display only: take it out here, then import again",
        )
    )
