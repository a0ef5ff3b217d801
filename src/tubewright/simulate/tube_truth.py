"""What a simulated tube hides, and the laws it obeys: the truth behind the readings.

This is deliberately **not** the model that the judgement reckons with, and shares
no code with it. A cathode here is 24 rings of coating, each with its own share of
the space-charge demand, its own supply, its own pace of wear and its own work
function; the knee between the two limits is sharp within one ring and broad only
because the rings differ. Whoever estimates a tube from its readings must cope
with that; a formula that both sides shared could hide a mistake that both sides made.

Currents are relative to the zero-bias current that a reference gun (cutoff 52 V
at 300 V on grid 2) would draw with unlimited supply; "log" quantities are natural
logarithms of supply and so add up.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

RINGS: Final = 24
"""Rings of equal area that a cathode is cut into."""

BOLTZMANN_EV_PER_K: Final = 8.617333e-5  # published: CODATA 2018, Boltzmann constant in eV/K
CATHODE_K: Final = 1050.0  # from memory: oxide cathodes work at 1000 to 1100 K, commonly 1050 K
REFERENCE_CUTOFF_V: Final = 52.0  # common practice: at 300 V on grid 2 a gun cuts off at 45 to 85 V
REFERENCE_G2_V: Final = 300.0  # common practice: usual grid-2 voltage of a tube test
DRIVE_EXPONENT: Final = 1.5  # from memory: the classical zero-bias law, current as cutoff^1.5
NEW_SUPPLY_LOG: Final = float(np.log(18.0))  # from memory (estimate): a new gun's slump at -12 % is then above 0.95
REFERENCE_WEAR: Final = 0.3  # from memory (estimate): "known good" guns have run about 2000 h
WHITE_SHARE: Final[dict[str, tuple[float, float, float]]] = {
    "D65": (0.39, 0.33, 0.28),
    "9300K": (0.31, 0.34, 0.35),
    "9300K+27MPCD": (0.28, 0.38, 0.34),
}
"""Share of the white current each gun (red, green, blue) must bring. Source: from memory (estimate) for P22-class
phosphors; every tube is drawn with its own few percent around it."""

TINT_RATIO: Final = 0.80
"""Guns that have drifted further apart than this since the grey scale was set tint the whites.

