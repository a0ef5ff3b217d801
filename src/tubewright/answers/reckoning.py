"""Everything that is worked out on the way to an assessment, before any of it is put into words."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.answers.assessment import (
    Decision,
    as_decision,
)
from tubewright.case import GUNS, Case
from tubewright.experience import NO_EXPERIENCE, Experience
from tubewright.judgement.complaint import Complaint, hear, misread_odds
from tubewright.judgement.condition import Condition, infer_condition
from tubewright.judgement.consistency import Consistency, check
from tubewright.judgement.faults_learned import learn_faults
from tubewright.judgement.learning import Learned, learn
from tubewright.judgement.life import Futures, draw_futures
from tubewright.judgement.money import Prices, prices_of
from tubewright.judgement.obstacles import Obstacles, find_obstacles
from tubewright.judgement.options import gun_needs
from tubewright.judgement.policy import Plan, Policy, make_policy
from tubewright.judgement.readings import NormalisedReadings, normalise
from tubewright.judgement.situation import Situation
from tubewright.judgement.value import Standing, Worth, what_would_change
from tubewright.judgement.weighing import FIND_FAULT, Weighing, confidence, weigh_plans
from tubewright.knowledge.model import Knowledge
from tubewright.physics.colour import TYPICAL_PRIMARIES_XY, WHITES_XY, current_shares, neutral_white

PARTICLES: Final = 1000
"""Tubes that fit the evidence; the futures are shared out among them."""


Array = NDArray[np.float64]


MOST_SURE: Final = 0.99
"""No verdict is surer than this; from memory, estimate."""

NO_GAIN: Final = frozenset({"clean_contacts", "clear_short", "isolate_heater"})
"""Treatments that mend a reading or a short, not a cathode."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reckoning:
    """Everything that was worked out on the way to the answer, before it is put into words."""

    case: Case
    knowledge: Knowledge
    learned: Learned
    consistency: Consistency
    normal: NormalisedReadings
    condition: Condition
    obstacles: Obstacles
    complaint: Complaint
    prices: Prices
    policy: Policy
    weighing: Weighing
    decision: Decision
    plan: Plan
    confidence: float
    worths: tuple[Worth, ...]
    white_now: Array
    white_after: Array
    futures: Futures
    minimum_white: float
    keep_years: float
    hours_per_week: float
    seed: int


