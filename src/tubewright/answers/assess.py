"""What is this tube's condition, is it worth saving, and what is the next safe step?

One pure function: the same case, knowledge, experience and seed give the same
answer in every door.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.answers import words
from tubewright.answers.assessment import (
    Assessment,
    Decision,
    Figure,
    GunAnswer,
    ModelNote,
    OptionAnswer,
    Remark,
    Spread,
    Suspect,
    Unknown,
    WouldChange,
)
from tubewright.case import GUNS, Case, Gun, ReadingKind
from tubewright.experience import NO_EXPERIENCE, Experience
from tubewright.judgement.complaint import Complaint, hear, misread_odds
from tubewright.judgement.condition import Condition, infer_condition
from tubewright.judgement.consistency import Consistency, check
from tubewright.judgement.learning import Learned, learn
from tubewright.judgement.life import Futures, draw_futures
from tubewright.judgement.money import Prices, prices_of
from tubewright.judgement.obstacles import Obstacles, find_obstacles, leakage_words
from tubewright.judgement.options import gun_needs
from tubewright.judgement.policy import Plan, Policy, make_policy
from tubewright.judgement.readings import NormalisedReadings, current_readings, normalise
from tubewright.judgement.situation import Outcome, Situation
from tubewright.judgement.value import Standing, Worth, what_would_change
from tubewright.judgement.weighing import FIND_FAULT, Weighing, confidence, weigh_plans
from tubewright.knowledge.model import Knowledge
from tubewright.physics.colour import TYPICAL_PRIMARIES_XY, WHITES_XY, current_shares, neutral_white

MODEL_VERSION: Final = "1"
"""Changes whenever the same case may get another answer."""

PARTICLES: Final = 1000
"""Tubes that fit the evidence; the futures are shared out among them."""

Array = NDArray[np.float64]


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


def assess(
    case: Case,
    knowledge: Knowledge,
    experience: Experience = NO_EXPERIENCE,
    *,
    seed: int = 1,
    futures: int = 100_000,
) -> Assessment:
    """Assess one display's tube.

    Args:
        case: What is known.
        knowledge: The trade's knowledge.
        experience: What the shop's own closed jobs taught.
        seed: Seed of the random futures.
        futures: How many to play out, at least 1000.

    Returns:
        The assessment.

    Raises:
        InputError: The case names symptoms, tests or results that don't exist, or
            holds findings that are impossible together.
        RefusedError: More findings hang together than can be reckoned exactly.
    """
    r = reckon(case, knowledge, experience, seed=seed, futures=futures)
    decision = r.decision
    return Assessment(
        decision=decision,
        headline=words.headline(r),
        confidence=r.confidence,
        plan=words.plan_steps(r),
        hard_stops=r.obstacles.hard_stops,
        guns=_guns(r),
        neutral_white_now=_white(r, r.white_now),
        neutral_white_after=_white(r, r.white_after) if decision != "retire" else _NO_TUBE,
        minimum_white=r.minimum_white,
        keep_years=r.keep_years,
        hours_per_week=r.hours_per_week,
        currency=case.costs.currency or "",
        options=_options(r),
        would_change=tuple(
            WouldChange(
                id=w.id,
                name=w.name,
                gun=w.gun,
                at=w.at,
                value=w.value,
                unit=w.unit,
                flips_to=words.as_decision(w.flips_to),
                chance=w.chance,
                minutes=w.minutes,
                worth=w.worth,
            )
            for w in r.worths
        ),
        suspects=tuple(
            Suspect(id=s.id, name=s.name, probability=s.probability, of_the_tube=s.of_the_tube)
            for s in r.complaint.diagnosis.suspects[:8]
        )
        if r.complaint.heard
        else (),
        remarks=tuple(Remark(kind=o.kind, words=o.words, mend=o.mend) for o in r.consistency.objections)
        + words.notes(r),
        missing=words.missing(r),
        next_steps=words.next_steps(r),
        model=ModelNote(
            version=MODEL_VERSION,
            seed=seed,
            futures=r.futures.shape[0] * r.futures.shape[1],
            jobs_learned_from=r.learned.jobs,
            own_share=r.learned.own_share,
            words=r.learned.words,
        ),
    )


def reckon(
    case: Case, knowledge: Knowledge, experience: Experience = NO_EXPERIENCE, *, seed: int = 1, futures: int = 100_000
) -> Reckoning:
    """Work out everything that the answer puts into words; arguments as for :func:`assess`."""
    rng = np.random.default_rng(seed)
    learned = learn(knowledge, experience)
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
    even_steps = (np.arange(condition.particles) + rng.random()) / condition.particles
    chosen = np.minimum(np.searchsorted(np.cumsum(complaint.weight), even_steps), condition.particles - 1)
    condition = condition.of(chosen)
    complaint = dataclasses.replace(complaint, elsewhere=complaint.elsewhere[chosen])
    obstacles = find_obstacles(case, consistency, knowledge, complaint.diagnosis.posteriors)
    prices = prices_of(case, knowledge)
    use = case.use
    minimum_white = use.minimum_white if use.minimum_white is not None else knowledge.value("minimum_white_default")
    keep_years = use.keep_years or knowledge.value("keep_years_default")
    hours_per_week = use.hours_per_week or knowledge.value("hours_per_week_default")
    shares = current_shares(TYPICAL_PRIMARIES_XY, WHITES_XY[use.white_point or "D65"])
    course = draw_futures(
        condition, knowledge, learned, rng, each=max(1, futures // PARTICLES), hours_per_week=hours_per_week
    )
    situation = Situation(
        case=case,
        condition=condition,
        futures=course,
        knowledge=knowledge,
        learned=learned,
        prices=prices,
        needed=gun_needs(minimum_white, [float(s) for s in shares]),
        shown=np.array([full.ratio if (full := normal.guns[gun].full) else np.nan for gun in GUNS]),
        keep_years=keep_years,
        hard_stops=obstacles.hard_stops,
        obstacles=obstacles.to_remove,
        rng=rng,
    )
    policy = make_policy(situation)
    tube_unread = not normal.any_emission and not obstacles.hard_stops
    # Bench time that nobody charges for is still somebody's evening.
    hour = max(prices.rate_per_h, knowledge.value("own_time_share") * knowledge.value("bench_rate_per_h"))
    weighing = weigh_plans(
        policy,
        complaint,
        knowledge,
        hour,
        enough=np.all(condition.relative_emission >= situation.needed, axis=1),
        tube_unread=tube_unread,
        tolerance=knowledge.value("indifference_h") * hour,
    )
    if obstacles.hard_stops or obstacles.to_remove:
        weighing = words.without_complaint(weighing)
    even = np.full(condition.particles, 1.0 / condition.particles)
    name, _, index = weighing.best(even)
    plan = policy.plans[index]
    decision = words.as_decision(name)
    sure = confidence(weighing, name)
    if name == FIND_FAULT and complaint.by_adjusting and not tube_unread:
        decision = "adjust"
        sure = complaint.adjusting_explains
    if obstacles.hard_stops:
        sure = max(sure, obstacles.certainty)
    if name != FIND_FAULT:  # that is what a contradiction asks for
        doubts = sum(o.kind in {"impossible", "contradiction"} for o in consistency.objections)
        sure *= knowledge.value("trust_left_by_contradiction") ** doubts
    worths: tuple[Worth, ...] = ()
    if not obstacles.hard_stops:
        standing = Standing(
            case=case,
            condition=condition,
            normal=normal,
            complaint=complaint,
            policy=policy,
            weighing=weighing,
            decision=name,
            obstructed=bool(obstacles.to_remove),
        )
        worths = what_would_change(standing, knowledge)
    white_now = np.asarray(neutral_white(condition.relative_emission, shares), dtype=np.float64)
    return Reckoning(
        case=case,
        knowledge=knowledge,
        learned=learned,
        consistency=consistency,
        normal=normal,
        condition=condition,
        obstacles=obstacles,
        complaint=complaint,
        prices=prices,
        policy=policy,
        weighing=weighing,
        decision=decision,
        plan=plan,
        confidence=min(sure, 0.99),
        worths=worths,
        white_now=white_now,
        white_after=_white_after(decision, plan, condition, course, shares, rng, knowledge),
        futures=course,
        minimum_white=minimum_white,
        keep_years=keep_years,
        hours_per_week=hours_per_week,
        seed=seed,
    )


NO_GAIN: Final = frozenset({"clean_contacts", "clear_short", "isolate_heater"})
"""Treatments that mend a reading or a short, not a cathode."""

_NO_TUBE: Final = Unknown(reason="the display is retired", would_settle="nothing; there is no picture any more")


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


def _spread(values: NDArray[np.floating]) -> Spread:
    low, middle, high = _quantiles(values)
    return Spread(median=middle, p10=low, p90=high)


def _quantiles(values: NDArray[np.floating]) -> tuple[float, float, float]:
    """The 10, 50 and 90 % points by partition; an order statistic, no interpolation."""
    flat = values.ravel()
    at = [round(q * (flat.size - 1)) for q in (0.1, 0.5, 0.9)]
    ordered = np.partition(flat, at)
    return float(ordered[at[0]]), float(ordered[at[1]]), float(ordered[at[2]])


def _white(r: Reckoning, white: Array) -> Figure:
    if not any(r.condition.read):
        return Unknown(
            reason="no emission reading that can be believed",
            would_settle="read the emission of all three guns at rated heater, 10 minutes after switching on",
        )
    return _spread(white)


def _guns(r: Reckoning) -> dict[Gun, GunAnswer]:
    answers: dict[Gun, GunAnswer] = {}
    usable = current_readings(r.case.readings, r.knowledge.value("sitting_days"))
    for g, gun in enumerate(GUNS):
        readings = r.normal.guns[gun]
        unread = Unknown(
            reason=f"no believable emission reading of {gun}",
            would_settle=f"read the emission of {gun} at rated heater, 10 minutes after switching on",
        )
        cutoff: Figure
        if readings.cutoff_v is None:
            cutoff = Unknown(
                reason=f"no believable cutoff reading of {gun}",
                would_settle=f"read the cutoff of {gun} at a stated grid 2 voltage",
            )
        else:
            sd = readings.cutoff_v * r.knowledge.value("cutoff_repeatability") * 1.2816  # 80 % of a normal law
            cutoff = Spread(median=readings.cutoff_v, p10=readings.cutoff_v - sd, p90=readings.cutoff_v + sd)
        own_reserve = r.condition.reserve[:, g] / readings.cutoff_share  # at the gun's own cutoff, not the reference
        worst: dict[ReadingKind, float] = {}
        for reading in usable:
            if reading.kind in words.LEAKAGE_PAIRS and reading.gun in {gun, None}:
                worst[reading.kind] = min(reading.value, worst.get(reading.kind, reading.value))
        answers[gun] = GunAnswer(
            gun=gun,
            relative_emission=_spread(r.condition.relative_emission[:, g]) if r.condition.read[g] else unread,
            emission_reserve=_spread(own_reserve) if r.condition.read[g] else unread,
            cutoff_v=cutoff,
            state=words.gun_state(r, g),
            trend=words.gun_trend(r, gun),
            leakage={words.LEAKAGE_PAIRS[kind]: leakage_words(kind, mohm, r.knowledge) for kind, mohm in worst.items()},
        )
    return answers


def _options(r: Reckoning) -> tuple[OptionAnswer, ...]:
    order = {name: i for i, name in enumerate(words.OPTION_ORDER)}
    return tuple(_option(o, r) for o in sorted(r.policy.outcomes, key=lambda o: order[o.id]))


def _option(o: Outcome, r: Reckoning) -> OptionAnswer:
    name = words.option_name(o.id)
    guns = tuple(GUNS[g] for g in o.guns)
    if o.why_not:
        closed = Unknown(reason=o.why_not, would_settle="nothing, as things stand")
        return OptionAnswer(
            id=words.as_decision(o.id),
            name=name,
            guns=guns,
            success=None,
            hours=closed,
            years=closed,
            chance_of_keep_years=None,
            cost=None,
            cost_per_year=None,
            risk_of_loss=None,
            why_not=o.why_not,
        )
    if o.id == "retire":
        return OptionAnswer(
            id="retire",
            name=name,
            guns=guns,
            success=None,
            hours=_NO_TUBE,
            years=_NO_TUBE,
            chance_of_keep_years=None,
            cost=o.spend,
            cost_per_year=None,
            risk_of_loss=None,
        )
    years = _spread(o.years)
    # The years end with wear, the calendar or an accident, whichever is first; so the hours are theirs.
    per_year = r.futures.hours_per_year
    hours = Spread(median=years.median * per_year, p10=years.p10 * per_year, p90=years.p90 * per_year)
    cost = o.spend + o.risk_of_loss * r.prices.fallback
    kept = float(np.minimum(o.years, np.float32(r.keep_years)).mean())
    return OptionAnswer(
        id=words.as_decision(o.id),
        name=name,
        guns=guns,
        success=o.success,
        hours=hours,
        years=years,
        chance_of_keep_years=float((o.years >= r.keep_years).mean()),
        cost=cost,
        cost_per_year=cost / kept if kept > 0.05 else None,
        risk_of_loss=o.risk_of_loss,
    )
