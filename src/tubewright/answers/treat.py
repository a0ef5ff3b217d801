"""How is this tube treated, step by step, and may the next step be taken now?

The verdict says what is worth doing; this says in which order, what must be known and
confirmed before it, how long to wait after it, and when to stop. It is reckoned anew
from the whole case each time, so an entry more changes it and nothing is remembered.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Final, TypeAlias, get_args

import numpy as np

from tubewright.answers.hold import Held, hold
from tubewright.answers.reckoning import Reckoning, reckon
from tubewright.answers.treated import (
    ConditionAnswer,
    GunTreated,
    NeedAnswer,
    NextTreatment,
    RoundAnswer,
    StepAnswer,
    StopAnswer,
    Treated,
)
from tubewright.answers.words import headline as verdict_headline
from tubewright.answers.words import option_name
from tubewright.case import GUNS, Case, Gun, TreatmentKind
from tubewright.errors import Fault, InputError, RefusedError
from tubewright.experience import NO_EXPERIENCE, Experience
from tubewright.judgement.consistency import check
from tubewright.judgement.guards import DEFERS, Confirmed, StepSort, for_how_long, guarded, open_conditions
from tubewright.judgement.settling_readings import AfterTreatment, after_treatment
from tubewright.judgement.treatment_course import Course, course_of, wait_minutes
from tubewright.judgement.treatment_entry import gun_meant, outcome_of
from tubewright.judgement.treatment_guards import HISTORY_UNKNOWN
from tubewright.judgement.treatment_plan import Advice, PlanStep, TreatmentPlan, Wanted, make_plan
from tubewright.judgement.treatment_stop import HoldWord, stops_of
from tubewright.knowledge.model import Knowledge

HoldOf: TypeAlias = Callable[[AfterTreatment, Gun, Knowledge, int], Held]
"""What reckons whether a gain holds, from the readings after a treatment of a gun, with a seed."""

_NO_TREATMENT: Final = frozenset({"find_fault_first", "leave", "adjust", "swap_tube", "replace_display", "retire"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """A caution's condition that was said to be met, now, for one treatment."""

    step: str
    caution: str
    at: dt.datetime
    step_sort: StepSort = "treatment"


def hold_of(told: AfterTreatment, gun: Gun, knowledge: Knowledge, seed: int) -> Held:
    """Whether the gain of the last treatment of a gun holds, as :func:`tubewright.answers.hold.hold` says it."""
    return hold(told.readings, knowledge, gun=gun, left_out=told.left_out, trouble=told.trouble, seed=seed)


def treat(
    case: Case,
    knowledge: Knowledge,
    experience: Experience = NO_EXPERIENCE,
    *,
    now: dt.datetime,
    gun: Gun | None = None,
    confirmed: Iterable[str] = (),
    confirmations: Sequence[Confirmed] = (),
    history_unknown: bool = False,
    seed: int = 1,
    futures: int = 100_000,
    holds: HoldOf = hold_of,
) -> Treated:
    """The plan of treatment with the state of each step.

    Args:
        case: Readings and treatments so far.
        knowledge: The trade's knowledge.
        experience: What the shop's closed jobs taught.
        now: The moment; it knows its zone.
        gun: Plan for this gun alone.
        confirmed: Ids of the cautions whose condition is said to be met now, for the next step.
        confirmations: What was confirmed in this job before.
        history_unknown: That nobody knows of earlier restorations has been said, now or among ``confirmations``.
        seed: Seed of the verdict's random futures and of the settling's courses.
        futures: How many futures the verdict plays.
        holds: What reckons the holding; who asks often may hand in one that remembers.

    Returns:
        The plan. ``next.how`` is given only when the step is open.

    Raises:
        InputError: The case names what doesn't exist, or a caution is confirmed that doesn't.
    """
    said = tuple(dict.fromkeys(confirmed))
    check_ids(said, knowledge)
    r = reckon(case, knowledge, experience, seed=seed, futures=futures)
    course = course_of(case, knowledge, experience, without=r.consistency.discard)
    history_unknown = history_unknown or any(one.caution == HISTORY_UNKNOWN and one.at <= now for one in confirmations)
    held = {one: found for one in GUNS if (found := _held(case, one, knowledge, seed, holds)) is not None}
    needed = {one: float(r.policy.options.needed[i]) for i, one in enumerate(GUNS)}
    normalised = {
        one: float(np.median(r.condition.relative_emission[:, i])) for i, one in enumerate(GUNS) if r.condition.read[i]
    }
    stops = stops_of(
        case,
        course,
        knowledge,
        needed=needed,
        normalised=normalised,
        holds={one: _word(found, knowledge) for one, found in held.items() if found.class_probability},
        hard_stops=r.obstacles.hard_stops,
    )
    plan = make_plan(
        case,
        course,
        knowledge,
        wanted=_wanted(r),
        stops=stops,
        now=now,
        only=gun,
        closed={kind: o.why_not for o in r.policy.outcomes for kind in get_args(TreatmentKind) if o.id == kind},
        history_unknown=history_unknown,
    )
    step = plan.next_step
    coming = _next(step, r, said, confirmations, now) if step else None
    return Treated(
        headline=_headline(plan, coming, r),
        advice=_overall(plan),
        verdict=verdict_headline(r),
        decision=r.decision,
        guns={
            one: GunTreated(
                gun=one,
                advice=a.advice,
                emission=a.emission,
                target_low_emission=knowledge.value("emission_good"),
                target_high_emission=knowledge.value("treatment_target_high"),
                needed_emission=needed[one],
                spent_count=a.budget.spent_count,
                most_count=a.budget.most_count,
                history_known=a.budget.known,
                words=a.words,
                hold=held[one].headline if one in held else "",
            )
            for one, a in plan.guns.items()
        },
        steps=tuple(_step(one, knowledge) for one in plan.steps),
        rounds=_rounds(course, knowledge),
        next=coming,
        stops=tuple(StopAnswer(rule=s.rule, gun=s.gun, words=s.words, figures=s.figures) for s in plan.stops),
        wait=plan.waiting.words if plan.waiting else "",
        wait_minutes=plan.waiting.minutes if plan.waiting else None,
        read_again=plan.waiting.guns if plan.waiting else (),
        at=now,
        seed=seed,
    )


