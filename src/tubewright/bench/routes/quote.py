"""Quote and bill of a job: drafted from its records, lines typed beside them, given out and printed again."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request, Response

from tubewright.answers import bill as billed
from tubewright.answers import quote_answer
from tubewright.bench import quoting
from tubewright.bench.forms import FormReader, by_field
from tubewright.bench.money_drafts import MoneyDraft, MoneyDrafts, field_of, read_draft
from tubewright.bench.pages import Bench, go, wrong
from tubewright.bench.quoting import MoneyPaper
from tubewright.bench.routes.job import Id, TheBench, TheForm, job_page
from tubewright.bench.security import Form
from tubewright.errors import Fault, InputError, UnknownRecordError
from tubewright.records.model import JobPage, PaperRecord
from tubewright.report.quote_typst import grouped, how_much, sum_rows

router = APIRouter(include_in_schema=False)


def drafts_of(request: Request) -> MoneyDrafts:
    """What was typed and not yet given out (a FastAPI dependency)."""
    found: MoneyDrafts = request.app.state.money_drafts
    return found


TheDrafts = Annotated[MoneyDrafts, Depends(drafts_of)]


# -- the quote ---------------------------------------------------------------------------------


@router.get("/jobs/{job_id}/quote")
def quote_page(request: Request, bench: TheBench, drafts: TheDrafts, job_id: Id) -> Response:
    """What each option costs, brings and risks; and the lines that somebody adds."""
    return _quote_page(request, bench, bench.store.job(job_id), drafts.get(job_id, "quote"))


def _quote_page(
    request: Request, bench: Bench, job: JobPage, draft: MoneyDraft, *, status: int = 200, **more: object
) -> Response:
    judged = quoting.judged(bench.store, bench.knowledge, job, bench.assess)
    body = _quote_body(bench, job, draft)
    return _money_page(
        request,
        bench,
        job,
        "quote",
        body,
        draft,
        status=status,
        verdict_kept=judged.kept,
        any_parts=any(option["missing"] for option in body["options"]) or draft.parts_complete,
        **more,
    )


def _quote_body(bench: Bench, job: JobPage, draft: MoneyDraft) -> dict[str, Any]:
    judged = quoting.judged(bench.store, bench.knowledge, job, bench.assess)
    answer = quoting.draft_quote(
        bench.store,
        bench.knowledge,
        job,
        judged.answer,
        extras=draft.extras,
        parts_complete=draft.parts_complete,
    )
    return quote_answer.to_json(answer)


@router.post("/jobs/{job_id}/quote")
def change_quote(request: Request, bench: TheBench, drafts: TheDrafts, form: TheForm, job_id: Id) -> Response:
    """Reckon again with the typed lines, or give the quote out."""
    job = bench.store.job(job_id)
    read = FormReader(form)
    draft = read_draft(read)
    try:
        read.finish()
    except InputError as error:
        shown = wrong(by_field(error.faults), error.faults, form)
        return _quote_page(request, bench, job, draft, status=422, **shown)
    drafts.put(job_id, "quote", draft)
    if form.text("do") != "give":
        return _back(job_id, "quote")
    return _give_out(request, bench, drafts, job, "quote", _quote_body(bench, job, draft), draft, form)


@router.get("/jobs/{job_id}/quote.pdf")
def quote_file(bench: TheBench, drafts: TheDrafts, job_id: Id, paper: str = "", draft: str = "") -> Response:
    """The quote as a PDF: one that was given out, by default the newest, or the draft."""
    job = bench.store.job(job_id)
    record = _asked_paper(bench, job_id, "quote", paper, draft)
    if record is not None:
        return _pdf(quoting.paper_pdf(record), record.number)
    body = _quote_body(bench, job, drafts.get(job_id, "quote"))
    return _pdf(quoting.body_pdf("quote", body, "", bench.store.clock()), f"quote-draft-job-{job_id}")


# -- the bill ----------------------------------------------------------------------------------


@router.get("/jobs/{job_id}/bill")
def bill_page(request: Request, bench: TheBench, drafts: TheDrafts, job_id: Id) -> Response:
    """What was done and used, and what it comes to; times and lines can be typed."""
    return _bill_page(request, bench, bench.store.job(job_id), drafts.get(job_id, "bill"))


def _bill_page(
    request: Request, bench: Bench, job: JobPage, draft: MoneyDraft, *, status: int = 200, **more: object
) -> Response:
    works = quoting.works_of(job, bench.knowledge)
    body, offered = _bill_body(bench, job, draft)
    parts = [quoting.part_of(one) for one in job.reservations if one.state == "used"]
    reserved = [one for one in job.reservations if one.state == "reserved"]
    by_key = {line["key"]: line for line in [*body["lines"], *body["left_out"]]}
    return _money_page(
        request,
        bench,
        job,
        "bill",
        body,
        draft,
        status=status,
        works=[
            {
                "field": field_of(work.key),
                "words": by_key[work.key]["words"],
                "basis": by_key[work.key]["basis"],
                "minutes": _typed_minutes(draft.times.get(work.key)),
                "charged": _noted_minutes(by_key[work.key]),
                "usual": _typed_minutes(offered.get(work.key)),
                "out": work.key in draft.times and draft.times[work.key] is None,
                "amount": grouped(by_key[work.key]["amount"], body["currency"]),
            }
            for work in works
        ],
        parts=[
            {
                "field": field_of(part.key),
                "words": f"{part.quantity} × {part.words}",
                "out": part.key in draft.left_out,
                "amount": grouped(by_key[part.key]["amount"], body["currency"]),
            }
            for part in parts
        ],
        reserved=reserved,
        noted_parts=quoting.parts_in_notes(job),
        **more,
    )


def _typed_minutes(minutes: object) -> str:
    return "" if minutes is None else f"{float(str(minutes)):g}"


def _noted_minutes(line: Mapping[str, Any]) -> str:
    return "" if line["basis"] in {"time not noted", "as typed"} else line["quantity"]


def _bill_body(bench: Bench, job: JobPage, draft: MoneyDraft) -> tuple[dict[str, Any], Mapping[str, object]]:
    known = {work.key for work in quoting.works_of(job, bench.knowledge)}
    parts = {quoting.part_of(one).key for one in job.reservations if one.state == "used"}
    answer = quoting.draft_bill(
        bench.store,
        bench.knowledge,
        job,
        # What was struck out of the log since it was typed here no longer counts.
        times={key: minutes for key, minutes in draft.times.items() if key in known},
        left_out=[key for key in draft.left_out if key in parts],
        extras=draft.extras,
    )
    return billed.to_json(answer), answer.offered


@router.post("/jobs/{job_id}/bill")
def change_bill(request: Request, bench: TheBench, drafts: TheDrafts, form: TheForm, job_id: Id) -> Response:
    """Reckon again with what was typed, or give the bill out."""
    job = bench.store.job(job_id)
    read = FormReader(form)
    works = tuple(work.key for work in quoting.works_of(job, bench.knowledge))
    parts = tuple(quoting.part_of(one).key for one in job.reservations if one.state == "used")
    draft = read_draft(read, works=works, parts=parts)
    try:
        read.finish()
    except InputError as error:
        shown = wrong(by_field(error.faults), error.faults, form)
        return _bill_page(request, bench, job, draft, status=422, **shown)
    draft = _only_changed(bench, job, draft)
    drafts.put(job_id, "bill", draft)
    if form.text("do") != "give":
        return _back(job_id, "bill")
    body, _ = _bill_body(bench, job, draft)
    return _give_out(request, bench, drafts, job, "bill", body, draft, form)


def _only_changed(bench: Bench, job: JobPage, draft: MoneyDraft) -> MoneyDraft:
    """The draft without times that say what the log says anyway: those keep following the log."""
    logged, _ = _bill_body(bench, job, MoneyDraft())
    noted = {line["key"]: line["quantity"] for line in logged["lines"] if line["basis"] != "time not noted"}
    times = {k: m for k, m in draft.times.items() if m is None or k not in noted or m != Decimal(noted[k])}
    return replace(draft, times=times)


@router.get("/jobs/{job_id}/bill.pdf")
def bill_file(bench: TheBench, drafts: TheDrafts, job_id: Id, paper: str = "", draft: str = "") -> Response:
    """The bill as a PDF: one that was given out, by default the newest, or the draft."""
    job = bench.store.job(job_id)
    record = _asked_paper(bench, job_id, "bill", paper, draft)
    if record is not None:
        return _pdf(quoting.paper_pdf(record), record.number)
    body, _ = _bill_body(bench, job, drafts.get(job_id, "bill"))
    return _pdf(quoting.body_pdf("bill", body, "", bench.store.clock()), f"bill-draft-job-{job_id}")


# -- both --------------------------------------------------------------------------------------


def _money_page(
    request: Request,
    bench: Bench,
    job: JobPage,
    sort: MoneyPaper,
    body: dict[str, Any],
    draft: MoneyDraft,
    *,
    status: int = 200,
    **more: object,
) -> Response:
    terms = {"name": body["shop"]["name"], "currency": body["currency"], "rate": body["rate_per_hour"]}
    return job_page(
        request,
        f"{sort}.html",
        job,
        "Verdict" if sort == "quote" else "Proof",
        status=status,
        sort=sort,
        body=body,
        draft=draft,
        given=quoting.papers_of(bench.store, job.job.id, sort),
        shop_terms=terms,
        money=lambda amount: grouped(amount, body["currency"]),
        how_much=how_much,
        sums=lambda total, strong: sum_rows(total, body["tax"], body["currency"], strong=strong),
        **more,
    )


def _give_out(
    request: Request,
    bench: Bench,
    drafts: MoneyDrafts,
    job: JobPage,
    sort: MoneyPaper,
    body: dict[str, Any],
    draft: MoneyDraft,
    form: Form,
) -> Response:
    job_id = job.job.id
    try:
        quoting.keep(bench.store, job_id, sort, body, by=bench.by(request))
    except UnknownRecordError:
        raise
    except InputError as error:
        shown = wrong({}, error.faults, form)
        show = _quote_page if sort == "quote" else _bill_page
        return show(request, bench, job, draft, status=422, **shown)
    drafts.drop(job_id, sort)
    return go(request, f"/jobs/{job_id}/{sort}", said="given_out", job_id=job_id)


def _back(job_id: int, sort: MoneyPaper) -> Response:
    return Response(status_code=303, headers={"location": f"/jobs/{job_id}/{sort}#h-sum"})


def _asked_paper(bench: Bench, job_id: int, sort: MoneyPaper, paper: str, draft: str) -> PaperRecord | None:
    given = quoting.papers_of(bench.store, job_id, sort)
    if paper:
        found = next((one for one in given if str(one.id) == paper), None)
        if found is None:
            raise UnknownRecordError(
                Fault(what=f"this job has no such {sort}", where=sort, mend="Open it from the job's page.")
            )
        return found
    return None if draft or not given else given[0]


def _pdf(data: bytes, name: str) -> Response:
    safe = "".join(letter if letter.isalnum() or letter in "-_." else "-" for letter in name if letter.isascii())
    return Response(
        data, media_type="application/pdf", headers={"content-disposition": f'inline; filename="{safe}.pdf"'}
    )
