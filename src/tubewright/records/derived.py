"""Columns and words that repeat what other rows say, rebuilt for the rows that a change touched."""

from __future__ import annotations

import datetime as dt
import re
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import islice
from typing import Any, Final

from sqlalchemy import Connection, bindparam, delete, func, insert, select, update

from tubewright.records.tables import (
    displays,
    jobs,
    repairs,
    reservations,
    search_terms,
    stock_items,
    tube_fittings,
    tubes,
    verdicts,
)

CHUNK: Final = 500
"""Rows rebuilt at once; below every database's limit of parameters in a statement."""

LONGEST_TERM: Final = 60
MOST_TERMS: Final = 200
"""Different words indexed of one row; an owner's essay beyond that isn't searched."""

_WORD = re.compile(r"[^\W_]+")


@dataclass(slots=True)
class Stale:
    """Which rows a change made others out of date for."""

    touched: set[int] = field(default_factory=set)
    jobs: set[int] = field(default_factory=set)
    displays: set[int] = field(default_factory=set)
    tubes: set[int] = field(default_factory=set)
    items: set[int] = field(default_factory=set)

    def note(self, table: str, values: Mapping[str, Any] | None) -> None:
        """Take in that this row was written or removed."""
        if values is None:
            return
        match table:
            case "jobs":
                self.jobs.add(values["id"])
                self.touched.add(values["id"])
            case "displays":
                self.displays.add(values["id"])
            case "tubes":
                self.tubes.add(values["id"])
            case "tube_fittings":
                self.displays.add(values["display_id"])
                self.tubes.add(values["tube_id"])
            case "verdicts" | "repairs":
                self.jobs.add(values["job_id"])
                self.touched.add(values["job_id"])
            case "stock_items":
                self.items.add(values["id"])
            case _:
                if table == "reservations":
                    self.items.add(values["item_id"])
                if values.get("job_id") is not None:
                    self.touched.add(values["job_id"])


def terms(*texts: str | None, joined: bool = True) -> list[str]:
    """The words of some texts as the search index holds them: folded, without accents, each once.

    A tube label with signs in it is also kept in one piece, so that it is found
    however it is typed; a search (``joined`` false) does with the pieces.

    >>> terms("Pier arcade, M31-100W")
    ['pier', 'arcade', 'm31', '100w', 'm31100w']
    """
    found: dict[str, None] = {}
    for text in texts:
        plain = unicodedata.normalize("NFKD", (text or "").casefold())
        plain = "".join(letter for letter in plain if not unicodedata.combining(letter))
        for piece in plain.split():
            words = _WORD.findall(piece)
            if joined and len(words) > 1:
                words.append("".join(words))
            found.update(dict.fromkeys(word[:LONGEST_TERM] for word in words))
            if len(found) >= MOST_TERMS:
                return list(found)
    return list(found)


def refresh(conn: Connection, stale: Stale, now: dt.datetime | None) -> None:
    """Rebuild what ``stale`` names; jobs that were themselves changed carry ``now`` (None keeps theirs)."""
    stale_jobs = set(stale.jobs)
    for chunk in _chunks(stale.displays):
        stale_jobs.update(conn.execute(select(jobs.c.id).where(jobs.c.display_id.in_(chunk))).scalars())
        _index_displays(conn, chunk)
    for chunk in _chunks(stale.tubes):
        stale_jobs.update(conn.execute(select(jobs.c.id).where(jobs.c.tube_id.in_(chunk))).scalars())
        _index_tubes(conn, chunk)
    for chunk in _chunks(stale.items):
        _rebuild_items(conn, chunk)
    for chunk in _chunks(stale_jobs):
        _rebuild_jobs(conn, chunk)
    if now is not None:
        for chunk in _chunks(stale.touched):
            conn.execute(update(jobs).where(jobs.c.id.in_(chunk)).values(changed_at=now))


def _chunks(ids: Iterable[int]) -> Iterator[list[int]]:
    rest = iter(sorted(ids))
    while chunk := list(islice(rest, CHUNK)):
        yield chunk


def _index(conn: Connection, subject: str, ids: Sequence[int], words: Mapping[int, list[str]]) -> None:
    conn.execute(delete(search_terms).where(search_terms.c.subject == subject, search_terms.c.row_id.in_(ids)))
    rows = [{"subject": subject, "term": term, "row_id": row_id} for row_id, some in words.items() for term in some]
    if rows:
        conn.execute(insert(search_terms), rows)