Source: common practice, weakest over strongest 0.80 or better needs no tracking.
"""

HardStop = Literal["none", "air", "neck_cracked", "heater_open", "cathode_open", "mask_bent"]
Elsewhere = Literal["none", "g2_low", "heater_feed_low", "bplus_low", "socket_dirty", "video_channel_weak"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Owner:
    """What the owner wants and what things cost them; goes into the case as it stands."""

    hours_per_week: float
    keep_years: float
    minimum_white: float
    white_point: Literal["D65", "9300K", "9300K+27MPCD"]
    bench_rate_per_hour: float
    replacement_tube_price: float | None
    replacement_display_price: float | None
    parts_worth: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SimulatedTube:
    """One display on the bench with everything that nobody can see.

    Arrays of shape (3,) are red, green, blue; of shape (3, 24) gun by ring.

    Attributes:
        cutoff_v: Cutoff at 300 V on grid 2, V, (3,).
        supply_log: Log of a new gun's supply over a reference gun's demand, (3,).
        spread_log: Local deviation of that supply, (3, 24).
        pace: Local pace of wear, about 1, (3, 24).
        work_function_ev: Local work function, eV, (3, 24).
        knee: Exponent of the local blend of supply and demand, 3 (soft) to 8 (sharp), (3,).
        temperature_exponent: Cathode temperature goes as heater voltage to this power.
        wear_log: Supply lost for good, (3,).
        poison_log: Supply lost to residual gas at the surface; mends by heat, (3,).
        poison_is_hard: Whether the poison has bound and does not mend by heat, (3,).
        film_log: Supply lost under a surface film; goes with ion scrubbing, (3,).
        gain_log: Supply won by treatments and lost again as it is used up, (3,).
        gain_hold_hours: Service hours in which that gain drains away, (3,).
        activator: What is left in the nickel to free more barium with, 0..1, (3,).
        wear_per_kh: Supply log lost per 1000 h at rated heater, (3,).
        leak_heater_cathode_mohm, leak_cathode_grid1_mohm: (3,).
        leak_grid1_grid2_mohm: One figure for the tube.
        gas_ua: Reverse grid current, uA.
        lost: Guns that will never emit again, (3,) of bool.
        heater_v: Rated heater, V.
        set_heater_ratio: Heater voltage in the set over rated, when nothing there is at fault.
        boosted_ratio: What a permanent heater boost multiplies it by (1 without).
        heater_isolated: Whether the heater feed floats.
        elsewhere: The fault outside the tube, if any; ``elsewhere_gun`` is the gun it strikes, or -1;
            ``elsewhere_left_share`` what it leaves of grid 2, heater, B+, contact or drive (0..1).
        white_share: Share of the white current each gun must bring, (3,), sums to 1.
        tracked_emission: Relative emission of each gun when the grey scale was last set, (3,).
        service_hours, idle_years, restorations, burn: The tube's history, true figures.
        stop: What makes the tube scrap whatever its cathodes say.
        owner: Wishes and prices.
    """

    cutoff_v: Array
    supply_log: Array
    spread_log: Array
    pace: Array
    work_function_ev: Array
    knee: Array
    temperature_exponent: float
    wear_log: Array
    poison_log: Array
    poison_is_hard: NDArray[np.bool_]
    film_log: Array
    gain_log: Array
    gain_hold_hours: Array
    activator: Array
    wear_per_kh: Array
    leak_heater_cathode_mohm: Array
    leak_cathode_grid1_mohm: Array
    leak_grid1_grid2_mohm: float
    gas_ua: float
    lost: NDArray[np.bool_]
    heater_v: float
    set_heater_ratio: float
    boosted_ratio: float
    heater_isolated: bool
    elsewhere: Elsewhere
    elsewhere_gun: int
    elsewhere_left_share: float
    white_share: Array
    tracked_emission: Array
    service_hours: float
    idle_years: float
    restorations: int
    burn: float
    stop: HardStop
    owner: Owner


@functools.cache
def ring_demand() -> Array:
    """Share of the gun's space-charge demand that falls on each ring, (24,), sums to 1.

    The centre of the cathode sees the strongest field, so it is asked for most.
    Source: from memory, the parabolic field over a gun's working area.
    """
    share = 1.0 - (np.arange(RINGS) + 0.5) / RINGS
    return np.asarray(share / share.sum(), dtype=np.float64)


def supply_ratio(
    heater_ratio: float | Array, *, work_function_ev: float | Array, temperature_exponent: float | Array
) -> Array:
    """Supply at another heater voltage over supply at rated heater (Richardson with T as V^a).

    Args:
        heater_ratio: Heater voltage over rated, above 0; 0.88 is 12 % low.
        work_function_ev: Work function, eV.
        temperature_exponent: The power a, 0.35 to 0.5 by measurement.

    Source: published form (Richardson-Dushman); constants at the top of this module.
    """
    rise = np.asarray(heater_ratio, dtype=np.float64) ** np.asarray(temperature_exponent)
    slope = np.asarray(work_function_ev) / (BOLTZMANN_EV_PER_K * CATHODE_K)
    return np.asarray(rise**2 * np.exp(slope * (1.0 - 1.0 / rise)), dtype=np.float64)


def ring_supply(
    tube: SimulatedTube, *, wear_log: Array | None = None, lift_log: Array | None = None, heater_ratio: float = 1.0
) -> Array:
    """Supply of every ring, (..., 3, 24), on the scale where a reference gun's whole demand is 1.

    Args:
        tube: The tube.
        wear_log: Wear to reckon with instead of the tube's own, (..., 3).
        lift_log: Sum of all that raises or lowers the whole gun (gain, poison, film), (..., 3).
        heater_ratio: Heater voltage over rated.
    """
    wear = tube.wear_log if wear_log is None else wear_log
    lift = tube.gain_log - tube.poison_log - tube.film_log if lift_log is None else lift_log
    heat = supply_ratio(
        heater_ratio, work_function_ev=tube.work_function_ev, temperature_exponent=tube.temperature_exponent
    )
    log_supply = (
        (tube.supply_log[:, None] + tube.spread_log) - wear[..., None] * tube.pace + np.asarray(lift)[..., None]
    )
    return np.asarray(np.exp(log_supply) * heat / RINGS * ~tube.lost[:, None], dtype=np.float64)


def gun_current(supply: Array, demand: Array | float, knee: Array) -> Array:
    """Current of each gun: ring by ring whichever of supply and demand is less, softly.

    Args:
        supply: Ring supplies, (..., 3, 24).
        demand: Whole space-charge demand of each gun, (..., 3) or a number.
        knee: Exponent of the local blend, (3,).

    Returns:
        Current in the scale of the demand, (..., 3). Never above supply or demand.

    Source: published form (Vaughan 1986, sharp-knee blend), from memory.
    """
    asked = np.asarray(demand, dtype=np.float64)[..., None] * ring_demand()
    least = np.minimum(asked, supply)
    most = np.maximum(np.maximum(asked, supply), np.finfo(np.float64).tiny)
    return np.asarray((least * (1.0 + (least / most) ** knee[:, None]) ** (-1.0 / knee[:, None])).sum(axis=-1))


def zero_bias_demand(cutoff_v: Array | float, g2_v: float) -> Array:
    """Space-charge demand at zero bias over that of the reference gun at 300 V.

    Args:
        cutoff_v: Cutoff at 300 V on grid 2, V.
        g2_v: Grid 2 now, V; cutoff follows it in proportion.
    """
    cutoff = np.asarray(cutoff_v, dtype=np.float64) * (g2_v / REFERENCE_G2_V)
    return np.asarray((cutoff / REFERENCE_CUTOFF_V) ** DRIVE_EXPONENT, dtype=np.float64)


@functools.cache
def reference_current() -> float:
    """What the reference gun draws: a known-good gun with the median of everything."""
    rings = np.exp(NEW_SUPPLY_LOG - REFERENCE_WEAR + np.zeros((3, RINGS))) / RINGS
    return float(gun_current(rings, 1.0, np.full(3, 5.0))[0])


def relative_emission_truth(tube: SimulatedTube) -> Array:
    """True relative emission of each gun at rated heater, (3,); 1 for the reference gun.

    The gun's cathode is asked for what the reference gun's geometry asks: cutoff
    no longer matters, only what the cathode can give.
    """
    return gun_current(ring_supply(tube), 1.0, tube.knee) / reference_current()


def emission_reserve_truth(tube: SimulatedTube) -> Array:
    """True temperature-limited over space-charge-limited current at rated heater and 300 V on grid 2, (3,)."""
    return np.asarray(ring_supply(tube).sum(axis=-1) / zero_bias_demand(tube.cutoff_v, REFERENCE_G2_V))


def white_of(emission: Array, share: Array) -> Array:
    """Neutral white from the emission of three guns, over that of three reference guns.

    Args:
        emission: Relative emission, (..., 3).
        share: Share of the white current each gun must bring, (3,).
    """
    return np.asarray((emission / share).min(axis=-1) * share.max(), dtype=np.float64)


def neutral_white_truth(tube: SimulatedTube) -> float:
    """White the tube itself can make at the set white point, at rated heater and with a sound set around it.

    1 is a good tube's; it may be a little more. A tube that is scrap, or a gun
    that is shorted full on, makes none.
    """
    if not usable(tube):
        return 0.0
    return float(white_of(relative_emission_truth(tube), tube.white_share))


def white_in_set_truth(tube: SimulatedTube) -> float:
    """White on the screen as the set stands now: its own heater voltage, and its fault if it has one."""
    if not usable(tube):
        return 0.0
    supply = ring_supply(tube, heater_ratio=heater_ratio_in_set(tube))
    demand, drive = np.ones(3), np.ones(3)
    if tube.elsewhere in {"g2_low", "bplus_low"}:
        demand = demand * tube.elsewhere_left_share**DRIVE_EXPONENT
    elif tube.elsewhere in {"video_channel_weak", "socket_dirty"}:
        drive[tube.elsewhere_gun] = tube.elsewhere_left_share
    emission = gun_current(supply, demand, tube.knee) / reference_current() * drive
    return float(white_of(emission, tube.white_share))


def tracking_truth(tube: SimulatedTube) -> float:
    """How far the guns have drifted apart since the grey scale was set: 1 not at all; under 0.80 whites are tinted."""
    emission = relative_emission_truth(tube)
    if tube.elsewhere in {"video_channel_weak", "socket_dirty"}:
        emission = emission.copy()
        emission[tube.elsewhere_gun] *= tube.elsewhere_left_share
    drift = emission / np.maximum(tube.tracked_emission, 1e-6)
    return float(drift.min() / max(float(drift.max()), 1e-9))


def good_enough(tube: SimulatedTube) -> bool:
    """Whether the picture meets the owner's minimum as the set stands: bright enough, and not tinted."""
    return white_in_set_truth(tube) >= tube.owner.minimum_white and tracking_truth(tube) >= TINT_RATIO


def tracked(tube: SimulatedTube) -> SimulatedTube:
    """The tube after its grey scale has been set for the guns as they are now."""
    return replace(tube, tracked_emission=relative_emission_truth(tube))


def heater_ratio_in_set(tube: SimulatedTube) -> float:
    """Heater voltage in the set over rated, with boost and faults."""
    ratio = tube.set_heater_ratio * tube.boosted_ratio
    if tube.elsewhere in {"heater_feed_low", "bplus_low"}:
        ratio *= tube.elsewhere_left_share
    return ratio


def usable(tube: SimulatedTube) -> bool:
    """Whether the tube can show a picture at all: not scrap, no gun full on, no gas to speak of."""
    if tube.stop != "none" or bool(tube.lost.any()) or tube.gas_ua > 1.0:
        return False
    if bool((tube.leak_cathode_grid1_mohm < 0.05).any()):
        return False
    return tube.heater_isolated or not bool((tube.leak_heater_cathode_mohm < 0.05).any())
