"""The guard before a hazardous step: its cautions, its conditions, and who confirms them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from fastapi import APIRouter, Request, Response

from tubewright.bench.forms import FormReader
from tubewright.bench.guarding import Lock, closings_of, lock_of, sort_of
from tubewright.bench.lan.once import require_fresh, sent_once
from tubewright.bench.pages import PERSON_COOKIE, YEAR_SECONDS, Bench, go
from tubewright.bench.routes.job import Id, TheBench, TheForm, job_page
from tubewright.bench.routes.records import caution_texts
from tubewright.bench.routes.shop import inside
from tubewright.bench.security import TOKEN_FIELD, Form
from tubewright.errors import Fault, InputError
from tubewright.judgement.guards import DEFERS, StepSort
from tubewright.records.model import JobPage

router = APIRouter(include_in_schema=False)

PARTS: Final[Mapping[StepSort, str]] = {
    "test": "Tests",
    "repair": "Repairs",
    "treatment": "Treatments",
    "control": "Set-up",
}
KEPT: Final = "kept_"
"""What was typed into the form of a step that was still shut travels under names that begin so."""


def place_of(job_id: int, lock: Lock) -> str:
    """The address of a step on its job."""
    base = f"/jobs/{job_id}"
    if lock.step.sort == "test":
        return f"{base}/tests/{lock.step.id}"
    if lock.step.sort == "repair":
        return f"{base}/repairs/new?fault={lock.step.id}"
    if lock.step.sort == "control":
        return f"{base}/setup"
    return f"{base}/treatments/new?kind={lock.step.id}"


def guard_words(bench: Bench, job: JobPage, lock: Lock, back: str) -> dict[str, Any]:
    """What a page needs to show the guard of a step."""
    return {
        "lock": lock,
        "guard_to": f"/jobs/{job.job.id}/guard/{lock.step.sort}/{lock.step.id}",
        "guard_back": back,
        "guard_cautions": caution_texts(bench, _cautions(bench, lock)),
        "people": [p for p in bench.store.people() if p.active],
        "defers": DEFERS,
        "kept": (),
        "kept_path": "",
        "ticked": frozenset(),
    }


def _cautions(bench: Bench, lock: Lock) -> tuple[str, ...]:
    shelf: Mapping[str, Any] = {
        "test": bench.knowledge.tests,
        "repair": bench.knowledge.faults,
        "treatment": bench.knowledge.treatments,
        "control": bench.knowledge.controls,
    }[lock.step.sort]
    cautions: tuple[str, ...] = shelf[lock.step.id].cautions
    return cautions


def refused(request: Request, bench: Bench, job: JobPage, lock: Lock, form: Form) -> Response:
    """The answer to a form of a step that is shut: nothing is stored, and nothing that was typed is lost."""
    kept = [(name, value) for name, value in form.pairs if name != TOKEN_FIELD]
    said = Fault(
        what=f"“{lock.step.name}” is shut: {_count(lock)} not confirmed, or not lately enough",
        where="guard",
        mend="Confirm below; what you typed is kept and can be saved then.",
    )
    more = {"kept": kept, "kept_path": request.url.path, "fault_list": (said,)}
    return _page(request, bench, job, lock, place_of(job.job.id, lock), status=409, **more)


def _count(lock: Lock) -> str:
    return "one condition is" if len(lock.left) == 1 else f"{len(lock.left)} conditions are"


def _page(
    request: Request, bench: Bench, job: JobPage, lock: Lock, back: str, *, status: int = 200, **more: object
) -> Response:
    context = {**guard_words(bench, job, lock, back), **more}
    return job_page(request, "guard.html", job, PARTS[lock.step.sort], status=status, **context)


@router.get("/jobs/{job_id}/guard/{sort}/{step}")
def guard(request: Request, bench: TheBench, job_id: Id, sort: str, step: str) -> Response:
    """What must be confirmed before a step."""
    job = bench.store.job(job_id)
    lock = lock_of(bench, job, sort_of(sort), step)
    return _page(request, bench, job, lock, place_of(job_id, lock))


@router.post("/jobs/{job_id}/guard/{sort}/{step}")
@sent_once
def confirm(request: Request, bench: TheBench, form: TheForm, job_id: Id, sort: str, step: str) -> Response:
    """Keep who confirmed what; the step opens only when each condition is confirmed."""
    require_fresh(form)
    job = bench.store.job(job_id)
    lock = lock_of(bench, job, sort_of(sort), step)
    ticked = set(form.all("confirmed"))
    read = FormReader(form)
    back = inside(form.text("back")) if form.text("back") else place_of(job_id, lock)
    kept = [(name.removeprefix(KEPT), value) for name, value in form.pairs if name.startswith(KEPT)]
    missing = [condition for condition in lock.left if condition.caution not in ticked]
    faults = [
        Fault(what=f"not confirmed: {c.words}", where="confirmed", mend="Make it so, then tick it.") for c in missing
    ]
    name = read.words("new_person", longest=80)
    person = person_of(bench, request, form)
    if person is None and not name:
        faults.append(
            Fault(what="nobody is named as confirming it", where="person", mend="Say who you are; it is kept.")
        )
    if faults or read.faults:
        more = {
            "kept": kept,
            "kept_path": form.text("kept_path"),
            "ticked": ticked,
            "fault_list": (*faults, *read.faults),
            "faults": {fault.where: fault for fault in (*faults, *read.faults)},
            "typed": form.typed(),
        }
        return _page(request, bench, job, lock, back, status=409, **more)
    words = {condition.caution: condition.words for condition in lock.left}
    with bench.store.together():
        by = bench.store.add_person(name).id if person is None else person
        if words:
            bench.store.confirm(job_id, lock.step.sort, lock.step.id, cautions=words, by=by)
    if kept:
        answer: Response = job_page(
            request,
            "guard_open.html",
            bench.store.job(job_id),
            PARTS[lock.step.sort],
            lock=lock,
            kept=kept,
            kept_path=inside(form.text("kept_path")),
            place=place_of(job_id, lock),
        )
    else:
        answer = go(request, back, said="confirmed", job_id=job_id)
    answer.set_cookie(PERSON_COOKIE, str(by), max_age=YEAR_SECONDS, path="/", httponly=True, samesite="lax")
    return answer


@router.post("/jobs/{job_id}/after/{sort}/{step}")
@sent_once
def confirm_after(request: Request, bench: TheBench, form: TheForm, job_id: Id, sort: str, step: str) -> Response:
    """Keep what is confirmed once a step is done, before the set runs on or leaves."""
    require_fresh(form)
    job = bench.store.job(job_id)
    found = next((c for c in closings_of(bench, job) if (c.step.sort, c.step.id) == (sort_of(sort), step)), None)
    ticked = set(form.all("confirmed"))
    back = inside(form.text("back"))
    if found is None:
        return go(request, back)
    person = person_of(bench, request, form)
    name = form.text("new_person")[:80]
    words = {c.caution: c.words for c in found.left if c.caution in ticked}
    if not words or (person is None and not name):
        what = "nothing is ticked" if not words else "nobody is named as confirming it"
        raise InputError(Fault(what=what, where="confirmed", mend="Go back, tick what is so, and say who you are."))
    with bench.store.together():
        by = bench.store.add_person(name).id if person is None else person
        bench.store.confirm(job_id, found.step.sort, found.step.id, cautions=words, by=by)
    answer = go(request, back, said="confirmed", job_id=job_id)
    answer.set_cookie(PERSON_COOKIE, str(by), max_age=YEAR_SECONDS, path="/", httponly=True, samesite="lax")
    return answer


def person_of(bench: Bench, request: Request, form: Form) -> int | None:
    """Who confirms: as chosen in the form, else as this browser says; a new name comes before both."""
    if form.text("new_person"):
        return None
    known: Sequence[int] = [p.id for p in bench.store.people() if p.active]
    chosen = form.text("person")
    if chosen.isascii() and chosen.isdigit() and int(chosen) in known:
        return int(chosen)
    return bench.by(request)
