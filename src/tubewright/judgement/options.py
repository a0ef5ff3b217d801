"""The options of a case, each played out over all futures.

An outcome says how long the picture stays good enough and what it costs; a rung is
the same treatment as a ladder of plans sees it: chance of success, chance of loss
and what remains missing afterwards, for every particle.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tubewright.case import GUNS, Case, TreatmentKind
from tubewright.judgement.condition import Condition
from tubewright.judgement.learning import Learned
from tubewright.judgement.life import (
    Floats,
    Futures,
    boosted_hours,
    donor_hours,
    treated_hours,
    untreated_hours,
    years_of,
)
from tubewright.judgement.money import Prices
from tubewright.judgement.obstacles import Obstacle, Remedy
from tubewright.knowledge.model import Knowledge

Array = NDArray[np.float64]

LADDER: tuple[TreatmentKind, ...] = ("clean_contacts", "soak", "run_in", "short_boost", "clean", "activate")
"""Treatments of the cathode, lowest energy first."""

SHARED_HEATER: frozenset[TreatmentKind] = frozenset({"clean_contacts", "soak", "run_in", "short_boost"})
"""Treatments that all guns get at once; the bench time counts once."""

TINTS = frozenset({"tint_in_darks", "tint_in_brights", "colour_weak", "colour_drift_minutes"})
"""Symptoms that say the grey scale does not track."""

GIVE_UP = ("swap_tube", "replace_display", "retire")
"""Ends that give this tube up."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outcome:
    """One option over all futures: years good enough, shape (particles, futures), and its money."""

    id: str
    guns: tuple[int, ...]
    years: Floats
    hours: Floats
    success: float
    spend: float
    risk_of_loss: float
    why_not: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rung:
    """One treatment as the plans see it; arrays of shape (particles,).

    ``success`` and ``lost`` are chances; ``after`` is the loss once it has worked.
    """

    kind: TreatmentKind
    guns: tuple[int, ...]
    success: Array
    lost: Array
    after: Array
    spend: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Situation:
    """All that the plans depend on, gathered once."""

    case: Case
    condition: Condition
    futures: Futures
    knowledge: Knowledge
    learned: Learned
    prices: Prices
    needed: Array
    keep_years: float
    hard_stops: tuple[str, ...]
    obstacles: tuple[Obstacle, ...]
    rng: np.random.Generator


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Options:
    """Everything a plan can be made of.

    ``ends`` maps what a plan can end in to its loss per particle; ``lost`` is the
    loss once the tube is lost; ``natural`` the hours of the tube as it is.
    """

    weak: tuple[int, ...]
    natural: Floats
    ends: dict[str, Array]
    lost: Array
    rungs: tuple[Rung, ...]
    outcomes: tuple[Outcome, ...]


def make_options(s: Situation) -> Options:
    """Play every option of a situation out."""
    weak = weak_guns(s)
    natural = untreated_hours(s.condition, s.futures, s.needed)
    ends: dict[str, Array] = {}
    outcomes = _as_it_is(s, natural, weak, ends) + _replacements(s, ends)
    lost = np.min(np.stack([ends[e] for e in GIVE_UP if e in ends]), axis=0)
    rungs: list[Rung] = []
    for kind in LADDER:
        if not weak:
            outcomes.append(_unavailable(kind, s, "no gun reads under 0.55: it has only something to lose"))
    if weak:
        rungs, treated = _treatments(s, natural, weak, ends["leave"])
        outcomes += treated
    return Options(weak=weak, natural=natural, ends=ends, lost=lost, rungs=tuple(rungs), outcomes=tuple(outcomes))


def gun_needs(minimum_white: float, current_shares: Sequence[float]) -> Array:
    """Relative emission each gun must keep for a wanted white; shape (3,).

    The gun that carries the largest share of the beam for this white limits a good
    tube, so it must keep the wanted fraction; the others may fall in proportion.
    """
    shares = np.asarray(current_shares, dtype=np.float64)
    needs: Array = minimum_white * shares / float(shares.max())
    return needs


def shortfall(years: Floats, s: Situation, *, same_tube: bool = True) -> Array:
    """Expected loss per particle for missing years and for a burnt-in picture; shape (particles,)."""
    kept = np.minimum(years, np.float32(s.keep_years)).mean(axis=1, dtype=np.float64)
    # A burnt picture is worth less for as long as it is kept: as much as it has lost of its light.
    spared = 1.0 - (s.case.tube.burn or 0.0) if same_tube else 1.0
    missing: Array = s.prices.fallback * (1.0 - spared * kept / s.keep_years)
    return missing


