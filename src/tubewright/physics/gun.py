r"""The gun: current against cutoff, drive and grid 2, and the knee to temperature limit.

Cutoff is the voltage between cathode and grid 1 that just stops the beam, given as
a positive number. Drive is how far the gun is opened from there. Currents are
cathode currents in microamperes.

Grid 2 pulls on the cathode through the hole in grid 1. How hard is the penetration
``D``: cutoff over grid 2 voltage, **both measured from the cathode**. On a bench the
grid 2 voltage is mostly read against ground, where grid 1 sits; the cathode is then
already at cutoff volts above it, so ``D = cutoff / (g2 - cutoff)``. The two are the
same quantity; putting the ground reading into ``cutoff / g2`` is not (0.25 in place
of 0.33 for 100 V at 400 V). Every function here that takes ``g2_v`` says from where it
counts with ``g2_from``: ``"grid1"`` (ground, the default) or ``"cathode"``.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from tubewright.physics._arrays import FloatArray, answer, non_negative, positive
from tubewright.physics.constants import (
    CHILD_LANGMUIR_A_V1_5,
    DRIVE_EXPONENT,
    KNEE_SHARPNESS,
    SPACE_CHARGE_EXPONENT,
    ZERO_BIAS_UA_V1_5,
)

CountedFrom = Literal["grid1", "cathode"]
"""Where a grid 2 voltage is measured from; grid 1 is at ground in a cathode-driven set."""


def child_langmuir_current_density_a_m2(voltage_v: ArrayLike, gap_m: ArrayLike) -> FloatArray:
    """Space-charge-limited current density between two planes, A/m2.

    The law that all the others here descend from; no picture tube is this simple.

    Args:
        voltage_v: Volts across the gap; any shape.
        gap_m: Distance in metres; broadcasts.

    Raises:
        ValueError: A negative voltage, or a gap that is not above zero.

    Source: follows from codata-2022; electrons leaving at rest.

    >>> round(float(child_langmuir_current_density_a_m2(100.0, 0.2e-3)) / 1e4, 5)  # A/cm2
    5.83488
    """
    volts = non_negative("voltage_v", voltage_v)
    gap = positive("gap_m", gap_m)
    return answer(CHILD_LANGMUIR_A_V1_5 * volts**SPACE_CHARGE_EXPONENT / gap**2)


def space_charge_current_ua(cutoff_v: ArrayLike) -> FloatArray:
    """The most a healthy gun can give: its zero-bias cathode current, uA.

    Args:
        cutoff_v: Cutoff at the grid 2 voltage in use, V; any shape.

    Raises:
        ValueError: A negative cutoff.

    Holds to the order of magnitude on real tubes: electrode spacing and hole size
    move the factor. Compare guns of one type with it.

    Source: from memory, Moss 1968 (3 uA per V^1.5).

    >>> float(space_charge_current_ua(100.0))
    3000.0
    """
    cutoff = non_negative("cutoff_v", cutoff_v)
    return answer(ZERO_BIAS_UA_V1_5 * cutoff**SPACE_CHARGE_EXPONENT)


def grid_drive_current_ua(
    drive_v: ArrayLike, cutoff_v: ArrayLike, *, exponent: ArrayLike = DRIVE_EXPONENT
) -> FloatArray:
    """Cathode current of a gun driven at grid 1, cathode and grid 2 held still, uA.

    ``I = 3 Vc^1.5 (Vd/Vc)^n``, so that full drive gives the zero-bias current
    whatever the exponent.

    Args:
        drive_v: Volts above cutoff; beyond cutoff grid 1 is positive and draws
            current itself, which this law doesn't know.
        cutoff_v: Cutoff, V, above zero; broadcasts with the drive.
        exponent: 3 fits near full drive, 3.5 nearer cutoff.

    Raises:
        ValueError: A negative drive, or a cutoff that is not above zero.

    Source: from memory, Moss 1968.

    >>> float(grid_drive_current_ua(50.0, 100.0))
    375.0
    """
    drive = non_negative("drive_v", drive_v)
    cutoff = positive("cutoff_v", cutoff_v)
    power = positive("exponent", exponent)
    return answer(ZERO_BIAS_UA_V1_5 * cutoff**SPACE_CHARGE_EXPONENT * (drive / cutoff) ** power)


def penetration(cutoff_v: ArrayLike, g2_v: ArrayLike, *, g2_from: CountedFrom = "grid1") -> FloatArray:
    """How hard grid 2 pulls through the hole in grid 1: cutoff over grid 2, from the cathode.

    Args:
        cutoff_v: Cutoff, V; any shape.
        g2_v: Grid 2 voltage, V; broadcasts.
        g2_from: What ``g2_v`` was measured against, see the head of this module.

    Returns:
        The penetration, a pure number; 0.15 to 0.45 is usual.

    Raises:
        ValueError: A negative cutoff, or a grid 2 that is no higher than the cathode.

    Source: derivation; the anode's own pull is left out (it is small behind grid 2).

    >>> round(float(penetration(100.0, 400.0)), 6)
    0.333333
    >>> round(float(penetration(100.0, 300.0, g2_from="cathode")), 6)
    0.333333
    """
    cutoff = non_negative("cutoff_v", cutoff_v)
    g2 = positive("g2_v", g2_v)
    above_cathode = g2 - cutoff if g2_from == "grid1" else g2
    if np.any(above_cathode <= 0):
        raise ValueError("g2_v must be above the cathode, which sits at cutoff_v above grid 1")
    return answer(cutoff / above_cathode)


def cutoff_at_g2(cutoff_v: ArrayLike, g2_v: ArrayLike, new_g2_v: ArrayLike) -> FloatArray:
    """The cutoff that the same gun shows at another grid 2 voltage, V.

    Proportional, and the same whether both grid 2 voltages were measured from ground
    or both from the cathode; only never one of each.

    Args:
        cutoff_v: Cutoff at ``g2_v``, V; any shape.
        g2_v: Grid 2 during that reading, V; broadcasts.
        new_g2_v: Grid 2 asked about, V; broadcasts.

    Raises:
        ValueError: A negative cutoff or new grid 2, or a grid 2 that is not above zero.

    Source: derivation, from a constant penetration.

    >>> float(cutoff_at_g2(60.0, 300.0, 400.0))
    80.0
    """
    cutoff = non_negative("cutoff_v", cutoff_v)
    return answer(cutoff * (non_negative("new_g2_v", new_g2_v) / positive("g2_v", g2_v)))


def cathode_drive_current_ua(
    drive_v: ArrayLike,
    cutoff_v: ArrayLike,
    g2_v: ArrayLike,
    *,
    g2_from: CountedFrom = "grid1",
    exponent: ArrayLike = DRIVE_EXPONENT,
) -> FloatArray:
    """Cathode current of a gun driven at its cathode, grids held still, uA.

    Pulling the cathode down by the drive raises grid 1 *and* grid 2 above it, so the
    gun opens by ``(1 + D) Vd`` while its cutoff, from the cathode, grows to
    ``Vc + D Vd``. Put those two into the grid-drive law.

    Args:
        drive_v: Volts that the cathode is pulled below its cutoff voltage.
        cutoff_v: Cutoff, V, above zero; broadcasts.
        g2_v: Grid 2 voltage, V; broadcasts. From ``"cathode"`` it is the voltage at cutoff.
        g2_from: What ``g2_v`` was measured against.
        exponent: As for :func:`grid_drive_current_ua`.

    Raises:
        ValueError: A negative drive, a cutoff that is not above zero, or a grid 2 no
            higher than the cathode.

    Source: derivation by shifting electrodes, on Moss 1968 from memory.

    >>> round(float(cathode_drive_current_ua(50.0, 100.0, 400.0)), 2)
    705.39
    """
    drive = non_negative("drive_v", drive_v)
    cutoff = positive("cutoff_v", cutoff_v)
    pull = penetration(cutoff, g2_v, g2_from=g2_from)
    return grid_drive_current_ua((1 + pull) * drive, cutoff + pull * drive, exponent=exponent)


def blend_current(
    space_charge: ArrayLike, temperature_limited: ArrayLike, sharpness: ArrayLike = KNEE_SHARPNESS
) -> FloatArray:
    """The current that flows when both limits bite: ``(a^-n + b^-n)^(-1/n)``.

    Args:
        space_charge: What the field could carry away; any shape, any unit.
        temperature_limited: What the cathode can supply, same unit; broadcasts.
        sharpness: ``n``, above zero. 1 is the reciprocal sum, a broad knee that fits a
            coating worn unevenly; 6 to 10 fits guns in good order; infinity is the
            smaller of the two. It decides how a healthy gun answers a lowered heater,
            so a result that hangs on it should say which was used.

    Returns:
        Current in the same unit. Zero if either limit is zero; the other limit if one
        is infinite; NaN where an input is NaN.

    Raises:
        ValueError: A negative current, or a sharpness that is not above zero.

    Source: from memory, Longo (reciprocal sum), Vaughan 1986 (n of 6 to 10).

    >>> float(blend_current(2.0, 6.0))
    1.5
    >>> round(float(blend_current(2.0, 6.0, 2.0)), 6)
    1.897367
    """
    first = non_negative("space_charge", space_charge)
    second = non_negative("temperature_limited", temperature_limited)
    power = positive("sharpness", sharpness)
    low, high = np.minimum(first, second), np.maximum(first, second)
    # As low x (1 + (low/high)^n)^(-1/n) nothing over- or underflows; where both limits are
    # 0, or both infinite, the share is put in by hand, having no value of its own.
    share = np.divide(low, high, out=np.ones(np.broadcast(low, high).shape), where=low < high)
    with np.errstate(invalid="ignore", under="ignore"):
        blended = low / (1 + share) if np.all(power == 1) else low * (1 + share**power) ** (-1 / power)
    return answer(np.where(np.isnan(first) | np.isnan(second), np.nan, blended))
