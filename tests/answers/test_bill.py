"""A bill is what was done: noted times, typed lines, used parts; nothing is guessed, and it adds up."""

from __future__ import annotations

import datetime as dt
import json
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema_rs import Draft202012Validator

from answers.quoting import COSTS, DAY, TERMS
from tubewright.answers.bill import Bill, BillAsked, WorkDone, bill, to_json
from tubewright.answers.quote_lines import Header, PartLine, typed_line
from tubewright.answers.quote_terms import ShopTerms
from tubewright.errors import InputError
from tubewright.files.quote_schema import bill_schema

FITS = Draft202012Validator(bill_schema())
MENDED = WorkDone(
    key="repair:1", sort="repair", words="Mended: dry joint", noted_minutes=40.0, day=dt.date(2026, 2, 27)
)
SOAK = WorkDone(key="treatment:1", sort="treatment", words="Soak", noted_minutes=720.0, bench_minutes=20.0)
SET_UP = WorkDone(key="set_up", sort="set_up", words="Set up", noted_minutes=None, usual_minutes=36.0)
PART = PartLine(key="part:5", words="100 µF 25 V", quantity=3, unit_price=Decimal("0.40"), currency="EUR", used=True)


def made(**more: object) -> Bill:
    values: dict[str, Any] = {
        "header": Header(job=7, display="Pier arcade, machine 7"),
        "terms": TERMS,
        "costs": COSTS,
        "day": DAY,
        **more,
    }
    return bill(BillAsked(**values))


def test_it_adds_up_what_was_noted_and_used() -> None:
    answer = made(works=[MENDED], parts=[PART], extras=[typed_line("Parcel", "1", "7.50")])
    assert [line.amount for line in answer.lines] == [Decimal("30.00"), Decimal("1.20"), Decimal("7.50")]
    assert answer.sum is not None
    assert (answer.sum.net, answer.sum.tax, answer.sum.total) == (Decimal("38.70"), Decimal("7.74"), Decimal("46.44"))
    assert "2026-02-27" in answer.lines[0].words


def test_hours_that_need_nobody_are_not_charged() -> None:
    line = made(works=[SOAK]).lines[0]
    assert line.quantity == 20
    assert line.basis == "at the bench, of 720 min in all"
    short = WorkDone(key="t", sort="treatment", words="Clean", noted_minutes=12.0, bench_minutes=30.0)
    assert made(works=[short]).lines[0].quantity == 12


def test_time_that_nobody_noted_is_asked_for() -> None:
    answer = made(works=[MENDED, SET_UP])
    assert answer.sum is None
    assert answer.missing == ("the time of “Set up”: nobody noted it",)
    assert answer.offered == {"set_up": Decimal(36)}
    typed = made(works=[MENDED, SET_UP], times={"set_up": Decimal(45)})
    assert typed.sum is not None
    assert typed.lines[1].amount == Decimal("33.75")
    assert typed.lines[1].basis == "as typed"
    out = made(works=[MENDED, SET_UP], times={"set_up": None})
    assert [line.key for line in out.left_out] == ["set_up"]
    assert out.complete


def test_a_part_may_be_left_out_and_an_unpriced_one_is_missing() -> None:
    answer = made(works=[MENDED], parts=[PART], left_out=["part:5"])
    assert [line.key for line in answer.lines] == ["repair:1"]
    assert [line.key for line in answer.left_out] == ["part:5"]
    unpriced = PartLine(key="part:6", words="Fuse", quantity=1, unit_price=None, currency="", used=True)
    assert made(works=[MENDED], parts=[unpriced]).missing == ("price of Fuse: its item in the stock has none",)


@pytest.mark.parametrize("odd", [{"times": {"repair:9": Decimal(1)}}, {"left_out": ["part:9"]}], ids=str)
def test_a_key_that_the_job_does_not_have_is_refused(odd: dict[str, Any]) -> None:
    with pytest.raises(InputError, match=r"It has: part:5, repair:1"):
        made(works=[MENDED], parts=[PART], **odd)


def test_without_anything_it_says_so() -> None:
    assert "anything to charge" in made().missing[0]
    bare = made(terms=ShopTerms(), works=[MENDED])
    assert len(bare.missing) == 2
    assert not bare.complete


@given(
    st.lists(st.floats(min_value=1, max_value=500), min_size=1, max_size=8),
    st.sampled_from(["EUR", "JPY", "KWD"]),
    st.decimals(min_value=0, max_value=30, places=2),
)
def test_what_stands_on_it_adds_up(minutes: list[float], currency: str, tax: Decimal) -> None:
    terms = ShopTerms(currency=currency, rate_per_hour=Decimal("44.95"), tax_percent=tax)
    works = [
        WorkDone(key=f"repair:{n}", sort="repair", words="Mended", noted_minutes=one) for n, one in enumerate(minutes)
    ]
    body = json.loads(json.dumps(to_json(made(terms=terms, works=works))))
    assert not [error.message for error in FITS.iter_errors(body)]
    net = sum((Decimal(line["amount"]) for line in body["lines"]), Decimal(0))
    assert Decimal(body["sum"]["net"]) == net
    assert Decimal(body["sum"]["total"]) == net + Decimal(body["sum"]["tax"])
