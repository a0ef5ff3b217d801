"""Conditions of a step on a job: what must still be confirmed, and the words for it."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from tubewright.bench.pages import Bench
from tubewright.errors import InputError, UnknownRecordError
from tubewright.judgement.guards import (
    STEP_SORTS,
    Condition,
    Done,
    GuardedStep,
    StepSort,
    guarded,
    open_closing,
    open_conditions,
)
from tubewright.records.model import ConfirmationRecord, JobPage


@dataclass(frozen=True, slots=True, kw_only=True)
class Lock:
    """A step of a job with the conditions that nobody has confirmed yet, or not lately enough."""

    step: GuardedStep
    left: tuple[Condition, ...]
    given: tuple[ConfirmationRecord, ...]

    @property
    def is_open(self) -> bool:
        """Whether the step may be shown and its result stored."""
        return not self.left


def lock_of(bench: Bench, job: JobPage, sort: StepSort, step_id: str) -> Lock:
    """The step with what must still be confirmed for it now.

    Raises:
        UnknownRecordError: There is no such step.
    """
    try:
        step = guarded(bench.knowledge, sort, step_id)
    except InputError as error:
        raise UnknownRecordError(error.faults) from error
    left = _with_undone(step, open_conditions(step, job.confirmations, bench.store.clock(), _treated(job)))
    asked = {condition.caution for condition in step.conditions}
    lately = {one.caution: one for one in job.confirmations if one.caution in asked}
    shut = {condition.caution for condition in left}
    return Lock(step=step, left=left, given=tuple(one for name, one in lately.items() if name not in shut))


def _treated(job: JobPage) -> Done:
    """When each treatment was last done: what was confirmed for one round doesn't open the next."""
    done: dict[tuple[StepSort, str], dt.datetime] = {}
    for one in job.treatments:
        done["treatment", one.treatment.kind] = max(one.at, done.get(("treatment", one.treatment.kind), one.at))
    return done


def _with_undone(step: GuardedStep, left: tuple[Condition, ...]) -> tuple[Condition, ...]:
    """What is left, and with it what its confirmation would undo: nobody should be asked twice in a row."""
    if not left:
        return ()
    coming = {condition.caution for condition in left}
    return tuple(c for c in step.conditions if c.caution in coming or coming & set(c.undone_by))


def sort_of(text: str) -> StepSort:
    """A sort of step from an address.

    Raises:
        UnknownRecordError: There is no such sort.
    """
    found = next((sort for sort in STEP_SORTS if sort == text), None)
    if found is None:
        raise UnknownRecordError(())
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Closing:
    """What is to be confirmed after a step that was done, before the set runs on or leaves."""

    step: GuardedStep
    left: tuple[Condition, ...]


def closings_of(bench: Bench, job: JobPage) -> tuple[Closing, ...]:
    """What the steps done on this job still ask to be confirmed before the set runs on or leaves."""
    done: dict[tuple[StepSort, str], dt.datetime] = {}
    for observation in job.observations:
        if observation.test is not None:
            done["test", observation.test.id] = observation.at
    done.update(_treated(job))
    for repair in job.repairs:
        if repair.repair.outcome == "mended":
            done["repair", repair.repair.fault] = repair.at
    found = []
    now = bench.store.clock()
    for (sort, step_id), at in done.items():
        try:
            step = guarded(bench.knowledge, sort, step_id)
        except InputError:  # it has left the catalogue since
            continue
        left = open_closing(step, at, job.confirmations, now)
        if left:
            found.append(Closing(step=step, left=left))
    return tuple(found)
