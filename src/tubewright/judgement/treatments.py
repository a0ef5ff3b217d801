"""The treatments of the cathodes, each played out over all futures."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tubewright.case import GUNS, TreatmentKind
from tubewright.judgement.life import (
    Floats,
    treated_hours,
    years_of,
)
from tubewright.judgement.situation import (
    LADDER,
    SHARED_HEATER,
    Array,
    Outcome,
    Rung,
    Situation,
    bench_spend,
    shortfall,
)


def play_treatments(
    s: Situation, natural: Floats, weak: tuple[int, ...], leave: Array
) -> tuple[list[Rung], list[Outcome]]:
    """Every rung of the ladder for the weak guns, as a rung and as an option of its own."""
    luck = s.rng.random(s.futures.shape, dtype=np.float32)
    response = s.rng.standard_normal(s.condition.particles) * s.knowledge.value("response_spread")
    earlier = earlier_treatments(s)
    wants = _wants(s, weak)
    base_years = years_of(natural, s.futures, treated=False)
    played: dict[float, Floats] = {}
    rungs: list[Rung] = []
    outcomes: list[Outcome] = []
    for kind in LADDER:
        success, risk = _chances(kind, s, weak, wants, response, earlier)
        if kind == "clean_contacts":
            years, after = base_years, leave
        else:
            count = earlier + s.knowledge.treatments[kind].counts_as - 1.0
            if count not in played:
                hours = treated_hours(
                    s.condition, s.futures, s.needed, weak, s.knowledge, earlier=count, lasting=s.condition.poisoned
                )
                played[count] = years_of(hours, s.futures, treated=True)
            years = played[count]
            after = shortfall(years, s)
        spend = bench_spend(s, kind, 1 if kind in SHARED_HEATER else len(weak))
        works = luck < success[:, None].astype(np.float32)
        fails = luck > (1 - risk[:, None]).astype(np.float32)
        mixed = np.where(works, years, np.where(fails, np.float32(0), base_years))
        why_not = _why_not(kind, s, weak, earlier)
        outcomes.append(
            Outcome(
                id=kind,
                guns=weak,
                years=mixed,
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
    risk = 1.0 - (1.0 - odds.loss) ** (1 if kind in SHARED_HEATER else len(weak))
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
