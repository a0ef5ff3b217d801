"""What a job came to: the repair of a suspect behind its guard, and the list of what was found, mended, ruled out."""

from __future__ import annotations

from typing import Any, Final

from fastapi import APIRouter, Request, Response

from tubewright import case
from tubewright.bench import words
from tubewright.bench.diagnosing import remember, standing_of
from tubewright.bench.forms import FormReader, by_field
from tubewright.bench.guarding import closings_of, lock_of
from tubewright.bench.lan.once import sent_once
from tubewright.bench.pages import Bench, go, wrong
from tubewright.bench.routes.diagnosis import settling
from tubewright.bench.routes.guards import guard_words, refused
from tubewright.bench.routes.job import Id, TheBench, TheForm, job_page
from tubewright.errors import ConflictError, Fault, InputError, UnknownRecordError
from tubewright.judgement.workplace import needs_of_repair, reach
from tubewright.knowledge.model import FaultCause
from tubewright.records.model import JobPage, RepairRecord

router = APIRouter(include_in_schema=False)

PARTS_LINE: Final = "Parts: "
"""How the parts that were fitted stand at the head of a repair's note."""
LONGEST_PARTS: Final = 300


@router.get("/jobs/{job_id}/repairs")
def repairs(request: Request, bench: TheBench, job_id: Id, q: str = "") -> Response:
    """What was found, mended or ruled out on this job, what was confirmed before, and any fault by name."""
    job = bench.store.job(job_id)
    q = q.strip()[:200]
    asked = q.lower().split()
    known = bench.knowledge.faults.values()
    fitting = [f for f in known if all(w in f"{f.name} {f.repair} {f.id}".lower() for w in asked)] if asked else []
    return job_page(
        request,
        "job_repairs.html",
        job,
        "Repairs",
        q=q,
        faults_found=fitting[:40],
        done=[_told(bench, record) for record in reversed(job.repairs)],
        confirmed=_confirmed(bench, job),
        closings=closings_of(bench, job),
        people=[p for p in bench.store.people() if p.active],
    )


def _told(bench: Bench, record: RepairRecord) -> dict[str, Any]:
    fault = bench.knowledge.faults.get(record.repair.fault)
    return {
        "id": record.id,
        "version": record.version,
        "name": fault.name if fault else record.repair.fault,
        "outcome": words.REPAIR_OUTCOMES[record.repair.outcome],
        "minutes": record.minutes,
        "note": record.note,
        "at": record.at,
        "person": record.person,
    }


def _confirmed(bench: Bench, job: JobPage) -> list[dict[str, Any]]:
    """What was confirmed on this job, newest first, one entry for what was said at one go of one step."""
    shelves: dict[str, Any] = {
        "test": bench.knowledge.tests,
        "repair": bench.knowledge.faults,
        "treatment": bench.knowledge.treatments,
        "control": bench.knowledge.controls,
    }
    entries: dict[tuple[object, ...], dict[str, Any]] = {}
    for one in reversed(job.confirmations):
        step = shelves[one.step_sort].get(one.step)
        entry = entries.setdefault(
            (one.at, one.step_sort, one.step, one.person),
            {"at": one.at, "person": one.person, "step": step.name if step else one.step, "words": []},
        )
        entry["words"].append(one.words)
    return list(entries.values())


def _fault(bench: Bench, fault_id: str) -> FaultCause:
    found = bench.knowledge.faults.get(fault_id)
    if found is None:
        raise UnknownRecordError(
            Fault(what="there is no such fault", where="fault", mend="Pick one from the job's diagnosis.")
        )
    return found


@router.get("/jobs/{job_id}/repairs/new")
def new_repair(request: Request, bench: TheBench, job_id: Id, fault: str = "", outcome: str = "") -> Response:
    """A suspect: its cautions and conditions, what mends it, and the form for what it came to."""
    found = _fault(bench, fault)
    chosen = outcome if outcome in words.REPAIR_OUTCOMES else "mended"
    return _repair_page(request, bench, bench.store.job(job_id), found, None, outcome=chosen)


def _repair_page(
    request: Request,
    bench: Bench,
    job: JobPage,
    fault: FaultCause,
    record: RepairRecord | None,
    *,
    status: int = 200,
    outcome: str = "mended",
    **more: object,
) -> Response:
    base = f"/jobs/{job.job.id}/repairs"
    lock = lock_of(bench, job, "repair", fault.id)
    parts, note = _parted(record.note) if record else ("", "")
    context: dict[str, Any] = {
        **guard_words(bench, job, lock, f"{base}/new?fault={fault.id}"),
        "fault": fault,
        "record": record,
        "outcome": record.repair.outcome if record else outcome,
        "parts_now": parts,
        "note_now": note,
        "confirm_with": settling(fault.confirmed_by, bench.knowledge),
        **more,
    }
    return job_page(request, "repair.html", job, "Repairs", status=status, **context)


