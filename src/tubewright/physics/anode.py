"""The charge on a picture tube's glass: how much, how it goes through a resistor, and how some of it comes back.

For cautions, never for permission. What a resistor should have drained is what it drains
if it is whole, if its ends touch, and if the capacitance is the one assumed; only proving
with a meter made for the voltage says so.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from tubewright.physics._arrays import FloatArray, answer, non_negative, positive
from tubewright.physics.supply_constants import RECOVERY_HIGHEST_RATIO, RECOVERY_LOWEST_RATIO


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Discharge:
    """A capacitor drained through a resistor: first current, time to a voltage, and what the resistor takes."""

    peak_a: FloatArray
    time_constant_s: FloatArray
    time_s: FloatArray
    resistor_j: FloatArray
    first_w: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Recovery:
    """What may come back after draining: bounds, not a figure."""

    low_v: FloatArray
    high_v: FloatArray
    low_j: FloatArray
    high_j: FloatArray


def stored_charge_c(capacitance_f: ArrayLike, volts: ArrayLike) -> FloatArray:
    """The charge on a capacitor, coulombs.

    Args:
        capacitance_f: F; any shape.
        volts: V; broadcasts.

    Raises:
        ValueError: Either is negative.

    Source: definition.

    >>> round(float(stored_charge_c(1.5e-9, 19e3)) * 1e6, 2)
    28.5
    """
    return answer(non_negative("capacitance_f", capacitance_f) * non_negative("volts", volts))


def stored_energy_j(capacitance_f: ArrayLike, volts: ArrayLike) -> FloatArray:
    """The energy on a capacitor, joules.

    Args:
        capacitance_f: F; any shape.
        volts: V; broadcasts.

    Raises:
        ValueError: Either is negative.

    Source: definition.

    >>> round(float(stored_energy_j(1.5e-9, 19e3)), 5)
    0.27075
    """
    return answer(non_negative("capacitance_f", capacitance_f) * non_negative("volts", volts) ** 2 / 2)


def discharge(capacitance_f: ArrayLike, volts: ArrayLike, resistance_ohm: ArrayLike, down_to_v: ArrayLike) -> Discharge:
    """Draining a capacitor through a resistor.

    Args:
        capacitance_f: F; any shape.
        volts: At the start, V; broadcasts.
        resistance_ohm: All of it in the path, ohm; broadcasts.
        down_to_v: The voltage at which to look at the clock, V; broadcasts.

    Returns:
        Figures; the time is zero where the start is already at or below that voltage.

    Raises:
        ValueError: Anything not above zero.

    Source: the law of the discharging capacitor, ``t = R C ln(V/V1)``. The resistor takes all
    of the energy that leaves.

    >>> drained = discharge(1.5e-9, 19e3, 1e9, 50.0)
    >>> round(float(drained.time_s), 3), round(float(drained.peak_a) * 1e6, 1)
    (8.91, 19.0)
    """
    farads, start = positive("capacitance_f", capacitance_f), positive("volts", volts)
    ohm, end = positive("resistance_ohm", resistance_ohm), np.minimum(positive("down_to_v", down_to_v), start)
    return Discharge(
        peak_a=answer(start / ohm),
        time_constant_s=answer(ohm * farads),
        time_s=answer(ohm * farads * np.log(start / end)),
        resistor_j=answer(farads * (start**2 - end**2) / 2),
        first_w=answer(start**2 / ohm),
    )


def recovery(
    capacitance_f: ArrayLike,
    volts: ArrayLike,
    *,
    low_ratio: ArrayLike = RECOVERY_LOWEST_RATIO,
    high_ratio: ArrayLike = RECOVERY_HIGHEST_RATIO,
) -> Recovery:
    """What may come back on a capacitor that was charged long and drained once, at rest for minutes to hours.

    Args:
        capacitance_f: F; any shape.
        volts: What it was charged to before draining, V; broadcasts.
        low_ratio: Least share of that voltage that comes back.
        high_ratio: Most.

    Raises:
        ValueError: A negative figure.

    Source: dielectric absorption as published for capacitors of many dielectrics. No
    published measurement on the glass of picture tubes was found, so the bounds are
    those of the best and the worst common dielectric; where a tube lies between them is
    not known.

    >>> back = recovery(2e-9, 25e3)
    >>> round(float(back.low_v), 1), round(float(back.high_v))
    (12.5, 3750)
    """
    start = non_negative("volts", volts)
    low, high = start * non_negative("low_ratio", low_ratio), start * non_negative("high_ratio", high_ratio)
    return Recovery(
        low_v=answer(low),
        high_v=answer(high),
        low_j=stored_energy_j(capacitance_f, low),
        high_j=stored_energy_j(capacitance_f, high),
    )
