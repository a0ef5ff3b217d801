"""From a state of the search to the next question: the symptom, test or repair that leads to the end soonest.

What to test is :mod:`tubewright.judgement.next_tests`' own choice. A symptom is asked for
first where it saves more for each minute than the best test does; since a look takes
half a minute, that is the way of every good listener. Before a step whose conditions
are not confirmed comes the question for each of them.
"""

from __future__ import annotations

import datetime as dt
from collections import OrderedDict
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final, TypeVar

import numpy as np

from tubewright.answers.diagnose import diagnose, findings_of
from tubewright.answers.diagnosed import Diagnosed
from tubewright.answers.trace import (
    Conditions,
    Found,
    Opened,
    PutOff,
    Said,
    Search,
    Seen,
    StepSort,
    Wanted,
    barred,
    case_of,
    ended,
    held,
    narrowed,
    put_off,
    wanted,
    workplace_of,
)
from tubewright.answers.trace_asking import LEAST_SAVED_MINUTES, Telling, senseless, telling_symptoms
from tubewright.answers.trace_beside import at_once, each_once, leading, left_over, minutes_spent, others
from tubewright.answers.trace_guards import Guards
from tubewright.answers.trace_put import Putter
from tubewright.answers.trace_questions import (
    AskWords,
    OpenUp,
    Question,
    Standing,
    TheEnd,
)
from tubewright.case import Case
from tubewright.errors import Fault, InputError
from tubewright.experience import NO_EXPERIENCE, Experience
from tubewright.judgement.diagnosis import explain
from tubewright.judgement.evidence import weigh
from tubewright.judgement.faults_learned import learn_faults
from tubewright.judgement.findings import Findings
from tubewright.judgement.next_tests import TOO_UNLIKELY, NextSteps, ProposedTest, next_steps
from tubewright.judgement.outcomes import outcome_table
from tubewright.judgement.repair_course import Course
from tubewright.judgement.workplace import Workplace
from tubewright.knowledge.model import Knowledge

SURE: Final = 0.9
"""Chance of a suspect from which one goes and looks instead of asking on (from memory, estimate)."""
PATIENCE_MINUTES: Final = 0.5
"""Minutes that a question must save the more for each one asked since the last test (from memory, estimate)."""
WORTH_A_TEST: Final = 0.05
"""Bits that a test must tell to be offered in place of a suspect that is put off or closed (from memory, estimate)."""
AT_ONCE: Final = 4
"""Symptoms asked for in one go."""
_MOST_KEPT: Final = 64
_Key = TypeVar("_Key")
_Value = TypeVar("_Value")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Known:
    """What follows from the findings of one state; kept, since a guard or a look around changes none of it."""

    findings: Findings
    steps: NextSteps
    telling: tuple[Telling, ...]
    left_now: float


