"""The shop's settings are checked as they are typed, all faults together."""

from __future__ import annotations

from decimal import Decimal

import pytest

from tubewright.answers.quote_terms import NAMES, checked_settings, shop_white, terms_of
from tubewright.errors import InputError


def test_settings_are_kept_in_one_form() -> None:
    kept = checked_settings(
        {
            "currency": " eur ",
            "bench_rate_per_hour": "45,50",
            "tax_percent": "7.7 %",
            "quote_valid_days": "030",
            "shop_address": "1 Mole Road\r\n  Harbour  town ",
            "shop_name": "Lantern\nWorks",
            "white_x": "0,3127",
            "white_y": ".329",
        },
        {},
    )
    assert kept == {
        "currency": "EUR",
        "bench_rate_per_hour": "45.5",
        "tax_percent": "7.7",
        "quote_valid_days": "30",
        "shop_address": "1 Mole Road\nHarbour town",
        "shop_name": "Lantern Works",
        "white_x": "0.3127",
        "white_y": "0.329",
    }
    terms = terms_of(kept)
    assert terms.rate_per_hour == Decimal("45.5")
    assert terms.tax_percent == Decimal("7.7")
    assert terms.valid_days == 30
    white = shop_white(kept)
    assert white is not None
    assert white.cct_k == pytest.approx(6504, abs=20)


@pytest.mark.parametrize(
    ("key", "typed", "says"),
    [
        ("currency", "EURO", "no currency"),
        ("currency", "E1R", "no currency"),
        ("bench_rate_per_hour", "-4", "negative"),
        ("bench_rate_per_hour", "nan", "not an amount"),
        ("bench_rate_per_hour", "2000000", "too much"),
        ("tax_percent", "120", "more than all"),
        ("quote_valid_days", "0", "no number of days"),
        ("quote_valid_days", "400", "no number of days"),
        ("quote_valid_days", "2.5", "no number of days"),
        ("number_prefix", "=cmd", "can't stand before"),
        ("shop_name", "x" * 200, "200 characters"),
        ("white_x", "1.2", "no chromaticity"),
        ("white_x", "0.3", "one of the two is missing"),
        ("colour", "red", "no such setting"),
        ("currensy", "EUR", "no such setting"),
    ],
)
def test_what_makes_no_sense_is_refused_at_its_key(key: str, typed: str, says: str) -> None:
    with pytest.raises(InputError) as raised:
        checked_settings({key: typed}, {})
    assert says in str(raised.value)
    assert raised.value.faults[0].where in {key, "white_y"}


def test_the_nearest_key_is_offered() -> None:
    with pytest.raises(InputError, match="Did you mean currency"):
        checked_settings({"currensy": "EUR"}, {})


@pytest.mark.parametrize(
    ("x", "y"), [("0.7", "0.29"), ("0.15", "0.06"), ("0.3", "0.6"), ("0.6", "0.5"), ("0.01", "0.01")]
)
def test_a_white_far_from_any_white_is_refused(x: str, y: str) -> None:
    with pytest.raises(InputError):
        checked_settings({"white_x": x, "white_y": y}, {})


@pytest.mark.parametrize(
    ("x", "y"), [("0.3127", "0.329"), ("0.2848", "0.2932"), ("0.281", "0.311"), ("0.4476", "0.4074")]
)
def test_the_whites_in_use_are_taken(x: str, y: str) -> None:
    assert checked_settings({"white_x": x, "white_y": y}, {})


def test_one_half_of_a_white_may_change_when_the_other_is_set() -> None:
    assert checked_settings({"white_x": "0.31"}, {"white_x": "0.3127", "white_y": "0.329"})
    with pytest.raises(InputError, match="one of the two"):
        checked_settings({"white_y": ""}, {"white_x": "0.3127", "white_y": "0.329"})
    assert checked_settings({"white_x": "", "white_y": ""}, {"white_x": "0.3127", "white_y": "0.329"})


def test_all_faults_come_together_and_an_empty_text_takes_a_setting_away() -> None:
    with pytest.raises(InputError) as raised:
        checked_settings({"currency": "EURO", "tax_percent": "x"}, {})
    assert {fault.where for fault in raised.value.faults} == {"currency", "tax_percent"}
    assert checked_settings(dict.fromkeys(NAMES, ""), {}) == dict.fromkeys(NAMES, "")
    assert terms_of({}).rate_per_hour is None
    assert shop_white({"white_x": "", "white_y": ""}) is None