def _unmet(years: Floats, s: Situation) -> Array:
    """What it costs to live on with a picture that is not good enough now; shape (particles,).

    The owner does without a working display, less some credit for a picture that
    is dim but there.
    """
    white = np.min(s.condition.relative_emission / np.maximum(s.needed, 1e-3), axis=1)
    credit = s.knowledge.value("dim_picture_credit") * np.clip(white, 0.0, 1.0) ** 2
    extra = s.prices.worth * (1 - credit) - s.prices.fallback
    bother = s.knowledge.value("come_back_hours") * s.prices.rate_per_h
    missed: Array = (years <= 0).mean(axis=1) * (np.maximum(extra, 0.0) + bother)
    return missed


def play_remedy(s: Situation, natural: Floats, remedy: Remedy, guns: tuple[int, ...]) -> Outcome:
    """Removing an obstacle as an option of its own: then the tube goes on as it is."""
    luck = s.rng.random(s.futures.shape, dtype=np.float32)
    hours = natural * (luck < remedy.success)
    return Outcome(
        id=remedy.kind,
        guns=guns,
        years=years_of(hours, s.futures, treated=False),
        hours=hours,
        success=float((hours > 0).mean()),
        spend=bench_spend(s, remedy.kind, 1),
        risk_of_loss=remedy.loss,
    )


def bench_spend(s: Situation, kind: TreatmentKind, visits: int) -> float:
    """Bench time of a treatment, and of reading all guns again after it, in money."""
    minutes = s.knowledge.treatments[kind].attended_minutes * visits + s.knowledge.value("look_after_minutes")
    return minutes / 60 * s.prices.rate_per_h


def weak_guns(s: Situation) -> tuple[int, ...]:
    """Guns that were read and whose reading, believed or not, lies under the level worth treating."""
    limit = s.knowledge.value("emission_good")
    weak = []
    for g in range(3):
        if not s.condition.read[g]:
            continue
        believed = s.condition.relative_emission[~s.condition.misread[:, g], g]
        # Where nearly every particle calls the reading spoilt, it is the low reading itself that asks for a remedy.
        level = float(np.median(believed)) if believed.size else 0.0
        if min(level, float(np.median(s.condition.relative_emission[:, g]))) < limit:
            weak.append(g)
    return tuple(weak)


def _as_it_is(s: Situation, natural: Floats, weak: tuple[int, ...], ends: dict[str, Array]) -> list[Outcome]:
    """Leaving the tube, tracking the white anew, and hotter cathodes as the last resort."""
    k = s.knowledge
    emission = s.condition.relative_emission
    tinted = {sy.id for sy in s.case.symptoms if sy.present} & TINTS or any(
        t.outcome == "improved" for t in s.case.treatments
    )
    # A picture that shows no tint is tracked as it stands; a seen one, or a fresh treatment, asks for close guns.
    holds = k.value("balance_good" if tinted else "balance_trackable")
    medians = np.median(emission, axis=0)
    balanced = np.full(emission.shape[0], medians.min() / medians.max() >= holds)
    everywhere = np.ones(emission.shape[0], dtype=bool)
    choices = [
        ("leave", natural, balanced, 0.0),
        ("adjust", natural, everywhere, k.value("adjust_hours") * s.prices.rate_per_h),
    ]
    outcomes: list[Outcome] = []
    why_no_boost = _why_no_boost(s, weak)
    if why_no_boost:
        outcomes.append(_unavailable("boost_heater", s, why_no_boost))
    else:
        boosted = boosted_hours(s.condition, s.futures, s.needed, k)
        choices.append(("boost_heater", boosted, everywhere, bench_spend(s, "boost_heater", 1)))
    for name, hours, ok, spend in choices:
        kept = hours * ok[:, None]
        years = years_of(kept, s.futures, treated=False)
        ends[name] = spend + shortfall(years, s) + _unmet(years, s)
        outcomes.append(
            Outcome(
                id=name,
                guns=weak if name == "boost_heater" else (),
                years=years,
                hours=kept,
                success=float((kept > 0).mean()),
                spend=spend,
                risk_of_loss=0.0,
            )
        )
    return outcomes