class Tracer:
    """Says what stands in each state; what it has reckoned it keeps for the way back."""

    def __init__(self, knowledge: Knowledge, experience: Experience = NO_EXPERIENCE, *, seed: int = 1) -> None:
        self.knowledge = knowledge
        self.ours = learn_faults(knowledge, experience).knowledge
        self.experience = experience
        self.seed = seed
        self.guards = Guards(knowledge)
        self.put = Putter(knowledge)
        self._standings: OrderedDict[Search, Standing] = OrderedDict()
        self._diagnoses: OrderedDict[Case, Diagnosed] = OrderedDict()

    def standing(self, search: Search, now: dt.datetime) -> Standing:
        """The next question of a state and all that is said beside it.

        Args:
            search: The state.
            now: The moment, which knows its zone; what was confirmed too long ago is asked again.

        Raises:
            InputError: What was given is impossible together, or names what doesn't exist.
        """
        kept = self._standings.get(search)
        if kept is None:
            kept = _keep(self._standings, search, self._stand(search))
        guard = self.guards.question(search, kept.question, now)
        question = kept.question if guard is None else guard
        if isinstance(question, TheEnd) and held(search):
            words = tuple(self.knowledge.cautions[one.caution].confirm for one in held(search))
            question = replace(question, hold=words)
        return replace(kept, question=question)

    def diagnosed(self, case: Case) -> Diagnosed:
        """The diagnosis of a case, as ``tubewright diagnose`` gives it."""
        kept = self._diagnoses.get(case)
        if kept is None:
            kept = _keep(self._diagnoses, case, diagnose(case, self.knowledge, self.experience, seed=self.seed))
        return kept

    # -- standing ---------------------------------------------------------------

    def _stand(self, search: Search) -> Standing:
        case = case_of(search)
        told = self.diagnosed(case)
        conditions = self.guards.conditions_of(search)
        closed = barred(search, conditions)
        known = self._reckon(search, case, conditions, closed)
        question = self._question(search, known, conditions, closed)
        return Standing(
            question=question,
            leading=leading(told, self.diagnosed(case_of(search.back())) if search.given else told),
            others=each_once(
                others(
                    self.knowledge,
                    search,
                    question,
                    tests=[test.id for test in known.steps.tests],
                    looks=[look.id for look in known.telling],
                    suspects=[fault.id for fault in told.faults if fault.state == "suspected"],
                    conditions=conditions,
                    closed=closed,
                )
            ),
            closed=tuple(self.knowledge.cautions[i].confirm for i in sorted(closed)),
            at_once=at_once(self.knowledge, search),
            left_over=tuple(left_over(self.knowledge, case)),
            diagnosed=told,
            steps=sum(isinstance(given, Seen | Found | Opened) for given in search.given),
            minutes=minutes_spent(self.knowledge, search),
        )

    def _reckon(self, search: Search, case: Case, conditions: Conditions, closed: Iterable[str]) -> _Known:
        findings = findings_of(case, self.knowledge, self.experience, seed=self.seed)
        evidence = weigh(findings, self.ours)
        posteriors, _ = evidence.posteriors()
        sets = explain(evidence, posteriors)
        place = workplace_of(search)
        left = put_off(search)
        shut = set(closed)
        done = {name for sort, name in left if sort == "test"} | narrowed(search)
        done |= {name for name in self.knowledge.tests if shut & set(conditions("test", name))}
        steps = next_steps(
            findings,
            self.ours,
            limit=len(self.knowledge.tests),
            done=done,
            workplace=place,
            evidence=evidence,
            sets=sets,
        )
        if len(sets.faults) == 0:
            return _Known(findings=findings, steps=steps, telling=(), left_now=0.0)
        suspects = [self.ours.faults[evidence.fault_ids[i]] for i in sets.faults]
        course = Course(
            members=sets.members,
            chances=sets.probabilities,
            faults=suspects,
            table=outcome_table([], {}, [fault.id for fault in suspects], sets.members.astype(np.float64)),
            workplace=place,
        )
        answered = {*findings.present, *findings.absent} | {name for sort, name in left if sort == "symptom"}
        answered |= senseless(findings.present, self.knowledge)
        telling = telling_symptoms(evidence, sets, course, self.ours, known=answered)
        here = np.zeros(1, dtype=np.intp)
        none = np.zeros((1, len(suspects)), dtype=np.bool_)
        left_now = float(course.left(course.chances[np.newaxis, :], none, here)[0]) + course.mending
        return _Known(findings=findings, steps=steps, telling=telling, left_now=left_now)

    # -- the question -----------------------------------------------------------

    def _question(self, search: Search, known: _Known, conditions: Conditions, closed: frozenset[str]) -> Question:
        last = search.last
        found, chosen = ended(search), wanted(search)
        question: Question
        if isinstance(last, Said):
            question = self.put.choose(last.words, last.offered)
        elif isinstance(last, PutOff) and last.sort == "words":
            question = self.put.commonest(known.findings)
        elif found is not None:
            name = self.knowledge.faults[found.fault].name
            question = TheEnd(reason="found", found=found.fault, found_name=name, outcome=found.outcome)
        elif chosen is not None:
            question = self._chosen(chosen, search, known)
        elif known.findings.present or known.findings.results:
            question = self._best(search, known, conditions, closed)
        elif ("words", "") in put_off(search):
            question = TheEnd(reason="nothing_known")
        else:
            question = AskWords()
        return question

    def _best(self, search: Search, known: _Known, conditions: Conditions, closed: frozenset[str]) -> Question:
        """The step worth most: a test or a suspect to open up, unless a symptom is worth asking for first."""
        steps = known.steps
        left = put_off(search)

        def open_to(fault: str) -> bool:
            return ("repair", fault) not in left and not closed & set(conditions("repair", fault))

        test = steps.tests[0] if steps.tests else None
        repair = steps.repair if steps.repair is not None and open_to(steps.repair.id) else None
        advice = steps.advice
        if advice == "repair" and repair is None:
            # The likeliest suspect is put off or closed: a test that tells something, else the next suspect.
            tells = test is not None and test.minutes_saved > 0 and test.information_bits >= WORTH_A_TEST
            advice = "test" if tells else "nothing"
        sure = advice == "repair" and repair is not None and repair.probability >= SURE
        rival = _worth(test, known) if advice == "test" and test is not None else 0.0
        least = LEAST_SAVED_MINUTES + PATIENCE_MINUTES * _asked_in_a_row(search)
        asks = [one for one in known.telling if one.minutes_saved >= least and one.worth_per_minute > rival]
        if asks and not sure:
            return self.put.ask(asks[:AT_ONCE])
        if advice == "test" and test is not None:
            return self.put.take(test, search, known.findings)
        if advice == "repair" and repair is not None:
            return self._open(repair.id, search, repair.words)
        for fault in self.diagnosed(case_of(search)).faults:
            if fault.probability >= TOO_UNLIKELY and fault.state == "suspected" and open_to(fault.id):
                return self._open(fault.id, search, "")
        return TheEnd(reason="closed" if closed else "nothing_left")

    def _chosen(self, chosen: Wanted, search: Search, known: _Known) -> Question:
        if chosen.sort == "symptom":
            ask = next((one for one in known.telling if one.id == chosen.id), None)
            if ask is not None:
                return self.put.ask([ask])
            return self.put.ask_untold(chosen.id)
        if chosen.sort == "repair":
            return self._open(chosen.id, search, "")
        test = next((one for one in known.steps.tests if one.id == chosen.id), None)
        if test is not None:
            return self.put.take(test, search, known.findings)
        return self.put.take_untold(self.knowledge.tests[chosen.id], search, known.findings)

    def _open(self, name: str, search: Search, words: str) -> OpenUp:
        told = self.diagnosed(case_of(search))
        prior = self.knowledge.faults[name].per_1000 / 1000
        chance = next((fault.probability for fault in told.faults if fault.id == name), prior)
        return self.put.open_up(name, search, chance, words)


