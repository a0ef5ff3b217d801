"""Draws simulated tubes as they arrive at a bench, each with its hidden truth.

The figures are those of arcade-type displays reaching a bench: of 1000 about 550
strong or good, 200 fair, 150 weak but partly recoverable, 50 weak and not worth
it, 50 scrap (estimate, from memory). What a person would write down of a tube is
:func:`tubewright.simulate.tube_visit.bench_visit`; what treatments do to it,
:func:`tubewright.simulate.tube_acts.act`; how long it lasts,
:func:`tubewright.simulate.tube_life.live`.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final, Literal, TypeVar

import numpy as np

from tubewright.simulate.tube_truth import (
    NEW_SUPPLY_LOG,
    REFERENCE_CUTOFF_V,
    RINGS,
    WHITE_SHARE,
    Array,
    Elsewhere,
    HardStop,
    Owner,
    SimulatedTube,
    relative_emission_truth,
    ring_demand,
)

Kind = TypeVar("Kind", bound=str)

HALF_EMISSION_HOURS: Final = 19_000.0  # common practice: 15 to 25 kh to half emission
WEAR_AT_HALF_LOG: Final = 3.9  # derived: where the ring model has lost half its emission (checked in tests)
WHITE_POINTS: Final[tuple[Literal["D65", "9300K", "9300K+27MPCD"], ...]] = ("D65", "9300K", "9300K+27MPCD")
STOPS_PER_1000: Final[dict[HardStop, float]] = {
    "air": 8,
    "neck_cracked": 14,
    "heater_open": 11,
    "cathode_open": 9,
    "mask_bent": 8,
}
"""Source: from memory (estimate); 50 of 1000 are scrap by a hard stop, shared out by the trade's own ratios."""
ELSEWHERE_PER_1000: Final[dict[Elsewhere, float]] = {
    "g2_low": 20,
    "heater_feed_low": 12,
    "bplus_low": 20,
    "socket_dirty": 30,
    "video_channel_weak": 30,
}
"""Source: from memory (estimate); causes outside the tube that make it look weak, per 1000 displays."""


def draw_tube(rng: np.random.Generator) -> SimulatedTube:
    """A display as it might come to the bench; the same generator state gives the same tube."""
    owner = draw_owner(rng)
    half_hours = HALF_EMISSION_HOURS * np.exp(0.25 * rng.standard_normal() + 0.20 * rng.standard_normal(3))
    wear_per_kh = WEAR_AT_HALF_LOG / (half_hours / 1000.0)
    # Arcade displays ran for years before anybody asks; homes' tubes are fresher. From memory (estimate).
    service_hours = float(np.clip(10_000 * np.exp(0.60 * rng.standard_normal()), 200, 80_000))
    idle_years = float(rng.choice([0.0, rng.gamma(2.0, 3.0)], p=[0.72, 0.28]))
    wear = wear_per_kh * service_hours / 1000.0 * np.exp(0.10 * rng.standard_normal(3))

    restorations = int(rng.choice([0, 1, 2], p=[0.82, 0.14, 0.04])) if wear.max() > 1.5 else 0
    gain = np.zeros(3)
    activator = np.clip(rng.normal(0.8, 0.15, 3), 0.2, 1.0)
    if restorations:
        treated = wear > 0.8 * wear.max()
        gain[treated] = rng.gamma(2.0, 0.15, int(treated.sum()))
        activator[treated] *= 0.65**restorations

    # Standing idle poisons a surface about as the square root of the years; tubes differ much. From memory (estimate).
    poison = 0.25 * np.sqrt(idle_years) * np.exp(0.8 * rng.standard_normal() + 0.4 * rng.standard_normal(3))
    stop: HardStop = _one_of(STOPS_PER_1000, "none", rng)
    elsewhere: Elsewhere = _one_of(ELSEWHERE_PER_1000, "none", rng)
    one_gun = elsewhere in {"socket_dirty", "video_channel_weak"}
    severity = {"g2_low": (0.45, 0.75), "heater_feed_low": (0.78, 0.90), "bplus_low": (0.85, 0.95)}.get(
        elsewhere, (0.1, 0.6)
    )
    share = np.array(WHITE_SHARE[owner.white_point]) * np.exp(0.05 * rng.standard_normal(3))
    lost = np.zeros(3, dtype=np.bool_)
    if stop in {"air", "heater_open"}:
        lost[:] = True
    elif stop == "cathode_open":
        lost[rng.integers(3)] = True
    common_cutoff = REFERENCE_CUTOFF_V * np.exp(0.12 * rng.standard_normal())
    tube = SimulatedTube(
        # Guns of one tube spread up to 1.25 to 1 when new (from memory); a worn coating widens the gap a little.
        cutoff_v=common_cutoff * np.exp(0.07 * rng.standard_normal(3)) * (1.0 - 0.02 * np.minimum(wear, 4.0)),
        supply_log=NEW_SUPPLY_LOG + 0.25 * rng.standard_normal() + 0.15 * rng.standard_normal(3),
        spread_log=_centred(rng.uniform(0.3, 0.7) * rng.standard_normal((3, RINGS))),
        pace=_pace(rng),
        # 1.0 to 1.5 eV from memory. No ring above 1.36, where the coldest exponent below still keeps 0.48 of the
        # supply at -10 % heater: the floor that the trade gives for a wholly spent gun.
        work_function_ev=np.minimum(
            rng.normal(1.24, 0.06) + 0.03 * rng.standard_normal((3, 1)) + 0.04 * rng.standard_normal((3, RINGS)), 1.36
        ),
        knee=rng.uniform(3.0, 8.0, 3),
        temperature_exponent=float(rng.uniform(0.37, 0.40)),
        wear_log=wear,
        poison_log=poison,
        poison_is_hard=rng.random(3) < 0.25,
        film_log=rng.gamma(0.7, 0.22, 3),
        gain_log=gain,
        gain_hold_hours=np.full(3, 2000.0),
        activator=activator,
        wear_per_kh=wear_per_kh,
        leak_heater_cathode_mohm=_leakages(rng, short=0.004, leaky=0.004),
        leak_cathode_grid1_mohm=_leakages(rng, short=0.0027, leaky=0.003),
        leak_grid1_grid2_mohm=float(rng.uniform(0.5, 10) if rng.random() < 0.005 else rng.uniform(80, 1000)),
        gas_ua=float(rng.uniform(1.1, 6.0) if rng.random() < 0.008 else rng.gamma(1.0, 0.03)),
        lost=lost,
        heater_v=6.3 if rng.random() < 0.95 else 12.0,
        set_heater_ratio=float(np.clip(rng.normal(0.99, 0.025), 0.92, 1.08)),
        boosted_ratio=1.0,
        heater_isolated=False,
        elsewhere=elsewhere,
        elsewhere_gun=int(rng.integers(3)) if one_gun else -1,
        elsewhere_left_share=float(rng.uniform(*severity)),
        white_share=share / share.sum(),
        tracked_emission=np.ones(3),
        service_hours=service_hours,
        idle_years=idle_years,
        restorations=restorations,
        burn=float(np.clip(rng.beta(1.0, 9.0) if rng.random() < 0.35 else 0.0, 0.0, 0.8)),
        stop=stop,
        owner=owner,
    )
    # The grey scale was set some time in the tube's life; in three sets of ten lately. From memory (estimate).
    then = 1.0 if rng.random() < 0.3 else float(rng.uniform(0.3, 1.0))
    young = replace(tube, wear_log=wear * then, poison_log=np.zeros(3), lost=np.zeros(3, dtype=np.bool_))
    return replace(tube, tracked_emission=relative_emission_truth(young))


