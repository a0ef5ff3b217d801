"""Treatments of the tube on one job: the ladder with its cautions, and the log."""

from __future__ import annotations

import datetime as dt
from typing import Any, Final, get_args

from fastapi import APIRouter, Request, Response

from tubewright import case
from tubewright.bench.forms import FormReader, by_field
from tubewright.bench.guarding import lock_of
from tubewright.bench.pages import Bench, go, wrong
from tubewright.bench.routes.guards import guard_words, refused
from tubewright.bench.routes.job import Id, TheBench, TheForm, job_page
from tubewright.errors import ConflictError, Fault, InputError, UnknownRecordError
from tubewright.records.model import TreatmentRecord

router = APIRouter(include_in_schema=False)
KINDS: Final[tuple[str, ...]] = get_args(case.TreatmentKind)


@router.get("/jobs/{job_id}/treatments")
def treatments(request: Request, bench: TheBench, job_id: Id) -> Response:
    """What was done, and what can be done, lowest energy first."""
    ladder = sorted(bench.knowledge.treatments.values(), key=lambda t: t.rung)
    return job_page(request, "job_treatments.html", bench.store.job(job_id), "Treatments", ladder=ladder)


@router.get("/jobs/{job_id}/treatments/new")
def new_treatment(request: Request, bench: TheBench, job_id: Id, kind: str = "") -> Response:
    """One kind of treatment: its cautions, how it is done, and the form for what came of it."""
    if kind not in KINDS:
        raise UnknownRecordError(Fault(what="there is no such treatment", where="kind", mend="Pick one from the list."))
    return _treatment_page(request, bench, job_id, kind, None)


def _treatment_page(
    request: Request,
    bench: Bench,
    job_id: int,
    kind: str,
    record: TreatmentRecord | None,
    *,
    status: int = 200,
    **more: object,
) -> Response:
    facts = bench.knowledge.treatments.get(kind)
    job = bench.store.job(job_id)
    lock = lock_of(bench, job, "treatment", kind) if facts is not None else None
    guard = guard_words(bench, job, lock, f"/jobs/{job_id}/treatments/new?kind={kind}") if lock else {"lock": None}
    context: dict[str, Any] = {"kind": kind, "facts": facts, "record": record, **guard, **more}
    return job_page(request, "treatment.html", job, "Treatments", status=status, **context)


@router.post("/jobs/{job_id}/treatments/new")
def add_treatment(request: Request, bench: TheBench, form: TheForm, job_id: Id) -> Response:
    """Write a treatment down; refused while its conditions are not confirmed."""
    kind = form.text("kind")
    if kind not in KINDS:
        raise UnknownRecordError(Fault(what="there is no such treatment", where="kind", mend="Pick one from the list."))
    if kind in bench.knowledge.treatments:
        job = bench.store.job(job_id)
        lock = lock_of(bench, job, "treatment", kind)
        if not lock.is_open:
            return refused(request, bench, job, lock, form)
    read = FormReader(form)
    try:
        treatment, note = _treatment(read, kind, None), read.words("note")
        read.finish()
        assert treatment is not None  # noqa: S101 - finish() raised otherwise
        bench.store.add_treatment(job_id, treatment, note=note, by=bench.by(request))
    except UnknownRecordError:
        raise
    except InputError as error:
        shown = wrong(by_field(error.faults), error.faults, form)
        return _treatment_page(request, bench, job_id, kind, None, status=422, **shown)
    return go(request, f"/jobs/{job_id}/treatments", said="treatment", job_id=job_id)


def _treatment(read: FormReader, kind: str, old: case.Treatment | None) -> case.Treatment | None:
    at: dt.date | dt.datetime | None = read.day("at")
    if old is not None and old.at is not None and at is not None and old.at.isoformat()[:10] == at.isoformat():
        at = old.at
    gun, outcome = read.choice("gun", case.GUNS), read.choice("outcome", get_args(case.Outcome))
    if read.faults:
        return None
    return read.model(case.Treatment, {"kind": kind, "gun": gun, "outcome": outcome, "at": at})


def _record(bench: Bench, job_id: int, treatment_id: int) -> TreatmentRecord:
    found = next((t for t in bench.store.job(job_id).treatments if t.id == treatment_id), None)
    if found is None:
        raise UnknownRecordError(
            Fault(what="there is no such treatment on this job", where="treatment", mend="Look at the log.")
        )
    return found


@router.get("/jobs/{job_id}/treatments/{treatment_id}")
def treatment(request: Request, bench: TheBench, job_id: Id, treatment_id: Id) -> Response:
    """One entry of the log, to be changed: its outcome, for instance."""
    record = _record(bench, job_id, treatment_id)
    return _treatment_page(request, bench, job_id, record.treatment.kind, record)


@router.post("/jobs/{job_id}/treatments/{treatment_id}")
def change_treatment(request: Request, bench: TheBench, form: TheForm, job_id: Id, treatment_id: Id) -> Response:
    """Store a changed entry, or strike it out."""
    record = _record(bench, job_id, treatment_id)
    kind = record.treatment.kind
    read = FormReader(form)
    version = read.whole("version", most=10**9) or 0
    try:
        if form.text("strike"):
            bench.store.remove_treatment(treatment_id, version=version, by=bench.by(request))
            return go(request, f"/jobs/{job_id}/treatments", said="struck", job_id=job_id)
        changed, note = _treatment(read, kind, record.treatment), read.words("note")
        read.finish()
        assert changed is not None  # noqa: S101 - finish() raised otherwise
        bench.store.edit_treatment(treatment_id, changed, version=version, note=note, by=bench.by(request))
    except ConflictError as error:
        now = _record(bench, job_id, treatment_id)
        typed = {**form.typed(), "version": str(now.version)}
        return _treatment_page(
            request, bench, job_id, kind, now, status=409, faults={}, fault_list=error.faults, typed=typed
        )
    except UnknownRecordError:
        raise
    except InputError as error:
        shown = wrong(by_field(error.faults), error.faults, form)
        return _treatment_page(request, bench, job_id, kind, record, status=422, **shown)
    return go(request, f"/jobs/{job_id}/treatments", said="treatment", job_id=job_id)
