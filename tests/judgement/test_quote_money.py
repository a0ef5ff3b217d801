"""Money is decimal, rounds as commerce does, and adds up to the last digit."""

from __future__ import annotations

import csv
from decimal import ROUND_HALF_UP, Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tubewright.judgement.quote_money import (
    Line,
    add_up,
    digits_of,
    exact,
    line_amount,
    money,
    priced,
    round_figure,
    rounded,
)

TABLE = Path(__file__).parents[1] / "reference" / "minor_units.csv"
ROWS = list(csv.DictReader(line for line in TABLE.read_text(encoding="utf-8").splitlines() if line[0] != "#"))
CURRENCIES = st.sampled_from([row["code"] for row in ROWS])
AMOUNTS = st.decimals(min_value=-1_000_000, max_value=1_000_000, places=4)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["code"])
def test_a_currency_has_the_decimals_of_the_published_list(row: dict[str, str]) -> None:
    assert digits_of(row["code"]) == int(row["digits"])


def test_a_float_is_taken_by_the_digits_it_was_typed_with() -> None:
    assert exact(0.1) + exact(0.2) == Decimal("0.3")
    assert exact(45) * 3 == 135
    for odd in (float("nan"), float("inf"), "a lot"):
        with pytest.raises(ValueError, match="number"):
            exact(odd)


@given(AMOUNTS, CURRENCIES)
def test_rounding_moves_by_half_the_smallest_unit_at_most_and_half_goes_away_from_nothing(
    amount: Decimal, currency: str
) -> None:
    unit = Decimal(1).scaleb(-digits_of(currency))
    got = rounded(amount, currency)
    assert got == got.quantize(unit)
    assert abs(got - amount) <= unit / 2
    assert rounded(-amount, currency) == -got
    assert abs(got) == abs(amount).quantize(unit, ROUND_HALF_UP)


LINES = st.lists(
    st.tuples(
        st.decimals(min_value=0, max_value=5000, places=2),
        st.sampled_from(["piece", "min"]),
        st.decimals(min_value=-10_000, max_value=10_000, places=3),
        st.booleans(),
    ),
    max_size=30,
)


def drawn_lines(drawn: list[tuple[Decimal, str, Decimal, bool]], currency: str) -> list[Line]:
    return [
        priced(
            key=str(number),
            words="",
            quantity=quantity,
            counted="min" if counted == "min" else "piece",
            unit_price=price,
            currency=currency,
            taxed=taxed,
        )
        for number, (quantity, counted, price, taxed) in enumerate(drawn)
    ]


@given(LINES, st.decimals(min_value=0, max_value=100, places=3), CURRENCIES)
def test_what_stands_on_the_paper_adds_up_exactly(
    drawn: list[tuple[Decimal, str, Decimal, bool]], tax: Decimal, currency: str
) -> None:
    lines = drawn_lines(drawn, currency)
    total = add_up(lines, tax, currency)
    assert total.net == sum((line.amount or Decimal(0) for line in lines), Decimal(0))
    assert total.taxed_net == sum((line.amount or Decimal(0) for line in lines if line.taxed), Decimal(0))
    assert total.total == total.net + total.tax
    assert total.tax == rounded(total.taxed_net * tax / 100, currency)
    digits = digits_of(currency)
    for amount in (total.net, total.tax, total.total):
        assert -amount.as_tuple().exponent == digits  # type: ignore[operator] # finite by construction
    assert add_up(list(reversed(lines)), tax, currency) == total


def test_an_hour_rate_is_divided_and_rounded_once() -> None:
    # Twenty minutes at 45 an hour are 15, though a third of an hour can't be written in decimals.
    assert line_amount(Decimal(20), "min", Decimal(45), "EUR") == 15
    assert line_amount(Decimal(50), "min", Decimal(45), "EUR") == Decimal("37.50")
    assert line_amount(Decimal(1), "min", Decimal(45), "JPY") == 1
    assert line_amount(Decimal(7), "min", Decimal("12.345"), "TND") == Decimal("1.440")


def test_a_line_without_a_price_is_never_summed() -> None:
    line = priced(key="k", words="w", quantity=Decimal(1), counted="piece", unit_price=None, currency="EUR")
    assert line.amount is None
    with pytest.raises(ValueError, match="no price"):
        add_up([line], Decimal(0), "EUR")
    assert (
        priced(key="k", words="w", quantity=Decimal(1), counted="piece", unit_price=Decimal(1), currency="").amount
        is None
    )


@given(st.decimals(min_value=-100_000, max_value=100_000, places=2))
def test_round_figures_never_narrow_a_range(amount: Decimal) -> None:
    low, high = round_figure(amount, up=False), round_figure(amount, up=True)
    assert low <= amount <= high
    assert high - low <= max(Decimal(1), abs(amount) / 5 + 1)


def test_amounts_are_written_with_their_currency() -> None:
    assert money(Decimal("1234.5"), "EUR") == "1,234.50 EUR"
    assert money(Decimal("-0.001"), "EUR") == "0.00 EUR"
    assert money(Decimal("2.5"), "JPY") == "3 JPY"
