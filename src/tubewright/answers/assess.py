"""What is this tube's condition, is it worth saving, and what is the next safe step?

One pure function: the same case, knowledge, experience and seed give the same
answer in every door.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.answers import words
from tubewright.answers.assessment import (
    Assessment,
    Figure,
    GunAnswer,
    ModelNote,
    OptionAnswer,
    Remark,
    Spread,
    Suspect,
    Unknown,
    WouldChange,
    as_decision,
)
from tubewright.answers.reckoning import Reckoning, reckon
from tubewright.case import GUNS, Case, Gun, ReadingKind
from tubewright.experience import NO_EXPERIENCE, Experience
from tubewright.judgement.obstacles import leakage_words
from tubewright.judgement.readings import current_readings
from tubewright.judgement.situation import Outcome
from tubewright.knowledge.model import Knowledge

MODEL_VERSION: Final = "2"
"""Changes whenever the same case may get another answer."""


_NO_TUBE: Final = Unknown(reason="the display is retired", would_settle="nothing; there is no picture any more")


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
    """
    r = reckon(case, knowledge, experience, seed=seed, futures=futures)
    decision = r.decision
    return Assessment(
        decision=decision,
        headline=words.headline(r),
        confidence=r.confidence,
        plan=words.plan_steps(r),
        plan_success=words.plan_success(r),
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
                flips_to=as_decision(w.flips_to),
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


def _spread(values: NDArray[np.floating]) -> Spread:
    low, middle, high = _quantiles(values)
    return Spread(median=middle, p10=low, p90=high)


def _quantiles(values: NDArray[np.floating]) -> tuple[float, float, float]:
    """The 10, 50 and 90 % points by partition; an order statistic, no interpolation."""
    flat = values.ravel()
    at = [round(q * (flat.size - 1)) for q in (0.1, 0.5, 0.9)]
    ordered = np.partition(flat, at)
    return float(ordered[at[0]]), float(ordered[at[1]]), float(ordered[at[2]])


def _white(r: Reckoning, white: NDArray[np.floating]) -> Figure:
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
            id=as_decision(o.id),
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
        id=as_decision(o.id),
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
