"""Lines of a quote or a bill as they come in: typed by a person, or parts that a job has reserved or used."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from tubewright.errors import Fault, InputError
from tubewright.judgement.quote_money import Counted, Line, digits_of, exact, priced
from tubewright.quantity import parse_quantity

__all__ = ["ExtraLine", "Header", "PartLine", "digits_of", "extra_lines", "part_lines", "parts_missing", "typed_line"]

_LONGEST: Final = 160
_MOST_TYPED: Final = Decimal(100_000_000)
_LEAST_STEP: Final = Decimal("0.0001")


@dataclass(frozen=True, slots=True, kw_only=True)
class ExtraLine:
    """A line that a person typed; ``counted`` "min" has minutes and the price of an hour."""

    words: str
    quantity: Decimal
    unit_price: Decimal
    counted: Counted = "piece"
    taxed: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class PartLine:
    """A part that the job has reserved or used: its price of one piece where that is known."""

    key: str
    words: str
    quantity: int
    unit_price: Decimal | None
    currency: str
    used: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Header:
    """Whom and what a paper is about."""

    job: int
    display: str
    tube: str = ""
    customer: str = ""


def typed_line(
    words: str, quantity: str, price: str, *, taxed: bool = True, where: tuple[str, str, str] = ("", "", "")
) -> ExtraLine:
    """A line from what was typed.

    Args:
        words: What it is for.
        quantity: How many, or a time such as ``45 min`` or ``1.5 h``; empty is one.
        price: Of one, or of an hour where a time was typed; a minus before it makes a credit.
        taxed: Whether tax comes on top.
        where: The three fields, for the messages.

    Raises:
        InputError: With every fault of the line.

    Example:
        >>> str(typed_line("Parcel", "2", "7.50").unit_price)
        '7.5'
    """
    faults: list[Fault] = []
    said = " ".join(words.split())
    if not said:
        faults.append(Fault(what="the line has no words", where=where[0], mend="Type what it is for."))
    elif len(said) > _LONGEST:
        faults.append(
            Fault(what=f"the line has {len(said)} characters", where=where[0], mend=f"Keep it to {_LONGEST}.")
        )
    count, counted = Decimal(1), "piece"
    try:
        count, counted = _quantity(quantity.strip() or "1", where[1])
    except InputError as error:
        faults += error.faults
    amount = Decimal(0)
    try:
        amount = _price(price.strip(), where[2])
    except InputError as error:
        faults += error.faults
    if faults:
        raise InputError(faults)
    return ExtraLine(
        words=said,
        quantity=count,
        unit_price=amount,
        counted="min" if counted == "min" else "piece",
        taxed=taxed,
    )


def _quantity(typed: str, where: str) -> tuple[Decimal, str]:
    timed = typed.rstrip(".").endswith(("min", "minutes", "h", "hours"))
    value = exact(parse_quantity(typed, kind="minutes" if timed else "number", where=where).value)
    if not value:
        raise InputError(Fault(what="this is nothing", where=where, mend="Type how many, or leave the line out."))
    return _bounded(value, where), "min" if timed else "piece"


def _price(typed: str, where: str) -> Decimal:
    if not typed:
        raise InputError(Fault(what="the line has no price", where=where, mend="Type it; 0 where it costs nothing."))
    credit = typed.startswith(("-", "\N{MINUS SIGN}"))
    value = exact(parse_quantity(typed[1:].strip() if credit else typed, kind="money", where=where).value)
    return -_bounded(value, where) if credit else _bounded(value, where)


def _bounded(value: Decimal, where: str) -> Decimal:
    if value > _MOST_TYPED or value != value.quantize(_LEAST_STEP):
        mend = f"Keep to four decimals, and below {_MOST_TYPED:,}."
        raise InputError(Fault(what=f"{value} has more digits than a price can use", where=where, mend=mend))
    return value


def extra_lines(extras: Iterable[ExtraLine], currency: str) -> tuple[Line, ...]:
    """Typed lines with their amounts."""
    return tuple(
        priced(
            key=f"extra:{number}",
            words=extra.words,
            quantity=extra.quantity,
            counted=extra.counted,
            unit_price=extra.unit_price,
            currency=currency,
            taxed=extra.taxed,
        )
        for number, extra in enumerate(extras, start=1)
    )


def part_lines(parts: Sequence[PartLine], currency: str) -> tuple[Line, ...]:
    """Parts with their amounts; one priced in another currency has none."""
    return tuple(
        priced(
            key=part.key,
            words=part.words,
            quantity=Decimal(part.quantity),
            counted="piece",
            unit_price=part.unit_price if part.currency in {"", currency} else None,
            currency=currency,
            basis="used from the stock" if part.used else "reserved in the stock",
        )
        for part in parts
    )


def parts_missing(parts: Sequence[PartLine], currency: str) -> tuple[str, ...]:
    """What is missing before parts can be priced."""
    found = []
    for part in parts:
        if part.unit_price is None:
            found.append(f"price of {part.words}: its item in the stock has none")
        elif part.currency not in {"", currency}:
            found.append(f"price of {part.words} in {currency or 'the currency of the shop'}: it is in {part.currency}")
    return tuple(found)
