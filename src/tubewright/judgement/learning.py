"""What the shop's own closed jobs change in the trade's general figures.

Odds of treatments are Beta distributions: the trade's figure counts as so many
cases, the shop's outcomes are added to them. Wear time and hold are lognormal;
their medians are updated as normal means (hold by a grid, since gains that still
last only say "at least"). Nothing here decides; it only weighs.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import get_args

import numpy as np
from numpy.typing import NDArray

from tubewright.case import TreatmentKind
from tubewright.experience import Experience, TreatedGun, WornGun
from tubewright.knowledge.model import Knowledge
from tubewright.physics.cathode import emission_fraction

_HALF_WIDTH_SPREADS = 3.0
"""Half-width of the grid for the median hold, in spreads of the hold between tubes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnedOdds:
    """Odds of one treatment: chance of a useful gain and of losing the tube.

    ``own_cases`` are the shop's outcomes among ``prior_worth + own_cases``.
    """

    worn: float
    poisoned: float
    loss: float
    own_cases: int
    own_share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Learned:
    """The general figures with the shop's own experience weighed in."""

    odds: Mapping[TreatmentKind, LearnedOdds]
    wear_time_h: float
    wear_time_spread_ln: float
    hold_h: float
    hold_spread_ln: float
    jobs: int
    own_share: float
    words: str


def learn(knowledge: Knowledge, experience: Experience) -> Learned:
    """Weigh the shop's experience into the general figures."""
    odds: dict[TreatmentKind, LearnedOdds] = {
        kind: _odds(kind, knowledge, [t for t in experience.treated if t.kind == kind])
        for kind in get_args(TreatmentKind)
    }
    wear_time_h, wear_spread, wear_share = _wear(knowledge, experience.worn)
    hold_h, hold_spread, hold_share = _hold(knowledge, experience.treated)
    shares = [o.own_share for o in odds.values() if o.own_cases] + [s for s in (wear_share, hold_share) if s > 0]
    own_share = float(np.mean(shares)) if shares else 0.0
    cases = sum(o.own_cases for o in odds.values())
    words = (
        f"{cases} treatments, {len(experience.worn)} wear readings of this shop weigh in; "
        "the rest is general trade experience"
        if cases or experience.worn
        else "all general trade experience; no closed job of this shop has taught anything yet"
    )
    return Learned(
        odds=odds,
        wear_time_h=wear_time_h,
        wear_time_spread_ln=wear_spread,
        hold_h=hold_h,
        hold_spread_ln=hold_spread,
        jobs=experience.closed_jobs,
        own_share=own_share,
        words=words,
    )


def _odds(kind: TreatmentKind, knowledge: Knowledge, own: Sequence[TreatedGun]) -> LearnedOdds:
    facts = knowledge.treatments[kind]
    worth = knowledge.value("treatment_belief_worth")
    improved_worn = sum(t.outcome == "improved" and not t.long_idle for t in own)
    improved_idle = sum(t.outcome == "improved" and t.long_idle for t in own)
    worn = [t for t in own if not t.long_idle]
    idle = [t for t in own if t.long_idle]
    lost = sum(t.outcome == "lost" for t in own)
    # Losses are rare: the general risk counts for more, or one accident would forbid a treatment.
    risk_worth = knowledge.value("risk_belief_worth")
    return LearnedOdds(
        worn=(facts.odds_worn * worth + improved_worn) / (worth + len(worn)),
        poisoned=(facts.odds_poisoned * worth + improved_idle) / (worth + len(idle)),
        loss=(facts.risk_of_loss * risk_worth + lost) / (risk_worth + len(own)),
        own_cases=len(own),
        own_share=len(own) / (worth + len(own)),
    )


