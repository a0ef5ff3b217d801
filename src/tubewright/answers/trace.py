"""A search for a fault as a machine of states: what was known, and what was given since, one thing after the other.

A state holds nothing but the case at the start and the answers so far. Everything
else (the case now, how the set stands, what is put off or closed) follows from
these, so going back is dropping the last answer and restores exactly what was. What
to ask next is reckoned by :mod:`tubewright.answers.trace_reckon`; what somebody typed
is understood by :mod:`tubewright.answers.trace_answer`.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass, replace
from typing import Final, Literal, TypeAlias

from tubewright.case import Case, Repair, RepairOutcome, Symptom, TestResult
from tubewright.errors import Fault, InputError
from tubewright.judgement.guards import StepSort as GuardSort
from tubewright.judgement.workplace import Workplace

StepSort = Literal["symptom", "test", "repair"]

Conditions: TypeAlias = Callable[[StepSort, str], Collection[str]]
"""Gives the ids of the cautions whose conditions must be confirmed before a step."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What the owner says, and the symptoms by id that fit it."""

    words: str
    offered: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """Symptoms that are there or not, each with its mark, and those that nobody could say."""

    marks: tuple[tuple[str, bool], ...]
    unknown: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class NoneOfThese:
    """None of the symptoms offered is meant."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What a test showed, when, and how the set stands after it."""

    result: TestResult
    after: Workplace
    at: dt.datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class PutOff:
    """A step not known, not wanted now, or that told nothing: it isn't asked for again unless wanted."""

    sort: Literal["words", "test", "repair"]
    id: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Allowed:
    """A condition of a step that was confirmed, and when."""

    step_sort: GuardSort
    step: str
    caution: str
    at: dt.datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Barred:
    """A condition that was not confirmed before a step; it closes every step that needs it."""

    step_sort: GuardSort
    step: str
    caution: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """A condition that was not confirmed after a step; until it is, the set neither runs on nor leaves."""

    step_sort: GuardSort
    step: str
    caution: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """A suspect that was opened up, what it came to, when, and how the set stands after it."""

    fault: str
    outcome: RepairOutcome
    after: Workplace
    at: dt.datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """A step that somebody chose, also one that was put off or closed."""

    sort: StepSort
    id: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Stands:
    """How the set stands now, as somebody says."""

    workplace: Workplace


@dataclass(frozen=True, slots=True, kw_only=True)
class GoOn:
    """The search goes on after a fault was found."""


CLOSED: Final = Workplace()

