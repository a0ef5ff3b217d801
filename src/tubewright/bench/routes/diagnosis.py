"""The diagnosis of a job: from the owner's words to the suspects, the next test, and the job closed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from fastapi import APIRouter, Request, Response

from tubewright.answers.diagnosed import Diagnosed, NextTest
from tubewright.bench import words
from tubewright.bench.diagnosing import (
    Diagnosing,
    Shift,
    Standing,
    choose_test,
    remember,
    shift,
    standing_of,
    suspects,
    what_changed,
)
from tubewright.bench.guarding import closings_of, lock_of
from tubewright.bench.pages import Bench, go
from tubewright.bench.routes.findings import latest_symptoms, taking
from tubewright.bench.routes.guards import guard_words
from tubewright.bench.routes.job import Id, TheBench, TheForm, job_page
from tubewright.bench.routes.measurements import offered_by_picture
from tubewright.bench.routes.shop import change_words
from tubewright.errors import Fault, InputError, UnknownRecordError
from tubewright.knowledge.model import BenchTest, Knowledge, Symptom
from tubewright.knowledge.search import Complaint, find_complaints
from tubewright.records.model import JobPage
from tubewright.report.diagnose_text import SUBSYSTEM_WORDS
from tubewright.report.wording import minutes

router = APIRouter(include_in_schema=False)

FIRST_SHOWN: Final = 6
"""Suspects shown at once; the rest lie folded below them."""
LONGEST_WORDS: Final = 400
SETS_SHOWN: Final = 5
UNDOABLE: Final = frozenset({"observations", "repairs", "confirmations"})


@router.get("/jobs/{job_id}/diagnosis")
def diagnosis(request: Request, bench: TheBench, job_id: Id, q: str = "", test: str = "") -> Response:
    """What could be wrong with this display, what to test next, and what was found so far."""
    job = bench.store.job(job_id)
    case = bench.store.case_of(job_id)
    standing = standing_of(request, bench.knowledge)
    kept = _kept(request)
    experience = bench.store.experience()
    earlier = kept.before(job_id, case)
    told: Diagnosed | None = None
    wrong: tuple[Fault, ...] = ()
    moved: Shift | None = None
    try:
        told = kept.answer(case, bench.knowledge, experience, standing)
        if earlier is not None:
            before = kept.answer(earlier, bench.knowledge, experience, standing)
            # The first finding moves everything; "new" beside each suspect would say nothing.
            moved = shift(before, told, what_changed(earlier, case, bench.knowledge)) if before.faults else None
    except InputError as error:
        wrong = error.faults
    asked = q.strip()[:LONGEST_WORDS]
    noted = _noted(job, bench.knowledge)
    heard = asked or job.job.owner_words.strip()[:LONGEST_WORDS]
    complaints = find_complaints(bench.knowledge, heard) if heard else ()
    if not asked:
        # What of the owner's words is answered stands among the noted; what isn't is still asked.
        answered = {s.id for s, _ in noted}
        complaints = tuple(c for c in complaints if not answered & {s.id for s in c.symptoms})
    offered = {s.id for c in complaints for s in c.symptoms}
    context: dict[str, Any] = {
        "q": asked,
        "heard": heard,
        "own_words": not asked,
        "complaints": _once(complaints),
        "noted": [one for one in noted if one[0].id not in offered],
        "state": {s.id: now for s, now in noted},
        "pictures": offered_by_picture(bench, job),
        "told": told,
        "impossible": wrong,
        "moved": moved,
        "rows": suspects(told, moved) if told else (),
        "first_shown": FIRST_SHOWN,
        "sets": [s for s in told.explanations if s.faults][:SETS_SHOWN] if told else (),
        "explained": {e.fault: e for e in told.explains} if told else {},
        "where": SUBSYSTEM_WORDS,
        "standing": standing,
        "places": words.PLACES.items(),
        "aside": [(name, bench.knowledge.tests[name].name) for name in standing.aside],
        "last": _last_change(bench, job_id),
        "closings": closings_of(bench, job),
        "mended": _mended(bench, job),
        "still": [s for s, now in noted if now == "present"],
        "settles": lambda fault: settling(fault.confirm_with, bench.knowledge),
        "chance": words.percent,
        "about": minutes,
        **_next(bench, job, told, standing, test),
    }
    return job_page(request, "job_diagnosis.html", job, "Diagnosis", **context)


def _kept(request: Request) -> Diagnosing:
    kept: Diagnosing = request.app.state.diagnosing
    return kept


def _noted(job: JobPage, known: Knowledge) -> list[tuple[Symptom, str]]:
    """Symptoms by the last word on each, those that are there first."""
    found = [
        (known.symptoms[name], "present" if o.symptom.present else "absent")
        for name, o in latest_symptoms(job).items()
        if o.symptom is not None and name in known.symptoms
    ]
    return sorted(found, key=lambda one: one[1] != "present")


def _once(complaints: Sequence[Complaint]) -> list[tuple[str, list[Symptom]]]:
    """Each complaint with its symptoms; a symptom that two of them may mean stands once."""
    seen: set[str] = set()
    groups = []
    for complaint in complaints:
        fresh = [s for s in complaint.symptoms if s.id not in seen]
        seen.update(s.id for s in fresh)
        if fresh:
            groups.append((complaint.words, fresh))
    return groups


def _next(bench: Bench, job: JobPage, told: Diagnosed | None, standing: Standing, wanted: str) -> dict[str, Any]:
    """The test to take now with its guard, and the others that could be."""
    if told is None:
        return {"now_test": None, "other_tests": (), "repair_now": ""}
    chosen = choose_test(told, bench.knowledge, wanted, standing.aside)
    advised = told.advice.fault if told.advice.kind == "repair" else ""
    others = [t for t in told.next_tests if t.id != chosen and t.id not in standing.aside]
    if not chosen:
        return {"now_test": None, "other_tests": others, "repair_now": advised}
    found = bench.knowledge.tests[chosen]
    proposed = next((t for t in told.next_tests if t.id == chosen), None)
    lock = lock_of(bench, job, "test", chosen)
    back = f"/jobs/{job.job.id}/diagnosis?test={chosen}#next" if wanted else f"/jobs/{job.job.id}/diagnosis#next"
    shown = guard_words(bench, job, lock, back)
    if proposed is not None:
        # With those of the way to it: draining the tube, putting the set together.
        shown["guard_cautions"] = list(proposed.cautions)
    return {
        **shown,
        "now_test": found,
        "repair_now": advised if not wanted else "",
        "proposed": proposed,
        "taking": taking(bench, job, found),
        "results": results_of(found, proposed),
        "chances": outcome_chances(proposed, bench.knowledge),
        "other_tests": others,
    }


def results_of(test: BenchTest, proposed: NextTest | None) -> list[tuple[str, str]]:
    """The results to choose from: those that are expected, the likeliest first, then the others that stand alone."""
    known = {r.id: r.means for r in test.results}
    expected = [o.result for o in proposed.outcomes if o.result in known] if proposed else []
    # Where a result was found already, only what narrows it down is left to choose.
    alone = [r.id for r in test.results if not r.refines] if proposed is None or not proposed.follows else []
    order = list(dict.fromkeys([*expected, *alone]))
    return [(name, known[name]) for name in order]


def outcome_chances(proposed: NextTest | None, known: Knowledge) -> Mapping[str, str]:
    """What each expected result would mean: how likely it is, and who would then lead."""
    if proposed is None:
        return {}
    said = {}
    for outcome in proposed.outcomes:
        leading = ", ".join(
            f"{known.faults[fault].name} {words.percent(p)}"
            for fault, p in outcome.leading[:2]
            if fault in known.faults
        )
        said[outcome.result] = (
            f"{words.percent(outcome.chance)} likely; then {leading or 'none of the suspects stands out'}"
        )
    return said


def _mended(bench: Bench, job: JobPage) -> list[str]:
    """Names of what was mended on this job."""
    known = bench.knowledge.faults
    ids = dict.fromkeys(r.repair.fault for r in job.repairs if r.repair.outcome == "mended")
    return [known[name].name if name in known else name for name in ids]


def _last_change(bench: Bench, job_id: int) -> dict[str, Any] | None:
    """The last finding, repair or confirmation that can still be taken back."""
    records = bench.store.history(job_id=job_id, size=60)
    taken_back = {r.undoes for r in records if r.undoes}
    for record in records:
        if not record.undoes and record.change not in taken_back and record.table in UNDOABLE:
            return {"id": record.id, "words": change_words(record, bench.knowledge)}
    return None


def settling(confirm_with: Mapping[str, str], known: Knowledge) -> list[tuple[str, str, str]]:
    """Tests that settle a fault: id, name, and what they then show in words."""
    made = []
    for name, shows in confirm_with.items():
        if name in known.tests:
            test = known.tests[name]
            made.append((name, test.name, next((r.means for r in test.results if r.id == shows), shows)))
    return made


@router.post("/jobs/{job_id}/diagnosis/aside")
def set_aside(request: Request, bench: TheBench, form: TheForm, job_id: Id) -> Response:
    """Set a test aside: not known how, can't be done, or not wanted now."""
    test = _a_test(bench, form.text("test"))
    bench.store.job(job_id)
    answer = go(request, f"/jobs/{job_id}/diagnosis#next")
    return remember(answer, job_id, standing_of(request, bench.knowledge).without(test))


