"""What each option takes: bench time with its spread, and what must be bought for it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, get_args

from tubewright.case import Costs, Gun, TreatmentKind
from tubewright.judgement.situation import SHARED_HEATER
from tubewright.knowledge.model import FaultCause, Knowledge

LABOUR_LOG_SD: Final = 0.25  # from memory, an estimate
BOUND_Z: Final = 1.2815515655446004  # published, normal-law: 90 % point
LEAST_SUSPECT: Final = 0.05  # common practice: less likely suspects aren't quoted for

_CREDIT: Final = "Credit for the old display's parts"
GIVES_UP: Final = frozenset({"replace_display", "retire"})
"""Options after which this display isn't repaired."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """Bench time of one piece of work: what it usually takes, and whether that may vary."""

    key: str
    words: str
    minutes: float
    varies: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Goods:
    """Something bought or credited; ``price`` None where nobody gave one. A credit to the owner bears no tax."""

    key: str
    words: str
    price: float | None
    taxed: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Effort:
    """What an option takes. ``unknown`` names what can't be told before the work, in words."""

    works: tuple[Work, ...] = ()
    goods: tuple[Goods, ...] = ()
    unknown: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Range:
    """Minutes: nine in ten jobs take more than ``low_minutes``, one in ten more than ``high_minutes``."""

    low_minutes: float
    likely_minutes: float
    high_minutes: float


def effort_of(option: str, guns: Sequence[Gun], costs: Costs, knowledge: Knowledge) -> Effort:
    """What an option of the verdict takes, by the same hours as the verdict reckons with.

    Args:
        option: Its id; ``find_fault_first`` is :func:`search_effort`'s.
        guns: The guns it is done to.
        costs: What the owner has to pay for another tube or display.
        knowledge: The trade's hours.
    """
    if option in get_args(TreatmentKind):
        facts = knowledge.treatments[option]
        visits = 1 if option in SHARED_HEATER or not guns else len(guns)
        return Effort(
            works=(
                Work(key=f"work:{option}", words=facts.name, minutes=facts.attended_minutes * visits),
                Work(
                    key="work:read_again",
                    words="Read all guns again afterwards",
                    minutes=knowledge.value("look_after_minutes"),
                ),
            )
        )
    old = costs.parts_value or 0.0
    credit = (Goods(key="goods:old_parts", words=_CREDIT, price=-old, taxed=False),) if old else ()
    match option:
        case "adjust":
            return Effort(works=(_hours(option, "Set grey scale and screen anew", "adjust_hours", knowledge),))
        case "swap_tube":
            return Effort(
                works=(_hours(option, "Swap the tube and set the picture up", "swap_hours", knowledge),),
                goods=(Goods(key="goods:tube", words="Another tube", price=costs.replacement_tube),),
            )
        case "replace_display":
            return Effort(
                works=(_hours(option, "Fit the other display", "replace_hours", knowledge),),
                goods=(Goods(key="goods:display", words="Another display", price=costs.replacement_display), *credit),
            )
        case "retire":
            return Effort(works=(_hours(option, "Dismantle it safely", "retire_hours", knowledge),), goods=credit)
        case _:
            return Effort()


def _hours(option: str, words: str, constant: str, knowledge: Knowledge) -> Work:
    return Work(key=f"work:{option}", words=words, minutes=60 * knowledge.value(constant))


@dataclass(frozen=True, slots=True, kw_only=True)
class SuspectWork:
    """A suspect of the search: its chance, and what mending it takes if it is the one."""

    fault: FaultCause
    probability: float


def search_range(suspects: Sequence[SuspectWork], search_minutes: float) -> Range | None:
    """Bench time of finding and mending what is wrong, over the suspects by their chances.

    Args:
        suspects: Suspects with their chances; unlikely ones don't count.
        search_minutes: What the next test takes, with the way to it.

    Returns:
        The range, None where there is no suspect to speak of.
    """
    likely = sorted((s for s in suspects if s.probability >= LEAST_SUSPECT), key=lambda s: s.fault.minutes)
    whole = sum(s.probability for s in likely)
    if not likely or whole <= 0:
        return None
    middle = _quantile(likely, 0.5 * whole)
    # The time of each suspect varies on its own, too.
    low = _quantile(likely, 0.1 * whole) * math.exp(-BOUND_Z * LABOUR_LOG_SD)
    high = _quantile(likely, 0.9 * whole) * math.exp(BOUND_Z * LABOUR_LOG_SD)
    return Range(
        low_minutes=search_minutes + low, likely_minutes=search_minutes + middle, high_minutes=search_minutes + high
    )


def _quantile(ordered: Sequence[SuspectWork], share: float) -> float:
    """The time that suspects of this much chance together don't exceed."""
    heaped = 0.0
    for one in ordered:
        heaped += one.probability
        if heaped >= share:
            return one.fault.minutes
    return ordered[-1].fault.minutes


def needs_parts(fault: FaultCause) -> bool:
    """Whether mending a fault takes parts at all."""
    return any(one != "c0" for one in fault.parts)


def time_range(works: Sequence[Work]) -> Range:
    """What several pieces of work take together, their times independent of each other.

    Each follows a logarithmic normal law about its usual time. Their sum is taken for such a
    law of the same mean and variance, which is close for so narrow ones.

    >>> one = time_range([Work(key="", words="", minutes=60.0)])
    >>> round(one.low_minutes), one.likely_minutes, round(one.high_minutes)
    (44, 60.0, 83)
    """
    likely = sum(work.minutes for work in works)
    sure = sum(work.minutes for work in works if not work.varies)
    square = LABOUR_LOG_SD**2
    mean = sum(work.minutes for work in works if work.varies) * math.exp(square / 2)
    variance = sum(work.minutes**2 for work in works if work.varies) * math.exp(square) * math.expm1(square)
    if mean <= 0:
        return Range(low_minutes=likely, likely_minutes=likely, high_minutes=likely)
    log_variance = math.log1p(variance / mean**2)
    middle, sd = math.log(mean) - log_variance / 2, math.sqrt(log_variance)
    return Range(
        low_minutes=min(likely, sure + math.exp(middle - BOUND_Z * sd)),
        likely_minutes=likely,
        high_minutes=max(likely, sure + math.exp(middle + BOUND_Z * sd)),
    )
