"""The heater: how hot, how much current, how soon; and what its supply gives and needs.

All of it rests on one balance: what the heater takes from its supply,
``V^2 / R``, leaves as radiation, which goes as ``T^4``, and the resistance of hot
tungsten goes as ``T^n`` with n about 1.2. So ``T`` goes as ``V^(2 / (4 + n))``: the
cathode follows the volts lazily (10 % off the volts takes 4 % off the temperature).

Taken for granted: cathode and heater wire keep the same ratio of temperatures, and
what room and leads take part in is small. That holds from about half to one and a
half times the rated voltage; below, the room and the leads count and the law reads low.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from tubewright.physics._arrays import FloatArray, answer, non_negative, positive
from tubewright.physics.constants import RATED_CATHODE_K, RESISTANCE_EXPONENT, ROOM_K


def cathode_temperature_k(
    heater_v: ArrayLike,
    rated_v: ArrayLike,
    rated_temperature_k: ArrayLike = RATED_CATHODE_K,
    resistance_exponent: ArrayLike = RESISTANCE_EXPONENT,
) -> FloatArray:
    """True temperature of the cathode at a heater voltage, K.

    Args:
        heater_v: Heater voltage, V true RMS; any shape.
        rated_v: Rated heater voltage, V; broadcasts.
        rated_temperature_k: Cathode temperature at the rated voltage, K.
        resistance_exponent: ``n`` in resistance ~ temperature^n. 1.2 for tungsten; 1
            gives the rule of thumb T ~ V^0.4, 0 a heater of constant resistance (V^0.5).

    Raises:
        ValueError: A negative voltage or exponent, or a rating that is not above zero.

    Source: derivation from the radiation balance; exponent from memory.

    >>> round(float(cathode_temperature_k(5.7, 6.3)), 1)
    1010.3
    """
    power = 2 / (4 + non_negative("resistance_exponent", resistance_exponent))
    ratio = non_negative("heater_v", heater_v) / positive("rated_v", rated_v)
    return answer(positive("rated_temperature_k", rated_temperature_k) * ratio**power)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeaterLoad:
    """What a heater draws at one voltage (or at each of several)."""

    voltage_v: FloatArray
    current_a: FloatArray
    resistance_ohm: FloatArray
    power_w: FloatArray
    temperature_k: FloatArray


def heater_load(
    heater_v: ArrayLike,
    rated_v: ArrayLike,
    rated_current_a: ArrayLike,
    rated_temperature_k: ArrayLike = RATED_CATHODE_K,
    resistance_exponent: ArrayLike = RESISTANCE_EXPONENT,
) -> HeaterLoad:
    """Current, resistance, power and cathode temperature at a heater voltage.

    The current goes as ``V^((4 - n) / (4 + n))``, about the root of the voltage: 10 %
    off the volts takes 5.5 % off the current.

    Args:
        heater_v: Heater voltage, V true RMS, above zero; any shape.
        rated_v: Rated heater voltage, V; broadcasts.
        rated_current_a: Current at the rated voltage, A; broadcasts.
        rated_temperature_k: Cathode temperature at the rated voltage, K.
        resistance_exponent: As for :func:`cathode_temperature_k`.

    Raises:
        ValueError: A voltage, current or rating that is not above zero.

    Source: derivation from the radiation balance. Settled state only: a cold heater
    takes five to seven times as much for the first second.

    >>> load = heater_load(5.7, 6.3, 0.6)
    >>> round(float(load.current_a), 4), round(float(load.resistance_ohm), 3)
    (0.5685, 10.026)
    """
    volts = positive("heater_v", heater_v)
    rated, amps = positive("rated_v", rated_v), positive("rated_current_a", rated_current_a)
    temperature = cathode_temperature_k(volts, rated, rated_temperature_k, resistance_exponent)
    warmth = temperature / positive("rated_temperature_k", rated_temperature_k)
    resistance = rated / amps * warmth ** non_negative("resistance_exponent", resistance_exponent)
    current = volts / resistance
    return HeaterLoad(
        voltage_v=answer(volts),
        current_a=answer(current),
        resistance_ohm=answer(resistance),
        power_w=answer(volts * current),
        temperature_k=temperature,
    )


def heater_voltage_from_current_v(
    current_a: ArrayLike,
    rated_v: ArrayLike,
    rated_current_a: ArrayLike,
    resistance_exponent: ArrayLike = RESISTANCE_EXPONENT,
) -> FloatArray:
    """The voltage a heater must be on, judged by its current, V.

    A current is easier to measure truly than the pulses from a flyback. It needs the
    current of this very type: a 5 % doubt in it is a 9 % doubt in the volts.

    Args:
        current_a: Heater current, A true RMS; any shape.
        rated_v: Rated heater voltage, V; broadcasts.
        rated_current_a: Rated current, A; broadcasts.
        resistance_exponent: As for :func:`cathode_temperature_k`; below 4.

    Raises:
        ValueError: A negative current, a rating not above zero, an exponent of 4 or more.

    Source: derivation, :func:`heater_load` turned round.

    >>> round(float(heater_voltage_from_current_v(0.5685, 6.3, 0.6)), 2)
    5.7
    """
    exponent = non_negative("resistance_exponent", resistance_exponent)
    if np.any(exponent >= 4):
        raise ValueError("resistance_exponent must be below 4: at 4 the current no longer tells the voltage")
    ratio = non_negative("current_a", current_a) / positive("rated_current_a", rated_current_a)
    return answer(positive("rated_v", rated_v) * ratio ** ((4 + exponent) / (4 - exponent)))


def warm_up_temperature_k(
    seconds: ArrayLike,
    time_constant_s: ArrayLike,
    *,
    final_temperature_k: ArrayLike = RATED_CATHODE_K,
    start_temperature_k: ArrayLike = ROOM_K,
) -> FloatArray:
    """Temperature of a cathode some time after the heater was switched on, K.

    Args:
        seconds: Time since switching on, s; any shape.
        time_constant_s: Time constant of the warm-up, s; broadcasts.
        final_temperature_k: Where it settles, K.
        start_temperature_k: Where it begins, K.

    Raises:
        ValueError: A negative time, or a time constant or temperature not above zero.

    Source: first-order thermal course. A real cathode starts more slowly (the heater
    has to warm first) and ends a little faster (radiation grows as T^4).

    >>> round(float(warm_up_temperature_k(6.0, 6.0)), 1)
    772.3
    """
    elapsed = non_negative("seconds", seconds) / positive("time_constant_s", time_constant_s)
    final = positive("final_temperature_k", final_temperature_k)
    start = positive("start_temperature_k", start_temperature_k)
    return answer(final - (final - start) * np.exp(-elapsed))
