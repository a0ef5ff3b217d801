"""Levels on signal lines: what a source gives into a load, echoes, attenuators, coupling capacitors.

Source: Thevenin's theorem and the voltage divider; the reflection coefficient of a
line; the charge of a capacitor through a resistor. Textbooks of circuit theory.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from tubewright.physics._arrays import FloatArray, answer, non_negative, positive


def parallel_ohm(one_ohm: ArrayLike, other_ohm: ArrayLike) -> FloatArray:
    """Two resistances side by side.

    Raises:
        ValueError: One is not above zero.
    """
    one, other = positive("one_ohm", one_ohm), positive("other_ohm", other_ohm)
    return answer(1 / (1 / one + 1 / other))


def level_into_v(emf_v: ArrayLike, source_ohm: ArrayLike, load_ohm: ArrayLike) -> FloatArray:
    """What a source gives at a load.

    Args:
        emf_v: Without load.
        source_ohm: Behind it.
        load_ohm: All that hangs on it.

    Raises:
        ValueError: A negative source resistance, or a load that is not above zero.

    Example:
        >>> round(float(level_into_v(1.4, 75, 37.5)), 4)
        0.4667
    """
    source, load = non_negative("source_ohm", source_ohm), positive("load_ohm", load_ohm)
    return answer(np.asarray(emf_v, dtype=np.float64) * load / (source + load))


def emf_v(level_v: ArrayLike, source_ohm: ArrayLike, load_ohm: ArrayLike) -> FloatArray:
    """The voltage without load of a source that gives this level at that load; arguments as :func:`level_into_v`."""
    source, load = non_negative("source_ohm", source_ohm), positive("load_ohm", load_ohm)
    return answer(np.asarray(level_v, dtype=np.float64) * (source + load) / load)


def echo_share(load_ohm: ArrayLike, line_ohm: ArrayLike) -> FloatArray:
    """The share of a step that comes back from the end of a line: 0 where it is matched, 1 where it is open."""
    load, line = positive("load_ohm", load_ohm), positive("line_ohm", line_ohm)
    return answer((load - line) / (load + line))


def attenuator_ohm(ratio: ArrayLike, line_ohm: ArrayLike, load_ohm: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """A resistor in series and one across the load that bring a level down, while the line sees its own impedance.

    Args:
        ratio: Level wanted over the level at a matched end, 0 to 1.
        line_ohm: What the source wants to see.
        load_ohm: The input, without the resistor across it.

    Returns:
        The series and the shunt resistor; the shunt is infinite where the load alone is
        right, and NaN where it is lower than the network needs.

    Raises:
        ValueError: A ratio outside 0 to 1, or a resistance not above zero.

    Example:
        >>> [round(float(part), 2) for part in attenuator_ohm(0.5, 75, 75)]
        [37.5, 75.0]
    """
    share, line, load = positive("ratio", ratio), positive("line_ohm", line_ohm), positive("load_ohm", load_ohm)
    if np.any(share > 1):
        raise ValueError(f"ratio must not be above 1, got {float(np.max(share)):g}")
    across = share * line
    with np.errstate(divide="ignore", invalid="ignore"):
        shunt = np.where(
            load > across, 1 / np.maximum(1 / across - 1 / load, 0), np.where(load == across, np.inf, np.nan)
        )
    return answer(line - across), answer(shunt)


def coupling_tilt(resistance_ohm: ArrayLike, capacitance_f: ArrayLike, time_s: ArrayLike) -> FloatArray:
    """The share of a level that a coupling capacitor lets sink in a time: 1 - exp(-t / RC).

    Args:
        resistance_ohm: All that the capacitor works into, source and load together.
        capacitance_f: Of the capacitor.
        time_s: How long the level stays.

    Raises:
        ValueError: A resistance or capacitance not above zero, or a negative time.
    """
    constant = positive("resistance_ohm", resistance_ohm) * positive("capacitance_f", capacitance_f)
    return answer(-np.expm1(-non_negative("time_s", time_s) / constant))


def coupling_f(resistance_ohm: ArrayLike, tilt_share: ArrayLike, time_s: ArrayLike) -> FloatArray:
    """The coupling capacitor that lets a level sink by this share in a time; the inverse of :func:`coupling_tilt`.

    Raises:
        ValueError: An argument not above zero, or a share of 1 or more.
    """
    share = positive("tilt_share", tilt_share)
    if np.any(share >= 1):
        raise ValueError("tilt_share must be below 1")
    return answer(positive("time_s", time_s) / (positive("resistance_ohm", resistance_ohm) * -np.log1p(-share)))