def rounds_of(case: Case, knowledge: Knowledge, experience: Experience = NO_EXPERIENCE) -> tuple[RoundAnswer, ...]:
    """What was done to the tube so far, with what each gun gave before and after; no verdict is reckoned."""
    course = course_of(case, knowledge, experience, without=check(case, knowledge).discard)
    return _rounds(course, knowledge)


def require_next(answer: Treated) -> None:
    """Let the next step pass only when everything before it is known, confirmed and waited for.

    Raises:
        RefusedError: Something is not; a fault for each.
    """
    step = answer.next
    if step is None or step.open:
        return
    where = step.kind if step.gun is None else f"{step.kind} {step.gun}"
    faults = [Fault(what=answer.wait.rstrip("."), where=where, mend="Then ask again")] if answer.wait else []
    faults += [
        Fault(what=f"not known: {one.name} ({one.words})", where=where, mend=one.mend)
        for one in step.needs
        if not one.met
    ]
    faults += [
        Fault(
            what=f"not confirmed: {one.words.rstrip('.')}",
            where=f"{where}: {one.caution}",
            mend=f"{one.warning} When it is so, confirm it; {one.lasts}",
        )
        for one in step.conditions
        if not one.met
    ]
    left = len(faults)
    count = "1 guard is" if left == 1 else f"{left} guards are"
    raise RefusedError([*faults, Fault(what=f"“{step.name}” stays shut while {count} open", where=where, mend=DEFERS)])


def check_ids(said: Sequence[str], knowledge: Knowledge) -> None:
    """Check that cautions that were confirmed exist.

    Raises:
        InputError: Some don't; the nearest names are offered.
    """
    faults = []
    for name in said:
        if name not in knowledge.cautions:
            near = get_close_matches(name, list(knowledge.cautions), n=3)
            mend = f"Did you mean {' or '.join(near)}?" if near else "`tubewright treat` shows those of the next step."
            faults.append(Fault(what=f"{name!r} is no caution I know", where="confirmed", mend=mend))
    if faults:
        raise InputError(faults)


def _wanted(r: Reckoning) -> tuple[Wanted, ...]:
    """The treatments of the verdict's plan in its order; none where it decides against treating."""
    if r.obstacles.hard_stops or r.decision in _NO_TREATMENT:
        return ()
    kinds = get_args(TreatmentKind)
    rungs = [*r.plan.steps, *(r.plan.then.steps if r.plan.then else ())]
    found = [Wanted(kind=one.kind, guns=tuple(GUNS[g] for g in one.guns)) for one in rungs]
    for end in (r.plan.end, r.plan.then.end if r.plan.then else ""):
        kind = next((one for one in kinds if one == end), None)
        if kind is not None:
            found.append(Wanted(kind=kind, guns=()))
    return tuple(found)


def _held(case: Case, gun: Gun, knowledge: Knowledge, seed: int, holds: HoldOf) -> Held | None:
    """What the readings after the last treatment of a gun say of its holding; None without a timed treatment."""
    told = after_treatment(case, gun, knowledge)
    return None if told.trouble is not None else holds(told, gun, knowledge, seed)


def _word(found: Held, knowledge: Knowledge) -> HoldWord:
    measured = any(one.minutes >= knowledge.value("treatment_hold_proof_minutes") for one in found.readings)
    ratio = getattr(found.hold, "median", 1.0)
    return HoldWord(
        hold_ratio=float(ratio),
        going_back_probability=found.class_probability.get("going_back", 0.0),
        measured=measured,
    )


