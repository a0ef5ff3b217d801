"""The bench on a phone: the open jobs with what is done at the machine, one touch each."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any, Final

from fastapi import APIRouter, Request, Response

from tubewright.bench.guarding import Lock, closings_of, lock_of
from tubewright.bench.lan.pairing import SESSION_DAYS
from tubewright.bench.pages import Bench, page
from tubewright.bench.routes.findings import telling
from tubewright.bench.routes.job import Id, TheBench, job_page
from tubewright.bench.routes.photos import shooting
from tubewright.case import GUNS
from tubewright.judgement.guards import StepSort
from tubewright.records.model import BoardRow, JobPage

router = APIRouter(include_in_schema=False)
MOST_JOBS: Final = 12
"""Open jobs on the page: what lies on the benches of a shop (estimate); the board has all."""
TIMED_HOURS: Final = 36.0
"""How long after a treatment its timer is offered: a soak overnight and the day after it (estimate)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Card:
    """An open job as the phone shows it.

    Attributes:
        row: The job as on the board.
        stage: What its next photograph shows: ``before`` or ``after`` the work.
        closings: Steps done that still ask for something to be confirmed.
        timed: Guns treated lately, whose settling is waited for.
    """

    row: BoardRow
    stage: str
    closings: int
    timed: tuple[str, ...]


@router.get("/phone")
def home(request: Request, bench: TheBench) -> Response:
    """The open jobs, and for each what a hand at the machine wants."""
    rows = bench.store.board("", state="open", size=MOST_JOBS)
    return page(
        request,
        "phone.html",
        cards=[_card(bench, row) for row in rows.rows],
        more=rows.next_page is not None,
        phone=request.state.phone,
        days=SESSION_DAYS,
        due=any(getattr(route, "path", "") == "/due" for route in request.app.routes),
        **shooting(bench),
    )


def _card(bench: Bench, row: BoardRow) -> Card:
    job = bench.store.job(row.job_id)
    return Card(
        row=row,
        stage="after" if any(t.treatment.outcome for t in job.treatments) else "before",
        closings=len(closings_of(bench, job)),
        timed=timed(job, bench.store.clock()),
    )


def timed(job: JobPage, now: dt.datetime) -> tuple[str, ...]:
    """The guns that were treated lately on this job; a treatment of all guns counts for each."""
    since = now - dt.timedelta(hours=TIMED_HOURS)
    lately = [t.treatment.gun for t in job.treatments if _moment(t.at) >= since]
    return tuple(gun for gun in GUNS if gun in lately or None in lately)


def _moment(at: dt.datetime | dt.date) -> dt.datetime:
    if isinstance(at, dt.datetime):
        return at if at.tzinfo else at.replace(tzinfo=dt.UTC)
    return dt.datetime.combine(at, dt.time(), dt.UTC)


@router.get("/phone/guards/{job_id}")
def guards(request: Request, bench: TheBench, job_id: Id) -> Response:
    """What waits to be confirmed on a job: before the next steps, and after those that were done."""
    job = bench.store.job(job_id)
    steps: list[tuple[StepSort, str]] = [("test", one) for one in telling(job) if one in bench.knowledge.tests]
    ladder = sorted(bench.knowledge.treatments.values(), key=lambda t: t.rung)
    steps += [("treatment", one.kind_id) for one in ladder]
    locks: list[Lock] = [lock_of(bench, job, sort, step) for sort, step in steps]
    context: dict[str, Any] = {
        "closings": closings_of(bench, job),
        "shut": [lock for lock in locks if not lock.is_open],
        "open_ones": [lock for lock in locks if lock.is_open],
        "back": f"/phone/guards/{job_id}",
        "people": [p for p in bench.store.people() if p.active],
    }
    return job_page(request, "phone_guards.html", job, "Guards", **context)
