"""May this step be written into the log? Only the plan's next one may, with each of its guards met."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from tubewright.answers.treat import HoldOf, hold_of, require_next, treat
from tubewright.answers.treated import STATE_WORDS, Treated
from tubewright.case import Case, Gun, TreatmentKind
from tubewright.errors import Fault, InputError, RefusedError
from tubewright.experience import NO_EXPERIENCE, Experience
from tubewright.judgement.guards import DEFERS, Confirmed
from tubewright.judgement.treatment_entry import as_of
from tubewright.knowledge.model import Knowledge


@dataclass(frozen=True, slots=True, kw_only=True)
class StepDone:
    """A step as somebody says it was done: when it began and ended (both know their zone)."""

    kind: TreatmentKind
    gun: Gun | None
    began: dt.datetime
    ended: dt.datetime


def require_step(
    case: Case,
    knowledge: Knowledge,
    experience: Experience = NO_EXPERIENCE,
    *,
    step: StepDone,
    now: dt.datetime,
    confirmed: Iterable[str] = (),
    confirmations: Sequence[Confirmed] = (),
    history_unknown: bool = False,
    seed: int = 1,
    futures: int = 100_000,
    holds: HoldOf = hold_of,
) -> Treated:
    """Let a step into the log only if it was open when it began, or is open now.

    A soak takes the night, and a confirmation half an hour: what counts is how things
    stood when the step began. What was read and entered since doesn't count for that.
    Whoever confirms late may still say so now.

    Args:
        case: Readings and treatments so far, without this step.
        knowledge: The trade's knowledge.
        experience: What the shop's closed jobs taught.
        step: What was done, and when.
        now: The moment; it knows its zone.
        confirmed: Cautions whose condition is said to be met now.
        confirmations: What was confirmed in this job before.
        history_unknown: That nobody knows of earlier restorations is said now.
        seed: As for :func:`tubewright.answers.treat.treat`.
        futures: As there.
        holds: As there.

    Returns:
        The plan in which the step is open.

    Raises:
        InputError: The times can't be, or a caution is confirmed that doesn't exist.
        RefusedError: The step is not the next one, or a guard of it is open; a fault for each.
    """
    _check_times(step, now)
    said = tuple(confirmed)

    def plan(at: dt.datetime) -> Treated:
        return treat(
            case if at == now else as_of(case, at),
            knowledge,
            experience,
            now=at,
            # A plan for one gun alone would forget that a weaker one comes first.
            confirmed=said if at == now else (),
            confirmations=[one for one in confirmations if one.at <= at],
            history_unknown=history_unknown,
            seed=seed,
            futures=futures,
            holds=holds,
        )

    today = plan(now)
    if _is_next(today, step) and today.next is not None and today.next.open:
        return today
    # Nothing is slipped in before what was logged after it: the log is written in the order of time.
    then = plan(step.began) if step.began < now and not _logged_since(case, step.began) else today
    if _is_next(then, step) and then.next is not None and then.next.open:
        return then
    answer = then if _is_next(then, step) and not _is_next(today, step) else today
    if not _is_next(answer, step):
        raise RefusedError([_not_next(answer, step, knowledge), *_outlet(step, knowledge)])
    try:
        require_next(answer)
    except RefusedError as error:
        raise RefusedError([*error.faults, *_outlet(step, knowledge)]) from error
    raise RefusedError(_not_next(answer, step, knowledge))  # pragma: no cover - an open step has passed above


def why_not_next(answer: Treated, kind: TreatmentKind, gun: Gun | None, knowledge: Knowledge) -> Fault | None:
    """Why a treatment is not the one to be done now, in words; None if it is the plan's next."""
    moment = answer.at
    step = StepDone(kind=kind, gun=gun, began=moment, ended=moment)
    return None if _is_next(answer, step) else _not_next(answer, step, knowledge)


def _logged_since(case: Case, moment: dt.datetime) -> bool:
    return len(as_of(case, moment).treatments) < len(case.treatments)


def _is_next(answer: Treated, step: StepDone) -> bool:
    found = answer.next
    # Heat and clean contacts reach all three guns, whichever it was done for.
    return found is not None and found.kind == step.kind and found.gun in {step.gun, None}


def _not_next(answer: Treated, step: StepDone, knowledge: Knowledge) -> Fault:
    name = knowledge.treatments[step.kind].name
    whose = f" of the {step.gun} gun" if step.gun else ""
    where = step.kind if step.gun is None else f"{step.kind} {step.gun}"
    mine = [one for one in answer.steps if one.kind == step.kind and one.gun in {step.gun, None}]
    if mine:
        why = f"{STATE_WORDS[mine[0].state]}: {mine[0].words.rstrip('.')}"
    elif any(one.kind == step.kind for one in answer.steps):
        others = [one.gun for one in answer.steps if one.kind == step.kind and one.gun]
        why = f"the plan has it for {' and '.join(others)}"
    else:
        why = f"the plan does without it. {answer.headline.rstrip('.')}"
    following = answer.next
    if following is None:
        mend = f"Nothing is to be done now. {answer.headline}"
    else:
        mend = f"Next is “{following.name}”{f' of the {following.gun} gun' if following.gun else ''}."
    return Fault(what=f"“{name}”{whose} is not the next step ({why})", where=where, mend=mend)


def _outlet(step: StepDone, knowledge: Knowledge) -> list[Fault]:
    """What to do about a strain that the tube has had all the same: it must not vanish from its budget."""
    if knowledge.treatments[step.kind].counts_as <= 0:
        return []
    return [
        Fault(
            what="it isn't written down as a step of this plan",
            where=step.kind,
            mend="If it was done all the same, count it among the tube's earlier restorations: the budget must know. "
            f"{DEFERS}",
        )
    ]


def _check_times(step: StepDone, now: dt.datetime) -> None:
    faults = []
    if step.ended > now:
        faults.append(Fault(what="it ended in the future", where="ended", mend="Say how long ago it ended."))
    if step.began > step.ended:
        faults.append(Fault(what="it ended before it began", where="minutes", mend="Check how long it took."))
    if faults:
        raise InputError(faults)