Given: TypeAlias = (
    Said | Seen | NoneOfThese | Found | PutOff | Allowed | Barred | Held | Opened | Wanted | Stands | GoOn
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Search:
    """One state: the case at the start, how the set stood and what was confirmed then, and all that was given since."""

    start: Case
    stood: Workplace = CLOSED
    confirmed: tuple[Allowed, ...] = ()
    given: tuple[Given, ...] = ()

    def with_given(self, *given: Given) -> Search:
        """The state after further answers."""
        return replace(self, given=(*self.given, *given))

    def back(self, steps: int = 1) -> Search:
        """The state so many answers ago; the first one where there were no more.

        Raises:
            InputError: ``steps`` is below 1.
        """
        if steps < 1:
            raise InputError(Fault(what=f"{steps} steps back is nowhere", where="", mend="Go back one step or more."))
        return replace(self, given=self.given[: max(0, len(self.given) - steps)])

    @property
    def last(self) -> Given | None:
        """The last answer, if there was one."""
        return self.given[-1] if self.given else None


def case_of(search: Search) -> Case:
    """The case now: the latest word counts on each symptom, on each test of each gun, and on each fault opened up."""
    start = search.start
    symptoms = {symptom.id: symptom for symptom in start.symptoms}
    tests = list(start.tests)
    repairs = {repair.fault: repair for repair in start.repairs}
    for given in search.given:
        match given:
            case Seen(marks=marks):
                symptoms |= {name: Symptom(id=name, present=present) for name, present in marks}
            case Found(result=result):
                tests = [t for t in tests if (t.id, t.gun) != (result.id, result.gun)] + [result]
            case Opened(fault=fault, outcome=outcome):
                repairs.pop(fault, None)
                repairs[fault] = Repair(fault=fault, outcome=outcome)
            case _:
                pass
    return start.model_copy(
        update={"symptoms": tuple(symptoms.values()), "tests": tuple(tests), "repairs": tuple(repairs.values())}
    )


def news(search: Search) -> bool:
    """Whether anything was given that belongs into a case."""
    return any(isinstance(one, Found | Opened) or (isinstance(one, Seen) and one.marks) for one in search.given)


def workplace_of(search: Search) -> Workplace:
    """How the set stands now."""
    workplace = search.stood
    for given in search.given:
        match given:
            case Found(after=after) | Opened(after=after):
                workplace = after
            case Stands(workplace=said):
                workplace = said
            case _:
                pass
    return workplace


def put_off(search: Search) -> frozenset[tuple[str, str]]:
    """Steps that are not asked for again, by sort and id."""
    left: set[tuple[str, str]] = set()
    for given in search.given:
        match given:
            case PutOff(sort=sort, id=name):
                left.add((sort, name))
            case Seen(unknown=unknown):
                left |= {("symptom", name) for name in unknown}
            case Wanted(sort=sort, id=name):
                left.discard((sort, name))
            case _:
                pass
    return frozenset(left)


def wanted(search: Search) -> Wanted | None:
    """The step that somebody chose and that is not done with yet."""
    chosen: Wanted | None = None
    for given in search.given:
        match given:
            case Wanted():
                chosen = given
            case Found() | Opened() | PutOff() | Seen() | Barred():
                chosen = None
            case _:
                pass
    return chosen


def confirmations(search: Search) -> tuple[Allowed, ...]:
    """Everything that was confirmed; what was confirmed for one step in one go counts as of its last moment.

    The conditions of a step belong together: that the set is proven empty for the
    hooks, and that it then runs, is no contradiction.
    """
    groups: list[list[Allowed]] = []
    before: Given | None = None
    for given in search.given:
        if isinstance(given, Allowed):
            joins = isinstance(before, Allowed) and (before.step_sort, before.step) == (given.step_sort, given.step)
            if joins:
                groups[-1].append(given)
            else:
                groups.append([given])
        before = given
    return search.confirmed + tuple(replace(one, at=group[-1].at) for group in groups for one in group)


def last_group(search: Search) -> tuple[Allowed, ...]:
    """The confirmations that were given last, all of them for one step."""
    group: list[Allowed] = []
    for given in reversed(search.given):
        if not isinstance(given, Allowed) or (
            group and (given.step_sort, given.step) != (group[0].step_sort, group[0].step)
        ):
            break
        group.append(given)
    return tuple(reversed(group))


def done_steps(search: Search) -> tuple[tuple[GuardSort, str, dt.datetime], ...]:
    """Tests taken and repairs done in this search, each with its moment."""
    done: list[tuple[GuardSort, str, dt.datetime]] = []
    for given in search.given:
        match given:
            case Found(result=result, at=at):
                done.append(("test", result.id, at))
            case Opened(fault=fault, outcome="mended", at=at):
                done.append(("repair", fault, at))
            case _:
                pass
    return tuple(done)


def held(search: Search) -> tuple[Held, ...]:
    """Conditions that were not confirmed after a step, nor later."""
    kept: dict[tuple[str, str, str], Held] = {}
    for given in search.given:
        match given:
            case Held():
                kept[given.step_sort, given.step, given.caution] = given
            case Allowed():
                kept.pop((given.step_sort, given.step, given.caution), None)
            case _:
                pass
    return tuple(kept.values())


def barred(search: Search, conditions_of: Conditions) -> frozenset[str]:
    """Conditions that somebody could not confirm; choosing a step opens those of that step to be asked again.

    Args:
        search: The state.
        conditions_of: What gives the conditions of a step.
    """
    closed: set[str] = set()
    for given in search.given:
        match given:
            case Barred(caution=caution):
                closed.add(caution)
            case Wanted(sort=sort, id=name):
                closed -= set(conditions_of(sort, name))
            case _:
                pass
    return frozenset(closed)


def refusals(search: Search) -> tuple[Barred | Held, ...]:
    """Every condition that was not confirmed, in order."""
    return tuple(given for given in search.given if isinstance(given, Barred | Held))


def narrowed(search: Search) -> frozenset[str]:
    """Tests that were taken more than once: asked again, they would only turn in a circle."""
    first = {test.id for test in search.start.tests}
    again: set[str] = set()
    for name in _taken(search):
        if name in first:
            again.add(name)
        first.add(name)
    return frozenset(again)


def ended(search: Search) -> Opened | None:
    """The fault that was found last, if the search has not gone on since."""
    last: Opened | None = None
    for given in search.given:
        match given:
            case Opened(outcome="found" | "mended"):
                last = given
            case Allowed() | Held() | Stands():
                pass
            case _:
                last = None
    return last


def _taken(search: Search) -> Iterator[str]:
    return (given.result.id for given in search.given if isinstance(given, Found))
