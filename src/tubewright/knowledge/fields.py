"""What a field of a fact may hold, and the check of one value against it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final, Literal

FieldKind = Literal["text", "number", "count", "flag", "texts", "figures", "numbers", "links", "pairs"]

WORDS: Final[dict[FieldKind, str]] = {
    "text": "text in quotes",
    "number": "a number",
    "count": "a whole number",
    "flag": "true or false",
    "texts": "a list of texts",
    "figures": "a list of numbers",
    "numbers": "a table of numbers by id",
    "links": "a table of texts by id",
    "pairs": "a list of three pairs of numbers",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One field of an entry: its kind, whether it may be left out, and what it may say.

    A number lies from ``lowest`` to ``highest``, and truly ``above`` a bound that it must not reach;
    ``nonzero`` numbers may have either sign.
    """

    kind: FieldKind = "text"
    needed: bool = True
    one_of: tuple[str, ...] = ()
    lowest: float | None = None
    highest: float | None = None
    above: float | None = None
    nonzero: bool = False


def wrong_with(value: Any, wanted: Field) -> str:  # noqa: ANN401  what a TOML file holds may be anything
    """What is wrong with a value, as the end of a sentence that begins with its name; "" if nothing is."""
    if not _FITS[wanted.kind](value):
        return f"is {_shown(value)}"
    if wanted.kind == "text" and not value.strip():
        return "is empty"
    if wanted.one_of:
        strange = [word for word in (value if isinstance(value, list) else [value]) if word not in wanted.one_of]
        if strange:
            return f"is {strange[0]!r}, not one of {', '.join(wanted.one_of)}"
    if wanted.kind in {"number", "count", "numbers", "figures"}:
        each = value if isinstance(value, list) else [value]
        numbers = value.items() if isinstance(value, dict) else [("", number) for number in each]
        for at, number in numbers:
            amiss = _out_of_bounds(number, wanted)
            if amiss:
                place = f"of {at} " if at else ""
                return f"{place}is {number!r}, {amiss}"
    return ""


def _out_of_bounds(number: float, wanted: Field) -> str:
    if wanted.nonzero and number == 0:
        return "and it can't be 0"
    if wanted.above is not None and number <= wanted.above:
        return f"not above {wanted.above:g}"
    low = float("-inf") if wanted.lowest is None else wanted.lowest
    high = float("inf") if wanted.highest is None else wanted.highest
    if low <= number <= high:
        return ""
    if wanted.above is not None:
        return f"more than {high:g}"
    return f"outside {low:g} to {high:g}"


def _shown(value: object) -> str:
    try:
        text = repr(value)
    except ValueError:  # Python writes no whole number of more than some thousand digits
        return "a number of absurd length"
    return text if len(text) <= 80 else f"{text[:79]}…"


def _number(value: object) -> bool:
    # A bool is an int to Python; NaN and the infinities are no facts.
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) <= 1e300


_FITS: Final[dict[FieldKind, Any]] = {
    "text": lambda value: isinstance(value, str),
    "number": _number,
    "count": lambda value: isinstance(value, int) and not isinstance(value, bool),
    "flag": lambda value: isinstance(value, bool),
    "texts": lambda value: isinstance(value, list) and all(isinstance(item, str) for item in value),
    "figures": lambda value: isinstance(value, list) and all(map(_number, value)),
    "numbers": lambda value: isinstance(value, dict) and all(_number(item) for item in value.values()),
    "links": lambda value: isinstance(value, dict) and all(isinstance(item, str) for item in value.values()),
    "pairs": lambda value: (
        isinstance(value, list)
        and len(value) == 3
        and all(isinstance(pair, list) and len(pair) == 2 and all(map(_number, pair)) for pair in value)
    ),
}
