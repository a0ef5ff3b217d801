"""What every option is played out in, and what comes of one.

An outcome says how long the picture stays good enough and what it costs; a rung is
the same treatment as a ladder of plans sees it: chance of success, chance of loss
and what remains missing afterwards, for every particle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tubewright.case import Case, TreatmentKind
from tubewright.judgement.condition import Condition
from tubewright.judgement.learning import Learned
from tubewright.judgement.life import (
    Floats,
    Futures,
)
from tubewright.judgement.money import Prices
from tubewright.judgement.obstacles import Obstacle
from tubewright.knowledge.model import Knowledge

Array = NDArray[np.float64]

SHARED_HEATER: frozenset[TreatmentKind] = frozenset({"clean_contacts", "soak", "run_in", "short_boost"})
"""Treatments that all guns get at once; the bench time counts once."""

LADDER: tuple[TreatmentKind, ...] = ("clean_contacts", "soak", "run_in", "short_boost", "clean", "activate")
"""Treatments of the cathode, lowest energy first."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outcome:
    """One option over all futures: years good enough, shape (particles, futures), and its money."""

    id: str
    guns: tuple[int, ...]
    years: Floats
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
    """All that the plans depend on, gathered once.

    ``needed`` is the relative emission each gun must keep, ``shown`` what each gun
    reads at face value (NaN where unread); both of shape (3,).
    """

    case: Case
    condition: Condition
    futures: Futures
    knowledge: Knowledge
    learned: Learned
    prices: Prices
    needed: Array
    shown: Array
    keep_years: float
    hard_stops: tuple[str, ...]
    obstacles: tuple[Obstacle, ...]
    rng: np.random.Generator


def shortfall(years: Floats, s: Situation, *, same_tube: bool = True) -> Array:
    """Expected loss per particle for missing years and for a burnt-in picture; shape (particles,)."""
    kept = np.minimum(years, np.float32(s.keep_years)).mean(axis=1, dtype=np.float64)
    # A burnt picture is worth less for as long as it is kept: as much as it has lost of its light.
    spared = 1.0 - (s.case.tube.burn or 0.0) if same_tube else 1.0
    missing: Array = s.prices.fallback * (1.0 - spared * kept / s.keep_years)
    return missing


def bench_spend(s: Situation, kind: TreatmentKind, visits: int) -> float:
    """Bench time of a treatment, and of reading all guns again after it, in money."""
    minutes = s.knowledge.treatments[kind].attended_minutes * visits + s.knowledge.value("look_after_minutes")
    return minutes / 60 * s.prices.rate_per_h


def unavailable(kind: str, s: Situation, why_not: str) -> Outcome:
    """An option that is not open, and why."""
    none = np.zeros(s.futures.shape, dtype=np.float32)
    return Outcome(id=kind, guns=(), years=none, success=0.0, spend=0.0, risk_of_loss=0.0, why_not=why_not)