def start(case: Case, *, workplace: Workplace | None = None) -> Search:
    """A search that begins with what a case holds."""
    return Search(start=case, stood=workplace or Workplace())


def check_step(knowledge: Knowledge, sort: StepSort, name: str) -> None:
    """Whether a step exists.

    Raises:
        InputError: It doesn't.
    """
    known = {"symptom": knowledge.symptoms, "test": knowledge.tests, "repair": knowledge.faults}[sort]
    if name not in known:
        raise InputError(Fault(what=f"there is no {sort} called {name!r}", where="", mend="Choose one from the list."))


def _keep(kept: OrderedDict[_Key, _Value], key: _Key, value: _Value) -> _Value:
    kept[key] = value
    while len(kept) > _MOST_KEPT:
        kept.popitem(last=False)
    return value


def _worth(test: ProposedTest, known: _Known) -> float:
    """Minutes that a test saves for each minute it takes, with its way, by the same measure as a question."""
    return (known.left_now - test.expected_cost_left) / max(test.effort_minutes, 1.0)


def _asked_in_a_row(search: Search) -> int:
    """Symptoms asked for since the last test or suspect."""
    count = 0
    for given in search.given:
        if isinstance(given, Seen):
            count += len(given.marks) + len(given.unknown)
        elif isinstance(given, Found | Opened):
            count = 0
    return count