def _replacements(s: Situation, ends: dict[str, Array]) -> list[Outcome]:
    k, prices = s.knowledge, s.prices
    outcomes: list[Outcome] = []
    particles, each = s.futures.shape
    if prices.swap_tube is not None:
        hours = donor_hours(s.futures, s.needed, k)
        fits = s.rng.random((particles, each), dtype=np.float32) < k.value("swap_success")
        hours = hours * fits
        years = years_of(hours, s.futures, treated=False)
        # A donor's fate doesn't depend on this tube: one number for all particles.
        loss = float(shortfall(years, s, same_tube=False).mean()) + prices.swap_tube
        ends["swap_tube"] = np.full(particles, loss)
        outcomes.append(
            Outcome(
                id="swap_tube",
                guns=(),
                years=years,
                hours=hours,
                success=float((hours > 0).mean()),
                spend=prices.swap_tube,
                risk_of_loss=0.0,
            )
        )
    else:
        outcomes.append(_unavailable("swap_tube", s, "no price of another tube given, so none can be had"))
    if prices.replace_display is not None:
        years = np.array(s.futures.calendar_years)
        outcomes.append(
            Outcome(
                id="replace_display",
                guns=(),
                years=years,
                hours=years * np.float32(s.futures.hours_per_year),
                success=1.0,
                spend=prices.replace_display,
                risk_of_loss=0.0,
            )
        )
        ends["replace_display"] = np.full(
            particles, prices.replace_display + float(shortfall(years, s, same_tube=False).mean())
        )
    else:
        outcomes.append(_unavailable("replace_display", s, "no price of another display given, so none can be had"))
    none = np.zeros((particles, each), dtype=np.float32)
    outcomes.append(
        Outcome(id="retire", guns=(), years=none, hours=none, success=0.0, spend=prices.retire, risk_of_loss=0.0)
    )
    ends["retire"] = np.full(particles, prices.retire + prices.worth)
    return outcomes


def _treatments(s: Situation, natural: Floats, weak: tuple[int, ...], leave: Array) -> tuple[list[Rung], list[Outcome]]:
    """Every rung of the ladder for the weak guns, as a rung and as an option of its own."""
    luck = s.rng.random(s.futures.shape, dtype=np.float32)
    response = s.rng.standard_normal(s.condition.particles) * s.knowledge.value("response_spread")
    earlier = earlier_treatments(s)
    wants = _wants(s, weak)
    poisoned: Array = s.condition.poisoned.astype(np.float64)
    base_years = years_of(natural, s.futures, treated=False)
    played: dict[float, Floats] = {}
    rungs: list[Rung] = []
    outcomes: list[Outcome] = []
    for kind in LADDER:
        success, risk = _chances(kind, s, weak, wants, response, earlier)
        if kind == "clean_contacts":
            hours, years, after = natural, base_years, leave
        else:
            count = earlier + s.knowledge.treatments[kind].counts_as - 1.0
            if count not in played:
                played[count] = treated_hours(
                    s.condition, s.futures, s.needed, weak, s.knowledge, earlier=count, lasting=poisoned
                )
            hours = played[count]
            years = years_of(hours, s.futures, treated=True)
            after = shortfall(years, s)
        spend = bench_spend(s, kind, 1 if kind in SHARED_HEATER else len(weak))
        works = luck < success[:, None].astype(np.float32)
        fails = luck > (1 - risk[:, None]).astype(np.float32)
        zero = np.float32(0)
        mixed = np.where(works, hours, np.where(fails, zero, natural))
        why_not = _why_not(kind, s, weak, earlier)
        outcomes.append(
            Outcome(
                id=kind,
                guns=weak,
                years=np.where(works, years, np.where(fails, zero, base_years)),
                hours=mixed,
                success=float((mixed > 0).mean()),
                spend=spend,
                risk_of_loss=float(risk.mean()),
                why_not=why_not,
            )
        )
        if not why_not:
            rungs.append(Rung(kind=kind, guns=weak, success=success, lost=risk, after=after, spend=spend))
    return rungs, outcomes


def _wants(s: Situation, weak: tuple[int, ...]) -> NDArray[np.bool_]:
    """Which guns of which particles need help, a little above the bare need; shape (particles, weak)."""
    need = s.needed[list(weak)] * 1.1
    wants: NDArray[np.bool_] = s.condition.relative_emission[:, list(weak)] < need[None, :]
    return wants


