"""The treatment of a tube as a plan with guards: what was done, what comes next, what is shut and why.

The rungs are those that the verdict chose, lowest energy first; what is settled here is
their order over the guns, when to wait, when to stop and what must be known before each.
One step at a time is next, for one gun; after it all three guns are read again and the
plan is made anew.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

from tubewright.case import GUNS, Case, Gun, TreatmentKind
from tubewright.judgement.situation import LADDER
from tubewright.judgement.treatment_course import SHARED, Course, Level, wait_minutes
from tubewright.judgement.treatment_guards import Need, guns_meant, needs_of
from tubewright.judgement.treatment_stop import GOOD_ENOUGH, Budget, Rule, Stop, budget_of, strained, without_gain
from tubewright.knowledge.model import Knowledge

State: TypeAlias = Literal["done", "next", "wait", "later", "shut", "not_needed"]
Advice: TypeAlias = Literal["go_on", "wait", "stop", "leave"]

_BAR_LAST_RESORT: frozenset[Rule] = frozenset({"hard_stop", "lost", "leak", "not_holding", "falling"})
"""What bars a heater raised for good: not that nothing else helps or may be tried, which is when it is for."""

REMEDIES: frozenset[TreatmentKind] = frozenset({"clear_short", "isolate_heater"})
"""Treatments that remove an obstacle; a leak doesn't shut them, it is what they are for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """A treatment that the verdict chose, and the guns it chose it for; empty for the whole tube."""

    kind: TreatmentKind
    guns: tuple[Gun, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanStep:
    """One step of the plan.

    Attributes:
        kind: The treatment.
        gun: Its gun; None where it reaches all three.
        rung: Its place on the ladder of energy.
        state: done, next, wait (it is next once waited and read), later, shut or not needed.
        words: Why, with the figures.
        rounds_count: How often it was done already.
        needs: What must be known before it; only for one that is next or waited for.
    """

    kind: TreatmentKind
    gun: Gun | None
    rung: float
    state: State
    words: str
    rounds_count: int
    needs: tuple[Need, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Waiting:
    """Why nothing may be done yet: ``minutes`` left to wait (None if no time is known), ``guns`` to be read."""

    words: str
    minutes: float | None
    guns: tuple[Gun, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class GunAdvice:
    """What holds for one gun: go on, wait, stop, or leave it alone because nothing is wanted of it."""

    gun: Gun
    advice: Advice
    emission: float | None
    budget: Budget
    stops: tuple[Stop, ...]
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TreatmentPlan:
    """All steps in the order they would be taken, the advice for each gun, and what is waited for."""

    steps: tuple[PlanStep, ...]
    guns: Mapping[Gun, GunAdvice]
    waiting: Waiting | None
    stops: tuple[Stop, ...]

    @property
    def next_step(self) -> PlanStep | None:
        """The one step that is next or waited for."""
        return next((one for one in self.steps if one.state in {"next", "wait"}), None)


def make_plan(
    case: Case,
    course: Course,
    knowledge: Knowledge,
    *,
    wanted: Sequence[Wanted],
    stops: Sequence[Stop],
    now: dt.datetime,
    only: Gun | None = None,
    closed: Mapping[TreatmentKind, str] | None = None,
    history_unknown: bool = False,
) -> TreatmentPlan:
    """Make the plan.

    Args:
        case: The case.
        course: What was done and read so far.
        knowledge: Treatments and constants.
        wanted: What the verdict chose, in its order.
        stops: The rules that stop a gun or the tube now.
        now: The moment; it knows its zone.
        only: Plan for this gun alone.
        closed: Why the verdict left a kind of treatment out.
        history_unknown: That nobody knows of earlier restorations has been said.

    Returns:
        The plan. At most one step is next or waited for; a gun that is stopped has none
        that is to come; what is to come never goes down in energy.
    """
    waiting = _waiting(course, knowledge, now)
    weak = tuple(gun for gun in GUNS if any(gun in one.guns for one in wanted if one.kind in LADDER))
    places = _places(course, wanted, only)
    steps: list[PlanStep] = []
    taken = False
    for kind, gun in places:
        count = sum(1 for one in course.rounds if one.kind == kind and (gun is None or one.named == gun))
        chosen = any(one.kind == kind and (gun is None or not one.guns or gun in one.guns) for one in wanted)
        guns = guns_meant(kind, gun, [one for one in weak if only in {None, one}])
        state, words = _state(kind, gun, guns, chosen, count, course, knowledge, stops, case, closed or {}, now)
        needs: tuple[Need, ...] = ()
        if state == "next" and taken:
            state, words = "later", "Its turn comes once all three guns were read again after the step before it."
        elif state == "next":
            taken = True
            needs = needs_of(case, course, kind, guns or GUNS, knowledge, now, history_unknown=history_unknown)
            if waiting is not None:
                state, words = "wait", waiting.words
        steps.append(
            PlanStep(
                kind=kind,
                gun=gun,
                rung=knowledge.treatments[kind].rung,
                state=state,
                words=words,
                rounds_count=count,
                needs=needs,
            )
        )
    return TreatmentPlan(
        steps=tuple(steps),
        guns={gun: _advice(gun, case, course, knowledge, stops, steps, waiting) for gun in GUNS if only in {None, gun}},
        waiting=waiting,
        stops=tuple(one for one in stops if only is None or one.gun in {only, None}),
    )


def _places(course: Course, wanted: Sequence[Wanted], only: Gun | None) -> list[tuple[TreatmentKind, Gun | None]]:
    """Every step worth a line, in the order it would be taken: by energy, then the weakest gun first."""
    # A gun that was never read has no level to be ranked by, so it comes last.
    weakest = sorted(GUNS, key=lambda gun: course.now[gun].emission if gun in course.now else 2.0)
    found: list[tuple[TreatmentKind, Gun | None]] = []
    done = {(one.kind, one.named) for one in course.rounds}
    # What removes a leak stands between clean contacts, its likeliest cure, and the cathode; in the verdict's order.
    chosen = [one.kind for one in wanted if one.kind in REMEDIES]
    last: tuple[TreatmentKind, ...] = ("isolate_heater", "clear_short")
    remedies = dict.fromkeys([*chosen, *last])
    for kind in (LADDER[0], *remedies, *LADDER[1:], "boost_heater"):
        asked = [one for one in wanted if one.kind == kind]
        if kind in SHARED:
            if kind in LADDER or asked or any(one == kind for one, _ in done):
                found.append((kind, None))
            continue
        anyone = any(not one.guns for one in asked) or (kind, None) in done
        if anyone and kind == "clear_short":
            found.append((kind, None))
            continue
        meant = {gun for one in asked for gun in one.guns} | {gun for one, gun in done if one == kind and gun}
        if kind in LADDER and not meant:
            meant = {weakest[0]} if only is None else {only}
        found += [(kind, gun) for gun in weakest if gun in meant and only in {None, gun}]
    return found


def _state(
    kind: TreatmentKind,
    gun: Gun | None,
    guns: Sequence[Gun],
    chosen: bool,
    count: int,
    course: Course,
    knowledge: Knowledge,
    stops: Sequence[Stop],
    case: Case,
    closed: Mapping[TreatmentKind, str],
    now: dt.datetime,
) -> tuple[State, str]:
    against = _stops_for(kind, gun, guns, stops)
    if against and not (count and not chosen):
        first = against[0]
        good = all(one.rule in GOOD_ENOUGH for one in against)
        return ("not_needed" if good else "shut"), first.words
    told = _told(kind, gun, guns, course, knowledge) if count else ""
    if not chosen:
        if count:
            return "done", told
        why = closed.get(kind, "")
        return "not_needed", f"{why[0].upper()}{why[1:]}." if why else "The verdict on this tube does without it."
    most = int(knowledge.value("same_rung_at_most"))
    if kind in LADDER and kind != "clean_contacts" and count >= most:
        return "done", f"{told} No rung is taken more than {_times(most)}.".strip()
    barred = _over_budget(kind, guns, case, course, knowledge) or _resting(kind, guns, course, knowledge, now)
    if barred:
        return "shut", barred
    return "next", (f"{told} Once more." if count else "").strip() or "The next rung of the ladder."


def _stops_for(kind: TreatmentKind, gun: Gun | None, guns: Sequence[Gun], stops: Sequence[Stop]) -> list[Stop]:
    """The stops that bar a step: those of the tube and of its gun; of all its guns where it reaches all."""
    if kind == "clean_contacts":
        return [one for one in stops if one.rule == "hard_stop"]
    if kind in REMEDIES:
        return [one for one in stops if one.rule in {"hard_stop", "lost"} and one.gun in {gun, None}]
    if kind == "boost_heater":
        good = [one for one in stops if one.rule in GOOD_ENOUGH]
        barring = [one for one in stops if one.rule in _BAR_LAST_RESORT]
        return barring or (good if {one.gun for one in good} == set(GUNS) else [])
    whole = _whole(stops)
    if gun is not None:
        return [*whole, *(one for one in stops if one.gun == gun and one not in whole)]
    # Heat that all three get goes on for as long as one gun that wants it isn't stopped.
    stopped = {one.gun for one in stops}
    each = [one for one in stops if one.gun in set(guns)] if guns and set(guns) <= stopped else []
    return [*whole, *(one for one in each if one not in whole)]


def _whole(stops: Sequence[Stop]) -> list[Stop]:
    """Stops of the whole tube; a leak is one wherever it is: guns share heater and grids."""
    return [one for one in stops if one.gun is None or one.rule == "leak"]


def _told(kind: TreatmentKind, gun: Gun | None, guns: Sequence[Gun], course: Course, knowledge: Knowledge) -> str:
    """What came of the rounds of a step, in words."""
    said = []
    for one in course.rounds:
        if one.kind != kind or (gun is not None and one.named != gun):
            continue
        when = f" {one.at:%Y-%m-%d %H:%M}" if one.at else ""
        whose = [gun] if gun is not None else [g for g in (guns or GUNS) if g in one.after and g in one.before]
        levels = [
            f"{g} {one.before[g].emission:.2f} to {one.after[g].emission:.2f}"
            for g in whose
            if g in one.before and g in one.after
        ]
        nothing = [g for g in whose if without_gain(one, g, knowledge)]
        verdict = f" ({', '.join(levels)})" if levels else f" ({one.outcome})" if one.outcome else " (not read since)"
        cosmetic = [g for g in whose if _cosmetic(one.before.get(g), one.after.get(g), one.gain_emission(g))]
        more = f"; more emission of {', '.join(cosmetic)} but no more reserve: it is cosmetic" if cosmetic else ""
        none = "; no gain" if whose and len(nothing) == len(whose) else ""
        said.append(f"Done{when}{verdict}{none}{more}.")
    return " ".join(said)


def _cosmetic(before: Level | None, after: Level | None, gain: float | None) -> bool:
    """Whether emission rose while the share kept on a reduced heater did not."""
    if before is None or after is None or before.retention is None or after.retention is None:
        return False
    return gain is not None and gain > 0 and after.retention <= before.retention


def _over_budget(kind: TreatmentKind, guns: Sequence[Gun], case: Case, course: Course, knowledge: Knowledge) -> str:
    counts = knowledge.treatments[kind].counts_as if kind in {"clean", "activate"} else 0.0
    for gun in guns if counts else ():
        budget = budget_of(case, course, gun, knowledge)
        if budget.spent_count + counts > budget.most_count:
            return (
                f"It counts as {counts:g}, and the {gun} gun has had {budget.spent_count:g} of the "
                f"{budget.most_count:g} restorations that a tube stands at most."
            )
    return ""


def _resting(kind: TreatmentKind, guns: Sequence[Gun], course: Course, knowledge: Knowledge, now: dt.datetime) -> str:
    """Why a gun is not strained again yet: an activation is judged a day later first."""
    if knowledge.treatments[kind].counts_as <= 0:
        return ""
    hours = knowledge.value("treatment_rest_after_activate_hours")
    last = [one for one in course.rounds if one.kind == "activate" and set(one.guns) & set(guns)]
    if not last or (last[-1].at is not None and now - last[-1].at >= dt.timedelta(hours=hours)):
        return ""
    if last[-1].at is None:
        return f"An activation is judged {hours:g} hours later before anything more; enter when it was."
    left = hours - (now - last[-1].at).total_seconds() / 3600
    return f"An activation is judged {hours:g} hours later before anything more: {left:.0f} hours to go."


def _waiting(course: Course, knowledge: Knowledge, now: dt.datetime) -> Waiting | None:
    """What is waited for after the last round: its time, and all three guns read again."""
    if not course.rounds:
        return None
    last = course.rounds[-1]
    unread = tuple(gun for gun in GUNS if gun not in last.after)
    if not unread:
        return None
    need = wait_minutes(last.kind, knowledge)
    names = " and ".join(unread) if len(unread) < len(GUNS) else "all three guns"
    name = knowledge.treatments[last.kind].name
    if last.at is None:
        words = f"After “{name}” wait {need:g} minutes at rated heater, then read {names} again before anything more."
        return Waiting(words=words, minutes=None, guns=unread)
    left = max(0.0, need - (now - last.at).total_seconds() / 60)
    if left > 0:
        words = f"Wait {left:.0f} more minutes at rated heater after “{name}”, then read {names} again."
    else:
        words = f"The wait after “{name}” is over: read {names} again before anything more."
    return Waiting(words=words, minutes=left, guns=unread)


def _advice(
    gun: Gun,
    case: Case,
    course: Course,
    knowledge: Knowledge,
    stops: Sequence[Stop],
    steps: Sequence[PlanStep],
    waiting: Waiting | None,
) -> GunAdvice:
    mine = (*(one for one in stops if one.gun == gun), *(one for one in _whole(stops) if one.gun != gun))
    coming = [one for one in steps if one.state in {"next", "later", "wait"} and one.gun in {gun, None}]
    advice: Advice
    if any(one.rule not in GOOD_ENOUGH for one in mine):
        remedy = next((one for one in coming if one.kind in REMEDIES), None)
        advice, words = ("go_on", mine[0].words) if remedy is not None else ("stop", mine[0].words)
    elif mine:
        # Heat and clean contacts reach all three; a gun was treated only where it was meant.
        treated = any(one.named == gun or (one.named is None and strained(one, knowledge)) for one in course.of(gun))
        advice, words = ("stop" if treated else "leave"), mine[0].words
    elif waiting is not None and (gun in waiting.guns or coming):
        advice, words = "wait", waiting.words
    elif coming:
        advice, words = "go_on", "The next rung waits for its guards."
    else:
        advice, words = "leave", "The verdict asks nothing of this gun."
    return GunAdvice(
        gun=gun,
        advice=advice,
        emission=course.now[gun].emission if gun in course.now else None,
        budget=budget_of(case, course, gun, knowledge),
        stops=mine,
        words=words,
    )


def _times(count: int) -> str:
    return {1: "once", 2: "twice"}.get(count, f"{count} times")
