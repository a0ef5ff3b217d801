"""From a number read at the bench to the named result it amounts to."""

from __future__ import annotations

from typing import Final

from tubewright.knowledge.model import BenchTest, NamedResult

_FACTORS: Final[dict[str, tuple[str, float]]] = {
    "V": ("V", 1),
    "mV": ("V", 1e-3),
    "kV": ("V", 1e3),
    "A": ("A", 1),
    "mA": ("A", 1e-3),
    "uA": ("A", 1e-6),
    "µA": ("A", 1e-6),
    "nA": ("A", 1e-9),
    "ohm": ("ohm", 1),
    "kohm": ("ohm", 1e3),
    "Mohm": ("ohm", 1e6),
    "Ω": ("ohm", 1),
    "kΩ": ("ohm", 1e3),
    "MΩ": ("ohm", 1e6),
    "s": ("s", 1),
    "ms": ("s", 1e-3),
    "min": ("s", 60),
    "Hz": ("Hz", 1),
    "kHz": ("Hz", 1e3),
    "ratio": ("ratio", 1),
    "rel": ("ratio", 1),
    "percent": ("ratio", 0.01),
    "%": ("ratio", 0.01),
    "rings": ("rings", 1),
}
"""Units as people write them: what they measure in, and how much of it."""


def convert(value: float, unit: str, to: str) -> float | None:
    """A value in another unit of the same kind; None if the two don't measure the same.

    >>> convert(2.5, "kV", "V")
    2500.0
    """
    if unit == to:
        return value
    if unit not in _FACTORS or to not in _FACTORS or _FACTORS[unit][0] != _FACTORS[to][0]:
        return None
    return value * _FACTORS[unit][1] / _FACTORS[to][1]


def named_result(
    test: BenchTest, value: float, unit: str, nominal: float | None, *, nominal_unit: str | None = None
) -> NamedResult | None:
    """The result of a test that a number stands for.

    Args:
        test: The test.
        value: What was read.
        unit: Its unit; ``ratio`` or ``percent`` if it is already a share of nominal.
        nominal: What it should be, in the same unit unless ``nominal_unit`` says
            otherwise; None falls back on what is usual for the test, if anything is.
        nominal_unit: Unit of ``nominal``.

    Returns:
        The result in whose range the number lies; None if the test has none for it,
        if the unit does not fit, or if nominal is needed and not known. A number
        between two ranges speaks for neither.
    """
    for result in test.results:
        number = _number_for(result, test, value, unit, nominal, nominal_unit or unit)
        if (
            number is not None
            and (result.at_least is None or number >= _just_under(result.at_least))
            and (result.below is None or number < _just_under(result.below))
        ):
            return result
    return None


def needs_nominal(test: BenchTest) -> bool:
    """Whether a number of this test means something only beside what is nominal."""
    return test.usual_nominal is None and any(result.quantity == "ratio" for result in test.results)


def _just_under(bound: float) -> float:
    """A bound less what a quotient may lose in rounding, so that 59.4 of 66 counts as 0.9."""
    return bound - 1e-9 * abs(bound)


def _number_for(
    result: NamedResult, test: BenchTest, value: float, unit: str, nominal: float | None, nominal_unit: str
) -> float | None:
    if result.quantity == "value":
        return convert(value, unit, result.unit)
    if result.quantity == "none":
        return None
    share = convert(value, unit, "ratio")
    if share is not None:
        return share
    if nominal is None:
        nominal, nominal_unit = test.usual_nominal, "V"
    if nominal is None:
        return None
    nominal = convert(nominal, nominal_unit, unit)
    return value / nominal if nominal else None
