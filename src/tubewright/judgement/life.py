"""Futures: how long a picture stays good enough, for every particle many times over.

One set of random numbers serves every option, so that options differ by what they
do and not by luck. Emission follows the reserve, which falls by the factor e in
each wear time; a treated gun loses its gain over the hold; the calendar and plain
accident end what wear spares. All arrays have shape (particles, futures each).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tubewright.judgement.condition import Condition
from tubewright.judgement.learning import Learned
from tubewright.knowledge.model import Knowledge
from tubewright.physics.cathode import emission_fraction, supply_ratio

Floats = NDArray[np.float32]
Array = NDArray[np.float64]

WEEKS_PER_YEAR = 365.25 / 7
"""Weeks in a mean year (Julian year of 365.25 days)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Futures:
    """The shared random course of things.

    ``wear_time_h`` has shape (3, particles, futures), all else (particles, futures).
    ``target`` is the relative emission a useful treatment stops at.
    """

    wear_time_h: Floats
    hold_h: Floats
    calendar_years: Floats
    idle_years: Floats
    accident_h: Floats
    target: Floats
    donor_wear: Floats
    donor_wear_time_h: Floats
    hours_per_year: float

    @property
    def shape(self) -> tuple[int, int]:
        """Particles, futures of each."""
        return self.hold_h.shape[0], self.hold_h.shape[1]


def draw_futures(
    condition: Condition,
    knowledge: Knowledge,
    learned: Learned,
    rng: np.random.Generator,
    *,
    each: int,
    hours_per_week: float,
) -> Futures:
    """Draw the shared random numbers.

    Args:
        condition: The particles.
        knowledge: The trade's constants.
        learned: Hold and wear with the shop's experience weighed in.
        rng: Source of randomness.
        each: Futures of each particle.
        hours_per_week: The owner's use.
    """
    shape = (condition.particles, each)

    def lognormal(median: float, spread_ln: float) -> Floats:
        z = rng.standard_normal(shape, dtype=np.float32)
        z *= np.float32(spread_ln)
        np.exp(z, out=z)
        z *= np.float32(median)
        return z

    wear = np.empty((3, *shape), dtype=np.float32)
    base = condition.wear_time_h.astype(np.float32)[:, None]
    for g in range(3):
        np.multiply(lognormal(1.0, knowledge.value("wear_time_gun_spread")), base, out=wear[g])
    target = rng.standard_normal(shape, dtype=np.float32)
    target *= np.float32(knowledge.value("treated_target_spread"))
    target += np.float32(knowledge.value("treated_target"))
    accident = rng.standard_exponential(shape, dtype=np.float32)
    accident /= np.float32(knowledge.value("tube_failure_per_h"))
    return Futures(
        wear_time_h=wear,
        hold_h=lognormal(learned.hold_h, learned.hold_spread_ln),
        calendar_years=lognormal(knowledge.value("tube_calendar_years"), knowledge.value("tube_calendar_spread")),
        idle_years=lognormal(knowledge.value("idle_calendar_years"), knowledge.value("idle_calendar_spread")),
        accident_h=accident,
        target=target,
        donor_wear=lognormal(knowledge.value("donor_wear"), knowledge.value("donor_wear_spread")),
        donor_wear_time_h=lognormal(learned.wear_time_h, learned.wear_time_spread_ln),
        hours_per_year=hours_per_week * WEEKS_PER_YEAR,
    )


def untreated_hours(
    condition: Condition, futures: Futures, needed: Array, *, reserve_factor: float | Array = 1.0, pace: float = 1.0
) -> Floats:
    """Service hours until a gun falls under what the owner's white needs of it.

    Args:
        condition: The particles.
        futures: The shared random course.
        needed: Relative emission that each gun must keep, shape (3,).
        reserve_factor: Reserve over today's, for a permanently boosted heater.
        pace: How many times faster the cathodes wear, for the same.

    Returns:
        Hours, shape (particles, futures); 0 where a gun is under it already.
    """
    least: Floats | None = None
    for g in range(3):
        margin = _wear_margin(condition, g, float(needed[g]), reserve_factor)
        hours = futures.wear_time_h[g] * (margin / pace).astype(np.float32)[:, None]
        least = hours if least is None else np.minimum(least, hours, out=least)
    assert least is not None  # noqa: S101 - there are three guns
    return least


