"""Papers made of a job: quotes, bills and records of the work, numbered, and kept as they were."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Final

from sqlalchemy import Connection, func, select, update

from tubewright.errors import Fault, InputError, UnknownRecordError
from tubewright.records import checks
from tubewright.records.changes import Change, Values, row
from tubewright.records.model import PaperRecord
from tubewright.records.model_stock import PAPER_SORTS, PaperSort
from tubewright.records.rows import paper_record, records_of
from tubewright.records.settings import settings_here
from tubewright.records.tables import jobs, paper_counters, papers
from tubewright.records.transactions import Transactions

LARGEST_BODY: Final = 4_000_000
"""Characters of what a paper says (estimate; a long record of a job has a hundred thousand)."""
LETTERS: Final[Mapping[PaperSort, str]] = {"quote": "Q", "bill": "B", "customer": "C", "bench": "W"}
"""What a number begins with after the shop's own prefix: quote, bill, customer's record, workshop's record."""


class Papers(Transactions):
    """The part of the store that keeps papers."""

    def add_paper(
        self, job_id: int, sort: PaperSort, *, body_json: str, sha256: str | None = None, by: int | None = None
    ) -> PaperRecord:
        """Keep a paper, under the next number of its sort.

        Each sort counts up from 1 (``Q-0001``, ``Q-0002``), after the shop's
        ``number_prefix``. A number is given once: not again even if the paper is taken back.

        Args:
            job_id: the job it is about.
            sort: what it is.
            body_json: what it says, as JSON text, so that it can be printed again.
            sha256: of the file that was made of it, if it is to be recognised.
            by: who made it.
        """

        def work(change: Change) -> PaperRecord:
            change.row(jobs, job_id)
            _known(sort, "sort")
            _document(body_json, "body_json")
            prefix = settings_here(change.conn)["number_prefix"]
            counter = _next(change.conn, sort)
            values: Values = {
                "job_id": job_id,
                "person_id": change.by,
                "at": change.now,
                "sort": sort,
                "number": f"{prefix}{LETTERS[sort]}-{counter:04d}",
                "counter": counter,
                "body_json": body_json,
                "sha256": None if sha256 is None else checks.sha(sha256, "sha256"),
            }
            return _paper(change.conn, change.insert(papers, values))

        return self.change(by, work)

    def papers(self, job_id: int) -> tuple[PaperRecord, ...]:
        """Every paper of a job, oldest first."""
        with self.database.read() as conn:
            row(conn, jobs, job_id)
            return records_of(conn, papers, papers.c.job_id == job_id, paper_record)

    def paper(self, paper_id: int) -> PaperRecord:
        """One paper, of whatever job.

        Raises:
            UnknownRecordError: there is none of that id.
        """
        with self.database.read() as conn:
            return _paper(conn, paper_id)


def _paper(conn: Connection, paper_id: int) -> PaperRecord:
    found = records_of(conn, papers, papers.c.id == paper_id, paper_record)
    if not found:
        raise UnknownRecordError(
            Fault(what=f"there is no paper {paper_id}", where="paper", mend="Look at the papers of the job")
        )
    return found[0]


def _next(conn: Connection, sort: PaperSort) -> int:
    """The next number of a sort, which nobody gets again."""
    of_sort = paper_counters.c.sort == sort
    given = conn.execute(select(paper_counters.c.last).where(of_sort)).scalar_one()
    # Papers may have come with an import; what was given and taken back there doesn't travel.
    kept = conn.execute(select(func.max(papers.c.counter)).where(papers.c.sort == sort)).scalar()
    fresh = int(max(given, kept or 0)) + 1
    conn.execute(update(paper_counters).where(of_sort).values(last=fresh))
    return fresh


def _known(sort: str, where: str) -> None:
    if sort not in PAPER_SORTS:
        raise InputError(
            Fault(what=f"there is no sort of paper {sort!r}"[:80], where=where, mend=f"Use {', '.join(PAPER_SORTS)}")
        )


def _document(body_json: str, where: str) -> None:
    if len(body_json) > LARGEST_BODY:
        raise InputError(Fault(what="this paper is too long", where=where, mend="Leave something out"))
    try:
        json.loads(body_json)
    except ValueError as error:
        raise InputError(Fault(what="this is no JSON document", where=where, mend="Send it as JSON")) from error


def check_paper(values: Values, where: str) -> None:
    """Check a row of papers from elsewhere as if it had been written here.

    Raises:
        InputError: with its faults.
    """
    _known(values["sort"], f"{where}.sort")
    checks.name(values["number"], f"{where}.number")
    _document(values["body_json"], f"{where}.body_json")
    if values["counter"] is not None and values["counter"] < 1:
        raise InputError(Fault(what="papers are counted from 1", where=f"{where}.counter", mend="Export it again"))
    if values["sha256"] is not None:
        checks.sha(values["sha256"], f"{where}.sha256")
