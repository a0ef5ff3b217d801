"""The board, and putting a display on the bench."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Request, Response

from tubewright import case
from tubewright.bench import words
from tubewright.bench.forms import FormReader, by_field
from tubewright.bench.pages import Bench, bench_of, form_of, go, page, wrong
from tubewright.bench.routes.due import due_now
from tubewright.bench.routes.records import display_of, tube_of
from tubewright.bench.security import Form
from tubewright.errors import ConflictError, InputError, UnknownRecordError
from tubewright.records.model import JOB_STATES

router = APIRouter(include_in_schema=False)
TheBench = Annotated[Bench, Depends(bench_of)]
TheForm = Annotated[Form, Depends(form_of)]


@router.get("/")
def board(request: Request, bench: TheBench, q: str = "", state: str = "", page_at: str = "") -> Response:
    """Open jobs, what each waits for, and what was last said of it."""
    page_at = request.query_params.get("page", page_at)
    chosen = next((s for s in JOB_STATES if s == state), None)
    found = bench.store.board(q.strip()[:200], state=chosen, page=page_at or None)
    counts = bench.store.counts()
    nothing_yet = not any(counts.values()) and not q
    first_look = not (q.strip() or state or page_at)
    return page(
        request,
        "board.html",
        rows=found.rows,
        next_page=found.next_page,
        counts=counts,
        nothing_yet=nothing_yet,
        due=due_now(request, bench, at_hand=True) if first_look and not nothing_yet else None,
        q=q.strip()[:200],
        state=chosen or "",
    )


@router.get("/jobs/new")
def new_job(request: Request, bench: TheBench, display: str = "") -> Response:
    """The form for a new job, of a display that is known or a new one."""
    return _form(request, bench, display)


def _form(request: Request, bench: Bench, display: str, *, status: int = 200, **context: object) -> Response:
    record, use = None, None
    costs = of_the_shop(bench, None)
    if display:
        if not (display.isascii() and display.isdigit() and len(display) < 10):
            raise UnknownRecordError(())
        record = bench.store.display(int(display))
        jobs = bench.store.jobs_of_display(record.id)
        if jobs:
            use, costs = jobs[0].use, of_the_shop(bench, jobs[0].costs)
    return page(request, "job_new.html", status=status, record=record, use=use, costs=costs, **context)


@router.post("/jobs/new")
def open_job(request: Request, bench: TheBench, form: TheForm) -> Response:
    """Store display and tube where they are new, and open the job."""
    read = FormReader(form)
    known = read.whole("display", most=10**9)
    by = bench.by(request)
    try:
        display = None if known is not None else display_of(read)
        tube = None if known is not None else tube_of(read, "tube_label")
        owner, place = read.words("owner"), read.words("place")
        idle = read.figure("idle_years", "years")
        use, costs = use_of(read), of_the_shop(bench, costs_of(read))
        owner_words, waits_for = read.words("owner_words", longest=4000), read.words("waits_for")
        read.finish()
        with bench.store.together():
            if known is None:
                assert display is not None  # noqa: S101 - finish() raised otherwise
                assert tube is not None  # noqa: S101
                record = bench.store.add_display(display, owner=owner, place=place, by=by)
                fitted = bench.store.add_tube(tube, by=by)
                bench.store.fit_tube(record.id, fitted.id, by=by)
                known = record.id
            job = bench.store.open_job(
                known, owner_words=owner_words, use=use, costs=costs, idle_years=idle, waits_for=waits_for, by=by
            )
    except (UnknownRecordError, ConflictError):
        raise
    except InputError as error:
        shown = wrong(by_field(error.faults), error.faults, form)
        return _form(request, bench, form.text("display"), status=422, **shown)
    return go(request, f"/jobs/{job.id}", said="opened", job_id=job.id)


def of_the_shop(bench: Bench, costs: case.Costs | None) -> case.Costs:
    """Costs with the shop's currency and rate where nobody gave any."""
    costs, held = costs or case.Costs(), bench.store.settings()
    currency = costs.currency or held["currency"] or None
    rate = costs.bench_rate_per_hour
    if rate is None and held["bench_rate_per_hour"] and currency == (held["currency"] or None):
        rate = float(held["bench_rate_per_hour"])
    return costs.model_copy(update={"currency": currency, "bench_rate_per_hour": rate})


def use_of(read: FormReader) -> case.Use | None:
    """What the owner wants, from the fields of that name."""
    return read.model(
        case.Use,
        {
            "hours_per_week": read.figure("hours_per_week", "hours"),
            "keep_years": read.figure("keep_years", "years"),
            "minimum_white": read.figure("minimum_white", "fraction"),
            "white_point": read.choice("white_point", words.WHITES),
        },
    )


def costs_of(read: FormReader) -> case.Costs | None:
    """What things cost, from the fields of that name."""
    money = ("bench_rate_per_hour", "replacement_tube", "replacement_display", "parts_value")
    currency = read.words("currency", longest=3).upper() or None
    if currency is not None and not (len(currency) == 3 and currency.isascii() and currency.isalpha()):
        read.fault("currency", f"“{currency[:8]}” is no currency", "Type its three letters, such as EUR.")
        currency = None
    return read.model(case.Costs, {"currency": currency, **{name: read.figure(name, "money") for name in money}})
