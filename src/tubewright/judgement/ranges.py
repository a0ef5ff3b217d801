"""From a number read off an instrument to the named results of a bench test.

A number has a spread: the instrument's, the hand's, and what the set itself wanders
from minute to minute. Where it lies near the border of two ranges each of the two may
be the true one, and each counts with its chance (:func:`shares_of_value`); far from
every border one counts in full.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

from tubewright.errors import Fault, InputError
from tubewright.knowledge.model import BenchTest, NamedResult

VOLTS_SPREAD: Final = 0.007
HIGH_VOLTS_SPREAD: Final = 0.03
HIGH_VOLTS_FROM_V: Final = 1000.0
AMPERES_SPREAD: Final = 0.015
SMALL_CURRENT_SPREAD: Final = 0.10
SMALL_CURRENT_BELOW_A: Final = 1e-4
OHMS_SPREAD: Final = 0.01
LEAKAGE_SPREAD: Final = 0.10
LEAKAGE_FROM_OHM: Final = 2e4
SECONDS_SPREAD: Final = 0.05
HERTZ_SPREAD: Final = 0.001
FARADS_SPREAD: Final = 0.03
RATIO_SPREAD: Final = 0.02
OTHER_SPREAD: Final = 0.05
"""Standard deviations of a reading as a share of it, by what is read; sources stand with the facts."""

NEGLIGIBLE_SHARE: Final = 1e-6
"""Chance below which a result is not the true one."""

NominalFrom = Literal["case", "chassis", "usual", "none"]

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


@dataclass(frozen=True, slots=True, kw_only=True)
class Nominal:
    """What a reading is held against, in the unit of the reading; None where nothing is known."""

    value: float | None
    unit: str
    origin: NominalFrom


def nominal_of(test: BenchTest, *, unit: str, given: float | None, of_chassis: float | None = None) -> Nominal:
    """What is nominal for a reading: as the case says, else the chassis profile, else as usual.

    Args:
        test: The test.
        unit: The unit of the reading as typed.
        given: What the case says, in that unit.
        of_chassis: What the display's profile says, in base units (V, A, ohm, Hz).

    Returns:
        The nominal value in the unit of the reading, and who says so.
    """
    if given is not None:
        return Nominal(value=given, unit=unit, origin="case")
    kind, factor = _FACTORS.get(unit, (unit, 1.0))
    if kind != "ratio":
        if of_chassis is not None:
            return Nominal(value=of_chassis / factor, unit=unit, origin="chassis")
        if test.usual_nominal is not None:
            return Nominal(value=test.usual_nominal / factor, unit=unit, origin="usual")
    return Nominal(value=None, unit=unit, origin="none")


def result_of_value(
    test: BenchTest, *, value: float, unit: str, nominal: float | None = None, of_chassis: float | None = None
) -> NamedResult | None:
    """The named result that a number stands for, taken at its word.

    Args:
        test: The test.
        value: What was read.
        unit: Its unit, as typed; prefixes are understood.
        nominal: What it should be, in the same unit; if left out, what the profile of
            the chassis says, else the test's own usual nominal.
        of_chassis: What that profile says, in base units (V, A, ohm, Hz).

    Returns:
        The result whose range holds the value, the most particular one where one
        refines another; None if no range holds it.

    Raises:
        InputError: The test has no numeric result, none in this kind of unit, or only
            ratios to a nominal value that is not given.
    """
    against = nominal_of(test, unit=unit, given=nominal, of_chassis=of_chassis).value
    return _held(_usable(test, value, unit, against))


def shares_of_value(
    test: BenchTest, *, value: float, unit: str, nominal: float | None = None, of_chassis: float | None = None
) -> Mapping[str, float]:
    """How likely each named result is the true one behind a number, given its spread.

    The true value is taken to be normal about the reading. Arguments and errors as
    :func:`result_of_value`.

    Returns:
        Shares by result id, summing to 1; "" for the share that falls in no range.

    Example:
        >>> from tubewright.knowledge.load import load_knowledge
        >>> test = load_knowledge().tests["d_bplus"]
        >>> {name: round(share, 2) for name, share in shares_of_value(test, value=125.8, unit="V", nominal=127).items()}
        {'right': 0.53, 'slightly_low': 0.47}
    """
    against = nominal_of(test, unit=unit, given=nominal, of_chassis=of_chassis).value
    usable = _usable(test, value, unit, against)
    sd = spread_of(value, unit)
    named = _held(usable)
    if sd == 0:
        return {named.id if named else "": 1.0}
    # Every border in terms of the reading: the figure of each result is the reading times a factor of its own.
    borders = sorted(
        {
            bound * value / figure - _hair(bound * value / figure)
            for result, figure in usable
            for bound in (result.at_least, result.below)
            if bound is not None and figure != 0
        }
    )
    shares: dict[str, float] = {}
    edges = [-math.inf, *borders, math.inf]
    for low, high in itertools.pairwise(edges):
        share = _below((high - value) / sd) - _below((low - value) / sd)
        if share <= NEGLIGIBLE_SHARE:
            continue
        inside = _inside(low, high)
        cell = _held([(result, figure * inside / value) for result, figure in usable])
        name = cell.id if cell else ""
        shares[name] = shares.get(name, 0.0) + share
    whole = sum(shares.values())
    return {name: shares[name] / whole for name in sorted(shares, key=lambda n: -shares[n])}


def spread_of(value: float, unit: str) -> float:
    """Standard deviation of a reading, in its own unit."""
    kind, factor = _FACTORS.get(unit, (unit, 1.0))
    size = abs(value) * factor
    share = {
        "V": HIGH_VOLTS_SPREAD if size >= HIGH_VOLTS_FROM_V else VOLTS_SPREAD,
        "A": SMALL_CURRENT_SPREAD if size < SMALL_CURRENT_BELOW_A else AMPERES_SPREAD,
        "ohm": LEAKAGE_SPREAD if size >= LEAKAGE_FROM_OHM else OHMS_SPREAD,
        "s": SECONDS_SPREAD,
        "Hz": HERTZ_SPREAD,
        "F": FARADS_SPREAD,
        "ratio": RATIO_SPREAD,
        "rings": 0.0,  # a count
    }.get(kind, OTHER_SPREAD)
    return share * abs(value)


def _usable(test: BenchTest, value: float, unit: str, against: float | None) -> list[tuple[NamedResult, float]]:
    """Results that a number in this unit can be held against, each with the figure that its range is about.

    Raises:
        InputError: There is none.
    """
    numeric = [result for result in test.results if result.quantity != "none"]
    names = ", ".join(result.id for result in test.results)
    if not numeric:
        raise InputError(
            Fault(what=f"{test.id} can't be read off a number", where="value", mend=f"Name a result: {names}")
        )
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
    return usable


def _held(usable: list[tuple[NamedResult, float]]) -> NamedResult | None:
    """The most particular result whose range holds its figure."""
    held = [
        result
        for result, figure in usable
        if (result.at_least is None or figure >= result.at_least - _hair(result.at_least))
        and (result.below is None or figure < result.below - _hair(result.below))
    ]
    refined = {result.refines for result in held}
    return next((result for result in held if result.id not in refined), None)


def _inside(low: float, high: float) -> float:
    """Some value between two borders, either of which may be infinite."""
    if math.isinf(low) and math.isinf(high):
        return 0.0
    if math.isinf(low):
        return high - max(1.0, abs(high))
    if math.isinf(high):
        return low + max(1.0, abs(low))
    return 0.5 * (low + high)


def _below(z: float) -> float:
    """The normal distribution function."""
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


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
