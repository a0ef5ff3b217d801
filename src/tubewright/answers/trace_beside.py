"""What is said beside the question of a search: who leads, what else could be done, what it took so far."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from typing import Final

from tubewright.answers.diagnosed import Diagnosed
from tubewright.answers.trace import (
    Barred,
    Conditions,
    Found,
    Opened,
    Search,
    Seen,
    StepSort,
    put_off,
    refusals,
)
from tubewright.answers.trace_asking import ASK_MINUTES
from tubewright.answers.trace_questions import AskSymptoms, Leader, OpenUp, Other, Question, TakeTest
from tubewright.case import Case
from tubewright.judgement.at_once import cannot_wait
from tubewright.knowledge.model import Knowledge

SHOWN: Final = 3
"""Leading faults shown at every step."""
OFFERED_TESTS: Final = 3
OFFERED_LOOKS: Final = 2
OFFERED_SUSPECTS: Final = 2
PUT_OFF: Final = "put off"
NOT_CONFIRMED: Final = "a condition was not confirmed"


def leading(told: Diagnosed, before: Diagnosed) -> tuple[Leader, ...]:
    """The leading faults, each with its chance before the last answer."""
    then = {fault.id: fault.probability for fault in before.faults}
    shown = [fault for fault in told.faults if fault.state == "suspected"][:SHOWN]
    return tuple(
        Leader(
            id=fault.id,
            name=fault.name,
            probability=fault.probability,
            before_probability=then.get(fault.id, None if then else fault.probability),
        )
        for fault in shown
    )


def others(
    knowledge: Knowledge,
    search: Search,
    question: Question,
    *,
    tests: Iterable[str],
    looks: Iterable[str],
    suspects: Iterable[str],
    conditions: Conditions,
    closed: frozenset[str],
) -> Iterator[Other]:
    """Other steps, the most telling first; then those put off, and those that a condition closes."""
    current = _named(question)
    for name in _first(("test", tests), current, OFFERED_TESTS):
        yield _other(knowledge, "test", name, "")
    for name in _first(("symptom", looks), current, OFFERED_LOOKS):
        yield _other(knowledge, "symptom", name, "")
    for name in _first(("repair", suspects), current, OFFERED_SUSPECTS):
        if ("repair", name) not in put_off(search):
            yield _other(knowledge, "repair", name, NOT_CONFIRMED if closed & set(conditions("repair", name)) else "")
    for barred_one in refusals(search):
        sort = barred_one.step_sort
        if isinstance(barred_one, Barred) and barred_one.caution in closed and sort in ("test", "repair"):
            yield _other(knowledge, sort, barred_one.step, NOT_CONFIRMED)
    for left, name in sorted(put_off(search)):
        if left != "words":
            yield _other(knowledge, _sort(left), name, PUT_OFF)


def left_over(knowledge: Knowledge, case: Case) -> Iterator[str]:
    """Present symptoms that no fault found so far shows."""
    found = [knowledge.faults.get(r.fault) for r in case.repairs if r.outcome != "excluded"]
    for symptom in case.symptoms:
        shown = any(fault is not None and fault.shows.get(symptom.id, 0.0) > 0 for fault in found)
        if symptom.present and not shown and symptom.id in knowledge.symptoms:
            yield knowledge.symptoms[symptom.id].technician_says


def at_once(knowledge: Knowledge, search: Search) -> tuple[str, ...]:
    """What can't wait: cautions for symptoms just seen, or there from the start."""
    last = search.last
    seen = [s.id for s in search.start.symptoms if s.present] if last is None else []
    if isinstance(last, Seen):
        seen = [name for name, present in last.marks if present]
    return cannot_wait(seen, knowledge)


def minutes_spent(knowledge: Knowledge, search: Search) -> float:
    """Minutes of looks, tests and repairs so far, by the catalogue."""
    total = 0.0
    for given in search.given:
        if isinstance(given, Seen):
            total += ASK_MINUTES * (len(given.marks) + len(given.unknown))
        elif isinstance(given, Found):
            total += knowledge.tests[given.result.id].minutes
        elif isinstance(given, Opened):
            total += knowledge.faults[given.fault].minutes
    return total


def _other(knowledge: Knowledge, sort: StepSort, name: str, why_not: str) -> Other:
    if sort == "symptom":
        words, minutes, hazard = knowledge.symptoms[name].technician_says, ASK_MINUTES, "H0"
    elif sort == "test":
        test = knowledge.tests[name]
        words, minutes, hazard = test.name, test.minutes, test.hazard
    else:
        fault = knowledge.faults[name]
        words, minutes, hazard = fault.name, fault.minutes, fault.hazard
    return Other(sort=sort, id=name, name=words, minutes=minutes, hazard=hazard, why_not=why_not)


def _first(steps: tuple[str, Iterable[str]], without: Collection[tuple[str, str]], most: int) -> list[str]:
    sort, names = steps
    return [name for name in names if (sort, name) not in without][:most]


def _named(question: Question) -> frozenset[tuple[str, str]]:
    match question:
        case AskSymptoms(looks=looks):
            return frozenset(("symptom", look.id) for look in looks)
        case TakeTest(id=name):
            return frozenset({("test", name)})
        case OpenUp(fault=name):
            return frozenset({("repair", name)})
        case _:
            return frozenset()


def each_once(others: Iterable[Other]) -> tuple[Other, ...]:
    """Each step once, as it was named first."""
    kept: dict[tuple[str, str], Other] = {}
    for other in others:
        kept.setdefault((other.sort, other.id), other)
    return tuple(kept.values())


def _sort(text: str) -> StepSort:
    if text == "symptom":
        return "symptom"
    return "test" if text == "test" else "repair"
