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
from tubewright.records.model import JOB_STATES, BoardRow, DisplayRecord, JobState, Page, StockItem, TubeRecord
from tubewright.records.rows import item_record
from tubewright.records.tables import UtcTime, displays, jobs, search_terms, stock_items, tubes

RARE: Final = 3000  # from memory: estimate; where fetching and sorting takes as long as walking to fill a page
"""Rows that are fetched and sorted rather than walked to."""

MOST_WORDS: Final = 8
"""Words of a search that are heeded."""

LARGEST_PAGE: Final = 500
_LAST_LETTER: Final = "\U0010ffff"

Record = TypeVar("Record")


def _starts(subject: str, word: str) -> ColumnElement[bool]:
    column = search_terms.c.term
    return and_(search_terms.c.subject == subject, column >= word, column < word + _LAST_LETTER)


class _Search:
    """What a search asks for: either the few rows themselves, or conditions to test rows by."""

    def __init__(self, conn: Connection, subject: str, search: str) -> None:
        self.subject = subject
        self.words = terms(search.replace("\x00", " "), joined=False)[:MOST_WORDS]
        self.ids: list[int] | None = None
        counts = {}
        for word in self.words:
            few = select(search_terms.c.row_id).where(_starts(subject, word)).limit(RARE + 1).subquery()
            counts[word] = conn.execute(select(func.count()).select_from(few)).scalar_one()
        # Rarest first: the others need only be looked for where it was found.
        self.words.sort(key=lambda word: (counts[word], -len(word)))
        if self.words and counts[self.words[0]] <= RARE:
            rarest, *rest = self.words
            query = select(search_terms.c.row_id).where(_starts(subject, rarest))
            conditions = [self._carries(word, search_terms.c.row_id) for word in rest]
            # Made distinct here: asked to do it, SQLite reads the whole index by row instead.
            self.ids = list(set(conn.execute(query.where(*conditions)).scalars()))

    def _carries(self, word: str, row_id: ColumnElement[int]) -> ColumnElement[bool]:
        # A row has few words, so they are looked through; those that begin like this may be many.
        other = search_terms.alias()
        return exists(
            select(1).where(
                other.c.subject == self.subject,
                other.c.row_id == row_id,
                other.c.term >= word,
                other.c.term < word + _LAST_LETTER,
            )
        )

    def conditions(self, row_id: ColumnElement[int]) -> list[ColumnElement[bool]]:
        """Conditions that hold for the rows which carry every word, for walking a list."""
        return [self._carries(word, row_id) for word in self.words]


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
    *also: ColumnElement[bool],
) -> Sequence[Row[Any]]:
    """The rows of one page and one more, newest first, of those that carry the words and for which ``also`` holds."""
    before = None
    if page is not None:
        if not page.isascii() or not page.isdigit() or len(page) > 18:
            raise _bad_page(page)
        before = int(page)
    wanted = _Search(conn, subject, search)
    if wanted.ids is not None:
        ids = sorted((one for one in wanted.ids if before is None or one < before), reverse=True)
        conditions: list[ColumnElement[bool]] = [row_id.in_(ids if also else ids[: size + 1])]
    else:
        conditions = wanted.conditions(row_id)
        if before is not None:
            conditions.append(row_id < before)
    return conn.execute(query.where(*conditions, *also).order_by(row_id.desc()).limit(size + 1)).all()


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


def show_items(conn: Connection, search: str, *, sort: str | None, page: str | None, size: int) -> Page[StockItem]:
    """The stock, newest first."""
    size = _size(size)
    also = [] if sort is None else [stock_items.c.sort == sort]
    found = _by_id(conn, select(stock_items), "stock", stock_items.c.id, search, page, size, *also)
    return _page(found, size, item_record, lambda row: str(row.id))


def _board_row(row: Row[Any]) -> BoardRow:
    return BoardRow(**dict(row._mapping) | {"tube_label": row.tube_label or ""})  # noqa: SLF001 - documented way to names


def board(conn: Connection, search: str, *, state: JobState | None, page: str | None, size: int) -> Page[BoardRow]:
    """The board, last changed first."""
    size = _size(size)
    if state is not None and state not in JOB_STATES:
        raise InputError(Fault(what=f"there is no state {state!r}", where="state", mend=f"Use {', '.join(JOB_STATES)}"))
    after = None if page is None else _after(page)
    wanted = _Search(conn, "job", search)
    if wanted.ids is not None:
        ids = _newest(conn, wanted.ids, state, after, size + 1)
    else:
        conditions = wanted.conditions(jobs.c.id)
        if state is not None:
            conditions.append(jobs.c.state == state)
        elif not wanted.words:
            conditions.append(jobs.c.active.is_(True))
        if after is not None:
            moment, last = after
            conditions.append(tuple_(jobs.c.changed_at, jobs.c.id) < tuple_(literal(moment, UtcTime), literal(last)))
        # Ids first: an index alone answers, and only the page's own rows are fetched.
        order = (jobs.c.changed_at.desc(), jobs.c.id.desc())
        ids = list(conn.execute(select(jobs.c.id).where(*conditions).order_by(*order).limit(size + 1)).scalars())
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
        .where(jobs.c.id.in_(ids))
    )
    found = {row.job_id: row for row in conn.execute(query)} if ids else {}
    return _page(
        [found[job_id] for job_id in ids],
        size,
        _board_row,
        lambda row: f"{row.changed_at.isoformat()}~{row.job_id}",
    )


def _newest(
    conn: Connection, ids: Sequence[int], state: JobState | None, after: tuple[dt.datetime, int] | None, count: int
) -> list[int]:
    """Of these few jobs, those of one page."""
    if not ids:
        return []
    found = conn.execute(select(jobs.c.changed_at, jobs.c.id, jobs.c.state).where(jobs.c.id.in_(ids)))
    marks = [
        (row.changed_at, row.id)
        for row in found
        if (state is None or row.state == state) and (after is None or (row.changed_at, row.id) < after)
    ]
    return [job_id for _, job_id in sorted(marks, reverse=True)[:count]]


def _after(page: str) -> tuple[dt.datetime, int]:
    """Where the page before ended."""
    moment, _, job_id = page.partition("~")
    try:
        changed = dt.datetime.fromisoformat(moment)
        last = int(job_id)
    except ValueError as error:
        raise _bad_page(page) from error
    if changed.tzinfo is None or not 0 <= last < 2**31:
        raise _bad_page(page)
    return changed, last


def counts(conn: Connection, *, at_most: int) -> dict[JobState, int]:
    """Jobs by state, counted no further than ``at_most``."""
    found: dict[JobState, int] = {}
    for state in JOB_STATES:
        few = select(jobs.c.id).where(jobs.c.state == state).limit(max(0, at_most)).subquery()
        found[state] = conn.execute(select(func.count()).select_from(few)).scalar_one()
    return found
