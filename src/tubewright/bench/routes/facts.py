"""The tube and the owner on one job: looks at the glass, wishes, costs, closing."""

from __future__ import annotations

from typing import Any, Final

from fastapi import APIRouter, Request, Response

from tubewright.bench import words
from tubewright.bench.forms import FormReader, by_field
from tubewright.bench.lan.once import sent_once
from tubewright.bench.pages import Bench, go, wrong
from tubewright.bench.routes.board import costs_of, use_of
from tubewright.bench.routes.job import Id, TheBench, TheForm, job_page
from tubewright.bench.routes.records import caution_texts, look_words, seen_of
from tubewright.errors import ConflictError, InputError, UnknownRecordError
from tubewright.records.model import JobPage

router = APIRouter(include_in_schema=False)
LOOK_CAUTIONS: Final = ("anode_charge", "recharge", "implosion", "gate_power_off")


@router.get("/jobs/{job_id}/facts")
def facts(request: Request, bench: TheBench, job_id: Id) -> Response:
    """Tube and owner."""
    return _facts_page(request, bench, job_id)


def _facts_page(request: Request, bench: Bench, job_id: int, *, status: int = 200, **more: object) -> Response:
    job = bench.store.job(job_id)
    context: dict[str, Any] = {
        "looks": _looks(job),
        "seen": seen_of(job.tube.tube, job.observations) if job.tube else (),
        "glass_cautions": caution_texts(bench, LOOK_CAUTIONS),
        **more,
    }
    return job_page(request, "job_facts.html", job, "Tube and owner", status=status, **context)


def _looks(job: JobPage) -> str:
    seen = {o.look.name: o.look.value for o in job.observations if o.look is not None}
    return "; ".join(f"{name} {look_words(name, value)}" for name, value in seen.items())


@router.post("/jobs/{job_id}/looks")
@sent_once
def save_looks(request: Request, bench: TheBench, form: TheForm, job_id: Id) -> Response:
    """Store what was seen of the glass."""
    read = FormReader(form)
    try:
        getter, neck = read.choice("getter", words.GETTERS), read.choice("neck", words.NECKS)
        burn = read.figure("burn", "fraction")
        if not (read.faults or getter or neck) and burn is None:
            read.fault("getter", "nothing is filled in", "Say what you saw of getter, neck or screen.")
        read.finish()
        bench.store.add_look(job_id, getter=getter, neck=neck, burn=burn, by=bench.by(request))
    except UnknownRecordError:
        raise
    except InputError as error:
        return _facts_page(request, bench, job_id, status=422, **wrong(by_field(error.faults), error.faults, form))
    return go(request, f"/jobs/{job_id}/facts", said="looked", job_id=job_id)


@router.post("/jobs/{job_id}/facts")
def save_facts(request: Request, bench: TheBench, form: TheForm, job_id: Id) -> Response:
    """Store the owner's words, wishes and prices."""
    read = FormReader(form)
    try:
        changes: dict[str, object] = {
            "owner_words": read.words("owner_words", longest=4000),
            "idle_years": read.figure("idle_years", "years"),
            "waits_for": read.words("waits_for"),
            "use": use_of(read),
            "costs": costs_of(read),
        }
        version = read.whole("version", most=10**9) or 0
        read.finish()
        bench.store.edit_job(job_id, changes, version=version, by=bench.by(request))
    except ConflictError as error:
        typed = {**form.typed(), "version": str(bench.store.job(job_id).job.version)}
        return _facts_page(request, bench, job_id, status=409, faults={}, fault_list=error.faults, typed=typed)
    except UnknownRecordError:
        raise
    except InputError as error:
        return _facts_page(request, bench, job_id, status=422, **wrong(by_field(error.faults), error.faults, form))
    return go(request, f"/jobs/{job_id}/facts", said="facts", job_id=job_id)


@router.post("/jobs/{job_id}/close")
def close(request: Request, bench: TheBench, form: TheForm, job_id: Id) -> Response:
    """Close the job."""
    read = FormReader(form)
    note, version = read.words("closing_note"), read.whole("version", most=10**9) or 0
    if read.faults:
        shown = wrong(by_field(read.faults), read.faults, form)
        return _facts_page(request, bench, job_id, status=422, **shown)
    bench.store.close_job(job_id, note=note, version=version, by=bench.by(request))
    return go(request, f"/jobs/{job_id}/facts", said="closed", job_id=job_id)


@router.post("/jobs/{job_id}/reopen")
def reopen(request: Request, bench: TheBench, form: TheForm, job_id: Id) -> Response:
    """Take a closed job up again."""
    version = FormReader(form).whole("version", most=10**9) or 0
    bench.store.reopen_job(job_id, version=version, by=bench.by(request))
    return go(request, f"/jobs/{job_id}/facts", said="reopened", job_id=job_id)
