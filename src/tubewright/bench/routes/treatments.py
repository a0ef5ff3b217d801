"""Treatments of the tube on one job: the plan, its next step behind its guards, and the log."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from typing import Any, Final, get_args

from fastapi import APIRouter, Depends, Request, Response

from tubewright import case
from tubewright.answers.treat_step import why_not_next
from tubewright.answers.treated import ADVICE_WORDS, STATE_WORDS, NeedAnswer, Treated
from tubewright.bench.forms import FormReader, by_field
from tubewright.bench.guarding import closings_of, lock_of
from tubewright.bench.lan.once import sent_once, waited_s
from tubewright.bench.pages import Bench, form_of, go, wrong
from tubewright.bench.routes.guards import guard_words, refused
from tubewright.bench.routes.job import Id, TheBench, TheForm, job_page
from tubewright.bench.routes.treating import after_fields, clock_of, readings_after, word_of
from tubewright.bench.treating import Entry, Holds, judge_rounds, log_step, plan_of, round_of
from tubewright.errors import ConflictError, Fault, InputError, RefusedError, UnknownRecordError
from tubewright.records.model import JobPage, TreatmentRecord

router = APIRouter(include_in_schema=False)
KINDS: Final[tuple[case.TreatmentKind, ...]] = get_args(case.TreatmentKind)
_IDS: Final = re.compile(r" \((?:--)?[a-z]+[a-z_-]*(?:, [a-z_]+)*\)")
"""Names of tests and options, which have their place in a terminal."""
OUTCOMES: Final = (
    ("improved", "improved"),
    ("unchanged", "unchanged"),
    ("worse", "worse"),
    ("lost", "gun or tube lost"),
    ("", "let the readings tell"),
)


def _holds(request: Request) -> Holds:
    holds: Holds = request.app.state.holds
    return holds


@router.get("/jobs/{job_id}/treatments")
def treatments(request: Request, bench: TheBench, job_id: Id) -> Response:
    """What the condition says now, the next step with its guards, the plan, and the log."""
    return _plan_page(request, bench, job_id)


def _plan_page(request: Request, bench: Bench, job_id: int, *, status: int = 200, **more: object) -> Response:
    job = bench.store.job(job_id)
    answer = plan_of(bench.store, bench.knowledge, job_id, holds=_holds(request)) if job.tube else None
    context: dict[str, Any] = {
        "plan": answer,
        "now": word_of(answer) if answer else None,
        "advices": ADVICE_WORDS,
        "states": STATE_WORDS,
        "clock": clock_of(bench, answer) if answer else None,
        "hold_gun": _weakest(answer) if answer else "red",
        "needs": _needs(job_id, answer),
        "log": _log(job, answer),
        "closings": closings_of(bench, job),
        "people": [p for p in bench.store.people() if p.active],
        **more,
    }
    return job_page(request, "job_treatments.html", job, "Treatments", status=status, **context)


def _needs(job_id: int, answer: Treated | None) -> list[dict[str, Any]]:
    if answer is None or answer.next is None:
        return []
    return [
        {"need": one, "mend": _IDS.sub("", one.mend), "ways": ways_of(job_id, one, answer)} for one in answer.next.needs
    ]


def ways_of(job_id: int, need: NeedAnswer, answer: Treated) -> list[tuple[str, str]]:
    """Where each thing that must be known can be made known: addresses with their words."""
    base = f"/jobs/{job_id}"
    gun = (answer.next.gun if answer.next else None) or _weakest(answer)
    ways = {
        "vacuum": [(f"{base}/tests/v_getter", "Look at the getter")],
        "socket": [(f"{base}/tests/p_socket_clean", "Clean socket and pins")],
        "heater": [
            (f"{base}/tests/d_heater_rms", "Measure the heater in the chassis"),
            (f"{base}#whole_heater_voltage", "Type the volts"),
        ],
        "leakage": [(f"{base}#{gun}_hk", f"Measure leakage of the {gun} gun")],
        "history": [(f"{base}/facts#restorations", "Enter how often")],
        "repeated": [(f"{base}#{gun}_emission", f"Read the {gun} gun again")],
    }
    return ways.get(need.id, [])


def _weakest(answer: Treated) -> case.Gun:
    """The weakest gun that something is still wanted of; red where none was read."""
    wanted = [one for one in answer.guns.values() if one.advice in {"go_on", "wait"} and one.emission is not None]
    return min(wanted, key=lambda one: one.emission or 0.0).gun if wanted else "red"


def _log(job: JobPage, answer: Treated | None) -> list[dict[str, Any]]:
    """The entries of the log, newest first, with what the guns gave before and after."""
    found = []
    for record in reversed(job.treatments):
        one = round_of(record, answer.rounds) if answer else None
        levels = [
            (gun, one.before_emission[gun], one.after_emission[gun])
            for gun in (case.GUNS if one else ())
            if one and gun in one.before_emission and gun in one.after_emission
        ]
        found.append({"record": record, "levels": levels, "judged": one.judged if one else None})
    return found


# -- one step -------------------------------------------------------------------------------------


@router.get("/jobs/{job_id}/treatments/new")
def new_treatment(request: Request, bench: TheBench, job_id: Id, kind: str = "", gun: str = "") -> Response:
    """The plan's next step: its guards, and once they are met how it is done and the form for what came of it."""
    return _step_page(request, bench, job_id, _kind(kind), gun or None)


