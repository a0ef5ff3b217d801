"""Money in decimals: the smallest unit of each currency, amounts of lines, tax, and sums that add up.

Every amount of a line is rounded by itself, tax is reckoned once on the sum of what is
taxed, and the total is the sum of both: whatever stands on the paper adds up to the last
digit. Half of the smallest unit goes away from nothing, as commerce rounds.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_UP, Decimal, localcontext
from typing import Final, Literal

Counted = Literal["piece", "min"]
"""What a line counts: pieces at a price each, or minutes at a price an hour."""

USUAL_DIGITS: Final = 2  # published, iso-4217
RANGE_DIGITS: Final = 2  # common practice: the ends of a range are round figures

# published, iso-4217, list one: the currencies whose minor unit isn't the hundredth
_WHOLE: Final = frozenset(
    {"BIF", "CLP", "DJF", "GNF", "ISK", "JPY", "KMF", "KRW", "PYG", "RWF", "UGX", "UYI", "VND", "VUV", "XAF"}
    | {"XOF", "XPF"}
)
_THOUSANDTHS: Final = frozenset({"BHD", "IQD", "JOD", "KWD", "LYD", "OMR", "TND"})
_TEN_THOUSANDTHS: Final = frozenset({"CLF", "UYW"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line of a quote or a bill.

    ``quantity`` counts pieces, or minutes whose ``unit_price`` is an hour's; ``unit_price`` None
    where no price is known, and then ``amount`` is None, too. ``basis`` says where time and price
    come from.
    """

    key: str
    words: str
    quantity: Decimal
    counted: Counted
    unit_price: Decimal | None
    amount: Decimal | None
    taxed: bool = True
    basis: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sum:
    """What lines come to; ``total`` is exactly ``net`` and ``tax`` together."""

    net: Decimal
    taxed_net: Decimal
    tax: Decimal
    total: Decimal


def digits_of(currency: str) -> int:
    """Decimals of an amount in a currency, by ISO 4217.

    >>> digits_of("EUR"), digits_of("JPY"), digits_of("TND")
    (2, 0, 3)
    """
    if currency in _WHOLE:
        return 0
    if currency in _THOUSANDTHS:
        return USUAL_DIGITS + 1
    if currency in _TEN_THOUSANDTHS:
        return USUAL_DIGITS + 2
    return USUAL_DIGITS


def exact(value: float | str | Decimal) -> Decimal:
    """A number as it was typed: a float by its shortest digits, not by its bits.

    Raises:
        ValueError: It is no finite number.
    """
    try:
        found = value if isinstance(value, Decimal) else Decimal(str(value))
    except ArithmeticError as error:
        raise ValueError(f"{value!r} is no number") from error
    if not found.is_finite():
        raise ValueError(f"{value!r} is no finite number")
    return found


def rounded(amount: Decimal, currency: str) -> Decimal:
    """An amount to the smallest unit of its currency, half away from nothing.

    >>> rounded(Decimal("0.125"), "EUR"), rounded(Decimal("-0.125"), "EUR"), rounded(Decimal("2.5"), "JPY")
    (Decimal('0.13'), Decimal('-0.13'), Decimal('3'))
    """
    with localcontext() as context:
        context.prec = 50
        found = amount.quantize(Decimal(1).scaleb(-digits_of(currency)), rounding=ROUND_HALF_UP)
    return found or abs(found)  # never a minus before nothing


def line_amount(quantity: Decimal, counted: Counted, unit_price: Decimal, currency: str) -> Decimal:
    """What a line comes to.

    >>> line_amount(Decimal(20), "min", Decimal(45), "EUR")
    Decimal('15.00')
    """
    with localcontext() as context:
        context.prec = 50
        whole = quantity * unit_price
        return rounded(whole / Decimal(60) if counted == "min" else whole, currency)


def priced(
    *,
    key: str,
    words: str,
    quantity: Decimal,
    counted: Counted,
    unit_price: Decimal | None,
    currency: str,
    taxed: bool = True,
    basis: str = "",
) -> Line:
    """A line with its amount, if its price is known."""
    amount = None if unit_price is None or not currency else line_amount(quantity, counted, unit_price, currency)
    return Line(
        key=key,
        words=words,
        quantity=quantity,
        counted=counted,
        unit_price=unit_price,
        amount=amount,
        taxed=taxed,
        basis=basis,
    )


def add_up(lines: Iterable[Line], tax_percent: Decimal, currency: str) -> Sum:
    """The sum of lines whose amounts are all known.

    Raises:
        ValueError: An amount is unknown.
    """
    net = taxed = rounded(Decimal(0), currency)
    for line in lines:
        if line.amount is None:
            raise ValueError(f"{line.key} has no price")
        net += line.amount
        if line.taxed:
            taxed += line.amount
    tax = rounded(taxed * tax_percent / Decimal(100), currency)
    return Sum(net=net, taxed_net=taxed, tax=tax, total=net + tax)


def round_figure(amount: Decimal, *, up: bool, digits: int = RANGE_DIGITS) -> Decimal:
    """The end of a range in round figures, never narrower than it was.

    >>> round_figure(Decimal("61.37"), up=False), round_figure(Decimal("88.2"), up=True)
    (Decimal('61'), Decimal('89'))
    >>> round_figure(Decimal("1234"), up=True)
    Decimal('1300')
    """
    if not amount:
        return Decimal(0)
    step = Decimal(1).scaleb(max(0, amount.adjusted() - digits + 1))
    found = (amount / step).to_integral_value(ROUND_CEILING if up else ROUND_FLOOR) * step
    return found.quantize(Decimal(1))


def money(amount: Decimal, currency: str) -> str:
    """An amount as people read it, with its currency.

    >>> money(Decimal("1234.5"), "EUR"), money(Decimal("-3"), "JPY")
    ('1,234.50 EUR', '-3 JPY')
    """
    return f"{plain_money(amount, currency)} {currency}".strip()


def plain_money(amount: Decimal, currency: str) -> str:
    """The same without its currency."""
    return f"{rounded(amount, currency):,}"


def known(lines: Sequence[Line]) -> bool:
    """Whether every line has its amount."""
    return all(line.amount is not None for line in lines)