@router.post("/jobs/{job_id}/diagnosis/again")
def take_again(request: Request, bench: TheBench, form: TheForm, job_id: Id) -> Response:
    """Let a test be proposed again."""
    test = _a_test(bench, form.text("test"))
    bench.store.job(job_id)
    answer = go(request, f"/jobs/{job_id}/diagnosis?test={test}#next")
    return remember(answer, job_id, standing_of(request, bench.knowledge).again(test))


@router.post("/jobs/{job_id}/diagnosis/stands")
def stands(request: Request, bench: TheBench, form: TheForm, job_id: Id) -> Response:
    """Note how the set stands now: what lies open makes the next test cheap."""
    place = form.text("place")
    bench.store.job(job_id)
    if place not in words.PLACES:
        raise UnknownRecordError(
            Fault(what="a set doesn't stand so", where="place", mend="Pick one from the diagnosis page.")
        )
    standing = standing_of(request, bench.knowledge)
    answer = go(request, f"/jobs/{job_id}/diagnosis#next")
    return remember(answer, job_id, Standing(place=place, aside=standing.aside))


def _a_test(bench: Bench, name: str) -> str:
    if name not in bench.knowledge.tests:
        raise UnknownRecordError(Fault(what="there is no such test", where="test", mend="Pick one from the list."))
    return name
