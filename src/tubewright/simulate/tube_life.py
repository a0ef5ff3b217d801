"""How long a simulated tube lasts in its owner's hands."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from tubewright.simulate.tube_truth import (
    Array,
    SimulatedTube,
    good_enough,
    gun_current,
    heater_ratio_in_set,
    reference_current,
    ring_supply,
    usable,
    white_in_set_truth,
    white_of,
)

HORIZON_YEARS: Final = 40.0
"""Nobody is told more than this, and glass and seals have the last word anyway."""
WEEKS_PER_YEAR: Final = 52.0
LOSSES_PER_KH: Final = 0.0096  # from memory: handbook rate for CRTs, 9.6 per million hours, fixed ground
LOSSES_PER_YEAR: Final = 0.006  # from memory (estimate): knocks, damp, arcs, seals, whatever the hours
GAIN_HOLD_YEARS: Final = 9.0  # from memory (estimate): idle gas takes a gain in 5 to 10 years at few hours
POISON_PER_IDLE_YEAR: Final = 0.05  # from memory (estimate): a tube used a few hours a week poisons slowly
BOOST_WEAR: Final = 2.8  # from memory (estimate): life 2 to 4 times shorter per +10 % heater
GRID: Final = HORIZON_YEARS * np.linspace(0.0, 1.0, 33) ** 2


def live(tube: SimulatedTube, hours_per_week: float, rng: np.random.Generator) -> float:
    """Years until the white in the set is less than the owner wants, or the tube is lost; 0 if it is too poor now."""
    return float(live_many([tube], hours_per_week, rng)[0])


def live_many(tubes: Sequence[SimulatedTube], hours_per_week: float, rng: np.random.Generator) -> Array:
    """Play one future for each of several tubes.

    Args:
        tubes: Tubes, each at the start of its future.
        hours_per_week: Hours the display runs.
        rng: Where chance comes from.

    Returns:
        Years, (n,), 0 to 40. An open fault outside the tube counts as it does on
        the screen: what is too dark today has no years.
    """
    count = len(tubes)
    kh_per_year = hours_per_week * WEEKS_PER_YEAR / 1000.0
    lost_at = rng.exponential(1.0, count) / (LOSSES_PER_KH * kh_per_year + LOSSES_PER_YEAR)
    pace = np.exp(0.15 * rng.standard_normal((count, 1)))  # the future is not quite like the past
    hold_years = GAIN_HOLD_YEARS * np.exp(0.4 * rng.standard_normal((count, 1)))
    idleness = 5.0 / (5.0 + hours_per_week)
    poison_rate = POISON_PER_IDLE_YEAR * idleness * np.exp(0.7 * rng.standard_normal((count, 1)))
    years = np.minimum(lost_at, HORIZON_YEARS)
    for place, tube in enumerate(tubes):
        if not good_enough(tube):
            years[place] = 0.0
            continue
        ends = _fades_at(
            tube, kh_per_year, float(pace[place, 0]), float(hold_years[place, 0]), float(poison_rate[place, 0])
        )
        years[place] = min(years[place], ends)
    return years


def white_after(
    tube: SimulatedTube, years: Array, *, kh_per_year: float, pace: float, hold_years: float, poison_rate: float
) -> Array:
    """White in the set after so many calendar years, (n,), with given luck and nothing lost; never rises."""
    if not usable(tube):
        return np.zeros_like(years)
    share = tube.white_share
    t = np.asarray(years, dtype=np.float64)[:, None]
    heater = heater_ratio_in_set(tube)
    boost = BOOST_WEAR ** max((heater - 1.0) / 0.10, -0.5)
    wear = tube.wear_log + tube.wear_per_kh * kh_per_year * pace * boost * t
    used_up = t * kh_per_year * 1000.0 * boost / tube.gain_hold_hours + t / hold_years
    gain = tube.gain_log * np.maximum(1.0 - used_up, 0.0)
    lift = gain - tube.poison_log - poison_rate * t - tube.film_log
    white = white_of(_emission(ring_supply(tube, wear_log=wear, lift_log=lift, heater_ratio=heater), tube.knee), share)
    if tube.elsewhere == "none":
        return white
    sound_now = float(white_of(_emission(ring_supply(tube, heater_ratio=heater), tube.knee), share))
    return white * (white_in_set_truth(tube) / max(sound_now, 1e-9))  # the fault dims it now and later alike


def _emission(supply: Array, knee: Array) -> Array:
    return gun_current(supply, 1.0, knee) / reference_current()


def _fades_at(tube: SimulatedTube, kh_per_year: float, pace: float, hold_years: float, poison_rate: float) -> float:
    grid = GRID
    white = white_after(tube, grid, kh_per_year=kh_per_year, pace=pace, hold_years=hold_years, poison_rate=poison_rate)
    under = np.flatnonzero(white < tube.owner.minimum_white)
    if under.size == 0:
        return HORIZON_YEARS
    after = int(under[0])
    if after == 0:
        return 0.0
    high, low = float(white[after - 1]), float(white[after])
    share = (high - tube.owner.minimum_white) / max(high - low, 1e-12)
    return float(grid[after - 1] + share * (grid[after] - grid[after - 1]))
