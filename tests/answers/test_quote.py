"""A quote has a price only where every cost is known, says what it brings and what may go wrong."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema_rs import Draft202012Validator

from answers.quoting import COSTS, TERMS, a_step, a_verdict, an_option, asked
from tubewright.answers.assess import assess
from tubewright.answers.diagnose import diagnose
from tubewright.answers.quote import quote
from tubewright.answers.quote_answer import OptionQuote, Quote, to_json
from tubewright.answers.quote_lines import ExtraLine, PartLine, typed_line
from tubewright.answers.quote_terms import ShopTerms
from tubewright.case import Case, Costs
from tubewright.errors import InputError
from tubewright.files.quote_schema import quote_schema
from tubewright.judgement.quote_money import rounded
from tubewright.knowledge.load import load_knowledge

KNOWN = load_knowledge()
FITS = Draft202012Validator(quote_schema())


def options_of(answer: Quote) -> dict[str, OptionQuote]:
    return {option.id: option for option in answer.options}


def test_the_recommended_option_is_the_verdicts_and_comes_first() -> None:
    answer = quote(a_verdict(), asked(), KNOWN)
    assert answer.recommended == "soak"
    assert [option.recommended for option in answer.options] == [True] + [False] * (len(answer.options) - 1)
    assert answer.options[0].id == "soak"
    assert answer.complete
    assert answer.valid_until == dt.date(2026, 3, 31)


def test_a_plan_is_priced_by_the_steps_it_most_likely_takes() -> None:
    option = quote(a_verdict(), asked(), KNOWN).options[0]
    assert option.steps == ("soak", "run_in", "clean")
    assert [line.key for line in option.lines] == ["work:soak", "work:run_in"]
    assert [(one.line.key, one.chance) for one in option.if_needed] == [("work:clean", 0.35)]
    look = KNOWN.value("look_after_minutes")
    minutes = [KNOWN.treatments[kind].attended_minutes + look for kind in ("soak", "run_in")]
    assert [float(line.quantity) for line in option.lines] == minutes
    assert option.price is not None
    net = sum(rounded(Decimal(str(m)) * 45 / 60, "EUR") for m in minutes)
    assert option.price.sum.net == net
    assert option.price.sum.total == net + rounded(net * Decimal("0.2"), "EUR")
    # The low end is the first step alone, the high end all of them, each with its own spread and with tax.
    first, all_of_them = minutes[0] * 0.9, sum(minutes) + KNOWN.treatments["clean"].attended_minutes + look
    assert option.price.low is not None
    assert option.price.high is not None
    assert float(option.price.low) < first * 0.9
    assert float(option.price.high) > all_of_them * 0.9 * 1.1
    assert option.success == 0.7
    assert "about 7 of 10" in option.chance_words
    assert "at best 8 years" in option.years_words


def test_what_may_go_wrong_adds_up_over_the_steps() -> None:
    option = quote(a_verdict(), asked(), KNOWN).options[0]
    # Only the cleaning risks the tube, 4 in 100, in the 35 of 100 cases that come to it.
    assert any("about 1 of 70" in line for line in option.may_go_wrong)
    assert any("about 3 of 10 such cases the picture is not good enough" in line for line in option.may_go_wrong)


def test_the_end_of_the_plan_is_told_and_not_priced() -> None:
    answer = quote(a_verdict(), asked(), KNOWN)
    assert [line.partition(":")[0] for line in answer.follows] == ["Fit another picture tube"]
    closed = {one.id: one.why for one in answer.closed}
    assert closed["activate"] == "too strong for this tube"
    assert "hardly" in closed["adjust"]
    assert "clean" not in closed


def test_a_single_step_is_told_with_its_own_years() -> None:
    plan = (a_step("soak", 1.0), a_step("swap_tube", 0.4))
    option = quote(a_verdict(plan=plan), asked(), KNOWN).options[0]
    assert option.steps == ()
    assert option.years_words == "between 1½ and 8 years, 4 most likely"
    assert option.success == 0.2


def test_a_swap_costs_labour_the_tube_and_tax() -> None:
    swap = options_of(quote(a_verdict(), asked(), KNOWN))["swap_tube"]
    assert swap.price is not None
    hours = Decimal(str(KNOWN.value("swap_hours")))
    assert swap.price.sum.net == hours * 45 + 180
    assert swap.price.sum.total == (hours * 45 + 180) * Decimal("1.2")
    assert swap.price.low is not None
    assert swap.price.high is not None
    assert swap.price.low < swap.price.sum.total < swap.price.high
    assert "between" in swap.price.words
    other = options_of(quote(a_verdict(), asked(), KNOWN))["replace_display"]
    assert [line.amount for line in other.lines][1:] == [Decimal("450.00"), Decimal("-20.00")]


def test_without_rate_or_currency_nothing_has_a_price() -> None:
    for terms in (ShopTerms(currency="EUR"), ShopTerms(rate_per_hour=Decimal(45))):
        answer = quote(a_verdict(), asked(terms=terms), KNOWN)
        assert answer.missing
        assert not answer.complete
        assert all(option.price is None for option in answer.options if option.lines)
        assert FITS.is_valid(json.loads(json.dumps(to_json(answer))))


def test_the_jobs_own_rate_goes_before_the_shops() -> None:
    own = COSTS.model_copy(update={"bench_rate_per_hour": 60.0, "currency": "USD"})
    answer = quote(a_verdict(), asked(costs=own), KNOWN)
    assert answer.rate_per_hour == 60
    assert answer.currency == "USD"
    assert any("agreed for this job" in note for note in answer.notes)


FOUND = (
    KNOWN.faults["hv_filter_dry"]
    if "hv_filter_dry" in KNOWN.faults
    else next(fault for fault in KNOWN.faults.values() if "c0" not in fault.parts)
)
NO_PARTS = next(fault for fault in KNOWN.faults.values() if fault.parts == ("c0",))


def test_a_fault_found_is_mended_in_every_option_that_keeps_the_display() -> None:
    answer = options_of(quote(a_verdict(), asked(found=[NO_PARTS]), KNOWN))
    for name in ("soak", "leave", "swap_tube"):
        assert f"repair:{NO_PARTS.id}" in {line.key for line in answer[name].lines}, name
        assert answer[name].price is not None
    assert f"repair:{NO_PARTS.id}" not in {line.key for line in answer["retire"].lines}


def test_unknown_parts_withhold_the_price_and_the_bench_time_is_told() -> None:
    answer = options_of(quote(a_verdict(), asked(found=[FOUND]), KNOWN))
    soak = answer["soak"]
    assert soak.price is None
    assert any(FOUND.name in one for one in soak.missing)
    assert "Bench time alone: between" in soak.before_parts
    assert answer["retire"].price is not None
    told = options_of(quote(a_verdict(), asked(found=[FOUND], parts_complete=True), KNOWN))
    assert told["soak"].price is not None


def test_parts_are_priced_from_the_stock_in_the_same_currency_only() -> None:
    good = PartLine(key="part:1", words="100 µF 25 V", quantity=3, unit_price=Decimal("0.40"), currency="EUR")
    for odd in (
        dataclasses.replace(good, unit_price=None),
        dataclasses.replace(good, currency="USD"),
    ):
        answer = options_of(quote(a_verdict(), asked(parts=[good, odd]), KNOWN))
        assert answer["leave"].price is None
        assert "100 µF" in answer["leave"].missing[0]
        assert answer["retire"].price is not None
    priced = options_of(quote(a_verdict(), asked(parts=[good]), KNOWN))["leave"].price
    assert priced is not None
    assert priced.sum.net == Decimal("1.20")
    assert priced.low is None


def test_a_search_ranges_over_the_suspects_and_its_parts_are_unknown() -> None:
    case = Case(format=1, symptoms=({"id": "horizontal_line"},), costs=Costs(currency="EUR", bench_rate_per_hour=45.0))  # type: ignore[arg-type] # pydantic makes the parts
    told = diagnose(case, KNOWN)
    verdict = a_verdict("find_fault_first", plan=(a_step("find_fault_first", 1.0),))
    answer = quote(verdict, asked(costs=case.costs, diagnosed=told), KNOWN)
    search = answer.options[0]
    assert search.id == answer.recommended == "find_fault_first"
    assert search.price is None
    assert "once the fault is found" in search.missing[0]
    assert "between" in search.before_parts
    # The other options leave the fault where it is, and say so.
    told_of = {option.id: option.may_go_wrong[0] for option in answer.options if option.id != "find_fault_first"}
    assert all("fault outside the tube stays" in told_of[name] for name in ("leave", "swap_tube"))
    assert "fault outside" not in told_of["retire"]
    assert answer.follows_lead == "Once the fault is mended, for the tube"
    complete = quote(verdict, asked(costs=case.costs, diagnosed=told, parts_complete=True), KNOWN).options[0]
    assert complete.price is not None
    assert complete.price.low is not None
    assert complete.price.high is not None
    assert complete.price.low < complete.price.sum.total < complete.price.high
    nothing = quote(verdict, asked(costs=case.costs), KNOWN).options[0]
    assert nothing.price is None
    assert "no suspect yet" in nothing.missing[0]


EXTRAS = st.lists(
    st.builds(
        ExtraLine,
        words=st.just("Parcel"),
        quantity=st.decimals(min_value=1, max_value=500, places=2),
        unit_price=st.decimals(min_value=-900, max_value=900, places=2),
        counted=st.sampled_from(["piece", "min"]),
        taxed=st.booleans(),
    ),
    max_size=6,
)


@given(EXTRAS, st.sampled_from(["EUR", "JPY", "TND"]), st.decimals(min_value=0, max_value=50, places=1))
def test_every_price_is_the_sum_of_its_lines(extras: list[ExtraLine], currency: str, tax: Decimal) -> None:
    terms = dataclasses.replace(TERMS, currency=currency, tax_percent=tax)
    answer = quote(a_verdict(), asked(terms=terms, extras=extras), KNOWN)
    body = json.loads(json.dumps(to_json(answer)))
    assert not [error.message for error in FITS.iter_errors(body)]
    for option in body["options"]:
        if option["price"] is None:
            continue
        net = sum((Decimal(line["amount"]) for line in option["lines"]), Decimal(0))
        assert Decimal(option["price"]["net"]) == net
        assert Decimal(option["price"]["total"]) == net + Decimal(option["price"]["tax"])
        if option["price"]["low"] is not None:
            assert Decimal(option["price"]["low"]) <= Decimal(option["price"]["total"])
            assert Decimal(option["price"]["high"]) >= Decimal(option["price"]["total"])


def test_a_real_verdict_makes_a_quote_that_fits_its_schema() -> None:
    case = Case(
        format=1,
        costs={"currency": "EUR", "bench_rate_per_hour": 45.0, "replacement_tube": 180.0},  # type: ignore[arg-type] # pydantic makes the parts
        readings=tuple(
            {"gun": gun, "kind": "emission", "value": value, "unit": "rel", "heater_v": 6.3}  # type: ignore[misc]
            for gun, value in (("red", 0.33), ("green", 0.6), ("blue", 0.7))
        ),
    )
    answer = quote(assess(case, KNOWN, futures=2000), asked(costs=case.costs), KNOWN)
    body = json.loads(json.dumps(to_json(answer)))
    assert not [error.message for error in FITS.iter_errors(body)]
    assert answer.complete


@pytest.mark.parametrize(
    ("words", "quantity", "price", "says"),
    [
        ("", "1", "2", "no words"),
        ("x" * 200, "1", "2", "200 characters"),
        ("Parcel", "0", "2", "this is nothing"),
        ("Parcel", "nan", "2", "not a number"),
        ("Parcel", "-1", "2", "negative"),
        ("Parcel", "1", "", "no price"),
        ("Parcel", "1", "inf", "not an amount"),
        ("Parcel", "1", "0.00001", "more digits"),
        ("Parcel", "1", "999999999", "more digits"),
    ],
)
def test_a_typed_line_that_makes_no_sense_is_refused(words: str, quantity: str, price: str, says: str) -> None:
    with pytest.raises(InputError, match=says):
        typed_line(words, quantity, price)


def test_a_typed_line_may_be_a_time_or_a_credit() -> None:
    timed = typed_line("Search", "1.5 h", "40")
    assert (timed.quantity, timed.counted) == (Decimal("90.0"), "min")
    credit = typed_line("Paid already", "", "-50")
    assert (credit.quantity, credit.unit_price) == (Decimal(1), Decimal(-50))


def test_the_option_that_cannot_be_had_is_named_with_its_reason() -> None:
    verdict = a_verdict(
        options=(an_option("leave"), an_option("swap_tube", why_not="none can be had")), decision="leave", plan=()
    )
    answer = quote(verdict, asked(costs=Costs()), KNOWN)
    assert [one.why for one in answer.closed] == ["none can be had"]
