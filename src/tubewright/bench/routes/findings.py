"""Symptoms, tests and looks at the glass, on one job."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request, Response

from tubewright import case
from tubewright.bench import words
from tubewright.bench.diagnosing import reads_figure, remember, split_figure, standing_of, unit_of
from tubewright.bench.forms import FormReader, by_field
from tubewright.bench.guarding import lock_of
from tubewright.bench.lan.once import sent_once
from tubewright.bench.pages import Bench, go, wrong
from tubewright.bench.routes.guards import guard_words, refused
from tubewright.bench.routes.job import Id, TheBench, TheForm, job_page
from tubewright.bench.stored import answer_from_json
from tubewright.errors import Fault, InputError, UnknownRecordError
from tubewright.judgement.findings import nominal_in_chassis
from tubewright.judgement.ranges import nominal_of
from tubewright.judgement.workplace import needs_of_test, reach
from tubewright.knowledge.model import BenchTest, Knowledge
from tubewright.knowledge.search import find_symptoms
from tubewright.quantity import parse_quantity
from tubewright.records.model import JobPage, ObservationRecord

router = APIRouter(include_in_schema=False)


@router.get("/jobs/{job_id}/symptoms")
def symptoms(request: Request, bench: TheBench, job_id: Id, q: str = "") -> Response:
    """All symptoms, or those that fit some words, each present, absent or not looked for."""
    q = q.strip()[:200]
    job = bench.store.job(job_id)
    known = bench.knowledge.symptoms
    noted = latest_symptoms(job)
    state = {name: "present" if o.symptom.present else "absent" for name, o in noted.items() if o.symptom}
    shown = list(find_symptoms(bench.knowledge, q, limit=12)) if q else list(known.values())
    if not q:
        # What was noted stands first; the rest keeps the order of the list.
        shown.sort(key=lambda s: s.id not in state)
    return job_page(request, "job_symptoms.html", job, "Symptoms", q=q, shown=shown, total=len(known), state=state)


def latest_symptoms(job: JobPage) -> dict[str, ObservationRecord]:
    """The last word on each symptom."""
    return {o.symptom.id: o for o in job.observations if o.symptom is not None}


@router.post("/jobs/{job_id}/symptoms")
@sent_once
def save_symptoms(request: Request, bench: TheBench, form: TheForm, job_id: Id) -> Response:
    """Store what was ticked differently from what the page showed; the rest stays as it is."""
    job = bench.store.job(job_id)
    by = bench.by(request)
    every = [o for o in job.observations if o.symptom is not None]
    with bench.store.together():
        for field, now in form.pairs:
            name = field.removeprefix("is_")
            if name == field or name not in bench.knowledge.symptoms or now == form.text(f"was_{name}"):
                continue
            if now in {"present", "absent"}:
                bench.store.add_symptom(job_id, case.Symptom(id=name, present=now == "present"), by=by)
            else:
                for o in every:
                    if o.symptom is not None and o.symptom.id == name:
                        bench.store.remove_observation(o.id, version=o.version, by=by)
    asked = form.text("q")
    part = "diagnosis" if form.text("then") == "diagnosis" else "symptoms"
    back = f"/jobs/{job_id}/{part}" + (f"?q={_quoted(asked)}" if asked else "")
    back += "#now" if part == "diagnosis" else ""
    return go(request, back, said="symptoms", job_id=job_id)


def _quoted(text: str) -> str:
    from urllib.parse import quote

    return quote(text[:200], safe="")


@router.get("/jobs/{job_id}/tests")
def all_tests(request: Request, bench: TheBench, job_id: Id, q: str = "") -> Response:
    """Tests done, and those that can be taken."""
    q = q.strip()[:200]
    job = bench.store.job(job_id)
    asked = q.lower().split()
    known = bench.knowledge.tests.values()
    named = telling(job)
    shown = [t for t in known if all(w in f"{t.name} {t.how} {t.id}".lower() for w in asked)]
    shown.sort(key=lambda t: named.index(t.id) if t.id in named else len(named))
    taken = [_taken(o, bench.knowledge) for o in reversed(job.observations) if o.test is not None]
    return job_page(request, "job_tests.html", job, "Tests", q=q, shown=shown, taken=taken, telling=named)


def telling(job: JobPage) -> list[str]:
    """Ids of the tests that the last verdict names: to be done next, or able to change it."""
    if not job.verdicts:
        return []
    try:
        answer = answer_from_json(job.verdicts[-1].answer_json)
    except InputError:  # shown where the verdict itself is opened
        return []
    return list(dict.fromkeys([*(s.id for s in answer.next_steps), *(w.id for w in answer.would_change)]))


def _taken(record: ObservationRecord, knowledge: Knowledge) -> dict[str, Any]:
    found = record.test
    assert found is not None  # noqa: S101 - the caller asked for tests only
    test = knowledge.tests.get(found.id)
    if found.result is not None:
        named = next((r.means for r in test.results if r.id == found.result), "") if test else ""
        result = named or found.result.replace("_", " ")
    else:
        result = f"{words.number(found.value, 6)} {found.unit}"
        result += f", should be {words.number(found.nominal, 6)}" if found.nominal is not None else ""
    return {
        "id": record.id,
        "version": record.version,
        "name": words.capital(test.name) if test else found.id,
        "gun": found.gun,
        "result": result,
        "at": record.at,
        "person": record.person,
    }


def _test(bench: Bench, test_id: str) -> BenchTest:
    found = bench.knowledge.tests.get(test_id)
    if found is None:
        raise UnknownRecordError(Fault(what="there is no such test", where="test", mend="Pick one from the list."))
    return found


@router.get("/jobs/{job_id}/tests/{test_id}")
def one_test(request: Request, bench: TheBench, job_id: Id, test_id: str) -> Response:
    """One test: its cautions, what to confirm first, and once that is done how it goes and what came out."""
    return _test_page(request, bench, bench.store.job(job_id), _test(bench, test_id))


def _test_page(
    request: Request, bench: Bench, job: JobPage, found: BenchTest, *, status: int = 200, **more: object
) -> Response:
    lock = lock_of(bench, job, "test", found.id)
    context: dict[str, Any] = {
        **guard_words(bench, job, lock, f"/jobs/{job.job.id}/tests/{found.id}"),
        "test": found,
        "taking": taking(bench, job, found),
        "results": [(r.id, r.means) for r in found.results],
        "then": "",
        "places": (),
        **more,
    }
    return job_page(request, "test_take.html", job, "Tests", status=status, **context)


def taking(bench: Bench, job: JobPage, test: BenchTest) -> dict[str, Any]:
    """What the form of a test needs: its unit, what is nominal in this set and who says so."""
    unit = unit_of(test)
    chassis = bench.knowledge.chassis.get(job.display.display.chassis or "")
    nominal = nominal_of(test, unit=unit, given=None, of_chassis=nominal_in_chassis(chassis, test.id))
    held = nominal.value is not None and any(r.quantity == "ratio" for r in test.results)
    return {
        "figure": reads_figure(test),
        "unit": unit,
        "nominal": nominal.value if held else None,
        "nominal_from": {"chassis": f"from the profile {chassis.name}" if chassis else "", "usual": "as usual"}.get(
            nominal.origin, ""
        )
        if held
        else "",
        "of_nominal": any(r.quantity == "ratio" for r in test.results),
    }


@router.post("/jobs/{job_id}/tests/{test_id}")
@sent_once
def save_test(request: Request, bench: TheBench, form: TheForm, job_id: Id, test_id: str) -> Response:
    """Store the result of a test: a named one, or a figure with its unit. Refused while the test is shut."""
    found = _test(bench, test_id)
    job = bench.store.job(job_id)
    lock = lock_of(bench, job, "test", test_id)
    if not lock.is_open:
        return refused(request, bench, job, lock, form)
    read = FormReader(form)
    try:
        result = read.choice("result", [r.id for r in found.results])
        (value, unit), (nominal, _) = _figure(read, "value"), _figure(read, "nominal")
        if unit != form.text("nominal_unit") and form.text("nominal") == form.text("nominal_was"):
            nominal = None  # it stood there for another unit; the profile says it in any
        if result is not None and value is not None:
            read.fault("value", "both a result and a figure are given", "Give one of the two.")
        elif result is None and value is None and not read.faults:
            read.fault("value", "nothing is given", "Pick what came out, or type the figure you read.")
        if value is not None and not unit:
            read.fault("unit", "the unit is missing", "Type it: V, ohm, A.")
        gun = read.choice("gun", case.GUNS)
        outcome = (
            read.model(
                case.TestResult,
                {
                    "id": found.id,
                    "result": result,
                    "gun": gun,
                    "value": value,
                    "unit": unit if value is not None else None,
                    "nominal": nominal if value is not None else None,
                },
            )
            if not read.faults
            else None
        )
        read.finish()
        assert outcome is not None  # noqa: S101 - finish() raised otherwise
        bench.store.add_test(job_id, outcome, by=bench.by(request))
    except UnknownRecordError:
        raise
    except InputError as error:
        shown = wrong(by_field(error.faults), error.faults, form)
        return _test_page(request, bench, job, found, status=422, **{**shown, "then": form.text("then")})
    back = f"/jobs/{job_id}/diagnosis#now" if form.text("then") == "diagnosis" else f"/jobs/{job_id}/tests"
    standing = standing_of(request, bench.knowledge)
    stands = reach(standing.workplace, needs_of_test(found)).after
    return remember(go(request, back, said="test", job_id=job_id), job_id, standing.after(stands).again(found.id))


def _figure(read: FormReader, field: str) -> tuple[float | None, str]:
    """A figure and its unit, which may stand behind it or in a field of its own."""
    typed, unit = split_figure(read.form.text(field))
    if not typed:
        return None, ""
    beside = read.words("unit", longest=20) if field == "value" else ""
    try:
        value = parse_quantity(typed, kind="number", where=field).value
    except InputError as error:
        read.faults += error.faults
        return None, ""
    return value, unit or beside


@router.post("/jobs/{job_id}/observations/{observation_id}/strike")
def strike(request: Request, bench: TheBench, form: TheForm, job_id: Id, observation_id: Id) -> Response:
    """Strike a test result or a look out."""
    mine = {o.id for o in bench.store.job(job_id).observations}
    if observation_id not in mine:
        raise UnknownRecordError(Fault(what="that finding is of another job", where="finding", mend="Look at its job."))
    version = FormReader(form).whole("version", most=10**9) or 0
    bench.store.remove_observation(observation_id, version=version, by=bench.by(request))
    return go(request, f"/jobs/{job_id}/tests", said="struck", job_id=job_id)