def reckon(
    case: Case, knowledge: Knowledge, experience: Experience = NO_EXPERIENCE, *, seed: int = 1, futures: int = 100_000
) -> Reckoning:
    """Work out everything that the answer puts into words; arguments as for :func:`assess`."""
    rng = np.random.default_rng(seed)
    knowledge = learn_faults(knowledge, experience).knowledge
    told = _weigh_evidence(case, knowledge, learn(knowledge, experience), experience, rng)
    obstacles = find_obstacles(case, told.consistency, knowledge, told.complaint.diagnosis.posteriors)
    prices = prices_of(case, knowledge)
    wishes = _wishes(case, knowledge)
    course = draw_futures(
        told.condition,
        knowledge,
        told.learned,
        rng,
        each=max(1, futures // PARTICLES),
        hours_per_week=wishes.hours_per_week,
    )
    situation = Situation(
        case=case,
        condition=told.condition,
        futures=course,
        knowledge=knowledge,
        learned=told.learned,
        prices=prices,
        needed=gun_needs(wishes.minimum_white, [float(s) for s in wishes.current_shares]),
        shown=np.array([full.ratio if (full := told.normal.guns[gun].full) else np.nan for gun in GUNS]),
        keep_years=wishes.keep_years,
        hard_stops=obstacles.hard_stops,
        obstacles=obstacles.to_remove,
        rng=rng,
    )
    policy = make_policy(situation)
    weighing = _weighing(situation, policy, told)
    even = np.full(PARTICLES, 1.0 / PARTICLES)
    name, _, index = weighing.best(even)
    decision, sure = _decide(name, weighing, told, obstacles)
    worths: tuple[Worth, ...] = ()
    if not obstacles.hard_stops:
        standing = Standing(
            case=case,
            condition=told.condition,
            normal=told.normal,
            complaint=told.complaint,
            policy=policy,
            weighing=weighing,
            decision=name,
            obstructed=bool(obstacles.to_remove),
        )
        worths = what_would_change(standing, knowledge)
    shares = wishes.current_shares
    return Reckoning(
        case=case,
        knowledge=knowledge,
        learned=told.learned,
        consistency=told.consistency,
        normal=told.normal,
        condition=told.condition,
        obstacles=obstacles,
        complaint=told.complaint,
        prices=prices,
        policy=policy,
        weighing=weighing,
        decision=decision,
        plan=policy.plans[index],
        confidence=sure,
        worths=worths,
        white_now=np.asarray(neutral_white(told.condition.relative_emission, shares), dtype=np.float64),
        white_after=_white_after(decision, policy.plans[index], told.condition, course, shares, rng, knowledge),
        futures=course,
        minimum_white=wishes.minimum_white,
        keep_years=wishes.keep_years,
        hours_per_week=wishes.hours_per_week,
        seed=seed,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Told:
    """What the evidence tells: of itself, of the guns, and of what is complained of."""

    learned: Learned
    consistency: Consistency
    normal: NormalisedReadings
    condition: Condition
    complaint: Complaint


def _weigh_evidence(
    case: Case, knowledge: Knowledge, learned: Learned, experience: Experience, rng: np.random.Generator
) -> _Told:
    consistency = check(case, knowledge)
    normal = normalise(case, knowledge, experience, without=consistency.discard)
    condition = infer_condition(
        case,
        normal,
        knowledge,
        learned,
        rng,
        particles=PARTICLES,
        misread_odds=misread_odds(case, knowledge) * consistency.doubt,
    )
    complaint = hear(case, condition, normal, knowledge)
    # Symptoms speak of the guns as well: particles that would rather show them are drawn more often.
    even_steps = (np.arange(PARTICLES) + rng.random()) / PARTICLES
    chosen = np.minimum(np.searchsorted(np.cumsum(complaint.weight), even_steps), PARTICLES - 1)
    return _Told(
        learned=learned,
        consistency=consistency,
        normal=normal,
        condition=condition.of(chosen),
        complaint=dataclasses.replace(complaint, elsewhere=complaint.elsewhere[chosen]),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Wishes:
    """What the owner wants, with the usual where nothing is said; ``current_shares`` of shape (3,)."""

    minimum_white: float
    keep_years: float
    hours_per_week: float
    current_shares: Array


def _wishes(case: Case, knowledge: Knowledge) -> _Wishes:
    use = case.use
    return _Wishes(
        minimum_white=knowledge.value("minimum_white_default") if use.minimum_white is None else use.minimum_white,
        keep_years=use.keep_years or knowledge.value("keep_years_default"),
        hours_per_week=use.hours_per_week or knowledge.value("hours_per_week_default"),
        current_shares=current_shares(TYPICAL_PRIMARIES_XY, WHITES_XY[use.white_point or "D65"]),
    )


def _weighing(s: Situation, policy: Policy, told: _Told) -> Weighing:
    knowledge = s.knowledge
    # Bench time that nobody charges for is still somebody's evening.
    hour = max(s.prices.rate_per_h, knowledge.value("own_time_share") * knowledge.value("bench_rate_per_h"))
    weighing = weigh_plans(
        policy,
        told.complaint,
        knowledge,
        hour,
        enough=np.all(s.condition.relative_emission >= s.needed, axis=1),
        tube_unread=not told.normal.any_emission and not s.hard_stops,
        tolerance=knowledge.value("indifference_h") * hour,
    )
    if weighing.read_tube is not None and told.normal.any_shortfall:
        # A photograph must not save the reading it can't replace: the minutes that would take don't count then.
        weighing = dataclasses.replace(weighing, read_tube=0.0)
    return _without_complaint(weighing) if s.hard_stops or s.obstacles else weighing


def _decide(name: str, weighing: Weighing, told: _Told, obstacles: Obstacles) -> tuple[Decision, float]:
    """The decision by its published name, and how sure it is."""
    decision = as_decision(name)
    sure = confidence(weighing, name)
    if name == FIND_FAULT and told.complaint.by_adjusting and weighing.read_tube is None:
        decision = "adjust"
        sure = told.complaint.adjusting_explains
    if obstacles.hard_stops:
        sure = max(sure, obstacles.certainty)
    if name != FIND_FAULT:  # that is what a contradiction asks for
        doubts = sum(o.kind in {"impossible", "contradiction"} for o in told.consistency.objections)
        sure *= weighing.trust**doubts
    return decision, min(sure, MOST_SURE)


def _white_after(
    decision: Decision,
    plan: Plan,
    condition: Condition,
    futures: Futures,
    shares: Array,
    rng: np.random.Generator,
    knowledge: Knowledge,
) -> Array:
    """Neutral white once the plan has run its course, one draw per particle; 0 where no picture is left."""
    emission = np.array(condition.relative_emission)
    good = knowledge.value("reserve_of_good_gun")
    wear = futures.donor_wear[:, 0].astype(np.float64)
    donor = np.exp(-wear) * good / (1 + np.exp(-wear) * good) * (1 + good) / good
    white = np.asarray(neutral_white(emission, shares), dtype=np.float64)
    if decision == FIND_FAULT:
        return white
    still = np.ones(len(white), dtype=bool)
    gone = np.zeros(len(white), dtype=bool)
    for step in plan.steps:
        luck = rng.random(len(white))
        works, fails = still & (luck < step.success), still & (luck > 1 - step.lost)
        if step.kind not in NO_GAIN:
            for g in step.guns:
                emission[:, g] = np.where(works, np.maximum(emission[:, g], futures.target[:, 0]), emission[:, g])
        gone |= fails
        still &= ~(works | fails)
    white = np.asarray(neutral_white(emission, shares), dtype=np.float64)
    if plan.end == "swap_tube":
        white = np.where(still | gone, donor, white)
    elif plan.end == "replace_display":
        white = np.where(still | gone, 1.0, white)
    elif plan.end == "retire":
        white = np.where(still | gone, 0.0, white)
    else:
        white = np.where(gone, 0.0, white)
    return white


def _without_complaint(weighing: Weighing) -> Weighing:
    """The same comparison where the tube's own trouble comes before any complaint."""
    return dataclasses.replace(weighing, heard=False, elsewhere=np.zeros_like(weighing.elsewhere), read_tube=None)
