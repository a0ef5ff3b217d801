"""From a number read off an instrument to the named result of a bench test."""

from __future__ import annotations

from typing import Final

from tubewright.errors import Fault, InputError
from tubewright.knowledge.model import BenchTest, NamedResult

# Units that differ only by a factor, by what they measure; spelt as people type them.
_FACTORS: Final[dict[str, tuple[str, float]]] = {
    "V": ("V", 1.0), "mV": ("V", 1e-3), "kV": ("V", 1e3),
    "A": ("A", 1.0), "mA": ("A", 1e-3), "uA": ("A", 1e-6), "µA": ("A", 1e-6), "nA": ("A", 1e-9),
    "ohm": ("ohm", 1.0), "kohm": ("ohm", 1e3), "Mohm": ("ohm", 1e6),
    "Ω": ("ohm", 1.0), "kΩ": ("ohm", 1e3), "MΩ": ("ohm", 1e6),
    "s": ("s", 1.0), "ms": ("s", 1e-3), "us": ("s", 1e-6), "µs": ("s", 1e-6), "min": ("s", 60.0),
    "Hz": ("Hz", 1.0), "kHz": ("Hz", 1e3),
    "F": ("F", 1.0), "uF": ("F", 1e-6), "µF": ("F", 1e-6), "nF": ("F", 1e-9), "pF": ("F", 1e-12),
    "ratio": ("ratio", 1.0), "rel": ("ratio", 1.0), "percent": ("ratio", 0.01), "%": ("ratio", 0.01),
}  # fmt: skip


def result_of_value(test: BenchTest, *, value: float, unit: str, nominal: float | None = None) -> NamedResult | None:
    """The named result that a number stands for.

    Args:
        test: The test.
        value: What was read.
        unit: Its unit, as typed; prefixes are understood.
        nominal: What it should be, in the same unit; the test's own usual nominal if
            left out.

    Returns:
        The result whose range holds the value, the most particular one where one
        refines another; None if no range holds it.

    Raises:
        InputError: The test has no numeric result, none in this kind of unit, or only
            ratios to a nominal value that is not given.
    """
    numeric = [result for result in test.results if result.quantity != "none"]
    names = ", ".join(result.id for result in test.results)
    if not numeric:
        raise InputError(
            Fault(what=f"{test.id} can't be read off a number", where="value", mend=f"Name a result: {names}")
        )
    against = nominal if nominal is not None else _usual(test, unit)
    usable: list[tuple[NamedResult, float]] = []
    for result in numeric:
        figure = _figure(result, value, unit, against)
        if figure is not None:
            usable.append((result, figure))
    if not usable:
        if any(result.quantity == "ratio" for result in numeric) and against is None:
            what, mend = f"{test.id} needs to know what is nominal here", "Add nominal, in the same unit as the value"
        else:
            wanted = sorted({result.unit for result in numeric if result.unit})
            what, mend = f"{unit!r} is not a unit of {test.id}", f"Use {' or '.join(wanted) or 'a ratio'}"
        raise InputError(Fault(what=what, where="value", mend=mend))
    held = [
        result
        for result, figure in usable
        if (result.at_least is None or figure >= result.at_least - _hair(result.at_least))
        and (result.below is None or figure < result.below - _hair(result.below))
    ]
    refined = {result.refines for result in held}
    return next((result for result in held if result.id not in refined), None)


def _usual(test: BenchTest, unit: str) -> float | None:
    """The test's usual nominal value in the unit as typed; the test states it in base units."""
    kind, factor = _FACTORS.get(unit, (unit, 1.0))
    return None if test.usual_nominal is None or kind == "ratio" else test.usual_nominal / factor


def _hair(bound: float) -> float:
    """What a quotient of two readings may miss a bound by and still count as on it: 0.9 of 66 over 66."""
    return 1e-9 * abs(bound)


def _figure(result: NamedResult, value: float, unit: str, nominal: float | None) -> float | None:
    """The value in the terms of one result's range, or None if it can't be put so."""
    kind, factor = _FACTORS.get(unit, (unit, 1.0))
    if result.quantity == "ratio":
        if kind == "ratio" and nominal is None:
            return value * factor
        return value / nominal if nominal else None
    wanted_kind, wanted_factor = _FACTORS.get(result.unit, (result.unit, 1.0))
    return value * factor / wanted_factor if kind == wanted_kind else None
