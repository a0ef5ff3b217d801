"""Figures as people type them at the bench: ``6.3``, ``450uA``, ``2.2M``, ``22 %``, ``6,3``.

Pure and light, so that both doors can use it. A figure that could be read in two
ways is refused, with the way to write it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal, localcontext
from typing import Final, NamedTuple

from tubewright.errors import Fault, InputError


class Quantity(NamedTuple):
    """A number and the unit of the case file that it is in (empty for a pure number)."""

    value: float
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Family:
    """What may be typed for one kind of quantity.

    ``suffixes`` maps what may follow the number to the unit it is kept in and the
    factor to it; ``bare`` is the unit of a number that nothing follows, or ``None``
    where that would be a guess.
    """

    means: str
    suffixes: Mapping[str, tuple[str, Decimal]]
    bare: str | None
    example: str
    most: float = 1e9


def _scaled(unit: str, spellings: Mapping[str, str]) -> dict[str, tuple[str, Decimal]]:
    return {suffix: (unit, Decimal(factor)) for suffix, factor in spellings.items()}


_VOLTS = _scaled("V", {"V": "1", "v": "1", "volt": "1", "volts": "1", "mV": "1e-3", "kV": "1e3", "KV": "1e3"})
_MEGOHMS = _scaled(
    "Mohm",
    {
        "M": "1", "MΩ": "1", "Mohm": "1", "MOhm": "1", "Mohms": "1", "Meg": "1", "meg": "1", "MEG": "1",
        "megohm": "1", "megohms": "1", "G": "1e3", "GΩ": "1e3", "Gohm": "1e3",
        "k": "1e-3", "K": "1e-3", "kΩ": "1e-3", "KΩ": "1e-3", "kohm": "1e-3", "Kohm": "1e-3", "kOhm": "1e-3",
        "R": "1e-6", "Ω": "1e-6", "ohm": "1e-6", "ohms": "1e-6", "Ohm": "1e-6",
    },
)  # fmt: skip
_MICROAMPERES = _scaled(
    "uA",
    {
        "uA": "1", "μA": "1", "ua": "1", "μa": "1", "UA": "1", "u": "1", "μ": "1", "microamp": "1", "microamps": "1",
        "mA": "1e3", "ma": "1e3", "m": "1e3", "milliamp": "1e3", "milliamps": "1e3",
        "nA": "1e-3", "na": "1e-3", "n": "1e-3", "A": "1e6",
    },
)  # fmt: skip
_AMPERES = _scaled("A", {"A": "1", "a": "1", "amp": "1", "amps": "1", "mA": "1e-3", "ma": "1e-3", "m": "1e-3"})
_OHMS = _scaled(
    "ohm",
    {
        "R": "1", "Ω": "1", "ohm": "1", "ohms": "1", "Ohm": "1", "r": "1",
        "k": "1e3", "K": "1e3", "kΩ": "1e3", "KΩ": "1e3", "kohm": "1e3", "Kohm": "1e3", "kOhm": "1e3",
        "M": "1e6", "MΩ": "1e6", "Mohm": "1e6", "MOhm": "1e6", "meg": "1e6", "Meg": "1e6", "G": "1e9", "GΩ": "1e9",
        "mΩ": "1e-3", "mohm": "1e-3", "milliohm": "1e-3", "m": "1e-3",
    },
)  # fmt: skip
# mF is left out: some mean milli, some micro.
_MICROFARADS = _scaled(
    "uF",
    {
        "uF": "1", "μF": "1", "uf": "1", "UF": "1", "μf": "1", "u": "1", "μ": "1", "mfd": "1", "MFD": "1", "Mfd": "1",
        "nF": "1e-3", "nf": "1e-3", "NF": "1e-3", "n": "1e-3", "pF": "1e-6", "pf": "1e-6", "PF": "1e-6", "p": "1e-6",
        "mmfd": "1e-6", "F": "1e6",
    },
)  # fmt: skip
_SCALE = {
    **_scaled("percent", {"%": "1", "percent": "1", "pct": "1"}),
    **_scaled("div", {"div": "1", "divs": "1", "divisions": "1"}),
    **_scaled("rel", {"rel": "1"}),
}
_LEAKAGE = _Family(means="a leakage resistance", suffixes=_MEGOHMS, bare="Mohm", example="2.2M or 470k")
_VOLTAGE = _Family(means="a voltage", suffixes=_VOLTS, bare="V", example="6.3 or 6.3 V", most=50_000)

_FAMILIES: Final[Mapping[str, _Family]] = {
    "emission": _Family(
        means="an emission reading",
        suffixes={**_MICROAMPERES, **_SCALE},
        bare=None,
        example="450uA, 0.45 mA, 22 %, 33 div or 0.33 rel",
    ),
    "cutoff": _VOLTAGE,
    "leakage_heater_cathode": _LEAKAGE,
    "leakage_cathode_grid1": _LEAKAGE,
    "leakage_grid1_grid2": _LEAKAGE,
    "heater_current": _Family(means="a heater current", suffixes=_AMPERES, bare="A", example="0.65 or 650mA", most=20),
    "heater_voltage": _VOLTAGE,
    "gas": _Family(means="a gas current", suffixes=_MICROAMPERES, bare="uA", example="0.4uA"),
    "shortfall_seen": _Family(
        means="a share of the light",
        suffixes=_scaled("rel", {"rel": "1", "%": "0.01", "percent": "0.01"}),
        bare="rel",
        example="0.12 or 12 %",
        most=1,
    ),
    "voltage": _VOLTAGE,
    "minutes": _Family(
        means="a time in minutes",
        suffixes=_scaled("min", {"min": "1", "mins": "1", "minutes": "1", "m": "1", "h": "60", "hours": "60"})
        | {seconds: ("min", Decimal(1) / 60) for seconds in ("s", "sec", "seconds")},
        bare="min",
        example="15 or 15 min",
    ),
    "hours": _Family(
        means="a number of hours",
        suffixes=_scaled("h", {"h": "1", "hours": "1", "hrs": "1", "k": "1000", "kh": "1000"}),
        bare="h",
        example="26000 or 26k",
    ),
    "years": _Family(
        means="a number of years",
        suffixes=_scaled("years", {"y": "1", "yr": "1", "yrs": "1", "year": "1", "years": "1"}),
        bare="years",
        example="5",
    ),
    "fraction": _Family(
        means="a fraction",
        suffixes=_scaled("", {"%": "0.01", "percent": "0.01"}),
        bare="",
        example="0.5 or 50 %",
        most=1,
    ),
    "resistance": _Family(means="a resistance", suffixes=_OHMS, bare="ohm", example="75, 4k7 or 3.3 k", most=1e12),
    "capacitance": _Family(
        means="a capacitance", suffixes=_MICROFARADS, bare=None, example="100uF, 4u7, 470 nF or 2200pF", most=1e6
    ),
    "current": _Family(means="a current", suffixes=_AMPERES, bare="A", example="0.65 or 650mA", most=1000),
    "watts": _Family(
        means="a power",
        suffixes=_scaled("W", {"W": "1", "w": "1", "watt": "1", "watts": "1", "mW": "1e-3", "kW": "1e3"}),
        bare="W",
        example="0.5 or 500 mW",
        most=1e6,
    ),
    "hertz": _Family(
        means="a frequency",
        suffixes=_scaled("Hz", {"Hz": "1", "hz": "1", "HZ": "1", "kHz": "1e3", "khz": "1e3", "KHz": "1e3"}),
        bare="Hz",
        example="60 or 60.6 Hz",
        most=1e6,
    ),
    "inductance": _Family(
        means="an inductance",
        suffixes=_scaled("mH", {"mH": "1", "mh": "1", "uH": "1e-3", "μH": "1e-3", "uh": "1e-3", "H": "1e3"}),
        bare="mH",
        example="1.5 or 1.5 mH",
        most=1e6,
    ),
    "kilovolts": _Family(
        means="an anode voltage",
        suffixes=_scaled("kV", {"kV": "1", "KV": "1", "kv": "1", "k": "1", "V": "1e-3", "v": "1e-3"}),
        bare="kV",
        example="24 or 24 kV",
        most=100,
    ),
    "microseconds": _Family(
        means="a time of microseconds",
        suffixes=_scaled("us", {"us": "1", "μs": "1", "usec": "1", "ns": "1e-3", "ms": "1e3"}),
        bare="us",
        example="11 or 11 us",
    ),
    "seconds": _Family(
        means="a time in seconds",
        suffixes=_scaled("s", {"s": "1", "sec": "1", "seconds": "1", "ms": "1e-3", "min": "60", "minutes": "60"}),
        bare="s",
        example="1.7 or 1.7 s",
    ),
    "celsius": _Family(
        means="a temperature",
        suffixes=_scaled("C", {"C": "1", "c": "1", "°C": "1", "°c": "1", "°": "1", "deg C": "1", "degC": "1"}),
        bare="C",
        example="45 or 45 C",
        most=1000,
    ),
    "millimetres": _Family(
        means="a length",
        suffixes=_scaled("mm", {"mm": "1", "cm": "10", "in": "25.4", '"': "25.4"}),
        bare="mm",
        example="12.5 or 12.5 mm",
        most=10_000,
    ),
    "money": _Family(means="an amount of money", suffixes={}, bare="", example="180 or 180.50"),
    "number": _Family(means="a number", suffixes={}, bare="", example="12"),
    "inches": _Family(
        means="a size in inches",
        suffixes=_scaled("in", {"in": "1", '"': "1", "″": "1", "inch": "1", "inches": "1", "cm": "0.3937007874"}),
        bare="in",
        example="19 or 48 cm",
    ),
    "khz": _Family(
        means="a line rate",
        suffixes=_scaled("kHz", {"kHz": "1", "khz": "1", "KHz": "1", "k": "1", "Hz": "1e-3", "hz": "1e-3"}),
        bare="kHz",
        example="15.7",
        most=1000,
    ),
}

QUANTITY_KINDS: Final = tuple(_FAMILIES)
"""What ``kind`` may be: the kinds of reading, and the other figures of a case."""

_TABLE: Final = str.maketrans(
    {"µ": "μ", "\u2126": "Ω", "\u00a0": " ", "\u202f": " ", "\u2009": " ", "−": "-", "’": "'", "٪": "%"}
)
_SHAPE: Final = re.compile(
    r"""(?P<number>[0-9]{1,3}(?:[ '][0-9]{3})+(?:[.,][0-9]+)?   # 26 000 or 26'000
        |[0-9]*[.,]?[0-9]+(?:[eE][-+]?[0-9]{1,3})?               # 6.3, 6,3, .5, 1e-3
        |[0-9]+[.,])                                             # 6.
        \s*(?P<suffix>[^0-9\s.,].*)?""",
    re.VERBOSE,
)
_LETTER_AS_POINT: Final = re.compile(r"(?P<whole>[0-9]+)(?P<letter>[kKMRVunpμ])(?P<rest>[0-9]+)")
_DOUBTFUL_COMMA: Final = re.compile(r"[1-9][0-9]{0,2},[0-9]{3}")
_LONGEST: Final = 40


def parse_quantity(text: str, *, kind: str, default_unit: str | None = None, where: str = "") -> Quantity:
    """The figure somebody typed, in the unit the case file keeps it in.

    Args:
        text: What was typed, with or without a unit; ``6,3`` and ``2M2`` are understood.
        kind: One of :data:`QUANTITY_KINDS`; it decides which units make sense.
        default_unit: What a number without a unit is in, as the page or the
            instrument says; without it the usual unit of the kind, if it has one.
        where: The field, for the message.

    Returns:
        Value and unit: currents of the beam in uA, leakages in Mohm, voltages in V,
        heater currents in A.

    Raises:
        InputError: It is no such figure, or could be read in two ways.
        KeyError: No such kind; the name is misspelt in our own code.

    Example:
        >>> parse_quantity("0.45 mA", kind="emission")
        Quantity(value=450.0, unit='uA')
        >>> parse_quantity("470k", kind="leakage_heater_cathode")
        Quantity(value=0.47, unit='Mohm')
    """
    family = _FAMILIES[kind]
    typed = text.translate(_TABLE).strip()
    if not typed:
        raise _fault(where, "there is nothing here", f"Type {family.means}, such as {family.example}.")
    if len(typed) > _LONGEST:
        raise _fault(where, "this is too long for a figure", f"Type {family.means}, such as {family.example}.")
    number, suffix = _split(typed, family, where)
    unit, factor = _unit_of(suffix, family, default_unit, where)
    with localcontext() as context:
        context.prec = 28
        value = float(number * factor)
    if value > family.most:
        raise _fault(where, f"{_quoted(text)} is too large for {family.means}", f"Check its unit; {family.example}.")
    return Quantity(value, unit)


def _split(typed: str, family: _Family, where: str) -> tuple[Decimal, str]:
    """The number and what follows it."""
    if typed.lstrip().startswith(("-", "+")):
        if typed.startswith("-"):
            raise _fault(where, f"{_quoted(typed)} is negative", "Write it without the minus sign.")
        typed = typed[1:].lstrip()
    if typed.startswith((">", "<", "≥", "≤", "~", "≈")):
        raise _fault(
            where,
            f"{_quoted(typed)} is a limit, not a figure",
            "Type the figure itself; if the meter shows no more, type the highest it can show.",
        )
    letter = _LETTER_AS_POINT.fullmatch(typed)
    if letter and any(suffix == letter["letter"] for suffix in family.suffixes):
        return Decimal(f"{letter['whole']}.{letter['rest']}"), letter["letter"]
    found = _SHAPE.fullmatch(typed)
    if found is None:
        raise _fault(where, f"{_quoted(typed)} is not {family.means}", f"Type it as {family.example}.")
    digits = found["number"].replace(" ", "").replace("'", "")
    if _DOUBTFUL_COMMA.fullmatch(digits):
        raise _fault(
            where,
            f"{_quoted(digits)} can be read in two ways",
            f"Write {digits.replace(',', '')} or {digits.replace(',', '.')}.",
        )
    return Decimal(digits.replace(",", ".")), (found["suffix"] or "").strip()


def _unit_of(suffix: str, family: _Family, default_unit: str | None, where: str) -> tuple[str, Decimal]:
    if not suffix:
        if default_unit is not None:
            return family.suffixes.get(default_unit.translate(_TABLE), (default_unit, Decimal(1)))
        if family.bare is None:
            raise _fault(where, "the unit is missing", f"Type {family.means} with its unit: {family.example}.")
        return family.bare, Decimal(1)
    found = family.suffixes.get(suffix) or family.suffixes.get(suffix.replace(" ", ""))
    if found is None:
        known = ", ".join(family.suffixes) if len(family.suffixes) < 8 else family.example
        mend = (
            f"Type it as {family.example}." if family.suffixes else f"Type the number alone, such as {family.example}."
        )
        if any(suffix.lower() == name.lower() for name in family.suffixes):
            mend = f"Capitals matter (m is milli, M is mega): {known}."
        raise _fault(where, f"{_quoted(suffix)} is not a unit of {family.means}", mend)
    return found


def _quoted(text: str) -> str:
    """Text as a message may show it: short, and nothing a terminal obeys."""
    clean = "".join(char if char.isprintable() else "?" for char in text)
    return f"“{clean if len(clean) <= 24 else clean[:23] + '…'}”"


def _fault(where: str, what: str, mend: str) -> InputError:
    return InputError(Fault(what=what, where=where, mend=mend))