def _kind(kind: str) -> case.TreatmentKind:
    found = next((one for one in KINDS if one == kind), None)
    if found is None:
        raise UnknownRecordError(Fault(what="there is no such treatment", where="kind", mend="Pick one from the plan."))
    return found


def _step_page(
    request: Request,
    bench: Bench,
    job_id: int,
    kind: case.TreatmentKind,
    gun: str | None,
    *,
    status: int = 200,
    **more: object,
) -> Response:
    job = bench.store.job(job_id)
    answer = plan_of(bench.store, bench.knowledge, job_id, holds=_holds(request))
    step = answer.next
    chosen: case.Gun | None = next((one for one in case.GUNS if one == gun), None)
    if chosen is None and step is not None and step.kind == kind:
        chosen = step.gun
    barred = why_not_next(answer, kind, chosen, bench.knowledge)
    if barred is None and step is not None and answer.wait:
        barred = Fault(what=answer.wait.rstrip("."), where="wait", mend="Then ask again.")
    lock = lock_of(bench, job, "treatment", kind)
    back = f"/jobs/{job_id}/treatments/new?kind={kind}" + (f"&gun={chosen}" if chosen else "")
    context: dict[str, Any] = {
        **guard_words(bench, job, lock, back),
        "kind": kind,
        "gun": chosen,
        "facts": bench.knowledge.treatments[kind],
        "step": step if barred is None else None,
        "barred": barred,
        "plan": answer,
        "now": word_of(answer),
        "needs": _needs(job_id, answer) if barred is None else [],
        "record": None,
        "outcomes": OUTCOMES,
        "after": after_fields(bench, job_id),
        **more,
    }
    return job_page(request, "treatment.html", job, "Treatments", status=status, **context)


@router.post("/jobs/{job_id}/treatments/new")
@sent_once
def add_treatment(request: Request, bench: TheBench, form: TheForm, job_id: Id) -> Response:
    """Write the step down with the readings after it; refused while the plan or a guard forbids it."""
    kind = _kind(form.text("kind"))
    read = FormReader(form)
    job = bench.store.job(job_id)
    try:
        entry = _entry(bench, read, kind, job_id)
        read.finish()
        assert entry is not None  # noqa: S101 - finish() raised otherwise
        log_step(bench.store, bench.knowledge, job_id, entry, by=bench.by(request), holds=_holds(request))
    except UnknownRecordError:
        raise
    except RefusedError as error:
        lock = lock_of(bench, job, "treatment", kind)
        if not lock.is_open and all(
            fault.what.startswith(("not confirmed", "“", "it isn't")) for fault in error.faults
        ):
            answer = plan_of(bench.store, bench.knowledge, job_id, holds=_holds(request))
            if why_not_next(answer, kind, entry.gun if entry else None, bench.knowledge) is None:
                return refused(request, bench, job, lock, form)
        shown = wrong({}, _gathered(error.faults), form)
        return _step_page(request, bench, job_id, kind, form.text("gun"), status=409, **shown)
    except InputError as error:
        shown = wrong(by_field(error.faults, {"ended": "ended_ago"}), error.faults, form)
        return _step_page(request, bench, job_id, kind, form.text("gun"), status=422, **shown)
    return go(request, f"/jobs/{job_id}/treatments", said="treated", job_id=job_id)


def _gathered(faults: Sequence[Fault]) -> list[Fault]:
    """What keeps a step shut, with all that isn't confirmed in one line: the page lists it below."""
    others = [one for one in faults if not one.what.startswith("not confirmed")]
    count = len(faults) - len(others)
    if not count:
        return others
    said = "one condition is" if count == 1 else f"{count} conditions are"
    return [
        *others,
        Fault(what=f"{said} not confirmed, or not lately enough", where="guard", mend="Confirm them below."),
    ]


