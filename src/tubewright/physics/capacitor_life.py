"""How an electrolytic capacitor ages: ten degrees halve its life, its own ripple heats it, its seal has a term.

The rule is a rule of thumb of the makers. It reckons with the core of the part, where
the electrolyte is. It says nothing of a seal that hardens or of a part that stood
unused, so a claim ends at a stated age (:func:`years_left`).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from tubewright.physics._arrays import FloatArray, answer, non_negative, numbers, positive
from tubewright.physics.constants import BOLTZMANN_EV_PER_K

ZERO_CELSIUS_K: Final = 273.15  # si-brochure: definition of the degree Celsius, exact


def ten_degree_factor(rated_c: ArrayLike, core_c: ArrayLike) -> FloatArray:
    """How many times its rated life a capacitor lasts at another temperature: 2 to the ((rated - core) / 10).

    Source: application notes of the makers, in the same form by all of them.

    Args:
        rated_c: Temperature that the life is stated for, degrees Celsius.
        core_c: Temperature at work, degrees Celsius.

    Example:
        >>> round(float(1000 * ten_degree_factor(85, 60)), 2)
        5656.85
    """
    return answer(np.exp2((numbers(rated_c) - numbers(core_c)) / 10))


def arrhenius_factor(energy_ev: ArrayLike, cool_c: ArrayLike, warm_c: ArrayLike) -> FloatArray:
    """How many times faster a reaction of that energy runs at the warmer temperature.

    Source: the law of Arrhenius, exp(E/k (1/T1 - 1/T2)), absolute temperatures.

    Args:
        energy_ev: Activation energy, eV.
        cool_c: The cooler temperature, degrees Celsius.
        warm_c: The warmer one.

    Raises:
        ValueError: A temperature below absolute zero, or a negative energy.
    """
    energy = non_negative("energy_ev", energy_ev)
    cool, warm = (positive("temperature", numbers(value) + ZERO_CELSIUS_K) for value in (cool_c, warm_c))
    return answer(np.exp(energy / BOLTZMANN_EV_PER_K * (1 / cool - 1 / warm)))


def doubling_energy_ev(cool_c: ArrayLike) -> FloatArray:
    """The activation energy by which the law of Arrhenius gives just a factor of two from here to ten degrees warmer.

    It grows with temperature: the ten-degree rule is not one activation energy, only
    near it between about 50 and 100 degrees.
    """
    cool = positive("temperature", numbers(cool_c) + ZERO_CELSIUS_K)
    return answer(np.log(2) * BOLTZMANN_EV_PER_K / (1 / cool - 1 / (cool + 10)))


def ripple_rise_k(ripple_ratio: ArrayLike, rated_rise_k: ArrayLike) -> FloatArray:
    """How much warmer than its surroundings the core runs: losses go with the square of the current.

    Args:
        ripple_ratio: Ripple current over the rated ripple current, at the same frequency.
        rated_rise_k: Rise of the core at the rated ripple current, K.

    Raises:
        ValueError: A negative argument.
    """
    return answer(non_negative("rated_rise_k", rated_rise_k) * np.square(non_negative("ripple_ratio", ripple_ratio)))


def voltage_factor(voltage_ratio: ArrayLike, exponent: ArrayLike) -> FloatArray:
    """How many times longer a part lasts that is worked below its rated voltage: (rated / applied) to the exponent.

    Makers differ: exponents from 2.5 to 5 are printed for film, and for aluminium
    electrolytics most leave it out (exponent 0, factor 1).

    Args:
        voltage_ratio: Applied voltage over rated voltage, above zero.
        exponent: From none (0) upwards.

    Raises:
        ValueError: A ratio of zero or less, or a negative exponent.
    """
    ratio = positive("voltage_ratio", voltage_ratio)
    return answer(ratio ** -non_negative("exponent", exponent))


def life_hours(
    rated_hours: ArrayLike,
    *,
    rated_c: ArrayLike,
    ambient_c: ArrayLike,
    ripple_ratio: ArrayLike = 0,
    rated_rise_k: ArrayLike = 0,
    voltage_ratio: ArrayLike = 1,
    voltage_exponent: ArrayLike = 0,
) -> FloatArray:
    """Hours until a part reaches its end of life, as the maker's rated hours define it.

    The life is rated at the highest ambient temperature with the rated ripple flowing:
    its core is then ``rated_c + rated_rise_k``. With ``rated_rise_k`` 0 (a life rated
    without ripple) this is the plain ten-degree rule.

    Args:
        rated_hours: Endurance as printed.
        rated_c: Temperature that it is printed for, degrees Celsius.
        ambient_c: Beside the part at work, degrees Celsius.
        ripple_ratio: Ripple current over the rated ripple current.
        rated_rise_k: Rise of the core at the rated ripple current, K.
        voltage_ratio: Applied over rated voltage.
        voltage_exponent: 0 leaves the voltage out.

    Raises:
        ValueError: Rated hours or voltage not above zero, or a negative ripple, rise or exponent.
    """
    rated = positive("rated_hours", rated_hours)
    core = numbers(ambient_c) + ripple_rise_k(ripple_ratio, rated_rise_k)
    rated_core = numbers(rated_c) + non_negative("rated_rise_k", rated_rise_k)
    return answer(rated * ten_degree_factor(rated_core, core) * voltage_factor(voltage_ratio, voltage_exponent))


def life_log_sd(*, part_log_sd: ArrayLike, temperature_sd_k: ArrayLike) -> FloatArray:
    """Standard deviation of the logarithm of the life: from part to part, and by a temperature that is not sure.

    A kelvin is worth a tenth of ln 2; both parts are independent.

    Raises:
        ValueError: A negative argument.
    """
    heat = non_negative("temperature_sd_k", temperature_sd_k) * np.log(2) / 10
    return answer(np.hypot(non_negative("part_log_sd", part_log_sd), heat))


def years_left(
    life: ArrayLike, *, used_hours: ArrayLike, hours_per_year: ArrayLike, age_years: ArrayLike, claim_years: ArrayLike
) -> FloatArray:
    """Years until the life is used up, but never beyond the age at which a claim ends.

    Rubber seals harden and leak with the calendar, whatever the hours say; makers
    stand for no more than a stated age. A part past it gets 0: no claim is left, which
    is not the same as spent.

    Args:
        life: Hours of the whole life in these conditions.
        used_hours: Hours already run in them.
        hours_per_year: Hours of use to come in each year; 0 leaves the calendar alone.
        age_years: Since the part was made.
        claim_years: Age at which every claim ends.

    Raises:
        ValueError: A negative argument, or a life not above zero.
    """
    left = np.maximum(positive("life", life) - non_negative("used_hours", used_hours), 0)
    per_year = non_negative("hours_per_year", hours_per_year)
    with np.errstate(divide="ignore", invalid="ignore"):
        by_use = np.where(per_year > 0, left / per_year, np.where(left > 0, np.inf, 0))
    by_seal = np.maximum(non_negative("claim_years", claim_years) - non_negative("age_years", age_years), 0)
    return answer(np.minimum(by_use, by_seal))
