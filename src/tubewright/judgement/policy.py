"""Every plan worth having, valued over the same particles; the cheapest wins.

A plan climbs a ladder of treatments, lowest energy first, looks after each rung,
stops as soon as the picture is good enough, and ends in a last resort. Because a
look can only say "good enough" or "go on", a plan is a list of rungs and a last
resort, and its value is linear in the particles: each plan is one vector of
expected loss per particle, and learning something is only a new weighing.

Loss is money: what is spent, plus what is missing of the years wanted, charged at
the cheapest way to have a working display instead.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tubewright.case import GUNS
from tubewright.judgement.obstacles import Obstacle, Remedy
from tubewright.judgement.options import GIVE_UP, Options, make_options, play_remedy
from tubewright.judgement.situation import Outcome, Rung, Situation, bench_spend

Array = NDArray[np.float64]

CHASSIS_GONE = frozenset({"replace_display", "retire"})
"""First steps that leave this chassis behind, so that its faults no longer matter."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plan:
    """A list of rungs, a last resort, and the expected loss per particle.

    ``then`` is the plan that follows once the last rung has removed an obstacle.
    """

    steps: tuple[Rung, ...]
    end: str
    loss: Array
    then: Plan | None = None

    @property
    def first(self) -> str:
        """The first thing to do."""
        return self.steps[0].kind if self.steps else self.end


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Policy:
    """All plans and options of one case; ``losses`` has shape (plans, particles)."""

    plans: tuple[Plan, ...]
    losses: Array
    options: Options
    outcomes: tuple[Outcome, ...]


def make_policy(s: Situation) -> Policy:
    """Value every plan of a situation."""
    options = make_options(s)
    outcomes = list(options.outcomes)
    if s.hard_stops:
        # Another display is no answer to a spoilt tube alone; that is for the owner to say, after this tube has gone.
        ends: dict[str, Array] = {e: options.ends[e] for e in ("swap_tube", "retire") if e in options.ends}
        plans = _climb((), ends, options.lost)
        outcomes = [_forbidden(o, "a hard stop ends this tube") for o in outcomes]
    else:
        plans = _climb(options.rungs, options.ends, options.lost)
        if _doubtful(s, options):
            # A low reading that is not believed is proven wrong before the tube is left or given up on it.
            plans = [p for p in plans if p.first == "clean_contacts"] or plans
        if s.obstacles:
            outcomes = [_forbidden(o, f"{s.obstacles[0].what} must go first") for o in outcomes]
        for obstacle in reversed(s.obstacles):
            plans = _past(obstacle, plans, options, s)
            guns = _guns_of(obstacle)
            named = {o.id: o for o in outcomes}
            named |= {r.kind: play_remedy(s, options.natural, r, guns) for r in obstacle.remedies}
            outcomes = list(named.values())
    return Policy(
        plans=tuple(plans),
        losses=np.stack([p.loss for p in plans]),
        options=options,
        outcomes=tuple(outcomes),
    )


def _doubtful(s: Situation, options: Options) -> bool:
    """Whether a reading too low for the owner is likelier a false one than most are."""
    short = [g for g in options.weak if s.shown[g] < s.needed[g]]
    share = s.condition.misread[:, short].mean(axis=0)
    return bool(short) and float(share.max()) >= s.knowledge.value("misread_needs_proof")


def _climb(rungs: Sequence[Rung], ends: Mapping[str, Array], lost: Array) -> list[Plan]:
    """All plans over the rungs, ascending, each with every end; built from the last rung back."""
    plans = [Plan(steps=(), end=end, loss=loss) for end, loss in ends.items()]
    for rung in reversed(rungs):
        plans += [_prepend(rung, p, lost) for p in plans]
    if not rungs:
        return plans
    # Lowest energy first: nothing stronger while a soak is still to be tried, and hotter cathodes last of all.
    soak = any(rung.kind == "soak" for rung in rungs)
    return [p for p in plans if _in_order(p, soak_first=soak)]


def _in_order(plan: Plan, *, soak_first: bool) -> bool:
    kinds = [step.kind for step in plan.steps]
    if not kinds:
        return plan.end != "boost_heater"
    return not soak_first or "soak" in kinds or kinds == ["clean_contacts"]


def _prepend(rung: Rung, rest: Plan, lost: Array, then: Plan | None = None) -> Plan:
    gone = rung.success * rung.after + rung.lost * lost + rung.spend
    stays = 1.0 - rung.success - rung.lost
    return Plan(steps=(rung, *rest.steps), end=rest.end, loss=gone + stays * rest.loss, then=then or rest.then)


def _past(obstacle: Obstacle, plans: Sequence[Plan], options: Options, s: Situation) -> list[Plan]:
    """Plans that first remove an obstacle, or give the tube up with it."""
    given_up = [Plan(steps=(), end=e, loss=options.ends[e]) for e in GIVE_UP if e in options.ends]
    beyond = min(plans, key=lambda p: float(p.loss.mean()))
    result = list(given_up)
    for count in range(1, len(obstacle.remedies) + 1):
        for order in itertools.permutations(obstacle.remedies, count):
            tails = list(given_up)
            for remedy in reversed(order):
                rung = _rung_of(remedy, obstacle, beyond, s)
                tails = [_prepend(rung, p, options.lost, beyond) for p in tails]
            result += tails
    return result


def _rung_of(remedy: Remedy, obstacle: Obstacle, beyond: Plan, s: Situation) -> Rung:
    particles = s.condition.particles
    return Rung(
        kind=remedy.kind,
        guns=_guns_of(obstacle),
        success=np.full(particles, min(remedy.success, 1.0 - remedy.loss)),
        lost=np.full(particles, remedy.loss),
        after=beyond.loss,
        spend=bench_spend(s, remedy.kind, 1),
    )


def _guns_of(obstacle: Obstacle) -> tuple[int, ...]:
    return tuple(i for i, gun in enumerate(GUNS) if gun == obstacle.gun)


def _forbidden(outcome: Outcome, why: str) -> Outcome:
    if outcome.id in GIVE_UP or outcome.why_not:
        return outcome
    return Outcome(
        id=outcome.id,
        guns=outcome.guns,
        years=outcome.years * np.float32(0),
        success=0.0,
        spend=outcome.spend,
        risk_of_loss=outcome.risk_of_loss,
        why_not=why,
    )
