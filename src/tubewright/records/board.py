"""Lists that stay quick however large the shop: the board, displays, tubes, and the search in them.

A list is walked along an index, page by page, from where the page before ended.
A search looks its words up in an index of words by their beginnings. If its
rarest word is rare, the few rows that carry it are fetched and put in order; if
even that is common, the list is walked in order and each row asked whether it
carries the words, which soon fills a page. Both ways are bounded.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from typing import Any, Final, TypeVar

from sqlalchemy import ColumnElement, Connection, Row, Select, and_, exists, func, literal, select, tuple_

from tubewright.errors import Fault, InputError
from tubewright.records import shop
from tubewright.records.derived import terms
from tubewright.records.model import JOB_STATES, BoardRow, DisplayRecord, JobState, Page, TubeRecord
from tubewright.records.tables import UtcTime, displays, jobs, search_terms, tubes

RARE: Final = 1000
"""Rows that are fetched and sorted without regret."""

LARGEST_PAGE: Final = 500
_LAST_LETTER: Final = "\U0010ffff"

Record = TypeVar("Record")


def _starts(subject: str, word: str) -> ColumnElement[bool]:
    column = search_terms.c.term
    return and_(search_terms.c.subject == subject, column >= word, column < word + _LAST_LETTER)


def _matching(conn: Connection, subject: str, search: str, row_id: ColumnElement[int]) -> list[ColumnElement[bool]]:
    """Conditions that keep the rows which carry every word of a search."""
    words = terms(search.replace("\x00", " "), joined=False)[:12]
    if not words:
        return []
    counts = {}
    for word in words:
        few = select(search_terms.c.row_id).where(_starts(subject, word)).limit(RARE + 1).subquery()
        counts[word] = conn.execute(select(func.count()).select_from(few)).scalar_one()
    rarest = min(words, key=lambda word: counts[word])
    kept: list[ColumnElement[bool]] = []
    rest = words
    if counts[rarest] <= RARE:
        ids = conn.execute(select(search_terms.c.row_id).where(_starts(subject, rarest)).distinct()).scalars().all()
        kept.append(row_id.in_(ids))
        rest = [word for word in words if word != rarest]
    kept.extend(
        exists(select(1).where(_starts(subject, word), search_terms.c.row_id == row_id)).correlate_except(search_terms)
        for word in rest
    )
    return kept


def _page(found: Sequence[Any], size: int, make: Callable[[Any], Record], mark: Callable[[Any], str]) -> Page[Record]:
    rows = found[:size]
    return Page(rows=tuple(make(one) for one in rows), next_page=mark(rows[-1]) if len(found) > size else None)


def _size(size: int) -> int:
    return max(1, min(size, LARGEST_PAGE))


def _bad_page(page: str) -> InputError:
    return InputError(Fault(what=f"there is no page {page[:40]!r}", where="page", mend="Start from the first page"))


def _by_id(
    conn: Connection,
    query: Select[Any],
    subject: str,
    row_id: ColumnElement[int],
    search: str,
    page: str | None,
    size: int,
) -> Sequence[Row[Any]]:
    conditions = _matching(conn, subject, search, row_id)
    if page is not None:
        if not page.isascii() or not page.isdigit() or len(page) > 18:
            raise _bad_page(page)
        conditions.append(row_id < int(page))
    return conn.execute(query.where(*conditions).order_by(row_id.desc()).limit(size + 1)).all()


def show_displays(conn: Connection, search: str, *, page: str | None, size: int) -> Page[DisplayRecord]:
    """Displays, newest first."""
    size = _size(size)
    found = _by_id(conn, shop.displays_query(), "display", displays.c.id, search, page, size)
    return _page(found, size, shop.display_record, lambda row: str(row.id))


def show_tubes(conn: Connection, search: str, *, page: str | None, size: int) -> Page[TubeRecord]:
    """Tubes, newest first."""
    size = _size(size)
    found = _by_id(conn, shop.tubes_query(), "tube", tubes.c.id, search, page, size)
    return _page(found, size, shop.tube_record, lambda row: str(row.id))


def _board_row(row: Row[Any]) -> BoardRow:
    return BoardRow(**dict(row._mapping) | {"tube_label": row.tube_label or ""})  # noqa: SLF001 - documented way to names


def board(conn: Connection, search: str, *, state: JobState | None, page: str | None, size: int) -> Page[BoardRow]:
    """The board, last changed first."""
    size = _size(size)
    conditions = _matching(conn, "job", search, jobs.c.id)
    if state is not None:
        if state not in JOB_STATES:
            raise InputError(
                Fault(what=f"there is no state {state!r}", where="state", mend=f"Use {', '.join(JOB_STATES)}")
            )
        conditions.append(jobs.c.state == state)
    elif not conditions:
        conditions.append(jobs.c.active.is_(True))
    if page is not None:
        conditions.append(_after(page))
    query = (
        select(
            jobs.c.id.label("job_id"),
            jobs.c.display_id,
            displays.c.label.label("display_label"),
            displays.c.owner,
            displays.c.place,
            jobs.c.tube_id,
            tubes.c.label.label("tube_label"),
            jobs.c.state,
            jobs.c.waits_for,
            jobs.c.decision,
            jobs.c.headline,
            jobs.c.opened_at,
            jobs.c.changed_at,
        )
        .select_from(
            jobs.join(displays, displays.c.id == jobs.c.display_id).outerjoin(tubes, tubes.c.id == jobs.c.tube_id)
        )
        .where(*conditions)
        .order_by(jobs.c.changed_at.desc(), jobs.c.id.desc())
        .limit(size + 1)
    )
    return _page(conn.execute(query).all(), size, _board_row, lambda row: f"{row.changed_at.isoformat()}~{row.job_id}")


def _after(page: str) -> ColumnElement[bool]:
    moment, _, job_id = page.partition("~")
    try:
        changed = dt.datetime.fromisoformat(moment)
        last = int(job_id)
    except ValueError as error:
        raise _bad_page(page) from error
    if changed.tzinfo is None or not 0 <= last < 2**31:
        raise _bad_page(page)
    return tuple_(jobs.c.changed_at, jobs.c.id) < tuple_(literal(changed, UtcTime), literal(last))


def counts(conn: Connection, *, at_most: int) -> dict[JobState, int]:
    """Jobs by state, counted no further than ``at_most``."""
    found: dict[JobState, int] = {}
    for state in JOB_STATES:
        few = select(jobs.c.id).where(jobs.c.state == state).limit(max(0, at_most)).subquery()
        found[state] = conn.execute(select(func.count()).select_from(few)).scalar_one()
    return found
