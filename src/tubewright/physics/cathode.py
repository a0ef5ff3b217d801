"""The cathode: what it can supply when hot, and what a lowered heater tells of its reserve.

``reserve`` is the temperature-limited (saturated) emission at rated heater over the
space-charge current of the same gun: how many times over the coating could supply
what the field asks for. ``supply`` is the saturated emission at some heater voltage
over that at the rated one. Both are pure numbers.

The current that flows is the blend of the two limits
(:func:`tubewright.physics.gun.blend_current`), so a strong gun hardly notices a lower
heater and a spent one falls as far as its supply.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from tubewright.physics._arrays import FloatArray, answer, non_negative, positive
from tubewright.physics.constants import (
    BOLTZMANN_EV_PER_K,
    KNEE_SHARPNESS,
    RATED_CATHODE_K,
    RESISTANCE_EXPONENT,
    RICHARDSON_A_M2_K2,
    WORK_FUNCTION_EV,
)
from tubewright.physics.gun import blend_current, space_charge_current_ua
from tubewright.physics.heater import cathode_temperature_k


def richardson_current_density_a_m2(
    temperature_k: ArrayLike, work_function_ev: ArrayLike, a: ArrayLike = RICHARDSON_A_M2_K2
) -> FloatArray:
    """Saturated emission of a hot surface, A/m2 (Richardson, Dushman): ``a T^2 exp(-W/kT)``.

    Args:
        temperature_k: True temperature, K; any shape. Absolute zero gives none.
        work_function_ev: Work function, eV; broadcasts.
        a: Emission constant, A m^-2 K^-2. The default is the ideal one; oxide coatings
            measure 1e-2 to 1e-4 of it and less, so use ratios wherever you can.

    Raises:
        ValueError: A negative argument.

    Source: follows from codata-2022.

    >>> round(float(richardson_current_density_a_m2(1050.0, 1.5)) / 1e4, 3)  # A/cm2
    8.366
    """
    temperature = non_negative("temperature_k", temperature_k)
    work = non_negative("work_function_ev", work_function_ev)
    with np.errstate(divide="ignore", invalid="ignore", under="ignore"):
        boltzmann = np.where(temperature == 0, 0.0, np.exp(-work / (BOLTZMANN_EV_PER_K * temperature)))
        return answer(non_negative("a", a) * temperature**2 * boltzmann)


def temperature_exponent(temperature_k: ArrayLike, work_function_ev: ArrayLike = WORK_FUNCTION_EV) -> FloatArray:
    """By how many per cent saturated emission moves for one per cent of temperature: ``2 + W/kT``.

    Raises:
        ValueError: A temperature not above zero, or a negative work function.

    Source: derivation from Richardson and Dushman.

    >>> round(float(temperature_exponent(1050.0, 1.5)), 3)
    18.578
    """
    temperature = positive("temperature_k", temperature_k)
    return answer(2 + non_negative("work_function_ev", work_function_ev) / (BOLTZMANN_EV_PER_K * temperature))


def supply_at_temperature(
    temperature_k: ArrayLike, reference_k: ArrayLike, work_function_ev: ArrayLike = WORK_FUNCTION_EV
) -> FloatArray:
    """Saturated emission at one temperature over that at another; a pure number.

    Raises:
        ValueError: A negative temperature or work function, or a reference not above zero.

    Source: derivation from Richardson and Dushman; the emission constant drops out.

    >>> round(float(supply_at_temperature(1000.0, 1050.0, 1.1)), 5)
    0.49389
    """
    reference = positive("reference_k", reference_k)
    work = non_negative("work_function_ev", work_function_ev)
    warmth = non_negative("temperature_k", temperature_k) / reference
    with np.errstate(divide="ignore", invalid="ignore", under="ignore"):
        exponent = np.where(warmth == 0, -np.inf, work / (BOLTZMANN_EV_PER_K * reference) * (1 - 1 / warmth))
        return answer(warmth**2 * np.exp(exponent))


def supply_ratio(
    heater_v: ArrayLike,
    rated_v: ArrayLike,
    work_function_ev: ArrayLike = WORK_FUNCTION_EV,
    *,
    rated_temperature_k: ArrayLike = RATED_CATHODE_K,
    resistance_exponent: ArrayLike = RESISTANCE_EXPONENT,
) -> FloatArray:
    """Saturated emission at a heater voltage over that at the rated voltage; a pure number.

    Args:
        heater_v: Heater voltage, V true RMS; any shape.
        rated_v: Rated heater voltage, V; broadcasts.
        work_function_ev: Work function, eV; 1.0 to 1.6 covers oxide cathodes.
        rated_temperature_k: Cathode temperature at the rated voltage, K.
        resistance_exponent: As for :func:`tubewright.physics.heater.cathode_temperature_k`.

    Raises:
        ValueError: A negative voltage or work function, or a rating not above zero.

    Source: derivation from the radiation balance and Richardson and Dushman.

    >>> round(float(supply_ratio(5.7, 6.3)), 4)
    0.4831
    """
    temperature = cathode_temperature_k(heater_v, rated_v, rated_temperature_k, resistance_exponent)
    return supply_at_temperature(temperature, rated_temperature_k, work_function_ev)


def work_function_from_supply_ev(
    supply: ArrayLike, temperature_k: ArrayLike, reference_k: ArrayLike = RATED_CATHODE_K
) -> FloatArray:
    """The work function that a measured change of saturated emission betrays, eV.

    Args:
        supply: Saturated emission at ``temperature_k`` over that at ``reference_k``, above zero.
        temperature_k: Temperature of the second reading, K.
        reference_k: Temperature of the first, K.

    Returns:
        Work function in eV; NaN where the two temperatures are equal.

    Raises:
        ValueError: An argument not above zero.

    Source: derivation from Richardson and Dushman.

    >>> round(float(work_function_from_supply_ev(0.4938906, 1000.0)), 4)
    1.1
    """
    ratio, temperature = positive("supply", supply), positive("temperature_k", temperature_k)
    reference = positive("reference_k", reference_k)
    gap = 1 / reference - 1 / temperature
    with np.errstate(divide="ignore", invalid="ignore"):
        work = BOLTZMANN_EV_PER_K * (np.log(ratio) - 2 * np.log(temperature / reference)) / gap
    return answer(np.where(gap == 0, np.nan, work))


def emission_fraction(reserve: ArrayLike, sharpness: ArrayLike = KNEE_SHARPNESS) -> FloatArray:
    """The current that flows over the space-charge current, for a given reserve; 0 to 1.

    Args:
        reserve: Saturated emission over space-charge current; any shape, 0 to infinity.
        sharpness: As for :func:`tubewright.physics.gun.blend_current`.

    Raises:
        ValueError: A negative reserve, or a sharpness not above zero.

    Source: from memory, Longo.

    >>> float(emission_fraction(3.0))
    0.75
    """
    return blend_current(1.0, reserve, sharpness)


def retention(reserve: ArrayLike, supply: ArrayLike, sharpness: ArrayLike = KNEE_SHARPNESS) -> FloatArray:
    """The reading at another heater voltage over the reading at rated heater.

    Args:
        reserve: Saturated emission at rated heater over space-charge current; 0 to infinity.
        supply: Saturated emission at the other heater voltage over that at the rated
            one, from :func:`supply_ratio`; below 1 for a lowered heater.
        sharpness: As for :func:`tubewright.physics.gun.blend_current`.

    Returns:
        1 for an endless reserve, the supply itself for none (the limit, though both
        readings are then zero), between them otherwise.

    Raises:
        ValueError: A negative reserve or supply, or a sharpness not above zero.

    Source: derivation from the blend.

    >>> round(float(retention(2.0, 0.5746)), 4)
    0.8021
    """
    plenty = non_negative("reserve", reserve)
    ratio = non_negative("supply", supply)
    # Below the root of the smallest number the blend is the reserve itself, to the last digit,
    # and the quotient of two such numbers would lose its digits.
    spent = plenty < np.sqrt(np.finfo(np.float64).tiny)
    start = np.where(spent, 1.0, plenty)
    with np.errstate(invalid="ignore"):
        lowered = np.where(ratio == 0, 0.0, start * ratio)
    course = emission_fraction(lowered, sharpness) / emission_fraction(start, sharpness)
    return answer(np.where(spent, ratio, course))


def reserve_from_retention(
    retention: ArrayLike, supply: ArrayLike, sharpness: ArrayLike = KNEE_SHARPNESS
) -> FloatArray:
    """The reserve that a measured retention betrays; :func:`retention` turned round.

    Args:
        retention: Reading at the other heater voltage over that at the rated one.
        supply: From :func:`supply_ratio` for that heater voltage.
        sharpness: A finite number above zero; the answer hangs on it, say which was used.

    Returns:
        The reserve, 0 to infinity. Infinity where the reading did not move, or moved
        against the heater (no bound can be put on the reserve: that is noise or another
        trouble). 0 where it moved just as far as the supply. NaN where it moved further
        than that, which no reserve explains (the heater was not where it was believed
        to be), and where the heater did not change, which tells nothing.

    Raises:
        ValueError: A negative retention, a supply not above zero, or a sharpness that is
            not a finite number above zero.

    Source: derivation from the blend.

    >>> round(float(reserve_from_retention(0.8020659, 0.5746)), 3)
    2.0
    """
    kept = non_negative("retention", retention)
    ratio = positive("supply", supply)
    power = positive("sharpness", sharpness)
    if np.any(np.isinf(power)):
        raise ValueError("sharpness must be finite: a perfectly sharp knee hides every reserve above 1")
    # r^n = ((kept/supply)^n - 1) / (1 - kept^n), by expm1 so that a small slump keeps its digits.
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        above_floor = np.expm1(power * np.log(kept / ratio))
        below_one = -np.expm1(power * np.log(kept))
        reserve = (above_floor / below_one) ** (1 / power)
    lowered = ratio < 1
    unmoved = np.where(lowered, kept >= 1, kept <= 1)
    too_far = np.where(lowered, kept < ratio, kept > ratio)
    reserve = np.where(unmoved, np.inf, np.where(too_far, np.nan, reserve))
    unknown = (ratio == 1) | np.isnan(kept) | np.isnan(ratio) | np.isnan(power)
    return answer(np.where(unknown, np.nan, reserve))


def retention_floor(
    heater_v: ArrayLike,
    rated_v: ArrayLike,
    work_function_ev: ArrayLike = WORK_FUNCTION_EV,
    *,
    rated_temperature_k: ArrayLike = RATED_CATHODE_K,
    resistance_exponent: ArrayLike = RESISTANCE_EXPONENT,
) -> FloatArray:
    """The lowest retention a lowered heater can explain: that of a wholly spent gun.

    It is :func:`supply_ratio` seen from the reading's side. A retention below it says
    that the heater was lower than written, or off. The work function moves it: for the
    lowest floor that oxide cathodes allow give ``WORK_FUNCTION_MAX_EV`` (at 5.7 of
    6.3 V 0.46 in place of 0.48).

    Raises:
        ValueError: As for :func:`supply_ratio`.

    Source: derivation, as for :func:`supply_ratio`.

    >>> round(float(retention_floor(5.67, 6.3)), 2)
    0.46
    """
    return supply_ratio(
        heater_v,
        rated_v,
        work_function_ev,
        rated_temperature_k=rated_temperature_k,
        resistance_exponent=resistance_exponent,
    )


def emission_at_heater(
    cutoff_v: ArrayLike,
    reserve: ArrayLike,
    heater_v: ArrayLike,
    rated_v: ArrayLike,
    work_function_ev: ArrayLike = WORK_FUNCTION_EV,
    *,
    sharpness: ArrayLike = KNEE_SHARPNESS,
    rated_temperature_k: ArrayLike = RATED_CATHODE_K,
    resistance_exponent: ArrayLike = RESISTANCE_EXPONENT,
) -> FloatArray:
    """Zero-bias cathode current at any heater voltage, uA, from cutoff and reserve.

    Args:
        cutoff_v: Cutoff at the grid 2 voltage in use, V; any shape.
        reserve: Saturated emission at rated heater over space-charge current; broadcasts.
        heater_v: Heater voltage, V true RMS; broadcasts.
        rated_v: Rated heater voltage, V; broadcasts.
        work_function_ev: Work function, eV.
        sharpness: As for :func:`tubewright.physics.gun.blend_current`.
        rated_temperature_k: Cathode temperature at the rated voltage, K.
        resistance_exponent: As for :func:`tubewright.physics.heater.cathode_temperature_k`.

    Raises:
        ValueError: As the laws it is made of.

    Source: derivation from the zero-bias law, the blend and :func:`supply_ratio`.

    >>> round(float(emission_at_heater(100.0, 3.0, 6.3, 6.3)))
    2250
    """
    ceiling = space_charge_current_ua(cutoff_v)
    supply = supply_ratio(
        heater_v,
        rated_v,
        work_function_ev,
        rated_temperature_k=rated_temperature_k,
        resistance_exponent=resistance_exponent,
    )
    plenty = non_negative("reserve", reserve)
    with np.errstate(invalid="ignore"):
        # A cold cathode gives nothing, however great its reserve when hot.
        available = np.where(supply == 0, 0.0, plenty * supply)
    return answer(ceiling * emission_fraction(available, sharpness))
