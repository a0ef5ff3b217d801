"""The first minutes: how the emission of a gun comes up after switching on.

The temperature follows a first-order course; the emission follows the temperature
through Richardson's law and the knee. So a strong gun is there long before its
cathode has settled, and a spent one creeps up with the last few kelvin.

This is the thermal part only. On a worn or long-idle cathode barium also has to
find its way to the surface again, which takes minutes and is not in these laws: a
gun slower than they allow, at a known time constant, says just that.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from tubewright.physics._arrays import FloatArray, answer, non_negative, numbers, positive
from tubewright.physics.cathode import retention, supply_at_temperature
from tubewright.physics.constants import (
    BOLTZMANN_EV_PER_K,
    KNEE_SHARPNESS,
    RATED_CATHODE_K,
    ROOM_K,
    WORK_FUNCTION_EV,
)
from tubewright.physics.heater import warm_up_temperature_k


def temperature_for_supply_k(
    supply: ArrayLike,
    reference_k: ArrayLike = RATED_CATHODE_K,
    work_function_ev: ArrayLike = WORK_FUNCTION_EV,
) -> FloatArray:
    """The temperature at which a cathode supplies a fraction of its rated emission, K.

    Args:
        supply: Saturated emission over that at ``reference_k``, 0 to 1; any shape.
        reference_k: Rated temperature, K; broadcasts.
        work_function_ev: Work function, eV; broadcasts.

    Returns:
        Temperature in K, 0 for no supply.

    Raises:
        ValueError: A supply outside 0 to 1, or a reference or work function not above zero.

    Source: derivation from Richardson and Dushman, solved by Newton's method.

    >>> round(float(temperature_for_supply_k(0.4831216, 1050.0, 1.5)), 2)
    1010.35
    """
    wanted = non_negative("supply", supply)
    if np.any(wanted > 1):
        raise ValueError("supply must not exceed 1")
    reference = positive("reference_k", reference_k)
    steepness = positive("work_function_ev", work_function_ev) / (BOLTZMANN_EV_PER_K * reference)
    with np.errstate(divide="ignore"):
        logarithm = np.log(wanted)
    # In w = reference / T: -2 ln w - b (w - 1) = ln(supply). Falling and hollow upwards,
    # so Newton from w = 1 walks up to the root and never past it.
    inverse = np.ones(np.broadcast(wanted, reference, steepness).shape)
    with np.errstate(invalid="ignore"):
        for _ in range(60):  # the error squares with each; a handful suffice near working heat
            excess = -2 * np.log(inverse) - steepness * (inverse - 1) - logarithm
            step = excess / (2 / inverse + steepness)
            if not np.any(np.abs(step) > np.finfo(np.float64).eps * inverse):
                break
            inverse = inverse + np.where(wanted == 0, 0.0, step)
    return answer(np.where(wanted == 0, 0.0, reference / inverse))


def warm_up_emission_fraction(
    seconds: ArrayLike,
    time_constant_s: ArrayLike,
    reserve: ArrayLike,
    work_function_ev: ArrayLike = WORK_FUNCTION_EV,
    *,
    sharpness: ArrayLike = KNEE_SHARPNESS,
    final_temperature_k: ArrayLike = RATED_CATHODE_K,
    start_temperature_k: ArrayLike = ROOM_K,
) -> FloatArray:
    """Emission some time after switching on, over the settled one; 0 to 1.

    Args:
        seconds: Time since switching on, s; any shape.
        time_constant_s: Time constant of the cathode's temperature, s; broadcasts.
        reserve: Saturated emission over space-charge current once settled; broadcasts.
        work_function_ev: Work function, eV.
        sharpness: As for :func:`tubewright.physics.gun.blend_current`.
        final_temperature_k: Where the cathode settles, K.
        start_temperature_k: Where it began, K.

    Raises:
        ValueError: As the laws it is made of.

    Source: derivation from the first-order course, Richardson and Dushman, and the blend.

    >>> [round(float(f), 2) for f in warm_up_emission_fraction([0, 10, 20, 40], 6.0, 10.0)]
    [0.0, 0.39, 0.95, 1.0]
    """
    temperature = warm_up_temperature_k(
        seconds,
        time_constant_s,
        final_temperature_k=final_temperature_k,
        start_temperature_k=start_temperature_k,
    )
    supply = supply_at_temperature(temperature, final_temperature_k, work_function_ev)
    return retention(reserve, supply, sharpness)


def warm_up_time_s(
    fraction: ArrayLike,
    time_constant_s: ArrayLike,
    reserve: ArrayLike,
    work_function_ev: ArrayLike = WORK_FUNCTION_EV,
    *,
    sharpness: ArrayLike = KNEE_SHARPNESS,
    final_temperature_k: ArrayLike = RATED_CATHODE_K,
    start_temperature_k: ArrayLike = ROOM_K,
) -> FloatArray:
    """Seconds from switching on until emission reaches a fraction of the settled one.

    Args:
        fraction: 0 to below 1; any shape.
        time_constant_s: Time constant of the cathode's temperature, s; broadcasts.
        reserve: Saturated emission over space-charge current once settled, finite.
        work_function_ev: Work function, eV.
        sharpness: A finite number above zero.
        final_temperature_k: Where the cathode settles, K.
        start_temperature_k: Where it began, K; below the final one.

    Returns:
        Seconds; 0 where the start is warm enough already.

    Raises:
        ValueError: A fraction outside 0 to below 1, a reserve or sharpness that is not
            finite, or a start that is not below the final temperature.

    Source: derivation, :func:`warm_up_emission_fraction` turned round in closed form
    but for the temperature.

    >>> round(float(warm_up_time_s(0.5, 6.0, 10.0)), 1), round(float(warm_up_time_s(0.5, 6.0, 0.1)), 1)
    (10.8, 17.6)
    """
    share = non_negative("fraction", fraction)
    plenty = non_negative("reserve", reserve)
    power = positive("sharpness", sharpness)
    final, start = numbers(final_temperature_k), positive("start_temperature_k", start_temperature_k)
    if np.any(share >= 1):
        raise ValueError("fraction must be below 1: the settled emission is reached only in the end")
    if np.any(np.isinf(plenty)) or np.any(np.isinf(power)):
        raise ValueError("reserve and sharpness must be finite")
    if np.any(start >= final):
        raise ValueError("start_temperature_k must be below final_temperature_k")
    # retention(r, s) = f, solved for s: s = f (1 + r^n (1 - f^n))^(-1/n).
    supply = share * (1 + plenty**power * (1 - share**power)) ** (-1 / power)
    temperature = temperature_for_supply_k(supply, final, work_function_ev)
    left = (final - np.maximum(temperature, start)) / (final - start)
    return answer(-positive("time_constant_s", time_constant_s) * np.log(left) + 0.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WarmUp:
    """When emission reaches half and nine tenths of its settled value."""

    t50_s: FloatArray
    t90_s: FloatArray


def warm_up_times(
    time_constant_s: ArrayLike,
    reserve: ArrayLike,
    work_function_ev: ArrayLike = WORK_FUNCTION_EV,
    *,
    sharpness: ArrayLike = KNEE_SHARPNESS,
) -> WarmUp:
    """The two times a bench writes down, for a cathode started from room temperature.

    Raises:
        ValueError: As for :func:`warm_up_time_s`.

    Source: derivation, as for :func:`warm_up_time_s`.

    >>> times = warm_up_times(6.0, 10.0)
    >>> round(float(times.t50_s), 1), round(float(times.t90_s), 1)
    (10.8, 17.1)
    """
    return WarmUp(
        t50_s=warm_up_time_s(0.5, time_constant_s, reserve, work_function_ev, sharpness=sharpness),
        t90_s=warm_up_time_s(0.9, time_constant_s, reserve, work_function_ev, sharpness=sharpness),
    )
