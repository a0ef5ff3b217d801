"""What must be confirmed before a hand goes in: conditions of a step, and which of them still stand open.

A step (a test, a repair, a treatment, a control to be turned) carries cautions, and most of them something
that must be true first. A person confirms it; the confirmation holds for as long as
the caution says, and ends early when the set has been run since. Nothing here
permits anything: local codes and licensed practice come first, and a confirmation
is the word of whoever gave it.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Final, Literal, Protocol, TypeAlias, get_args

from tubewright.errors import Fault, InputError, RefusedError
from tubewright.knowledge.chassis import Control
from tubewright.knowledge.model import BenchTest, Caution, FaultCause, Hazard, Holds, Knowledge, TreatmentFacts

StepSort: TypeAlias = Literal["test", "repair", "treatment", "control"]
Done: TypeAlias = Mapping[tuple[StepSort, str], dt.datetime]
"""When a step, by sort and id, was last done."""
STEP_SORTS: Final[tuple[StepSort, ...]] = get_args(StepSort)

DEFERS: Final = (
    "Local codes and licensed practice come before anything written here: "
    "if they reserve this work, leave it to those who hold the licence"
)
"""What every refusal ends with."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """Something that must be true, and be said to be true, for a step.

    Attributes:
        caution: id of the caution it belongs to.
        warning: what the danger is.
        words: what is confirmed.
        holds: for the job, for any step within ``minutes``, or for one step no longer than ``minutes``.
        minutes: how long it holds; None for the whole job.
        undone_by: ids of cautions whose confirmation ends it: what they open undoes it.
    """

    caution: str
    warning: str
    words: str
    holds: Holds
    minutes: float | None
    undone_by: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class GuardedStep:
    """A step with what is confirmed before it, and after it before the set runs on or leaves."""

    sort: StepSort
    id: str
    name: str
    hazard: Hazard
    conditions: tuple[Condition, ...]
    closing: tuple[Condition, ...] = ()


class Confirmed(Protocol):
    """A confirmation as it is kept: which condition of which step, and when (``at`` knows its zone)."""

    @property
    def step_sort(self) -> StepSort:
        """What kind of step it was given for."""

    @property
    def step(self) -> str:
        """The id of that step."""

    @property
    def caution(self) -> str:
        """The caution whose condition was confirmed."""

    @property
    def at(self) -> dt.datetime:
        """When."""


def guarded(knowledge: Knowledge, sort: StepSort, step_id: str, *, way: Iterable[str] = ()) -> GuardedStep:
    """A step with its conditions, those of the way to it first.

    Args:
        knowledge: Tests, faults, treatments and their cautions.
        sort: What the step is; a repair is named by the fault that it mends.
        step_id: Its id.
        way: Ids of the cautions of the way to it, from how the set stands now
            (:func:`tubewright.judgement.workplace.reach`).

    Returns:
        The step; a step that endangers nobody has no conditions.

    Raises:
        InputError: There is no step of this sort and id; the nearest ids are offered.
    """
    shelves: Mapping[StepSort, Mapping[str, BenchTest | FaultCause | TreatmentFacts | Control]] = {
        "test": knowledge.tests,
        "repair": knowledge.faults,
        "treatment": knowledge.treatments,
        "control": knowledge.controls,
    }
    if sort not in shelves:
        raise InputError(
            Fault(what=f"{sort!r} is no sort of step", where="step_sort", mend=f"Use {', '.join(STEP_SORTS)}")
        )
    step = shelves[sort].get(step_id)
    if step is None:
        near = get_close_matches(step_id, list(shelves[sort]), n=3)
        mend = f"Did you mean {' or '.join(near)}?" if near else "`tubewright list` shows them all"
        noun = "fault to repair" if sort == "repair" else sort
        raise InputError(Fault(what=f"{step_id!r} is not a {noun} I know", where="step", mend=mend))
    # A fact may name a caution that a shop's file took away again; what is not there can't be asked.
    cautions = [knowledge.cautions[name] for name in step.cautions if name in knowledge.cautions]
    usual = knowledge.value("guard_hold_minutes")
    asked = [caution for caution in cautions if caution.confirm]
    coming = [knowledge.cautions[name] for name in way if name in knowledge.cautions]
    before = [caution for caution in coming if caution.confirm and caution.asked == "before"]
    before += [caution for caution in asked if not _asked_after(caution, sort)]
    return GuardedStep(
        sort=sort,
        id=step_id,
        name=step.name,
        hazard=step.hazard,
        conditions=tuple(_condition(caution, usual) for caution in {one.id: one for one in before}.values()),
        closing=tuple(_condition(caution, usual) for caution in asked if _asked_after(caution, sort)),
    )


def open_conditions(
    step: GuardedStep, confirmations: Iterable[Confirmed], now: dt.datetime, done: Done | None = None
) -> tuple[Condition, ...]:
    """The conditions of a step that nobody has confirmed, or whose confirmation holds no longer.

    Args:
        step: The step that somebody wants to take.
        confirmations: Everything that was confirmed in this job, in any order.
        now: The moment; it knows its zone. What was confirmed after it (a clock that was
            put back) doesn't count.
        done: When each step of this job was last done; what was confirmed for a step
            alone is spent once that step is done.

    Returns:
        What must be confirmed; the step is open only when this is empty.
    """
    given = [one for one in confirmations if one.at <= now]
    over = (done or {}).get((step.sort, step.id))
    return tuple(
        condition
        for condition in step.conditions
        if not any(
            _holds(one, condition, step, given, now)
            for one in given
            if one.caution == condition.caution
            and not (condition.holds == "step" and over is not None and one.at <= over)
        )
    )


def open_closing(
    step: GuardedStep, done_at: dt.datetime, confirmations: Iterable[Confirmed], now: dt.datetime
) -> tuple[Condition, ...]:
    """What must still be confirmed after a step that was done, before the set runs on or leaves.

    Args:
        step: The step.
        done_at: When it was done; what was confirmed for it earlier says nothing of it.
        confirmations: Everything that was confirmed in this job.
        now: The moment.
    """
    said = {
        one.caution
        for one in confirmations
        if one.step_sort == step.sort and one.step == step.id and done_at <= one.at <= now
    }
    return tuple(condition for condition in step.closing if condition.caution not in said)


def require_open(
    step: GuardedStep, confirmations: Iterable[Confirmed], now: dt.datetime, done: Done | None = None
) -> None:
    """Let a step pass only when all of its conditions are confirmed; arguments as of :func:`open_conditions`.

    Raises:
        RefusedError: Some are not; one fault for each, saying what must be confirmed and how.
    """
    left = open_conditions(step, confirmations, now, done)
    if left:
        raise RefusedError([*_refusals(step, left), Fault(what=_not_open(step, left), where=step.id, mend=DEFERS)])


def _refusals(step: GuardedStep, left: Sequence[Condition]) -> list[Fault]:
    return [
        Fault(
            what=f"not confirmed: {condition.words.rstrip('.')}",
            where=f"{step.id}: {condition.caution}",
            mend=f"{condition.warning} When it is so, confirm it; {for_how_long(condition)}",
        )
        for condition in left
    ]


def _not_open(step: GuardedStep, left: Sequence[Condition]) -> str:
    count = "1 condition is" if len(left) == 1 else f"{len(left)} conditions are"
    return f"“{step.name}” stays shut while {count} not confirmed (hazard class {step.hazard})"


def for_how_long(condition: Condition) -> str:
    """For how long a confirmation holds, as the end of a sentence."""
    if condition.minutes is None:
        return "that holds for the rest of the job"
    span = f"{condition.minutes:g} minutes"
    ends = ", unless the set has run since" if condition.undone_by else ""
    if condition.holds == "step":
        return f"that holds for this step only, for {span} at most{ends}"
    return f"that holds for {span}{ends}"


def _condition(caution: Caution, usual_minutes: float) -> Condition:
    minutes = None if caution.holds == "job" else caution.holds_minutes or usual_minutes
    return Condition(
        caution=caution.id,
        warning=caution.text,
        words=caution.confirm,
        holds=caution.holds,
        minutes=minutes,
        undone_by=caution.undone_by,
    )


def _asked_after(caution: Caution, sort: StepSort) -> bool:
    return caution.asked == "after" or (caution.asked == "after_repair" and sort == "repair")


def _holds(
    one: Confirmed, condition: Condition, step: GuardedStep, given: Sequence[Confirmed], now: dt.datetime
) -> bool:
    """Whether a confirmation of this condition still holds for this step."""
    here = one.step_sort == step.sort and one.step == step.id
    if condition.holds == "step" and not here:
        return False
    if condition.minutes is not None and now - one.at > dt.timedelta(minutes=condition.minutes):
        return False
    # What was confirmed at one go for this very step belongs together; for another step
    # it tells that the set was run for that one, and so undoes what it found.
    return not any(
        other.caution in condition.undone_by and (other.at > one.at or (other.at == one.at and not here))
        for other in given
    )