def _wear(knowledge: Knowledge, worn: Sequence[WornGun]) -> tuple[float, float, float]:
    """Median wear time, its spread between tubes, and the share that is the shop's own."""
    mean = math.log(knowledge.value("wear_time_h"))
    spread = knowledge.value("wear_time_spread")
    good = knowledge.value("reserve_of_good_gun")
    prior = knowledge.value("wear_belief_worth")
    told = [p for p in worn if p.hours_between > 0 and p.emission_start > 0 and p.emission_end > 0]
    if not told:
        return math.exp(mean), spread, 0.0
    noise = knowledge.value("repeatability_one_box")
    level_sd = math.hypot(noise, knowledge.value("gun_to_gun_spread"))
    middle = np.linspace(mean - 2.5 * spread, mean + 2.5 * spread, 101)  # the shop's median
    each = np.linspace(mean - 6 * spread, mean + 6 * spread, 121)  # one gun's own
    between = np.exp(-0.5 * ((each[None, :] - middle[:, None]) / spread) ** 2)
    between /= between.sum(axis=1, keepdims=True)
    start = np.linspace(math.log(0.05), math.log(good) + 0.4, 50)  # ln(reserve) at the first reading
    first = np.log(emission_fraction(np.exp(start)) / emission_fraction(good))
    log_weight = -0.5 * ((middle - mean) / (spread / math.sqrt(prior))) ** 2
    for pair in told:
        then = start[:, None] - pair.hours_between * np.exp(-each)[None, :]
        kept = np.log(emission_fraction(np.exp(then)) / emission_fraction(good)) - first[:, None]
        # The gun's own gain is in both readings: it blurs the level and drops out of the ratio.
        level = np.exp(-0.5 * ((math.log(pair.emission_start) - first) / level_sd) ** 2)
        change = math.log(pair.emission_end / pair.emission_start)
        ratio = np.exp(-0.5 * ((change - kept) / (math.sqrt(2) * noise)) ** 2)
        log_weight += np.log(between @ (level @ ratio) + 1e-12)
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    learned = float((middle * weight).sum())
    # What the pairs have narrowed of the prior is their share.
    left = float((((middle - learned) ** 2) * weight).sum()) / (spread**2 / prior)
    return math.exp(learned), spread, max(0.0, 1.0 - left)


def _hold(knowledge: Knowledge, treated: Sequence[TreatedGun]) -> tuple[float, float, float]:
    """Median hold after a first treatment, its spread, and the share that is the shop's own."""
    mean, spread = math.log(knowledge.value("hold_h")), knowledge.value("hold_spread")
    later = math.log(knowledge.value("later_treatment_share"))
    held = [
        (math.log(t.hours_held) - t.earlier_restorations * later, t.still_holding)
        for t in treated
        if t.outcome == "improved" and t.hours_held and t.hours_held > 0 and t.kind != "clean_contacts"
    ]
    if not held:
        return math.exp(mean), spread, 0.0
    prior = knowledge.value("hold_belief_worth")
    sd_mean = spread / math.sqrt(prior)
    half = _HALF_WIDTH_SPREADS * spread
    grid: NDArray[np.float64] = np.linspace(mean - half, mean + half, 121)
    log_weight = -0.5 * ((grid - mean) / sd_mean) ** 2
    ended = 0
    for value, still in held:
        z = (value - grid) / spread
        if still:
            log_weight += np.log(np.maximum(normal_cdf(-z), 1e-12))
        else:
            log_weight += -0.5 * z**2
            ended += 1
    weight = np.exp(log_weight - log_weight.max())
    return math.exp(float((grid * weight).sum() / weight.sum())), spread, ended / (prior + ended)


def normal_cdf(z: NDArray[np.float64]) -> NDArray[np.float64]:
    """Normal distribution function, any shape; absolute error under 8e-8.

    Source: Abramowitz and Stegun, Handbook of Mathematical Functions (1964), 26.2.17.
    """
    a = np.abs(z)
    t = 1.0 / (1.0 + 0.2316419 * a)
    poly = t * (0.319381530 + t * (-0.356563782 + t * (1.781477937 + t * (-1.821255978 + t * 1.330274429))))
    tail = np.exp(-0.5 * a**2) / math.sqrt(2.0 * math.pi) * poly
    return np.where(z > 0, 1.0 - tail, tail)