def _index_displays(conn: Connection, ids: Sequence[int]) -> None:
    rows = conn.execute(
        select(
            displays.c.id,
            displays.c.label,
            displays.c.owner,
            displays.c.place,
            displays.c.chassis,
            tubes.c.label.label("tube_label"),
        )
        .select_from(
            displays.outerjoin(
                tube_fittings, (tube_fittings.c.display_id == displays.c.id) & tube_fittings.c.until.is_(None)
            ).outerjoin(tubes, tubes.c.id == tube_fittings.c.tube_id)
        )
        .where(displays.c.id.in_(ids))
    )
    _index(
        conn,
        "display",
        ids,
        {row.id: terms(row.label, row.owner, row.place, row.tube_label, row.chassis) for row in rows},
    )


def _index_tubes(conn: Connection, ids: Sequence[int]) -> None:
    rows = conn.execute(select(tubes.c.id, tubes.c.label, tubes.c.notes).where(tubes.c.id.in_(ids)))
    _index(conn, "tube", ids, {row.id: terms(row.label, row.notes) for row in rows})


def _rebuild_items(conn: Connection, ids: Sequence[int]) -> None:
    of_these = (reservations.c.item_id.in_(ids), reservations.c.state == "reserved")
    waiting = (
        select(reservations.c.item_id, func.sum(reservations.c.quantity).label("sum"))
        .where(*of_these)
        .group_by(reservations.c.item_id)
    )
    reserved = {row.item_id: int(row.sum) for row in conn.execute(waiting)}
    rows = conn.execute(select(stock_items).where(stock_items.c.id.in_(ids))).all()
    if rows:
        fresh = [{"item": row.id, "reserved": reserved.get(row.id, 0)} for row in rows]
        conn.execute(update(stock_items).where(stock_items.c.id == bindparam("item")), fresh)
    words = {row.id: terms(row.name, row.code, row.place, row.kind, row.supplier) for row in rows}
    _index(conn, "stock", ids, words)


def _rebuild_jobs(conn: Connection, ids: Sequence[int]) -> None:
    rows = conn.execute(
        select(jobs, displays.c.label, displays.c.owner, displays.c.place, displays.c.chassis)
        .join_from(jobs, displays)
        .where(jobs.c.id.in_(ids))
    ).all()
    stays: dict[int, list[tuple[dt.datetime, dt.datetime | None, int]]] = {}
    of_these = {row.display_id for row in rows}
    for stay in conn.execute(
        select(tube_fittings).where(tube_fittings.c.display_id.in_(of_these)).order_by(tube_fittings.c.since)
    ):
        stays.setdefault(stay.display_id, []).append((stay.since, stay.until, stay.tube_id))
    latest = {
        verdict.job_id: verdict
        for verdict in conn.execute(
            select(verdicts.c.job_id, verdicts.c.decision, verdicts.c.headline)
            .where(verdicts.c.job_id.in_(ids))
            .order_by(verdicts.c.at, verdicts.c.id)
        )
    }
    tube_of = {row.id: _tube_at(stays.get(row.display_id, []), row.closed_at) for row in rows}
    fitted = {tube_id for tube_id in tube_of.values() if tube_id is not None}
    labels = {
        tube.id: tube.label for tube in conn.execute(select(tubes.c.id, tubes.c.label).where(tubes.c.id.in_(fitted)))
    }
    faults: dict[int, list[str]] = {}
    for repair in conn.execute(
        select(repairs.c.job_id, repairs.c.fault, repairs.c.note)
        .where(repairs.c.job_id.in_(ids), repairs.c.outcome != "excluded")
        .order_by(repairs.c.at, repairs.c.id)
    ):
        faults.setdefault(repair.job_id, []).extend((repair.fault, repair.note))
    words = {}
    fresh = []
    for row in rows:
        verdict = latest.get(row.id)
        tube_id = tube_of[row.id]
        fresh.append(
            {
                "job": row.id,
                "active": row.state != "closed",
                "tube_id": tube_id,
                "decision": verdict.decision if verdict else "",
                "headline": verdict.headline if verdict else "",
            }
        )
        words[row.id] = terms(
            row.label,
            row.owner,
            row.place,
            labels.get(tube_id or 0),
            row.chassis,
            row.waits_for,
            *faults.get(row.id, ()),
            row.owner_words,
        )
    if fresh:
        conn.execute(update(jobs).where(jobs.c.id == bindparam("job")), fresh)
    _index(conn, "job", ids, words)


def _tube_at(stays: Sequence[tuple[dt.datetime, dt.datetime | None, int]], moment: dt.datetime | None) -> int | None:
    """The tube in a display at a moment, or now; of two at the same moment, the one that came later."""
    found = None
    for since, until, tube_id in stays:
        if moment is None:
            if until is None:
                found = tube_id
        elif since <= moment and (until is None or until >= moment):
            found = tube_id
    return found
