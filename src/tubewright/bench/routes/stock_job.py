"""The parts of a job: reserved, used, given back, what they cost; and a board's recap list served from the stock."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from fastapi import APIRouter, Request, Response

from tubewright.answers.profile import named_chassis
from tubewright.answers.recap import Setting, answer_recap
from tubewright.answers.stock import STATE_WORDS, cost_words, matches, parts_cost
from tubewright.answers.stock_kinds import kinds
from tubewright.answers.stock_recap import RecapFromStock, recap_from_stock
from tubewright.bench.forms import FormReader, by_field
from tubewright.bench.pages import Bench, go, wrong
from tubewright.bench.routes.job import Id, TheBench, TheForm, job_page
from tubewright.bench.routes.records import caution_checks, caution_texts
from tubewright.bench.routes.stock import year_now
from tubewright.bench.routes.stock_lists import with_places
from tubewright.bench.security import Form
from tubewright.bench.stocking import items_of, take_recap, taken_of
from tubewright.bench.uploads import Upload
from tubewright.errors import ConflictError, Fault, InputError, UnknownRecordError
from tubewright.files.boards import MOST_BYTES, board_from_text, decoded
from tubewright.records.model import Reservation
from tubewright.report.stock_text import given_words, mind_words, more_words, not_said_words, price_words

router = APIRouter(include_in_schema=False)

MOST_OFFERED: Final = 12
"""Items of the stock that a search on a job's page shows."""
_CARRIED: Final = ("board", "chassis", "air", "hours_per_week", "age", "blanket")
"""What a recap list is worked out from again when it is taken."""


@router.get("/jobs/{job_id}/parts")
def parts(request: Request, bench: TheBench, job_id: Id, q: str = "") -> Response:
    """What the job reserved and used, with its cost; and the stock to take more from."""
    return _parts_page(request, bench, job_id, q=q.strip()[:200])


def _parts_page(
    request: Request,
    bench: Bench,
    job_id: int,
    *,
    status: int = 200,
    q: str = "",
    recap: RecapFromStock | None = None,
    lost: tuple[Fault, ...] = (),
    **more: object,
) -> Response:
    job = bench.store.job(job_id)
    records = {one.id: one for one in bench.store.reservations(job_id)}
    taken = taken_of(records.values())
    held = items_of(bench.store.all_items())
    known = kinds(bench.knowledge)
    found = [item for item in held if q and matches(item, q, known)]
    context: dict[str, Any] = {
        "taken": [
            {
                "it": one,
                "version": records[one.id].version,
                "state": STATE_WORDS[one.state],
                "cost": price_words(one.sum_cost, one.currency),
            }
            for one in taken
        ],
        "cost": cost_words(parts_cost(taken)),
        "q": q,
        "found": [{"item": item, "more": more_words(item, known)} for item in found[:MOST_OFFERED]],
        "found_more": max(0, len(found) - MOST_OFFERED),
        "stocked": bool(held),
        "recap": recap,
        "lost": lost,
        "recap_rows": _recap_rows(recap) if recap else (),
        "not_said": not_said_words(recap) if recap else (),
        "cautions": caution_texts(bench, recap.answer.recap.cautions) if recap else (),
        "confirm": caution_checks(bench, recap.answer.recap.cautions) if recap else (),
        "profile_names": [(one.id, one.name) for one in bench.knowledge.chassis.values()],
        "own_chassis": job.display.display.chassis or "",
        "hours_now": job.job.use.hours_per_week,
        "carried": (),
        **more,
    }
    return job_page(request, "stock_job.html", job, "Repairs", status=status, **context)


def _recap_rows(recap: RecapFromStock) -> list[dict[str, Any]]:
    kinds = recap.answer.kinds
    rows = []
    for one in recap.service.served:
        item = recap.given(one)
        others = [recap.items[offer.shelf.key] for offer in one.offers if one.given is not offer]
        rows.append(
            {
                "ref": one.wanted.part.ref,
                "there": _there(one.wanted.part.part, kinds),
                "item": item,
                "fit": item.name if item is not None else given_words(recap, one),
                "mind": mind_words(one),
                "others": ", ".join(f"{other.name} ({max(0, other.free)} free)" for other in others[:3]),
            }
        )
    return rows


def _there(part: Any, kinds: Any) -> str:  # noqa: ANN401 - as the recap's own words take them
    from tubewright.answers.recap import part_words

    return part_words(part, kinds)


@router.post("/jobs/{job_id}/parts/reserve")
def reserve(request: Request, bench: TheBench, form: TheForm, job_id: Id) -> Response:
    """Reserve an item of the stock for the job."""
    read = FormReader(form)
    item_id, pieces = read.whole("item", most=2**31 - 1), read.whole("pieces", most=1_000_000)
    q = form.text("q")[:200]
    try:
        if item_id is None and not read.faults:
            read.fault("item", "nothing is chosen", "Choose an item of the stock.")
        read.finish()
        assert item_id is not None  # noqa: S101 - finish() raised otherwise
        by, order = bench.by(request), form.text("order") == "on"
        bench.store.reserve(job_id, item_id, 1 if pieces is None else pieces, order=order, by=by)
    except UnknownRecordError:
        raise
    except InputError as error:
        shown = wrong(by_field(error.faults, {"quantity": "pieces"}), error.faults, form)
        return _parts_page(request, bench, job_id, status=422, q=q, **shown)
    return go(request, f"/jobs/{job_id}/parts", said="reserved", job_id=job_id)