def _chances(
    kind: TreatmentKind,
    s: Situation,
    weak: tuple[int, ...],
    wants: NDArray[np.bool_],
    response: Array,
    earlier: float,
) -> tuple[Array, Array]:
    """Chance of success and of loss of one treatment; shape (particles,)."""
    k = s.knowledge
    facts, odds = k.treatments[kind], s.learned.odds[kind]
    cols = list(weak)
    misread = s.condition.misread[:, cols]
    if kind == "clean_contacts":
        helped = np.where(misread, k.value("contacts_mend_misread"), np.where(wants, k.value("misread_response"), 1.0))
        # The cleaned reading shows the true gun: it must itself be good enough.
        enough = s.condition.relative_emission[:, cols] >= s.needed[cols][None, :]
        success = np.prod(np.where(misread, helped * enough, helped), axis=1)
        return success, np.full(len(success), odds.loss)
    chance = np.where(s.condition.poisoned[:, None], odds.poisoned, odds.worn)
    emission = s.condition.relative_emission[:, cols]
    fit = np.minimum(
        emission / max(facts.best_from, 1e-3), np.maximum(facts.best_to, 1e-3) / np.maximum(emission, 1e-3)
    )
    chance = chance * np.minimum(fit, 1.0)
    chance = chance * k.value("later_treatment_share") ** earlier
    shifted = _shift_odds(chance, response[:, None])
    # A misread gun may need nothing at all, but no treatment of the cathode makes its reading good.
    shifted = np.where(misread, k.value("misread_response"), np.where(wants, shifted, 1.0))
    # Guns of one tube share what ails them: part of the time one answer holds for all.
    together = k.value("guns_respond_together") if kind not in SHARED_HEATER else k.value("heater_serves_all")
    success = together * shifted.min(axis=1) + (1 - together) * np.prod(shifted, axis=1)
    risk = 1.0 - (1.0 - odds.loss) ** len(weak)
    risk_each = np.full(len(success), risk)
    return np.minimum(success, 1.0 - risk_each), risk_each


def _shift_odds(chance: Array, logit: Array) -> Array:
    """Chance with its odds shifted by a hidden response whose mean leaves the chance about as it was."""
    odds = chance / np.maximum(1 - chance, 1e-9) * np.exp(logit)
    shifted: Array = odds / (1 + odds)
    mean = np.maximum(shifted.mean(axis=0, keepdims=True), 1e-9)
    kept: Array = np.minimum(shifted * chance.mean(axis=0, keepdims=True) / mean, 1.0)
    return kept


def earlier_treatments(s: Situation) -> float:
    """Emission restorations this tube has had, as far as they are known."""
    told = float(s.case.tube.restorations or 0)
    logged = [t for t in s.case.treatments if t.kind in {"clean", "activate"}]
    guns = {t.gun for t in logged}
    per_gun = max(
        (sum(s.knowledge.treatments[t.kind].counts_as for t in logged if t.gun == g) for g in guns), default=0
    )
    return told + per_gun


def _why_not(kind: TreatmentKind, s: Situation, weak: tuple[int, ...], earlier: float) -> str:
    names = {GUNS[g] for g in weak}
    mine = [t for t in s.case.treatments if t.kind == kind and (t.gun is None or t.gun in names)]
    if any(t.outcome in {"unchanged", "worse"} for t in mine):
        return "already tried without gain"
    if sum(t.outcome == "improved" for t in mine) >= 2 * len(names):
        return "done twice already; more strips the coating"
    if kind in {"clean", "activate"} and earlier >= s.knowledge.value("treatments_in_a_life") + 1:
        return "this tube has had all the treatments it can stand"
    return ""


def _why_no_boost(s: Situation, weak: tuple[int, ...]) -> str:
    if not weak:
        return "no gun reads under 0.55: it has only something to lose"
    if s.case.costs.replacement_tube is not None:
        return "a last resort, for tubes that can't be replaced"
    facts = s.knowledge.treatments["boost_heater"]
    level = float(np.median(s.condition.relative_emission[:, list(weak)].min(axis=1)))
    if not facts.best_from <= level <= facts.best_to:
        return (
            f"a last resort for guns between {facts.best_from:.2f} and {facts.best_to:.2f}; this one reads {level:.2f}"
        )
    return ""


def _unavailable(kind: str, s: Situation, why_not: str) -> Outcome:
    none = np.zeros(s.futures.shape, dtype=np.float32)
    return Outcome(id=kind, guns=(), years=none, hours=none, success=0.0, spend=0.0, risk_of_loss=0.0, why_not=why_not)