def draw_owner(rng: np.random.Generator) -> Owner:
    """Wishes and prices of one owner. Source: from memory (estimate), arcade operators and homes."""
    operator = rng.random() < 0.45
    return Owner(
        hours_per_week=float(rng.choice([40.0, 60.0, 84.0] if operator else [3.0, 5.0, 8.0, 12.0])),
        keep_years=float(rng.choice([1.0, 2.0, 3.0] if operator else [3.0, 5.0, 8.0])),
        minimum_white=float(rng.choice([0.4, 0.5, 0.6])),
        white_point=WHITE_POINTS[int(rng.choice(3, p=[0.45, 0.40, 0.15]))],
        bench_rate_per_hour=float(rng.choice([0.0, 20.0, 45.0, 70.0], p=[0.25, 0.2, 0.35, 0.2])),
        replacement_tube_price=None if rng.random() < 0.35 else float(np.round(rng.uniform(40, 300), -1)),
        replacement_display_price=None if rng.random() < 0.15 else float(np.round(rng.uniform(120, 600), -1)),
        parts_worth=float(rng.choice([0.0, 20.0, 60.0, 100.0])),
    )


def _one_of(per_1000: dict[Kind, float], otherwise: Kind, rng: np.random.Generator) -> Kind:
    """One of the rare kinds, by its share of 1000; otherwise the common one."""
    thrown = 1000.0 * rng.random()
    for kind, share in per_1000.items():
        if thrown < share:
            return kind
        thrown -= share
    return otherwise


def _centred(log: Array) -> Array:
    """Shift logs so that each gun's mean supply, not its median, stays what was asked."""
    return np.asarray(log - np.log(np.exp(log).mean(axis=-1, keepdims=True)), dtype=np.float64)


def _pace(rng: np.random.Generator) -> Array:
    """Rings wear as they are loaded, and as they happen to; the mean is 1."""
    loaded = 0.5 + 0.5 * ring_demand() * RINGS
    pace = loaded * np.exp(rng.uniform(0.6, 1.1) * rng.standard_normal((3, RINGS)))
    return np.asarray(pace / pace.mean(axis=-1, keepdims=True), dtype=np.float64)


def _leakages(rng: np.random.Generator, *, short: float, leaky: float) -> Array:
    """Leakage resistances of three guns, Mohm; chances are per gun (from memory, estimate)."""
    kind = rng.random(3)
    sound = rng.uniform(30.0, 500.0, 3)
    return np.where(kind < short, 0.01, np.where(kind < short + leaky, np.exp(rng.uniform(-2.5, 0.0, 3)), sound))