@router.post("/jobs/{job_id}/parts/{reservation_id}/use")
def use(request: Request, bench: TheBench, form: TheForm, job_id: Id, reservation_id: Id) -> Response:
    """Note that what was reserved is fitted."""
    return _moved(request, bench, form, job_id, reservation_id, bench.store.use, "used")


@router.post("/jobs/{job_id}/parts/{reservation_id}/release")
def release(request: Request, bench: TheBench, form: TheForm, job_id: Id, reservation_id: Id) -> Response:
    """Give back what was reserved or used."""
    return _moved(request, bench, form, job_id, reservation_id, bench.store.release, "released")


def _moved(
    request: Request,
    bench: Bench,
    form: Form,
    job_id: int,
    reservation_id: int,
    act: Callable[..., Reservation],
    said: str,
) -> Response:
    version = FormReader(form).whole("version", most=10**9) or 0
    if all(one.id != reservation_id for one in bench.store.reservations(job_id)):
        raise UnknownRecordError(
            Fault(what="this job has no such reservation", where="reservation", mend="See its list of parts.")
        )
    try:
        act(reservation_id, version=version, by=bench.by(request))
    except UnknownRecordError:
        raise
    except ConflictError as error:
        return _parts_page(request, bench, job_id, status=409, faults={}, fault_list=error.faults)
    except InputError as error:
        return _parts_page(request, bench, job_id, status=422, faults={}, fault_list=error.faults)
    return go(request, f"/jobs/{job_id}/parts", said=said, job_id=job_id)


# --- a recap list ---------------------------------------------------------------------------


@router.post("/jobs/{job_id}/parts/recap")
def recap(request: Request, bench: TheBench, form: TheForm, job_id: Id) -> Response:
    """What the stock has for a board's list that was sent or typed."""
    try:
        text, name = _sent(request.state.uploads, form)
    except InputError as error:
        return _parts_page(request, bench, job_id, status=422, **wrong(by_field(error.faults), error.faults, form))
    shown = Form([*((field, value) for field, value in form.pairs if field != "board"), ("board", text)])
    try:
        found, lost = _worked_out(bench, shown, text, name)
    except InputError as error:
        faults = by_field(error.faults)
        told = [one if one.where in _CARRIED else with_places([one])[0] for one in error.faults]
        return _parts_page(request, bench, job_id, status=422, **wrong(faults, told, shown))
    carried = [(field, shown.text(field)) for field in _CARRIED]
    return _parts_page(request, bench, job_id, recap=found, lost=lost, typed=shown.typed(), carried=carried)


@router.post("/jobs/{job_id}/parts/recap/take")
def take(request: Request, bench: TheBench, form: TheForm, job_id: Id) -> Response:
    """Reserve what the stock has for the list, and put the rest on the order list."""
    try:
        found, _ = _worked_out(bench, form, form.text("board"), "list")
        take_recap(bench.store, job_id, found, bench.knowledge, order=form.text("order") != "no", by=bench.by(request))
    except UnknownRecordError:
        raise
    except InputError as error:
        return _parts_page(request, bench, job_id, status=422, **wrong(by_field(error.faults), error.faults, form))
    return go(request, f"/jobs/{job_id}/parts", said="recap_taken", job_id=job_id)


def _sent(uploads: tuple[Upload, ...], form: Form) -> tuple[str, str]:
    if not uploads:
        return form.text("board"), "list"
    if uploads[0].size_bytes > MOST_BYTES:
        raise InputError(Fault(what="the file is larger than 1 MB", where="file", mend="Save one board's list only."))
    return decoded(uploads[0].file.read()), uploads[0].name


def _worked_out(bench: Bench, form: Form, text: str, name: str) -> tuple[RecapFromStock, tuple[Fault, ...]]:
    read = FormReader(form)
    setting = Setting(
        air_c=read.figure("air", "celsius"),
        hours_per_week=read.figure("hours_per_week", "hours"),
        age_years=read.figure("age", "years"),
    )
    read.finish()
    profile = named_chassis(form.text("chassis"), bench.knowledge, where="chassis")
    if not text:
        mend = "Choose a file, or type the list: headings first, then a line for each part."
        raise InputError(Fault(what="there is no list yet", where="board", mend=mend))
    held = board_from_text(text, bench.knowledge, this_year=year_now(bench), name=name)
    if held.faults and not held.parts:
        raise InputError(held.faults)
    answer = answer_recap(held.parts, bench.knowledge, setting, chassis=profile, blanket=form.text("blanket") == "on")
    stock = items_of(bench.store.all_items())
    found = recap_from_stock(answer, stock, bench.knowledge, this_year=year_now(bench))
    return found, (*held.faults, *held.remarks)
