"""The conditions of the steps of a search: those of the way to a step and its own, each asked for by itself."""

from __future__ import annotations

import datetime as dt
from typing import Literal

from tubewright.answers.trace import (
    Allowed,
    Conditions,
    Search,
    StepSort,
    confirmations,
    done_steps,
    held,
    workplace_of,
)
from tubewright.answers.trace_questions import Guard, OpenUp, Question, TakeTest
from tubewright.judgement.guards import (
    Condition,
    GuardedStep,
    for_how_long,
    guarded,
    open_closing,
    open_conditions,
)
from tubewright.judgement.workplace import Workplace, needs_of_repair, needs_of_test, reach
from tubewright.knowledge.model import Knowledge


class Guards:
    """Says which condition comes next."""

    def __init__(self, knowledge: Knowledge) -> None:
        self.knowledge = knowledge

    def conditions_of(self, search: Search) -> Conditions:
        """What gives the conditions of a step as the set stands in a state."""
        place = workplace_of(search)

        def conditions(sort: StepSort, name: str) -> frozenset[str]:
            if sort == "symptom":
                return frozenset()
            return frozenset(condition.caution for condition in self.step(sort, name, place).conditions)

        return conditions

    def step(self, sort: Literal["test", "repair"], name: str, place: Workplace) -> GuardedStep:
        """A step with the conditions of the way to it before its own."""
        needs = (
            needs_of_test(self.knowledge.tests[name])
            if sort == "test"
            else needs_of_repair(self.knowledge.faults[name])
        )
        return guarded(self.knowledge, sort, name, way=reach(place, needs).cautions)

    def question(self, search: Search, question: Question, now: dt.datetime) -> Guard | None:
        """The condition to ask for before a question can be put, or after the last step; None if all are met."""
        given = confirmations(search)
        left = {(one.step_sort, one.step, one.caution) for one in held(search)}
        for sort, name, at in done_steps(search):
            step = guarded(self.knowledge, sort, name)
            open_ones = [c for c in open_closing(step, at, given, now) if (sort, name, c.caution) not in left]
            if open_ones:
                return _guard(step, open_ones, closing=True, first=len(open_ones) == len(step.closing))
        if not isinstance(question, TakeTest | OpenUp):
            return None
        is_test = isinstance(question, TakeTest)
        step = self.step(
            "test" if is_test else "repair",
            question.id if isinstance(question, TakeTest) else question.fault,
            workplace_of(search),
        )
        before = list(open_conditions(step, given, now, {(sort, name): at for sort, name, at in done_steps(search)}))
        if not before:
            return None
        last = search.last
        begun = isinstance(last, Allowed) and (last.step_sort, last.step) == (step.sort, step.id)
        return _guard(step, before, closing=False, first=not begun)


def _guard(step: GuardedStep, left: list[Condition], *, closing: bool, first: bool) -> Guard:
    condition = left[0]
    return Guard(
        sort="test" if step.sort == "test" else "repair",
        step=step.id,
        name=step.name,
        hazard=step.hazard,
        caution=condition.caution,
        text=condition.warning,
        confirm=condition.words,
        lasts=for_how_long(condition),
        closing=closing,
        first=first,
        left=len(left),
    )