def _entry(bench: Bench, read: FormReader, kind: case.TreatmentKind, job_id: int) -> Entry | None:
    gun = read.choice("gun", case.GUNS)
    minutes = read.figure("minutes", "minutes")
    if minutes is None and not any(fault.where == "minutes" for fault in read.faults):
        read.fault("minutes", "this is empty", "Say how long it took: 35, 12 h, 5 s.")
    ago = read.figure("ended_ago", "minutes")
    outcome = read.choice("outcome", get_args(case.Outcome))
    seen, note = read.words("seen"), read.words("note")
    now = bench.store.clock()
    readings = readings_after(read, bench, job_id)
    if read.faults:
        return None
    return Entry(
        kind=kind,
        gun=next((one for one in case.GUNS if one == gun), None),
        minutes=minutes,
        ended=now - dt.timedelta(minutes=ago or 0.0, seconds=waited_s(read.form)),
        seen=seen,
        outcome=next((one for one in get_args(case.Outcome) if one == outcome), None),
        note=note,
        readings=readings,
    )


# -- one entry of the log ----------------------------------------------------------------------------


def _record(bench: Bench, job_id: int, treatment_id: int) -> TreatmentRecord:
    found = next((t for t in bench.store.job(job_id).treatments if t.id == treatment_id), None)
    if found is None:
        raise UnknownRecordError(
            Fault(what="there is no such treatment on this job", where="treatment", mend="Look at the log.")
        )
    return found


def _entry_page(
    request: Request, bench: Bench, job_id: int, record: TreatmentRecord, *, status: int = 200, **more: object
) -> Response:
    kind = record.treatment.kind
    context: dict[str, Any] = {
        "kind": kind,
        "facts": bench.knowledge.treatments.get(kind),
        "record": record,
        "outcomes": OUTCOMES,
        "local_at": record.at.astimezone().strftime("%Y-%m-%dT%H:%M"),
        **more,
    }
    return job_page(request, "treatment_entry.html", bench.store.job(job_id), "Treatments", status=status, **context)


@router.get("/jobs/{job_id}/treatments/{treatment_id}")
def treatment(request: Request, bench: TheBench, job_id: Id, treatment_id: Id) -> Response:
    """One entry of the log, to be corrected: its outcome, for instance."""
    return _entry_page(request, bench, job_id, _record(bench, job_id, treatment_id))


@router.post("/jobs/{job_id}/treatments/{treatment_id}")
def change_treatment(request: Request, bench: TheBench, form: TheForm, job_id: Id, treatment_id: Id) -> Response:
    """Store a corrected entry, or strike it out. What was done, and to which gun, stays as it was."""
    record = _record(bench, job_id, treatment_id)
    read = FormReader(form)
    version = read.whole("version", most=10**9) or 0
    by = bench.by(request)
    try:
        if form.text("strike"):
            bench.store.remove_treatment(treatment_id, version=version, by=by)
            return go(request, f"/jobs/{job_id}/treatments", said="struck", job_id=job_id)
        outcome = read.choice("outcome", get_args(case.Outcome))
        minutes = read.figure("minutes", "minutes")
        at = _when(read, record, bench.store.clock())
        seen, note = read.words("seen"), read.words("note")
        read.finish()
        changed = record.treatment.model_copy(update={"outcome": outcome, "at": at})
        with bench.store.together():
            bench.store.edit_treatment(
                treatment_id, changed, version=version, note=note, minutes=minutes, seen=seen, by=by
            )
            if outcome is None:
                judge_rounds(bench.store, bench.knowledge, job_id, by=by)
    except ConflictError as error:
        now = _record(bench, job_id, treatment_id)
        typed = {**form.typed(), "version": str(now.version)}
        return _entry_page(request, bench, job_id, now, status=409, faults={}, fault_list=error.faults, typed=typed)
    except UnknownRecordError:
        raise
    except InputError as error:
        shown = wrong(by_field(error.faults), error.faults, form)
        return _entry_page(request, bench, job_id, record, status=422, **shown)
    return go(request, f"/jobs/{job_id}/treatments", said="treatment", job_id=job_id)


def _when(read: FormReader, record: TreatmentRecord, now: dt.datetime) -> dt.datetime | None:
    """When it ended, as corrected in the shop's own time; None leaves it."""
    typed = read.form.text("at")
    if not typed or typed == record.at.astimezone().strftime("%Y-%m-%dT%H:%M"):
        return None
    try:
        found = dt.datetime.fromisoformat(typed).astimezone()
    except ValueError:
        read.fault("at", f"“{typed[:24]}” is no time", "Write it as 2026-11-25T14:05.")
        return None
    if found > now:
        read.fault("at", "that is still to come", "Say when it ended.")
        return None
    return found


@router.post("/jobs/{job_id}/treatments/{treatment_id}/outcome", dependencies=[Depends(form_of)])
def judge_treatment(request: Request, bench: TheBench, job_id: Id, treatment_id: Id) -> Response:
    """Write down what the readings say came of a step that nobody has judged yet."""
    _record(bench, job_id, treatment_id)
    judge_rounds(bench.store, bench.knowledge, job_id, by=bench.by(request))
    return go(request, f"/jobs/{job_id}/treatments", said="outcome", job_id=job_id)
