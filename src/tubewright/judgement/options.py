"""The options of a case: keeping the tube, treating it, replacing it, giving it up."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tubewright.judgement.life import (
    Floats,
    boosted_hours,
    donor_hours,
    untreated_hours,
    years_of,
)
from tubewright.judgement.obstacles import Remedy
from tubewright.judgement.situation import LADDER, Array, Outcome, Rung, Situation, bench_spend, shortfall, unavailable
from tubewright.judgement.treatments import play_treatments

TINTS = frozenset({"tint_in_darks", "tint_in_brights", "colour_weak", "colour_drift_minutes"})
"""Symptoms that say the grey scale does not track."""

GIVE_UP = ("swap_tube", "replace_display", "retire")
"""Ends that give this tube up."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Options:
    """Everything a plan can be made of.

    ``ends`` maps what a plan can end in to its loss per particle; ``lost`` is the
    loss once the tube is lost; ``natural`` the hours of the tube as it is.
    """

    weak: tuple[int, ...]
    needed: Array
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
            outcomes.append(unavailable(kind, s, "no gun reads under 0.55: it has only something to lose"))
    if weak:
        rungs, treated = play_treatments(s, natural, weak, ends["leave"])
        outcomes += treated
    return Options(
        weak=weak,
        needed=s.needed,
        natural=natural,
        ends=ends,
        lost=lost,
        rungs=tuple(rungs),
        outcomes=tuple(outcomes),
    )


def gun_needs(minimum_white: float, current_shares: Sequence[float]) -> Array:
    """Relative emission each gun must keep for a wanted white; shape (3,).

    The gun that carries the largest share of the beam for this white limits a good
    tube, so it must keep the wanted fraction; the others may fall in proportion.
    """
    shares = np.asarray(current_shares, dtype=np.float64)
    needs: Array = minimum_white * shares / float(shares.max())
    return needs


def weak_guns(s: Situation) -> tuple[int, ...]:
    """Guns worth treating: those that read low, believed or not, and unread ones that are likely as low."""
    limit = s.knowledge.value("emission_good")
    if not any(s.condition.read):
        return ()
    median = np.median(s.condition.relative_emission, axis=0)
    # A low reading asks for a remedy whether the cathode or a contact is to blame.
    return tuple(g for g in range(3) if np.fmin(median[g], s.shown[g]) < limit)


def _as_it_is(s: Situation, natural: Floats, weak: tuple[int, ...], ends: dict[str, Array]) -> list[Outcome]:
    """Leaving the tube, tracking the white anew, and hotter cathodes as the last resort."""
    k = s.knowledge
    emission = s.condition.relative_emission
    tinted = {sy.id for sy in s.case.symptoms if sy.present} & TINTS or any(
        t.outcome == "improved" for t in s.case.treatments
    )
    # A picture that shows no tint is tracked as it stands; a seen one, or a fresh treatment, asks for close guns.
    holds = k.value("balance_good" if tinted else "balance_trackable")
    medians = np.median(emission[:, list(s.condition.read)] if any(s.condition.read) else emission, axis=0)
    balanced = np.full(emission.shape[0], medians.min() / medians.max() >= holds)
    everywhere = np.ones(emission.shape[0], dtype=bool)
    choices = [
        ("leave", natural, balanced, 0.0),
        ("adjust", natural, everywhere, k.value("adjust_hours") * s.prices.rate_per_h),
    ]
    outcomes: list[Outcome] = []
    why_no_boost = _why_no_boost(s, weak)
    if why_no_boost:
        outcomes.append(unavailable("boost_heater", s, why_no_boost))
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
                success=float((years > 0).mean()),
                spend=spend,
                risk_of_loss=0.0,
            )
        )
    return outcomes


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


def _replacements(s: Situation, ends: dict[str, Array]) -> list[Outcome]:
    k, prices = s.knowledge, s.prices
    outcomes: list[Outcome] = []
    particles, each = s.futures.shape
    if prices.swap_tube is not None:
        years = years_of(donor_hours(s.futures, s.needed, k), s.futures, treated=False)
        fits = s.rng.random((particles, each), dtype=np.float32) < k.value("swap_success")
        years *= fits
        # A donor's fate doesn't depend on this tube: one number for all particles.
        loss = float(shortfall(years, s, same_tube=False).mean()) + prices.swap_tube
        ends["swap_tube"] = np.full(particles, loss)
        outcomes.append(
            Outcome(
                id="swap_tube",
                guns=(),
                years=years,
                success=float((years > 0).mean()),
                spend=prices.swap_tube,
                risk_of_loss=0.0,
            )
        )
    else:
        outcomes.append(unavailable("swap_tube", s, "no price of another tube given, so none can be had"))
    if prices.replace_display is not None:
        # Another display is a used one as well: its tube wears like a donor's.
        years = years_of(donor_hours(s.futures, s.needed, k), s.futures, treated=False)
        outcomes.append(
            Outcome(
                id="replace_display",
                guns=(),
                years=years,
                success=float((years > 0).mean()),
                spend=prices.replace_display,
                risk_of_loss=0.0,
            )
        )
        ends["replace_display"] = np.full(
            particles, prices.replace_display + float(shortfall(years, s, same_tube=False).mean())
        )
    else:
        outcomes.append(unavailable("replace_display", s, "no price of another display given, so none can be had"))
    none = np.zeros((particles, each), dtype=np.float32)
    outcomes.append(Outcome(id="retire", guns=(), years=none, success=0.0, spend=prices.retire, risk_of_loss=0.0))
    without = prices.retire + prices.worth
    if "replace_display" in ends:
        # Who names the price of another display wants one: doing without is never the cheaper way to have it.
        without = max(without, k.value("doing_without_factor") * float(ends["replace_display"][0]))
    ends["retire"] = np.full(particles, without)
    return outcomes


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


def play_remedy(s: Situation, natural: Floats, remedy: Remedy, guns: tuple[int, ...]) -> Outcome:
    """Removing an obstacle as an option of its own: then the tube goes on as it is."""
    luck = s.rng.random(s.futures.shape, dtype=np.float32)
    years = years_of(natural, s.futures, treated=False) * (luck < remedy.success)
    return Outcome(
        id=remedy.kind,
        guns=guns,
        years=years,
        success=float((years > 0).mean()),
        spend=bench_spend(s, remedy.kind, 1),
        risk_of_loss=remedy.loss,
    )