def _parted(note: str) -> tuple[str, str]:
    head, _, rest = note.partition("\n")
    return (head.removeprefix(PARTS_LINE), rest) if head.startswith(PARTS_LINE) else ("", note)


def _read(read: FormReader, fault: str) -> tuple[case.Repair | None, float | None, str]:
    """What the form says of a repair: what it came to, the minutes, and the note with its parts."""
    outcome = read.choice("outcome", words.REPAIR_OUTCOMES)
    if outcome is None and not read.faults:
        read.fault("outcome", "nothing is picked", "Say what it came to.")
    minutes = read.figure("minutes", "number")
    if minutes is not None and minutes < 0:
        read.fault("minutes", "minutes can't be below nothing", "Type what it took, or leave it empty.")
    parts, note = read.words("parts", longest=LONGEST_PARTS), read.words("note", longest=3000)
    kept = f"{PARTS_LINE}{' '.join(parts.split())}\n{note}".strip() if parts else note
    repair = None if read.faults else read.model(case.Repair, {"fault": fault, "outcome": outcome})
    return repair, minutes, kept


@router.post("/jobs/{job_id}/repairs/new")
@sent_once
def add_repair(request: Request, bench: TheBench, form: TheForm, job_id: Id) -> Response:
    """Write a repair into the job; refused while its conditions are not confirmed."""
    found = _fault(bench, form.text("fault"))
    job = bench.store.job(job_id)
    lock = lock_of(bench, job, "repair", found.id)
    if not lock.is_open:
        return refused(request, bench, job, lock, form)
    read = FormReader(form)
    try:
        repair, minutes, note = _read(read, found.id)
        read.finish()
        assert repair is not None  # noqa: S101 - finish() raised otherwise
        bench.store.add_repair(job_id, repair, minutes=minutes, note=note, by=bench.by(request))
    except UnknownRecordError:
        raise
    except InputError as error:
        shown = wrong(by_field(error.faults), error.faults, form)
        return _repair_page(request, bench, job, found, None, status=422, **shown)
    standing = standing_of(request, bench.knowledge)
    stands = reach(standing.workplace, needs_of_repair(found)).after
    answer = go(request, f"/jobs/{job_id}/diagnosis#now", said="repair", job_id=job_id)
    return remember(answer, job_id, standing.after(stands))


def _record(job: JobPage, repair_id: int) -> RepairRecord:
    found = next((r for r in job.repairs if r.id == repair_id), None)
    if found is None:
        raise UnknownRecordError(
            Fault(what="there is no such repair on this job", where="repair", mend="See its list.")
        )
    return found


@router.get("/jobs/{job_id}/repairs/{repair_id}")
def repair(request: Request, bench: TheBench, job_id: Id, repair_id: Id) -> Response:
    """A repair as it was written down, to be corrected or struck out."""
    job = bench.store.job(job_id)
    record = _record(job, repair_id)
    return _repair_page(request, bench, job, _fault(bench, record.repair.fault), record)


@router.post("/jobs/{job_id}/repairs/{repair_id}")
def change_repair(request: Request, bench: TheBench, form: TheForm, job_id: Id, repair_id: Id) -> Response:
    """Store a corrected repair, or strike it out. What was done is done: no condition stands before its record."""
    job = bench.store.job(job_id)
    record = _record(job, repair_id)
    found = _fault(bench, record.repair.fault)
    read = FormReader(form)
    version = read.whole("version", most=10**9) or 0
    try:
        if form.text("strike"):
            bench.store.remove_repair(repair_id, version=version, by=bench.by(request))
            return go(request, f"/jobs/{job_id}/repairs", said="struck", job_id=job_id)
        changed, minutes, note = _read(read, found.id)
        read.finish()
        assert changed is not None  # noqa: S101 - finish() raised otherwise
        bench.store.edit_repair(repair_id, changed, version=version, minutes=minutes, note=note, by=bench.by(request))
    except ConflictError as error:
        now = bench.store.job(job_id)
        fresh = _record(now, repair_id)
        typed = {**form.typed(), "version": str(fresh.version)}
        return _repair_page(
            request, bench, now, found, fresh, status=409, faults={}, fault_list=error.faults, typed=typed
        )
    except UnknownRecordError:
        raise
    except InputError as error:
        shown = wrong(by_field(error.faults), error.faults, form)
        return _repair_page(request, bench, job, found, record, status=422, **shown)
    return go(request, f"/jobs/{job_id}/repairs", said="repair", job_id=job_id)
