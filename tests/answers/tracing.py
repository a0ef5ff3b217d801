"""Playing a search without a person: answers as a display with given faults would give them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterator
from typing import Final

from tubewright.answers.trace import Allowed, Found, Given, GoOn, NoneOfThese, Opened, PutOff, Search, Seen
from tubewright.answers.trace_questions import AskSymptoms, AskWords, Choose, Guard, OpenUp, Question, TakeTest, TheEnd
from tubewright.answers.trace_reckon import Tracer
from tubewright.case import TestResult
from tubewright.knowledge.model import Knowledge

NOW: Final = dt.datetime(2031, 3, 4, 9, 0, tzinfo=dt.UTC)
SHOWN: Final = 0.5
"""Chance from which the display of the play shows a symptom of its fault."""


def at_its_word(question: Question, faults: Collection[str], knowledge: Knowledge, now: dt.datetime) -> Given:
    """The likeliest answer of a display with these faults and no other."""
    given: Given
    match question:
        case AskWords():
            given = PutOff(sort="words", id="")
        case Choose(offered=offered):
            shown = [name for name in offered if _shows(name, faults, knowledge) >= SHOWN]
            given = Seen(marks=tuple((name, True) for name in shown)) if shown else NoneOfThese()
        case AskSymptoms(looks=looks):
            given = Seen(marks=tuple((look.id, _shows(look.id, faults, knowledge) >= SHOWN) for look in looks))
        case TakeTest():
            given = _taken(question, faults, knowledge, now)
        case OpenUp(fault=fault) if fault in faults:
            given = Opened(fault=fault, outcome="mended", after=question.after, at=now)
        case OpenUp(fault=fault):
            given = Opened(fault=fault, outcome="excluded", after=question.after, at=now)
        case Guard():
            given = Allowed(step_sort=question.sort, step=question.step, caution=question.caution, at=now)
        case TheEnd():
            given = GoOn()
    return given


def played(
    tracer: Tracer, search: Search, faults: Collection[str], *, most: int = 200
) -> Iterator[tuple[Question, Given, Search]]:
    """The answers to every question until the search ends or a fault is found; a second passes with each."""
    for step in range(most):
        now = NOW + dt.timedelta(seconds=step)
        question = tracer.standing(search, now).question
        if isinstance(question, TheEnd):
            return
        given = at_its_word(question, faults, tracer.knowledge, now)
        search = search.with_given(given)
        yield question, given, search
    raise AssertionError(f"no end after {most} answers")


def _shows(symptom: str, faults: Collection[str], knowledge: Knowledge) -> float:
    hidden = 1.0
    for fault in faults:
        hidden *= 1.0 - knowledge.faults[fault].shows.get(symptom, 0.0)
    return 1.0 - hidden


def _taken(question: TakeTest, faults: Collection[str], knowledge: Knowledge, now: dt.datetime) -> Given:
    result = _result(question, faults, knowledge)
    if result is None:
        return PutOff(sort="test", id=question.id)
    return Found(result=TestResult(id=question.id, result=result), after=question.after, at=now)


def _result(question: TakeTest, faults: Collection[str], knowledge: Knowledge) -> str | None:
    """What the test shows: what confirms the fault, else what speaks for it most, else what excuses it least."""
    offered = {result.id: result for result in question.results}
    for fault in faults:
        named = knowledge.faults[fault].confirmed_by.get(question.id)
        if named in offered:
            return named
    weights = {
        name: max((result.odds_ratios.get(fault, 1.0) for fault in faults), default=1.0)
        for name, result in offered.items()
    }
    best = max(weights, key=lambda name: weights[name])
    if weights[best] > 1:
        return best
    if question.follows:
        return None
    normal = [
        name for name in offered if weights[name] >= 1 and max(offered[name].odds_ratios.values(), default=1) <= 1
    ]
    return normal[0] if normal else None