def _step(one: PlanStep, knowledge: Knowledge) -> StepAnswer:
    return StepAnswer(
        kind=one.kind,
        name=knowledge.treatments[one.kind].name,
        gun=one.gun,
        rung=one.rung,
        state=one.state,
        words=one.words,
        rounds_count=one.rounds_count,
    )


def _rounds(course: Course, knowledge: Knowledge) -> tuple[RoundAnswer, ...]:
    return tuple(
        RoundAnswer(
            kind=one.kind,
            name=knowledge.treatments[one.kind].name,
            gun=one.named,
            gun_meant=gun_meant(one),
            at=one.at,
            entered=one.outcome,
            judged=outcome_of(one, knowledge),
            before_emission={gun: level.emission for gun, level in one.before.items()},
            after_emission={gun: level.emission for gun, level in one.after.items()},
        )
        for one in course.rounds
    )


def _next(
    step: PlanStep,
    r: Reckoning,
    said: Sequence[str],
    confirmations: Sequence[Confirmed],
    now: dt.datetime,
) -> NextTreatment:
    k = r.knowledge
    facts = k.treatments[step.kind]
    shut = guarded(k, "treatment", step.kind)
    given = [*confirmations, *(Said(step=step.kind, caution=name, at=now) for name in said)]
    done = _last_done(r, step.kind)
    left = {one.caution for one in open_conditions(shut, given, now, done)}
    needs = tuple(
        NeedAnswer(id=one.id, name=one.name, met=one.met, words=one.words, mend=one.mend) for one in step.needs
    )
    ready = step.state == "next" and not left and all(one.met for one in needs)
    odds = r.learned.odds[step.kind]
    poisoned = float(r.condition.poisoned.mean())
    low, high = k.value("emission_good"), k.value("treatment_target_high")
    wait = wait_minutes(step.kind, k)
    whose = f" Gun: {step.gun} alone." if step.gun else ""
    return NextTreatment(
        kind=step.kind,
        name=facts.name,
        gun=step.gun,
        hazard=facts.hazard,
        cautions=tuple(k.cautions[name].text for name in facts.cautions if name in k.cautions),
        conditions=tuple(
            ConditionAnswer(
                caution=one.caution,
                warning=one.warning,
                words=one.words,
                lasts=for_how_long(one),
                met=one.caution not in left,
            )
            for one in shut.conditions
        ),
        needs=needs,
        open=ready,
        how=f"{facts.how}{whose}" if ready else "",
        aim=f"{low:.2f} to {high:.2f} of a good gun, or guns matched within {k.value('balance_good'):.1f}: "
        "never the most it could give.",
        stop_when=facts.stop_when,
        gain_probability=(1 - poisoned) * odds.worn + poisoned * odds.poisoned,
        risk_of_loss=odds.loss,
        minutes=facts.attended_minutes,
        unattended_hours=facts.unattended_hours,
        after=f"Wait {wait:g} minutes at rated heater, then read all three guns again and enter it: "
        "the plan is made anew from what they show.",
        closing=tuple(one.words for one in shut.closing),
    )


def _last_done(r: Reckoning, kind: TreatmentKind) -> dict[tuple[StepSort, str], dt.datetime]:
    """When this treatment was last done, for confirmations that are spent with it."""
    moments = [
        one.at if one.at.tzinfo else one.at.replace(tzinfo=dt.UTC)
        for one in r.case.treatments
        if one.kind == kind and isinstance(one.at, dt.datetime)
    ]
    return {("treatment", kind): max(moments)} if moments else {}


def _overall(plan: TreatmentPlan) -> Advice:
    step = plan.next_step
    if step is not None:
        return "wait" if step.state == "wait" else "go_on"
    if any(one.advice == "stop" for one in plan.guns.values()):
        return "stop"
    return "wait" if plan.waiting is not None else "leave"


def _headline(plan: TreatmentPlan, step: NextTreatment | None, r: Reckoning) -> str:
    if step is None:
        reasons = list(dict.fromkeys(a.words for a in plan.guns.values() if a.advice == "stop"))
        if reasons:
            return f"Stop. {reasons[0]}"
        if plan.waiting is not None:
            return plan.waiting.words
        return f"Nothing to treat: the verdict is to {option_name(r.decision)}."
    whom = f" of the {step.gun} gun" if step.gun else ""
    name = f"{option_name(step.kind)}{whom}"
    if plan.waiting is not None:
        return f"{plan.waiting.words} Then perhaps: {name}."
    if step.open:
        return f"Go on: {name}. Every guard is met."
    missing = sum(not one.met for one in step.needs) + sum(not one.met for one in step.conditions)
    return f"Next: {name}. It stays shut: {missing} guard{' is' if missing == 1 else 's are'} open."