def treated_hours(
    condition: Condition,
    futures: Futures,
    needed: Array,
    treated: tuple[int, ...],
    knowledge: Knowledge,
    *,
    earlier: float,
    lasting: NDArray[np.bool_] | None = None,
) -> Floats:
    """Service hours after a useful treatment of some guns; the others wear as they are.

    Args:
        condition: The particles.
        futures: The shared random course.
        needed: Relative emission that each gun must keep, shape (3,).
        treated: Indices of the treated guns.
        knowledge: The trade's constants.
        earlier: Treatments the tube has had already; each shortens the hold.
        lasting: Whether a particle keeps its gain as a new gun keeps its own (poison
            driven out, not coating stripped); shape (particles,).

    Returns:
        Hours, shape (particles, futures).
    """
    least: Floats | None = None
    good = knowledge.value("reserve_of_good_gun")
    start, end = knowledge.value("hold_from"), knowledge.value("hold_to")
    fall = _logit(start, good) - _logit(end, good)
    shrink = knowledge.value("later_treatment_share") ** earlier
    others = [g for g in range(3) if g not in treated]
    for g in others:
        margin = _wear_margin(condition, g, float(needed[g]), 1.0)
        hours = futures.wear_time_h[g] * margin.astype(np.float32)[:, None]
        least = hours if least is None else np.minimum(least, hours, out=least)
    worst = max(float(needed[g]) for g in treated)
    level = np.clip(futures.target, 0.05, 0.98)
    level *= np.float32(good / (1 + good))
    drop = np.log(level / (1 - level))
    drop -= np.float32(_logit(min(max(worst, 1e-3), 0.98), good))
    np.maximum(drop, 0, out=drop)
    drop *= np.float32(shrink / fall)
    gained: Floats = drop * futures.hold_h
    if lasting is not None:
        natural = drop * np.float32(fall / shrink) * futures.wear_time_h[treated[0]]
        gained = np.where(lasting[:, None], np.maximum(natural, gained), gained)
    return gained if least is None else np.minimum(least, gained)


def boosted_hours(condition: Condition, futures: Futures, needed: Array, knowledge: Knowledge) -> Floats:
    """Service hours with the heater permanently a little above rated.

    Returns:
        Hours, shape (particles, futures).
    """
    ratio = knowledge.value("boost_heater_ratio")
    supply = np.asarray(supply_ratio(ratio, 1.0, condition.work_function_ev), dtype=np.float64)
    # The trade's figure is for ten per cent; wear is taken as exponential in heater voltage between.
    pace = knowledge.value("boost_life_divisor") ** ((ratio - 1.0) / 0.10)
    return untreated_hours(condition, futures, needed, reserve_factor=supply, pace=pace)


def years_of(hours: Floats, futures: Futures, *, treated: bool) -> Floats:
    """Calendar years until wear, the calendar or an accident ends it; 0 stays 0.

    Args:
        hours: Service hours until the picture is no longer good enough.
        futures: The shared random course.
        treated: Whether idleness threatens the gain of a treatment.
    """
    years = np.minimum(hours, futures.accident_h)
    years /= np.float32(futures.hours_per_year)
    np.minimum(years, futures.idle_years if treated else futures.calendar_years, out=years)
    years[hours <= 0] = 0
    return years


def donor_hours(futures: Futures, needed: Array, knowledge: Knowledge) -> Floats:
    """Service hours of a donor tube chosen by its readings; shape (particles, futures).

    Its guns wear together; its past is the trade's, its future the same as any tube's.
    """
    good = knowledge.value("reserve_of_good_gun")
    worst = min(max(float(needed.max()) * float(emission_fraction(good)), 1e-3), 0.98)
    margin = math.log(good) - math.log(worst / (1 - worst))
    hours: Floats = np.maximum(np.float32(margin) - futures.donor_wear, 0) * futures.donor_wear_time_h
    return hours


def _wear_margin(condition: Condition, g: int, needed: float, reserve_factor: float | Array) -> Array:
    """Wear times until the gun gives no more than needed; 0 if it doesn't now; shape (particles,)."""
    fraction = needed * condition.good_fraction / condition.gain[:, g]
    # Invert the blend: fraction = (1 + reserve**-n)**(-1/n).
    inside = np.where(fraction < 1, fraction, 0.999999) ** -condition.knee - 1.0
    lowest_ln = -np.log(np.maximum(inside, 1e-12)) / condition.knee
    margin = np.log(condition.reserve[:, g] * reserve_factor) - lowest_ln
    margin[fraction >= 1] = 0.0
    return np.maximum(margin / condition.fall, 0.0)


def _logit(relative_emission: float, good_reserve: float) -> float:
    fraction = relative_emission * good_reserve / (1 + good_reserve)
    return math.log(fraction / (1 - fraction))
